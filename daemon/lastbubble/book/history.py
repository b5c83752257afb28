"""What earlier batches of this ledger tell the book: when a lot was in the chamber, how warm the room was, how long
each part of a batch took.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from lastbubble.book.pieces import pieces_of
from lastbubble.book.resin import Recorded, Use
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import BatchRow
from lastbubble.ledger.series import marks

__all__ = ["Course", "course_of", "recorded_room", "taken_kg", "uses_of"]


@dataclass(frozen=True, slots=True)
class Course:
    """When what happened in a batch, seconds of the batch; None = not, or not known.

    vented_s : back at atmosphere;  drained_s : the mark;  loaded_s : into the oven
    ended_s : its last sample
    """

    pump_s: float | None = None
    stopped_s: float | None = None
    vent_s: float | None = None
    vented_s: float | None = None
    soaked_s: float | None = None
    drained_s: float | None = None
    loaded_s: float | None = None
    reached_s: float | None = None
    cured_s: float | None = None
    finished_s: float | None = None
    ended_s: float | None = None


def _lines(reader: Reader, batch: int) -> list[dict[str, Any]]:
    """Stages and events, without the many forecasts."""
    rows = reader.query(
        "SELECT line FROM records WHERE batch = ? AND kind IN ('stage', 'event') ORDER BY seq", (batch,)
    )
    return [json.loads(line) for (line,) in rows]


def course_of(reader: Reader, row: BatchRow) -> Course:
    """The course of one batch: of its last pump-down, as far as it is on the card."""
    told: dict[str, float] = {}
    for record in _lines(reader, row.id):
        since = record.get("since")
        at_s = float(record["t"] if since is None else since)
        if record["kind"] == "stage":
            stage = record["stage"]
            if stage == "pump_down":
                told = {"pump_s": at_s}
            elif stage in ("venting", "heating", "finished"):
                told.setdefault({"venting": "vent_s", "heating": "loaded_s", "finished": "finished_s"}[stage], at_s)
            elif stage == "degassing":
                told.pop("stopped_s", None)
        else:
            key = {
                "bubbles_stopped": "stopped_s",
                "vented": "vented_s",
                "soak_complete": "soaked_s",
                "cure_temperature_reached": "reached_s",
                "cure_complete": "cured_s",
            }.get(record["name"])
            if key:
                told[key] = at_s
    for at_s, mark in marks(reader, row.id):
        if mark == "drained":
            told["drained_s"] = at_s
    return Course(**told, ended_s=row.last_time_s)


def taken_kg(row: BatchRow) -> float | None:
    """What the pieces of a batch took up of the resin, drained [kg]; None where no piece was weighed dry and wet."""
    total, any_weighed = 0.0, False
    for piece in pieces_of(row.pieces):
        dry, wet = piece.mass_kg("dry"), piece.mass_kg("wet")
        if dry is not None and wet is not None:
            total += max(0.0, wet.value - dry.value)
            any_weighed = True
    return total if any_weighed else None


def uses_of(reader: Reader, rows: Sequence[BatchRow], lot: str, now: datetime) -> list[Use]:
    """The batches that had this lot in the chamber, and from when to when."""
    out = []
    for row in rows:
        if row.book.get("resin_lot") != lot:
            continue
        course = course_of(reader, row)
        if course.pump_s is None:
            continue
        ends = [end for end in (course.drained_s, course.loaded_s) if end is not None and end > course.pump_s]
        end_s = min(ends) if ends else course.ended_s
        if end_s is None:
            continue
        vacuum_end_s = next((at for at in (course.vented_s, course.vent_s) if at is not None), end_s)
        begin = row.opened_utc + timedelta(seconds=course.pump_s)
        end = min(now, row.opened_utc + timedelta(seconds=end_s))
        out.append(Use(row.id, begin, end, taken_kg(row), max(0.0, min(vacuum_end_s, end_s) - course.pump_s)))
    return out


def recorded_room(reader: Reader, rows: Sequence[BatchRow]) -> Recorded:
    """How warm the bench was: the cold junction of the thermocouple board, by the hour, where a batch recorded it."""
    hours: list[tuple[datetime, float]] | None = None

    def load() -> list[tuple[datetime, float]]:
        found = []
        for row in rows:
            means = reader.query(
                "SELECT CAST(time_s / 3600 AS INTEGER), avg(junction_c) FROM samples "
                "WHERE batch = ? AND junction_c IS NOT NULL GROUP BY 1",
                (row.id,),
            )
            found += [(row.opened_utc + timedelta(hours=hour), mean) for hour, mean in means if row.source != "import"]
        return sorted(found)

    def recorded(begin: datetime, end: datetime) -> list[tuple[float, float]]:
        nonlocal hours
        if hours is None:
            hours = load()
        out = []
        for at, mean in hours:
            overlap = (min(end, at + timedelta(hours=1)) - max(begin, at)).total_seconds() / 3600
            if overlap > 0:
                out.append((overlap, mean))
        return out

    return recorded
