"""The batch book: all batches, and one batch's pieces with their uptake, its curves, its notes and its story."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.forms import (
    NOTHING,
    Field,
    Refused,
    choice,
    fields_html,
    form_html,
    kept_note,
    summary_html,
)
from lastbubble.outlets.page.now import chart_figures, chart_scripts
from lastbubble.outlets.page.parts import head_html, listed, local_time, section, table
from lastbubble.outlets.page.view import MARK_BUTTONS, STAGE_WORDS, duration_text, page_html
from lastbubble.outlets.wording import in_units
from lastbubble.units import Display

__all__ = ["BEGIN_FIELDS", "NOTE_FIELDS", "PHOTO_FIELDS", "PIECE_FIELDS", "render_batch", "render_book", "story_line"]

#: Fields of the forms: a new batch, a piece, a note.
BEGIN_FIELDS: Final = (
    Field("name", "Name", "slabs 7"),
    Field("material", "Material", "chalk turquoise"),
    Field("thickness", "Thickness of the thickest piece", "12 mm"),
    Field("length", "Its length", "60 mm"),
    Field("width", "Its width", "40 mm"),
    Field("soak", "Soak", "30 min"),
    Field("hold", "Hold at the core's target", "30 min"),
    Field("target_core", "The core's target", "93 degC"),
    Field("notes", "Notes"),
)
PIECE_FIELDS: Final = (
    Field("label", "Name of the piece", "1", must=True),
    Field("dry", "Dry mass", "95.2 g"),
    Field("wet", "Wet mass, drained", "215.1 g"),
    Field("cured", "Cured mass", "208.8 g"),
    Field("material", "Material", "spalted maple"),
    Field("thickness", "Thickness", "22 mm"),
    Field("length", "Length", "120 mm"),
    Field("width", "Width", "80 mm"),
    Field("count", "How many are weighed together", "4"),
    Field("porosity", "Porosity, where known", "60 %"),
    Field("who", "Who tells it"),
)
NOTE_FIELDS: Final = (Field("text", "Note", must=True, area=True), Field("who", "Who tells it"))
#: The photo comes last: what stands before it is read even where the photo is too large to be.
PHOTO_FIELDS: Final = (
    Field("note", "What it shows", "before the resin"),
    Field("who", "Who tells it"),
    # Each kind by name: a phone then hands over one of these where it keeps its photos in another kind.
    Field("photo", "Photo", must=True, accept="image/jpeg,image/png,image/webp"),
)
_FORMS: Final = {"batch_note": ("note", NOTE_FIELDS), "batch_photo": ("photo", PHOTO_FIELDS)}
_WHO: Final = (Field("who", "Who tells it"),)
_SHAPES: Final = (("slab", "slab"), ("cylinder", "cylinder"), ("sphere", "sphere"))
_PIECE_SHAPES: Final = (("", "not told"), *_SHAPES, ("lump", "lump"))


def _one(row: Mapping[str, Any]) -> str:
    number = int(row["id"])
    closed = local_time(row.get("closed_utc"))
    when = (
        f"{local_time(row.get('opened_utc'))} to {closed}"
        if closed
        else f"open since {local_time(row.get('opened_utc'))}"
    )
    small = ", ".join(part for part in (str(row.get("material") or ""), when) if part)
    return (
        f'<li{"" if closed else " class=" + chr(34) + "you" + chr(34)}><a href="/batch/{number}"><b>{number}</b> '
        f'<span>{escape(str(row.get("name") or "unnamed"))}</span></a><p class="quiet">{escape(small)}</p></li>'
    )


def render_book(station: str, batches: Sequence[Mapping[str, Any]], refused: Refused = NOTHING, kept: str = "") -> str:
    """All batches, newest first, and the forms to begin one and to close the open one."""
    rows = "".join(_one(row) for row in batches)
    listing = f'<ul class="batches">{rows}</ul>' if rows else "<p>No batch yet.</p>"
    begin = refused.of("batch_begin")
    open_ones = [row for row in batches if not row.get("closed_utc")]
    names = [f"{row['id']}{', ' + str(row['name']) if row.get('name') else ''}" for row in open_ones]
    told = f"<p>The open batch ({escape(names[0])}) is closed then.</p>" if names else ""
    form = form_html(
        "batch_begin",
        fields_html("begin", BEGIN_FIELDS[:3], begin)
        + choice("begin", "shape", "Shape", _SHAPES, begin)
        + fields_html("begin", BEGIN_FIELDS[3:], begin),
        "Begin the batch",
        back="/book",
    )
    opened = " open" if begin.why else ""
    forms = f"<details{opened}><summary>Begin a batch</summary>{told}{form}</details>"
    if names:
        close = form_html("batch_close", "", f"Close batch {names[0]}", back="/book")
        forms += (
            "<details><summary>Close the open batch</summary><p>What comes after goes into a new, unnamed one, so that "
            f"nothing is lost.</p>{close}</details>"
        )
    return page_html(
        f"{'Not taken: ' if refused.why else ''}Batch book - {station}",
        f"{head_html(station)}<main><h1>Batch book</h1>{kept_note(kept)}"
        f"{summary_html(refused, 'begin', BEGIN_FIELDS)}"
        f"{section('forms-h', 'Begin and close', forms)}{section('all-h', 'All batches', listing)}</main>",
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


#: Header key, words, unit; keys that are not here are the station's own and stand in the report.
_FACTS: Final = (
    ("material", "Material", ""),
    ("piece_shape", "Shape", ""),
    ("piece_thickness_mm", "Thickness", "mm"),
    ("piece_length_mm", "Length", "mm"),
    ("piece_width_mm", "Width", "mm"),
    ("soak_min", "Soak", "min"),
    ("hold_min", "Hold", "min"),
)


def _number(text: str) -> str:
    try:
        return f"{float(text):g}"
    except ValueError:
        return text


def _facts(batch: Mapping[str, Any], display: Display) -> str:
    header = batch.get("header") or {}
    told = {
        "Opened": local_time(batch.get("opened_utc")),
        "Closed": local_time(batch.get("closed_utc")) or "still open",
        "Resin lot": str((batch.get("book") or {}).get("resin_lot") or ""),
        **{words: f"{_number(str(header[key]))} {unit}".strip() for key, words, unit in _FACTS if header.get(key)},
    }
    if header.get("target_core_c"):
        told["Core's target"] = display.temperature_text(float(header["target_core_c"]), 0)
    items = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in told.items() if v)
    return f'<dl class="facts">{items}</dl>'


def _share(found: Mapping[str, float] | None) -> str:
    """A share with its 80 % band, in per cent, as HTML."""
    if found is None:
        return ""
    band = f"({100 * found['low']:.1f} to {100 * found['high']:.1f})"
    return f"{100 * found['value']:.1f} % <small>{band}</small>"


_UPTAKE: Final = (
    ("uptake_wet", "uptake, drained"),
    ("uptake_cured", "uptake, cured"),
    ("pores_filled_wet", "pores filled, drained"),
    ("pores_filled_cured", "pores filled, cured"),
    ("porosity", "porosity"),
)
_WHAT: Final = dict(_UPTAKE)
_SIZES: Final = ("thickness", "length", "width")


def _piece(piece: Mapping[str, Any], found: Mapping[str, Any]) -> str:
    """One piece: what was told of it, and what it took up."""
    sizes = " x ".join(str(piece[name]) for name in _SIZES if piece.get(name))
    count = f"{piece['count']} of" if piece.get("count") else ""
    told = " ".join(filter(None, (count, str(piece.get("material", "")), str(piece.get("shape", "")), sizes)))
    rows = [(when, escape(str(piece[when]))) for when in ("dry", "wet", "cured") if piece.get(when)]
    rows += [(words, _share(found.get(key))) for key, words in _UPTAKE if found.get(key)]
    items = "".join(f"<div><dt>{escape(a)}</dt><dd>{b}</dd></div>" for a, b in rows)
    remarks = listed(found.get("remarks") or (), "care") if found.get("remarks") else ""
    empty = "" if rows else '<p class="quiet">Not weighed yet.</p>'
    note = f"<p>{escape(str(piece['note']))}</p>" if piece.get("note") else ""
    return (
        f'<li><h3>Piece {escape(str(piece.get("label", "?")))}</h3><p class="quiet">{escape(told)}</p>{note}{empty}'
        f'<dl class="facts">{items}</dl>{remarks}</li>'
    )


def _pieces(batch: Mapping[str, Any]) -> str:
    book = batch.get("book") or {}
    pieces = book.get("pieces") or batch.get("pieces") or ()
    if not pieces:
        return section("pieces-h", "Pieces", "<p>No piece is in the book yet: weigh each one dry, below.</p>")
    uptake = {one["label"]: one for one in book.get("uptake") or ()}
    body = f'<ul class="pieces">{"".join(_piece(one, uptake.get(one.get("label"), {})) for one in pieces)}</ul>'
    rows = [
        (row["material"], _WHAT[row["what"]], f"{100 * row['here']:.1f} %", f"{100 * row['before']:.1f} %",
         f"{100 * row['least']:.1f} to {100 * row['most']:.1f} %", str(len(row["batches"])))
        for row in book.get("compared") or ()
    ]  # fmt: skip
    if rows:
        heads = ("Material", "What", "Here", "Before", "Range", "Batches")
        body += f"<h3>Beside earlier batches</h3>{table('Beside earlier batches', heads, rows)}"
    return section("pieces-h", "Pieces", body)


def _notes(batch: Mapping[str, Any]) -> str:
    book = batch.get("book") or {}
    lines = [str(batch["notes"])] if batch.get("notes") else []
    for note in book.get("book_notes") or ():
        who = f", {note['who']}" if note.get("who") else ""
        lines.append(f"{note['text']} ({local_time(note['utc'])}{who})")
    lines += [f"Photo: {photo['path']} {photo.get('note', '')}".rstrip() for photo in book.get("photos") or ()]
    return section("notes-h", "Notes", listed(lines, "care")) if lines else ""


def _forms(number: int, refused: Refused, lots: Sequence[str], lot: str) -> str:
    back = f"/batch/{number}"
    piece, note, resin = refused.of("batch_piece"), refused.of("batch_note"), refused.of("batch_resin")
    photo = refused.of("batch_photo")
    photos = form_html("batch_photo", fields_html("photo", PHOTO_FIELDS, photo), "Keep it", send_to=f"{back}/photo")
    ours = (
        ""
        if not lots
        else (
            f"<details{' open' if resin.why else ''}><summary>Say which resin is in the chamber</summary>"
            + form_html(
                "batch_resin",
                choice("resin", "lot", "Lot", [(name, name) for name in lots], resin, lot)
                + fields_html("resin", _WHO, resin),
                "Keep it",
                batch=str(number),
                back=back,
            )
            + "</details>"
        )
    )
    body = fields_html("piece", PIECE_FIELDS[:4], piece) + choice("piece", "shape", "Shape", _PIECE_SHAPES, piece)
    body += fields_html("piece", PIECE_FIELDS[4:], piece)
    told = {"batch": str(number), "back": back}
    return section(
        "book-h",
        "Into the book",
        f"<details{' open' if piece.why else ''}><summary>Weigh or describe a piece</summary>"
        '<p class="quiet">Only what is filled in is kept; what is known already stays.</p>'
        f"{form_html('batch_piece', body, 'Keep it', **told)}</details>"
        f"<details{' open' if note.why else ''}><summary>Write a note</summary>"
        f"{form_html('batch_note', fields_html('note', NOTE_FIELDS, note), 'Keep it', **told)}</details>"
        f"<details{' open' if photo.why else ''}><summary>Add a photo</summary>"
        '<p class="quiet">JPEG, PNG or WebP, at most 10 MB; from the camera or from the phone.</p>'
        f"{photos}</details>{ours}",
    )


def _clock(opened: object, time_s: float) -> str:
    """The time of day of a moment of the batch, with the weekday when it is another day than it began."""
    try:
        begin = datetime.fromisoformat(str(opened)).astimezone()
    except ValueError:
        return ""
    moment = (begin + timedelta(seconds=time_s)).astimezone()  # over a change of summer time
    return f"{moment:%H:%M}" if moment.date() == begin.date() else f"{moment:%a %H:%M}"


def _story(batch: Mapping[str, Any], display: Display) -> str:
    story = [record for record in batch.get("story") or () if record.get("kind") != "forecast"]
    story += [{"t": time_s, "kind": "mark", "mark": mark} for time_s, mark in batch.get("marks") or ()]
    rows = []
    for record in sorted(story, key=lambda record: float(record["t"])):
        time_s = float(record["t"])
        after = f"after {duration_text(time_s)}" if time_s >= 0 else f"{duration_text(-time_s)} before"
        loud = ' class="loud"' if record.get("kind") in ("warning", "trip") else ""
        clock = _clock(batch.get("opened_utc"), time_s)
        rows.append(
            f"<li{loud}><time>{escape(clock or after)}</time><p>{escape(in_units(story_line(record), display))}</p>"
            + (f'<p class="quiet">{after}</p>' if clock else "")
            + "</li>"
        )
    body = f'<ol class="timeline">{"".join(rows)}</ol>' if rows else "<p>Nothing was said yet.</p>"
    return section("story-h", "Its story", body)


def render_batch(
    station: str,
    batch: Mapping[str, Any],
    display: Display | None = None,
    refused: Refused = NOTHING,
    kept: str = "",
    *,
    lots: Sequence[str] = (),
    charts: bool = False,
) -> str:
    """One batch: what it was, its curves, its pieces, and its story with what was done by hand.

    lots : the resin lots that there are, for saying which one is in the chamber
    """
    shown = display or Display()
    number = int(batch["id"])
    name = str(batch.get("name") or "")
    curves = (
        section("curves-h", "Curves", chart_figures(str(number), str(batch.get("opened_utc") or ""))) if charts else ""
    )
    forms = _forms(number, refused, lots, str((batch.get("book") or {}).get("resin_lot") or ""))
    prefix, fields = _FORMS.get(refused.typed.get("ask", ""), ("piece", PIECE_FIELDS))
    return page_html(
        f"{'Not taken: ' if refused.why else ''}Batch {number} - {station}",
        f"{head_html(station)}<main>"
        f"<h1>Batch {number}{': ' + escape(name) if name else ''}</h1>{kept_note(kept)}"
        f"{summary_html(refused, prefix, fields)}"
        f'<section aria-label="What it is">{_facts(batch, shown)}'
        f'<p class="ways"><a href="/report/{number}">Report, to read or to print</a> '
        f'<a href="/history?a={number}">Compare it with another batch</a></p></section>'
        f"{forms}{_pieces(batch)}{_notes(batch)}{curves}{_story(batch, shown)}</main>",
        chart_scripts(charts),
        here="/batch",
    )
