"""Keeps the isolation valve between chamber and pump: hears the marks, asks the schedule, moves the pin.

Whether the pump runs is known from a person's marks alone (`pump_on`, `pump_off`): the valve is normally closed, so the
pressure behind it cannot tell. Not known is shut. After a restart the open batch's own marks count again, unless the
service was away for longer than `AWAY_S`: a pump may have been stopped in the meantime.

No safety part: it only shuts a chamber off from a pump.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from lastbubble.pipeline.isolation_schedule import IsolationSchedule, ScheduleSettings
from lastbubble.sensing.isolation_valve import IsolationValve

__all__ = ["AWAY_S", "ValveKeeper"]

AWAY_S: Final = 300.0


class ValveKeeper:
    """One valve for one batch after the other. Times are the batch's seconds."""

    def __init__(self, settings: ScheduleSettings, valve: IsolationValve) -> None:
        self._settings = settings
        self._valve = valve
        self._schedule = IsolationSchedule(settings)
        self._pump_on: bool | None = None
        self.reason = "pump not known"

    def hear(self, marks: Sequence[str]) -> None:
        """Marks of a sample, now or of the batch that is gone on with."""
        for mark in marks:
            if mark in ("pump_on", "pump_off"):
                self._pump_on = mark == "pump_on"

    def back_after(self, away_s: float) -> None:
        """The service has begun again, this long after the batch's last sample."""
        if away_s > AWAY_S:
            self._pump_on = None

    def new_batch(self) -> None:
        """Its seconds begin anew; the pump is where it was."""
        self._schedule = IsolationSchedule(self._settings)

    def step(
        self, time_s: float, marks: Sequence[str], *, degassing: bool, chamber_pa: float | None, fine_gauge: bool
    ) -> bool | None:
        """Move the valve as it is due; the sample's `isolated` (None: nothing is known to draw)."""
        self.hear(marks)
        step = self._schedule.step(
            time_s, pump_on=self._pump_on, degassing=degassing, chamber_pa=chamber_pa, fine_gauge=fine_gauge
        )
        self._valve.command(step.open)
        self.reason = step.reason
        return step.isolated

    def close(self) -> None:
        """Shut it and give the pin back."""
        self._valve.close()
