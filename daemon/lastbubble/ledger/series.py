"""Long stretches of a batch made short enough to draw, keeping every extreme.

The reading is thinned by SQLite itself, bucket by bucket, so a day at 1 Hz costs no more memory than its drawing.
"""

from __future__ import annotations

import math
from typing import Final

from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import ESTIMATE_COLUMNS

__all__ = ["SERIES_COLUMNS", "edges", "marks", "series"]

_SAMPLED: Final = ("chamber_pa", "oven_c", "oven2_c", "junction_c", "witness_c")
#: What `series` can draw: readings and estimates.
SERIES_COLUMNS: Final = (*_SAMPLED, *ESTIMATE_COLUMNS)

Point = tuple[float, float | None]


def series(
    reader: Reader,
    batch: int,
    column: str,
    *,
    points: int = 1000,
    after_s: float = -math.inf,
    until_s: float = math.inf,
) -> list[Point]:
    """(time_s, value) by rising time, about `points` of them: least and greatest of each bucket, at their own times.

    A stretch without a reading shows as one point with None, where a drawn line must break. Samples that are not on the
    card yet (a few seconds) are not among them.

    Raises ValueError for a column that cannot be drawn, naming those that can.
    """
    if column not in SERIES_COLUMNS:
        raise ValueError(f"{column!r} cannot be drawn; allowed: {', '.join(SERIES_COLUMNS)}")
    table = "samples" if column in _SAMPLED else "estimates"
    where = f"FROM {table} WHERE batch = ? AND time_s > ? AND time_s <= ? AND {column} IS NOT NULL"
    bounds = (batch, after_s, until_s)
    count, first_s, last_s = (
        reader.query(f"SELECT count(*), min(time_s), max(time_s) {where}", bounds) or [(0, 0, 0)]
    )[0]
    if count <= points:
        return list(reader.query(f"SELECT time_s, {column} {where} ORDER BY time_s", bounds))
    width_s = (last_s - first_s) / max(1, points // 2)
    bucket = f"CAST((time_s - {first_s!r}) / {width_s!r} AS INTEGER)"
    # SQLite takes the bare column `time_s` from the row that holds the min or max.
    found: dict[float, tuple[int, float]] = {}
    for extreme in ("min", "max"):
        rows = reader.query(f"SELECT {bucket}, time_s, {extreme}({column}) {where} GROUP BY 1", bounds)
        found.update((time_s, (place, value)) for place, time_s, value in rows)
    out: list[Point] = []
    before = 0
    for time_s in sorted(found):
        place, value = found[time_s]
        if place - before > 1:
            out.append(((out[-1][0] + time_s) / 2, None))
        before = place
        out.append((time_s, value))
    return out


def edges(reader: Reader, batch: int, column: str) -> list[tuple[float, bool | None]]:
    """(time_s, state) wherever `heat` or `isolated` changes, the first state first; None = not told.

    Raises ValueError for another column.
    """
    if column not in ("heat", "isolated"):
        raise ValueError(f"{column!r} has no edges; allowed: heat, isolated")
    rows = reader.query(
        f"SELECT time_s, state FROM (SELECT time_s, {column} AS state, lag({column}) OVER w AS before, "
        "row_number() OVER w AS n FROM samples WHERE batch = ? WINDOW w AS (ORDER BY time_s)) "
        "WHERE n = 1 OR state IS NOT before ORDER BY time_s",
        (batch,),
    )
    return [(time_s, None if state is None else bool(state)) for time_s, state in rows]


def marks(reader: Reader, batch: int) -> list[tuple[float, str]]:
    """(time_s, mark) for every mark of the batch, in order."""
    rows = reader.query(
        "SELECT time_s, marks FROM samples WHERE batch = ? AND marks IS NOT NULL ORDER BY time_s", (batch,)
    )
    return [(time_s, mark) for time_s, text in rows for mark in text.split(";")]
