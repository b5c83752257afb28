"""How long this station's earlier batches of the same kind took: the text in `Context.history`, both ways.

A JSON object {"stops_s": [seconds from pump start to the stop, newest last]}. Reads no clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Final

__all__ = ["history_text", "stops_from"]

KEPT: Final = 50


def history_text(stops_s: Iterable[float]) -> str:
    """The text for these stops (only finite positive ones count); "" when there is none."""
    kept = [round(float(stop), 1) for stop in stops_s if math.isfinite(stop) and stop > 0]
    return json.dumps({"stops_s": kept[-KEPT:]}) if kept else ""


def stops_from(text: str) -> tuple[float, ...]:
    """The stops in a history text; what cannot be read counts as none, a prior is never worth an error."""
    try:
        data = json.loads(text)
    except ValueError:
        return ()
    stops = data.get("stops_s") if isinstance(data, dict) else None
    if not isinstance(stops, list):
        return ()
    return tuple(
        float(stop)
        for stop in stops[-KEPT:]
        if isinstance(stop, int | float) and not isinstance(stop, bool) and math.isfinite(stop) and stop > 0
    )
