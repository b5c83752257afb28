"""The batch book: all batches in a table, and one batch's story in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from lastbubble.outlets.page.view import STAGE_WORDS, duration_text, page_html

__all__ = ["render_batch", "render_book", "story_line"]


def _row(row: Mapping[str, Any]) -> str:
    number = int(row["id"])
    closed = _moment(row.get("closed_utc")) or "open"
    cells = (row.get("name") or "", _moment(row.get("opened_utc")), row.get("material") or "", closed)
    link = f'<td><a href="/batch/{number}">{number}</a></td>'
    return f"<tr>{link}{''.join(f'<td>{escape(str(cell))}</td>' for cell in cells)}</tr>"


def _moment(utc: object) -> str:
    return str(utc or "")[:16].replace("T", " ")


def render_book(station: str, batches: Sequence[Mapping[str, Any]]) -> str:
    """The table of batches, newest first."""
    rows = "".join(_row(row) for row in batches)
    table = (
        '<table><thead><tr><th scope="col">No.</th><th scope="col">Name</th><th scope="col">Opened (UTC)</th>'
        f'<th scope="col">Material</th><th scope="col">Closed</th></tr></thead><tbody>{rows}</tbody></table>'
        if rows
        else "<p>No batch yet.</p>"
    )
    return page_html(
        f"Batch book - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main><section><h1>Batch book</h1>{table}</section>'
        '<nav aria-label="Pages"><a href="/">Station</a></nav></main>',
    )


def story_line(record: Mapping[str, Any]) -> str:
    """One record of the stream in words, without its time."""
    kind = record.get("kind")
    if kind == "stage":
        stage = str(record.get("stage"))
        return STAGE_WORDS.get(stage, stage)
    if kind == "event":
        return str(record.get("name")).replace("_", " ")
    if kind == "trip":
        return "The guard opened the relay: " + str(record.get("cause")).replace("_", " ")
    return str(record.get("text") or str(record.get("cause")).replace("_", " "))


def render_batch(station: str, batch: Mapping[str, Any]) -> str:
    """One batch: what it was, and its story."""
    facts = "".join(
        f"<div><dt>{escape(str(name).replace('_', ' '))}</dt><dd><small>{escape(str(value))}</small></dd></div>"
        for name, value in (batch.get("header") or {}).items()
        if name not in ("oven_learnt", "history")
    )
    lines = "".join(
        f"<tr><td>{duration_text(float(record['t']))}</td><td>{escape(story_line(record))}</td></tr>"
        for record in batch.get("story") or ()
        if record.get("kind") != "forecast"
    )
    notes = f"<p>{escape(str(batch.get('notes')))}</p>" if batch.get("notes") else ""
    return page_html(
        f"Batch {batch['id']} - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main><section><h1>Batch {int(batch["id"])}</h1>'
        f"<p>{escape(str(batch.get('name') or ''))}</p>{notes}<dl>{facts}</dl></section>"
        f'<section><h2>Its story</h2><table><thead><tr><th scope="col">After</th><th scope="col">What</th></tr></thead>'
        f"<tbody>{lines}</tbody></table></section>"
        '<nav aria-label="Pages"><a href="/book">Batch book</a> <a href="/">Station</a></nav></main>',
    )
