"""When an isolation valve between chamber and pump is shut, and when it opens again: pure, so that it can be tested.

Shut off from the running pump the chamber shows the same gas many times larger (gain = time x S/V). Two minutes every
fifteen on a fine gauge and four minutes every fifteen on the others bought the most certainty for the least delay in
simulation; a rise of 1 kPa is plain enough and ends it sooner. It slows degassing by no more than the share of time
shut.

The valve is normally closed, so that a power cut or a dead service cannot let oil be drawn back: "open" is what has to
be commanded and renewed, and it is commanded only while the pump is known to run. Pump off or not known: shut, and no
isolation is counted, for nothing draws on the other side.

    schedule = IsolationSchedule(ScheduleSettings())
    step = schedule.step(now_s, pump_on=True, degassing=True, chamber_pa=35.0, fine_gauge=True)
    valve.open = step.open
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["IsolationSchedule", "ScheduleSettings", "ValveStep"]

Reason = Literal["pump off", "pump not known", "pumping", "isolating", "no reading"]

#: No setting may shut the chamber off for longer, or for a larger share of the time.
LONGEST_S: Final = 900.0
MOST_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True)
class ScheduleSettings:
    """every_s : from one isolation's start to the next;  fine_s, other_s : how long, by the gauge;  first_s : after
    degassing began;  most_rise_pa : ended at this rise;  settle_s : the pump's valve stays open so long at least
    between two

    Raises ValueError, naming what is allowed.
    """

    every_s: float = 900.0
    fine_s: float = 120.0
    other_s: float = 240.0
    first_s: float = 900.0
    most_rise_pa: float = 1000.0
    settle_s: float = 120.0

    def __post_init__(self) -> None:
        longest = max(self.fine_s, self.other_s)
        if not min(self.fine_s, self.other_s) >= 30 or not longest <= LONGEST_S:
            raise ValueError(f"an isolation of {longest:g} s; allowed 30 to {LONGEST_S:g} s")
        if not longest <= MOST_SHARE * self.every_s:
            raise ValueError(
                f"isolations of {longest:g} s every {self.every_s:g} s; allowed up to {MOST_SHARE:.0%} of the time"
            )
        if not 50 <= self.most_rise_pa <= 5000:
            raise ValueError(f"ended at a rise of {self.most_rise_pa:g} Pa; allowed 50 to 5000 Pa")
        if not (self.first_s >= 0 and self.settle_s >= 30):
            raise ValueError("first_s must be 0 or more, settle_s 30 or more")


@dataclass(frozen=True, slots=True)
class ValveStep:
    """open : what the valve is to be commanded;  isolated : the log's column (None: nothing draws, so neither);
    reason : why
    """

    open: bool
    isolated: bool | None
    reason: Reason


class IsolationSchedule:
    """`step` at every sample; times rise. Holds no clock and no pin."""

    def __init__(self, settings: ScheduleSettings) -> None:
        self.settings = settings
        self._due_s: float | None = None
        self._shut_s: float | None = None
        self._shut_pa: float | None = None
        self._opened_s: float | None = None

    def step(
        self, now_s: float, *, pump_on: bool | None, degassing: bool, chamber_pa: float | None, fine_gauge: bool
    ) -> ValveStep:
        """What the valve is to do now. pump_on : None where it is not known."""
        if pump_on is not True:
            self._forget()
            return ValveStep(False, None, "pump off" if pump_on is False else "pump not known")
        if not degassing:
            self._forget()
            return ValveStep(True, False, "pumping")
        if self._due_s is None:
            self._due_s = now_s + self.settings.first_s
        if self._shut_s is not None:
            return self._shut(now_s, chamber_pa, fine_gauge)
        rested = self._opened_s is None or now_s - self._opened_s >= self.settings.settle_s
        if now_s < self._due_s or not rested:
            return ValveStep(True, False, "pumping")
        if chamber_pa is None:
            # Shutting off without a gauge shows nothing and only costs time.
            return ValveStep(True, False, "no reading")
        self._shut_s, self._shut_pa = now_s, chamber_pa
        self._due_s = now_s + self.settings.every_s
        return ValveStep(False, True, "isolating")

    def _shut(self, now_s: float, chamber_pa: float | None, fine_gauge: bool) -> ValveStep:
        settings = self.settings
        begun_s = self._shut_s if self._shut_s is not None else now_s
        begun_pa = self._shut_pa if self._shut_pa is not None else 0.0
        over = now_s - begun_s >= (settings.fine_s if fine_gauge else settings.other_s)
        if over or chamber_pa is None or chamber_pa - begun_pa >= settings.most_rise_pa:
            self._shut_s = self._shut_pa = None
            self._opened_s = now_s
            return ValveStep(True, False, "no reading" if chamber_pa is None else "pumping")
        return ValveStep(False, True, "isolating")

    def _forget(self) -> None:
        self._due_s = self._shut_s = self._shut_pa = self._opened_s = None
