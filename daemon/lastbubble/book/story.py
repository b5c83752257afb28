"""One batch as the book has it: pieces with their uptake, earlier batches of the same material, resin, notes, deeds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from statistics import median
from typing import Any

from lastbubble.book.history import course_of
from lastbubble.book.measured import Measured, density, lognormal_band
from lastbubble.book.pieces import CURED_RESIN, LIQUID_RESIN, Piece, Uptake, pieces_of, uptake
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import BatchRow, utc_text
from lastbubble.ledger.series import marks
from lastbubble.ledger.shelf import deeds, lots, snapshot
from lastbubble.physics.materials import material

__all__ = ["batch_book", "batch_uptakes", "compared", "summary_lines", "uptake_json"]


def _of_batch(piece: Piece, row: BatchRow) -> Piece:
    """A piece that does not tell its material is of the batch's."""
    if piece.material or not row.header.get("material"):
        return piece
    return Piece(**{**asdict(piece), "material": row.header["material"]})


def batch_uptakes(row: BatchRow, liquid: Measured = LIQUID_RESIN) -> list[Uptake]:
    """What each piece of a batch took up."""
    return [uptake(_of_batch(piece, row), liquid, CURED_RESIN) for piece in pieces_of(row.pieces)]


def _measured_json(found: Measured | None) -> dict[str, float] | None:
    if found is None:
        return None
    low, high = lognormal_band(found)
    return {"value": found.value, "sd": found.sd, "low": low, "high": high}


def uptake_json(found: Uptake) -> dict[str, Any]:
    """As JSON values; low and high are an 80 % band."""
    return {
        "label": found.label,
        "material": found.material,
        "uptake_wet": _measured_json(found.wet),
        "uptake_cured": _measured_json(found.cured),
        "porosity": _measured_json(found.pores),
        "porosity_basis": found.basis,
        "pores_filled_wet": _measured_json(found.filled_wet),
        "pores_filled_cured": _measured_json(found.filled_cured),
        "remarks": list(found.remarks),
    }


def compared(found: Sequence[Uptake], earlier: Sequence[tuple[int, Sequence[Uptake]]]) -> list[dict[str, Any]]:
    """For each material and measure: this batch beside earlier batches of the same material.

    Each row: material, what (uptake_wet ...), here (median over its pieces), before (median over batches of their
    medians), least, most, batches (their numbers), rank (how many of them were below). Nothing without an earlier one.
    """
    out = []
    names = list(dict.fromkeys(material(one.material).name for one in found if one.material))
    for name in names:
        for what in ("wet", "cured", "filled_wet", "filled_cured"):
            here = _median(found, name, what)
            if here is None:
                continue
            others = [(number, _median(them, name, what)) for number, them in earlier]
            known = [(number, value) for number, value in others if value is not None]
            if not known:
                continue
            values = [value for _, value in known]
            out.append(
                {
                    "material": name,
                    "what": {"wet": "uptake_wet", "cured": "uptake_cured", "filled_wet": "pores_filled_wet"}.get(
                        what, "pores_filled_cured"
                    ),
                    "here": here,
                    "before": median(values),
                    "least": min(values),
                    "most": max(values),
                    "batches": [number for number, _ in known],
                    "rank": sum(value < here for value in values),
                }
            )
    return out


def _median(found: Sequence[Uptake], name: str, what: str) -> float | None:
    values = [getattr(one, what) for one in found if one.material and material(one.material).name == name]
    known = [value.value for value in values if value is not None]
    return median(known) if known else None


def _liquid(reader: Reader, row: BatchRow) -> tuple[Measured, str]:
    lot = str(row.book.get("resin_lot", ""))
    for item in lots(reader):
        if item.name == lot and item.facts.get("density"):
            memory = ", from memory" if item.facts.get("memory") else ""
            return density(item.facts["density"]), f"told for lot {lot}{memory}"
    return LIQUID_RESIN, "assumed 1.05 g/ml, from memory"


def batch_book(reader: Reader, batch: int) -> dict[str, Any]:
    """Everything that a person keeps of a batch, and what follows from it, as JSON values.

    Raises LastbubbleError when there is no such batch.
    """
    row = reader.batch(batch)
    liquid, basis = _liquid(reader, row)
    found = batch_uptakes(row, liquid)
    earlier = [
        (other.id, batch_uptakes(other, _liquid(reader, other)[0]))
        for other in reader.batches()
        if other.opened_utc < row.opened_utc and other.pieces and other.id != row.id
    ]
    course = course_of(reader, row)
    return {
        "id": row.id,
        "name": row.name,
        "opened_utc": utc_text(row.opened_utc),
        "closed_utc": utc_text(row.closed_utc),
        "header": {key: text for key, text in row.header.items() if key not in ("oven_learnt", "history")},
        "notes": row.notes,
        "book_notes": list(row.book.get("notes", [])),
        "photos": list(row.book.get("photos", [])),
        "resin_lot": row.book.get("resin_lot", ""),
        "resin_lot_taken_over": bool(row.book.get("resin_lot_taken_over")),
        "resin_density_kg_m3": {"value": liquid.value, "sd": liquid.sd, "basis": basis},
        "pieces": [piece.told() for piece in pieces_of(row.pieces)],
        "uptake": [uptake_json(one) for one in found],
        "compared": compared(found, earlier),
        "course": {key: value for key, value in asdict(course).items() if value is not None},
        "marks": [{"time_s": at_s, "mark": mark} for at_s, mark in marks(reader, batch)],
        "deeds": [
            {"utc": utc_text(d.utc), "time_s": d.time_s, "what": d.what, "who": d.who, "way": d.way}
            for d in deeds(reader, batch)
        ],
        "settings": snapshot(reader, str(row.book.get("settings", ""))),
        "plan": row.book.get("plan", {}),
    }


_WORDS = {
    "uptake_wet": "uptake, drained",
    "uptake_cured": "uptake, cured",
    "pores_filled_wet": "pores filled, drained",
    "pores_filled_cured": "pores filled, cured",
}


def _percent(found: Mapping[str, float] | None) -> str:
    if found is None:
        return "-"
    return f"{100 * found['value']:.1f} % ({100 * found['low']:.1f} to {100 * found['high']:.1f})"


def summary_lines(book: Mapping[str, Any]) -> list[str]:
    """Pieces, uptake and the comparison in lines for a terminal."""
    out = [f"batch {book['id']} {book['name']}".rstrip()]
    lot = book["resin_lot"]
    if lot:
        out.append(f"resin lot {lot}" + (" (taken over from the last batch)" if book["resin_lot_taken_over"] else ""))
    told = {str(piece["label"]): piece for piece in book["pieces"]}
    for one in book["uptake"]:
        piece = told.get(one["label"], {})
        masses = ", ".join(f"{key} {piece[key]}" for key in ("dry", "wet", "cured") if piece.get(key))
        out.append(f"piece {one['label']}: {one['material'] or 'material not told'}; {masses or 'not weighed yet'}")
        for key, words in _WORDS.items():
            if one[key] is not None:
                out.append(f"  {words:<22} {_percent(one[key])}")
        if one["porosity"] is not None:
            out.append(f"  {'porosity':<22} {_percent(one['porosity'])}, by {one['porosity_basis']}")
        out += [f"  ! {text}" for text in one["remarks"]]
    for row in book["compared"]:
        count = len(row["batches"])
        out.append(
            f"{row['material']}: {_WORDS[row['what']]} {100 * row['here']:.1f} %; before {100 * row['before']:.1f} % "
            f"({100 * row['least']:.1f} to {100 * row['most']:.1f}) in {count} batch{'es' if count > 1 else ''}"
        )
    for note in book["book_notes"]:
        out.append(f"note {note['utc'][:16]} {note['who']}: {note['text']}".replace(" :", ":"))
    out += [f"photo {photo['path']} {photo.get('note', '')}".rstrip() for photo in book["photos"]]
    return out
