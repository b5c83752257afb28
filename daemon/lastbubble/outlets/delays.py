"""When the cure will be complete, as it was told, and what to say when that no longer holds. Pure.

The record stream forecasts the end of the cure again and again; a person wants to hear of it when the night has to be
planned anew, and only then: an end later than the band that was told, and by half an hour at least (our judgement);
and after the hold has stood still, that it goes on, and until when.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from lastbubble.outlets.wording import Message
from lastbubble.records import Caution, Event, Forecast, Record, Stage

__all__ = ["GOES_ON", "LATER", "CureTimes"]

LATER: Final = "forecast cure_later"
GOES_ON: Final = "forecast cure_goes_on"
#: Less than this is no news [s].
_LEAST_S: Final = 1800.0
#: Forecasts of the first minutes of a hold are still finding their feet [s].
_SETTLES_S: Final = 300.0
#: So much more of the hold says that it goes on; a forecast older than this says nothing of its end [s].
_AGAIN_S: Final = 60.0
_FRESH_S: Final = 900.0


class CureTimes:
    """Feed it every record of one batch in order, and let it look at how much of the hold is done as it goes.

    clock : the time of day of a moment of the batch, as it is said ("04:10")
    stood_s : when the hold was said to stand still, None while it goes on or none has begun
    """

    def __init__(self, clock: Callable[[float], str]) -> None:
        self._clock = clock
        self._reached_s: float | None = None
        self._told: Forecast | None = None
        self._latest: Forecast | None = None
        self._held_s: float | None = None
        self.stood_s: float | None = None

    def feed(self, record: Record) -> Message | None:
        """What is to be told now, or None."""
        match record:
            case Event(name="cure_temperature_reached"):
                self._reached_s = record.t
            case Event(name="cure_complete") | Stage(stage="cooling" | "pump_down"):
                self._reached_s, self._told, self._latest, self.stood_s = None, None, None, None
            case Caution(cause="cure_interrupted"):
                self.stood_s, self._held_s = record.t, None
            case Forecast(target="cure_complete") if self._reached_s is not None:
                return self._expected(record, self._reached_s)
            case _:
                pass
        return None

    def look(self, time_s: float, held_s: float) -> Message | None:
        """What is to be told of a hold that stood still and adds up again.

        time_s, held_s : batch time, and how much of the hold is done by then    [s]
        """
        if self.stood_s is None:
            return None
        if self._held_s is None:
            self._held_s = held_s
        if held_s < self._held_s + _AGAIN_S:
            return None
        self.stood_s = None
        now = self._latest if self._latest is not None and time_s - self._latest.t <= _FRESH_S else None
        self._told = now
        when = f"The cure will be complete {self._span(now)}. " if now is not None else ""
        return Message(
            GOES_ON, "notice", "low", "The cure goes on", "The hold went on", f"{when}Leave the oven shut.", time_s
        )  # fmt: skip

    def _span(self, now: Forecast) -> str:
        return f"about {self._clock(now.p50)}, between {self._clock(now.p10)} and {self._clock(now.p90)}"

    def _expected(self, now: Forecast, reached_s: float) -> Message | None:
        self._latest = now
        # While the hold stands, nobody knows when somebody heats again.
        if now.t - reached_s < _SETTLES_S or self.stood_s is not None:
            return None
        before, self._told = self._told, self._told or now
        if before is None or now.p50 <= before.p90 or now.p50 - before.p50 < _LEAST_S:
            return None
        self._told = now
        action = (
            f"It will be complete {self._span(now)}; {self._clock(before.p50)} was told before. Leave the oven shut."
        )
        return Message(
            LATER, "notice", "low", "The cure takes longer", "The cure was seen to take longer", action, now.t
        )
