"""The batch book: all batches in a table, and one batch's pieces, curves and story in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from lastbubble.outlets.page.now import chart_figures, chart_scripts
from lastbubble.outlets.page.plan import book_forms
from lastbubble.outlets.page.view import MARK_BUTTONS, STAGE_WORDS, duration_text, page_html
from lastbubble.outlets.wording import in_units
from lastbubble.units import Display

__all__ = ["render_batch", "render_book", "story_line"]


def _row(row: Mapping[str, Any]) -> str:
    number = int(row["id"])
    closed = _moment(row.get("closed_utc")) or "open"
    cells = (row.get("name") or "", _moment(row.get("opened_utc")), row.get("material") or "", closed)
    link = f'<td><a href="/batch/{number}">{number}</a></td>'
    return f"<tr>{link}{''.join(f'<td>{escape(str(cell))}</td>' for cell in cells)}</tr>"


def _moment(utc: object) -> str:
    return str(utc or "")[:16].replace("T", " ")


def _table(label: str, heads: Sequence[str], rows: str) -> str:
    """A table that scrolls by itself on a narrow screen, by keyboard too."""
    cells = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="Table: {escape(label)}"><table>'
        f"<thead><tr>{cells}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def render_book(station: str, batches: Sequence[Mapping[str, Any]]) -> str:
    """The table of batches, newest first."""
    rows = "".join(_row(row) for row in batches)
    heads = ("No.", "Name", "Opened (UTC)", "Material", "Closed")
    table = _table("All batches", heads, rows) if rows else "<p>No batch yet.</p>"
    return page_html(
        f"Batch book - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main><h1>Batch book</h1><section>{table}</section>'
        "</main>",
        here="/book",
    )


_MARK_WORDS = dict(MARK_BUTTONS)


def story_line(record: Mapping[str, Any]) -> str:
    """One record of the stream, or one mark (`kind` "mark"), in words, without its time."""
    kind = record.get("kind")
    if kind == "stage":
        stage = str(record.get("stage"))
        return STAGE_WORDS.get(stage, stage)
    if kind == "event":
        name = str(record.get("name")).replace("_", " ").capitalize()
        before_s = float(record.get("t") or 0) - float(record.get("since") or record.get("t") or 0)
        return f"{name}, {duration_text(before_s)} before" if before_s >= 90 else name
    if kind == "mark":
        mark = str(record.get("mark"))
        return "By hand: " + (_MARK_WORDS.get(mark) or mark.replace("=", " ").replace("_", " "))
    if kind == "trip":
        return "The guard opened the relay: " + str(record.get("cause")).replace("_", " ")
    return str(record.get("text") or str(record.get("cause")).replace("_", " "))


def _pieces(pieces: Sequence[Mapping[str, Any]]) -> str:
    """What a person keeps of the pieces, a row each; the columns are those that any of them has."""
    if not pieces:
        return ""
    names = list(dict.fromkeys(name for piece in pieces for name in piece))
    rows = ""
    for piece in pieces:
        cells = "".join(f"<td>{escape(str(piece.get(name, '')))}</td>" for name in names)
        rows += f"<tr>{cells}</tr>"
    table = _table("Pieces", [name.replace("_", " ") for name in names], rows)
    return f'<section aria-labelledby="pieces-h"><h2 id="pieces-h">Pieces</h2>{table}</section>'


def render_batch(
    station: str, batch: Mapping[str, Any], display: Display | None = None, *, charts: bool = False
) -> str:
    """One batch: what it was, its curves, its pieces, and its story with what was done by hand."""
    shown = display or Display()
    number = int(batch["id"])
    name = str(batch.get("name") or "")
    head = {
        "opened (UTC)": _moment(batch.get("opened_utc")),
        "closed (UTC)": _moment(batch.get("closed_utc")) or "open",
    }
    told = {
        str(key).replace("_", " "): value
        for key, value in (batch.get("header") or {}).items()
        if key not in ("oven_learnt", "history", "started_utc", "station")
    }
    facts = "".join(
        f"<div><dt>{escape(key)}</dt><dd>{escape(str(value))}</dd></div>" for key, value in {**head, **told}.items()
    )
    story = [record for record in batch.get("story") or () if record.get("kind") != "forecast"]
    story += [{"t": time_s, "kind": "mark", "mark": mark} for time_s, mark in batch.get("marks") or ()]
    lines = "".join(
        f"<tr><td>{duration_text(float(record['t']))}</td><td>{escape(in_units(story_line(record), shown))}</td></tr>"
        for record in sorted(story, key=lambda record: float(record["t"]))
    )
    notes = f"<p>{escape(str(batch.get('notes')))}</p>" if batch.get("notes") else ""
    curves = (
        f'<section aria-labelledby="curves-h"><h2 id="curves-h">Curves</h2>{chart_figures(str(number))}</section>'
        if charts
        else ""
    )
    return page_html(
        f"Batch {number} - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main>'
        f"<h1>Batch {number}{': ' + escape(name) if name else ''}</h1>"
        f'<section>{notes}<dl class="facts">{facts}</dl>'
        f'<p><a href="/history?a={number}">Compare it with another batch</a></p></section>'
        f"{curves}{_pieces(batch.get('pieces') or ())}{book_forms(number)}"
        '<section aria-labelledby="story-h"><h2 id="story-h">Its story</h2>'
        f"{_table('Story', ('After', 'What'), lines)}</section></main>",
        chart_scripts(charts),
        here="/batch",
    )
