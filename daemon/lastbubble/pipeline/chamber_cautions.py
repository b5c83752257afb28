"""What the chamber's side warns of: the sentences, each said once until it is over, and the two that need no rise.

`base_pressure_high`: half an hour after the pump was started a bench pump stands a few ten pascals above nothing, and
a load of gas that is still dying away falls while one looks; what stands an order of magnitude higher and does not
fall is a leak, an open ballast valve, bad oil, or warm or wet resin. `gauge_too_coarse`: the last hour of bubbling
lies below what this gauge shows.

A gauge that is read against the room, or that steps coarsely, has a zero error as large as the base: it is taken off by
what the gauge showed at atmosphere where the barometer is told.

Pure; reads no clock.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

from lastbubble.context import Context
from lastbubble.pipeline.blocks import Block
from lastbubble.pipeline.gauge import COARSE_PA, GaugeSense
from lastbubble.records import Caution

__all__ = ["TEXTS", "BaseWatch", "Cautions", "too_coarse"]

TEXTS: Final = {
    "pump_stopped": "The pressure rises straight: the pump has stopped or is shut off. "
    "Start it again, or shut its valve, before its oil is drawn back into the chamber.",
    "vacuum_lost": "Air is coming into the chamber: look at the lid, its seal and the vent valve, then the hose.",
    "vent_before_pump_off": "The pump is off while the chamber still holds vacuum: its oil can be drawn back. "
    "Shut the valve towards the pump or let air in slowly now; next time vent first, then stop the pump.",
    "vented_fast": "Air came in faster than 2 kPa a second: resin may have surged into gauge and hose. "
    "Look at them; open the vent more slowly.",
}

#: Judged from here on, for the limit of 35 minutes leaves no more than a few looks [s].
_BASE_FROM_S: Final = 1560.0
#: Bench pumps end at 3 to 120 Pa (common practice, no published source); a gauge without, and with, a zero error that
#: had to be taken off, and one whose zero error is not known [Pa].
_HIGH_PA: Final = 600.0
_HIGH_CORRECTED_PA: Final = 1000.0
_HIGH_UNKNOWN_PA: Final = 2000.0
#: A level that has climbed by this share since its lowest stands on nothing.
_CLIMBED: Final = 0.12
#: A level that falls by this share in ten minutes is gas that dies away.
_FALLING: Final = 0.12
_FALL_S: Final = 600.0


class Cautions:
    """Which of the chamber's cautions stand: `say` gives one only if it was not said since it was last `over`."""

    def __init__(self) -> None:
        self._told: set[str] = set()

    def say(self, time_s: float, cause: str, text: str = "") -> list[Caution]:
        """The caution as a list, empty when it stands already."""
        if cause in self._told:
            return []
        self._told.add(cause)
        return [Caution(time_s, cause, text or TEXTS[cause])]

    def stands(self, cause: str) -> bool:
        return cause in self._told

    def over(self, *causes: str) -> None:
        """These may be said again."""
        self._told.difference_update(causes)


class BaseWatch:
    """Is the base too high? `atmosphere` before the pump-down, `level` at every block of a level that is pumped."""

    def __init__(self, context: Context, gauge: GaugeSense) -> None:
        self._context = context
        self._gauge = gauge
        self._zero_pa: float | None = None
        self._levels: deque[tuple[float, float]] = deque(maxlen=80)
        self._lowest = math.inf

    def atmosphere(self, shown_pa: float) -> None:
        """What the gauge shows with the chamber open to the room."""
        told = self._context.barometer_pa
        if told is not None and abs(shown_pa - told) < 12e3:
            self._zero_pa = shown_pa - told

    def forget(self) -> None:
        """Another pump-down."""
        self._levels.clear()
        self._lowest = math.inf

    @property
    def _doubtful(self) -> bool:
        return self._gauge.resolution_pa >= COARSE_PA or self._context.gauge_kind in ("gauge", "vacuum")

    @property
    def zero_pa(self) -> float:
        """Zero error to be taken off, 0 where the gauge is to be believed or nothing is known [Pa]."""
        return self._zero_pa if self._doubtful and self._zero_pa is not None else 0.0

    def level(self, block: Block, pumped_s: float) -> str:
        """The sentence when it is too high, else "". pumped_s : since the pump was started."""
        self._levels.append((block.end_s, block.mean_pa))
        recent = sorted(pa for at_s, pa in self._levels if block.end_s - at_s <= 180.0)
        if len(recent) < 2:
            return ""
        shown = recent[len(recent) // 2]
        self._lowest = min(self._lowest, shown)
        level = shown - self.zero_pa
        if pumped_s < _BASE_FROM_S or level < self._limit():
            return ""
        if shown - self._lowest > max(_CLIMBED * (self._lowest - self.zero_pa), 2 * self._gauge.resolution_pa):
            # Leak, ballast and vapour hold a level; one that climbs by so much has no pump that draws, for the while.
            return ""
        before = sorted(pa for at_s, pa in self._levels if _FALL_S - 90 <= block.end_s - at_s <= _FALL_S + 90)
        if before and before[len(before) // 2] - shown > _FALLING * level:
            return ""
        return (
            f"{pumped_s / 60:.0f} minutes after pumping began the chamber stands at {level:.0f} Pa. "
            "Check in this order: the lid and its seal, the hose and its joints, the pump's gas ballast valve, "
            "the pump's oil, warm or wet resin."
        )

    def _limit(self) -> float:
        limit = _HIGH_PA
        if self._doubtful:
            limit = _HIGH_UNKNOWN_PA if self._zero_pa is None else _HIGH_CORRECTED_PA
            limit = max(limit, 2.5 * self._gauge.resolution_pa)
        if self._context.base_pa is not None:
            limit = max(8 * self._context.base_pa, 0.5 * limit if not self._doubtful else limit)
        return limit


def too_coarse(gauge: GaugeSense) -> str:
    """The sentence when this gauge cannot show the end while pumping, else ""."""
    size = gauge.resolution_pa
    if size < COARSE_PA:
        return ""
    what = "steps by" if gauge.step_pa >= gauge.noise_pa else "scatters by"
    return (
        f"This gauge {what} {size:.0f} Pa; the last hour of bubbling moves the pressure by a few pascals. "
        "Shut the chamber off from the running pump for 5 minutes now and then, or fit a 0-10 kPa "
        "absolute transducer."
    )
