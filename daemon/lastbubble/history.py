"""What this station's earlier batches of the same kind tell the next one, read from the ledger."""

from __future__ import annotations

from typing import Final

from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput
from lastbubble.ledger.reader import Reader
from lastbubble.pipeline.batch_history import history_text
from lastbubble.records import Event, Stage

__all__ = ["history_of"]

#: Thicknesses further apart than this factor are not of the same kind (common practice, no published source).
_ALIKE: Final = 1.25


def _alike(one: Context, other: Context) -> bool:
    if not one.material or one.material != other.material:
        return False
    if one.piece_thickness_mm is None or other.piece_thickness_mm is None:
        return False
    return 1 / _ALIKE <= one.piece_thickness_mm / other.piece_thickness_mm <= _ALIKE


def history_of(reader: Reader, context: Context) -> str:
    """The text for `Context.history`: how long batches of the same material and about the same thickness took from the
    pump's start to the stop of the bubbles; "" when there were none.

    Raises LastbubbleError when the ledger cannot be read.
    """
    stops: list[float] = []
    if not context.material or context.piece_thickness_mm is None:
        return ""
    for row in reader.batches():
        try:
            if not _alike(context, context_from_header(row.header)):
                continue
        except BadInput:
            continue  # a batch whose header cannot be read teaches nothing
        began_s: float | None = None
        stop_s: float | None = None
        for stored in reader.records(row.id):
            record = stored.record
            if isinstance(record, Stage) and record.stage == "pump_down":
                began_s, stop_s = record.t if record.since is None else record.since, None
            elif isinstance(record, Event) and record.name == "bubbles_stopped" and began_s is not None:
                stop_s = record.since - began_s
        if stop_s is not None:
            stops.append(stop_s)
    return history_text(stops)
