"""From what a pressure gauge shows to a reading of the chamber's absolute pressure, and what counts as no reading.

Pure. Every source of chamber pressure ends here, whatever its wire is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Final, Literal, NamedTuple

from lastbubble.physics.atmosphere import STANDARD_PRESSURE_PA
from lastbubble.records import Quality, Reading

__all__ = ["CAUSES", "MANY", "RANGE_PA", "SOURCE", "ZERO_WARN_PA", "Fault", "GaugeScale", "Reads", "Silence"]

#: Source name of every reading of chamber pressure.
SOURCE: Final = "chamber"
#: Every cause a reading of chamber pressure can have.
CAUSES: Final = (
    "port",
    "silent",
    "garbled",
    "unit",
    "refused",
    "echo",
    "sentinel",
    "wire",
    "supply",
    "noisy",
    "range",
    "zero",
    "io",
    "hangs",
    "closed",
)

Reads = Literal["absolute", "gauge", "vacuum"]

#: Absolute pressures that a chamber on a bench can have; the lower end is the deepest zero error that leaves a gauge of
#: one atmosphere usable (common practice, no published source) [Pa].
RANGE_PA: Final = (-5e3, 120e3)
#: An absolute pressure below this is a zero error a person should know of (common practice, no published source) [Pa].
ZERO_WARN_PA: Final = -300.0
#: So many unusable answers in a row are a fault; fewer are dropped.
MANY: Final = 5


class Fault(NamedTuple):
    """Why something heard is no reading: a word of CAUSES, and a sentence with the mend."""

    cause: str
    detail: str


@dataclass(frozen=True, slots=True)
class GaugeScale:
    """What the gauge's zero is, and its own error.

    reads : "absolute" (zero at perfect vacuum), "gauge" (zero at the air's pressure, negative below) or "vacuum" (zero
        at the air's pressure, positive below)
    barometer_pa : pressure of the air at the bench, for the last two                                    [Pa]
    zero_pa : what the gauge shows too much, taken off first                                             [Pa]
    span : factor on what is left

    Raises ValueError for values that cannot be.
    """

    reads: Reads = "absolute"
    barometer_pa: float = STANDARD_PRESSURE_PA
    zero_pa: float = 0.0
    span: float = 1.0

    def __post_init__(self) -> None:
        if self.reads not in ("absolute", "gauge", "vacuum"):
            raise ValueError(f"gauge.reads is {self.reads!r}; allowed: absolute, gauge, vacuum")
        if not 40e3 <= self.barometer_pa <= 110e3:
            raise ValueError(
                f"barometer is {self.barometer_pa:g} Pa; allowed 40000 to 110000 Pa. Take what a barometer at the "
                "bench shows, not the weather report's number, which is reduced to sea level"
            )
        if not abs(self.zero_pa) <= 20e3:
            raise ValueError(f"gauge.zero is {self.zero_pa:g} Pa; allowed -20000 to 20000 Pa. Beyond that it is broken")
        if not 0.8 <= self.span <= 1.25:
            raise ValueError(
                f"gauge.span is {self.span:g}; allowed 0.8 to 1.25. Beyond that its unit is not the one set"
            )

    def absolute_pa(self, shown_pa: float) -> float:
        """Absolute pressure [Pa] behind what the gauge shows [Pa]."""
        value = (shown_pa - self.zero_pa) * self.span
        if self.reads == "gauge":
            return self.barometer_pa + value
        if self.reads == "vacuum":
            return self.barometer_pa - value
        return value

    def shown_pa(self, absolute_pa: float) -> float:
        """The inverse: what the gauge shows [Pa] at an absolute pressure [Pa]."""
        value = absolute_pa
        if self.reads == "gauge":
            value = absolute_pa - self.barometer_pa
        elif self.reads == "vacuum":
            value = self.barometer_pa - absolute_pa
        return value / self.span + self.zero_pa

    def reading(self, shown_pa: float, time_s: float, doubt: Fault | None = None) -> Reading:
        """The reading: GOOD, SUSPECT (with `doubt`'s cause, or "zero") or BAD ("range")."""
        value = self.absolute_pa(shown_pa)
        low, high = RANGE_PA
        # Written so that a NaN fails it.
        if not low <= value <= high:
            return Reading(
                None,
                time_s,
                Quality.BAD,
                SOURCE,
                "range",
                f"the gauge says {value:.6g} Pa absolute; allowed {low:g} to {high:g}. Check its unit, what its zero "
                f"is (now: {self.reads}) and its wiring",
            )
        if doubt is None and value < ZERO_WARN_PA:
            doubt = Fault(
                "zero",
                f"the gauge says {value:.0f} Pa absolute, below perfect vacuum; its zero has moved, or the barometer "
                "is set too low: compare it at a vented chamber",
            )
        if doubt is not None:
            return Reading(value, time_s, Quality.SUSPECT, SOURCE, doubt.cause, doubt.detail)
        return Reading(value, time_s, Quality.GOOD, SOURCE)


class Silence:
    """Says when nothing usable for a while is a fault, and which one.

    silence_s : bench time without a reading that is a fault                                             [s]

    A fault that is known for sure is told at once (`fail`), one unusable answer among good ones is dropped (`drop`),
    MANY in a row are a fault, and so is plain silence.
    """

    def __init__(self, silence_s: float, what: str) -> None:
        if not (isfinite(silence_s) and silence_s > 0):
            raise ValueError(f"silence_s is {silence_s}; allowed: above 0")
        self._silence_s = silence_s
        self._silent = Fault("silent", f"{what} says nothing; check its cable and its supply")
        self._since_s: float | None = None
        self._dropped: Fault | None = None
        self._failed: Fault | None = None
        self._in_row = 0

    @property
    def in_row(self) -> int:
        """Unusable answers since the last usable one."""
        return self._in_row

    def good(self, now_s: float) -> None:
        """A usable answer came, or all begins anew: then what was said last stands until there is news."""
        self._since_s = now_s
        self._dropped = self._failed = None
        self._in_row = 0

    def drop(self, fault: Fault) -> None:
        """An answer came that cannot be used."""
        self._dropped = fault
        self._failed = None
        self._in_row += 1

    def note(self, fault: Fault) -> None:
        """What to say should silence last, where nothing better is known."""
        if self._dropped is None:
            self._dropped = fault

    def fail(self, fault: Fault) -> None:
        """There is surely no reading, and this is why."""
        self._failed = fault

    def since_s(self, now_s: float) -> float:
        """Bench time since the last usable answer, or since the first look                                [s]"""
        if self._since_s is None:
            self._since_s = now_s
        return now_s - self._since_s

    def verdict(self, now_s: float) -> Reading | None:
        """What to say when there is no usable answer: a BAD reading, or None = wait."""
        silent = self.since_s(now_s) >= self._silence_s
        fault = self._failed
        if fault is None and (silent or self._in_row >= MANY):
            fault = self._dropped or self._silent
        if fault is None:
            return None
        return Reading(None, now_s, Quality.BAD, SOURCE, fault.cause, fault.detail)
