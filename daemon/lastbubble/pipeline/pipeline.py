"""The pipeline: samples in, records out; the same object live, in replay and in tests.

Joins four parts and has no knowledge of its own: the watch over the sensors (`sensors`), the chamber's side
(`degassing`), the oven's side (`cure`) and the tracker that makes one stage of both (`stages`). Reads no clock. The
same context and samples give the same records, however they are handed over; in one row the order is trip, stage,
events, forecasts, warnings.
"""

from __future__ import annotations

from typing import Any, Final

from lastbubble.context import Context
from lastbubble.errors import BadInput
from lastbubble.pipeline.cure import OvenSide
from lastbubble.pipeline.degassing import ChamberModel
from lastbubble.pipeline.sensors import SensorWatch
from lastbubble.pipeline.stages import NEXT_ACTION, StageTracker
from lastbubble.records import Caution, Event, Forecast, Outlook, Record, Sample, Stage, Trip

__all__ = ["CAUTION_STANDS_S", "Pipeline"]

#: A caution without an end of its own is shown this long after it was said.
CAUTION_STANDS_S: Final = 1800.0

_ORDER: Final = {Trip: 0, Stage: 1, Event: 2, Forecast: 3, Caution: 4}
#: Without a pressure for this long there is no chamber to wait for.
_NO_CHAMBER_S: Final = 1800.0


class Pipeline:
    """One batch from its first sample to its last.

    `feed(sample)` takes samples of strictly rising time and returns the records said at that sample;
    `outlook` is what is made of everything so far.

    Raises BadInput when time does not rise.
    """

    def __init__(self, context: Context) -> None:
        self.context = context
        self._sensors = SensorWatch()
        self._chamber = ChamberModel(context)
        self._oven = OvenSide(context)
        self._tracker = StageTracker()
        self._forecasts: dict[str, Forecast] = {}
        self._cautions: dict[str, Caution] = {}
        self._last: Sample | None = None
        self._pressure_s: float | None = None

    @property
    def stage(self) -> str:
        return self._tracker.stage

    @property
    def chamber(self) -> ChamberModel:
        """The chamber's side, to look at."""
        return self._chamber

    def learnt(self) -> str:
        """What this batch taught of its oven, as `Context.oven_learnt` of the next; "" when nothing was learnt."""
        return self._oven.learnt()

    def feed(self, sample: Sample) -> list[Record]:
        """The records that this sample gives, in the stream's order."""
        last = self._last
        if last is not None and not sample.time_s > last.time_s:
            raise BadInput(f"time_s {sample.time_s} is not after {last.time_s}; times must rise")
        clean, cautions = self._sensors.feed(sample)
        self._last = clean
        said: list[Record] = list(cautions)
        if sample.trip:
            said.append(Trip(sample.time_s, sample.trip))
        said += self._chamber.feed(clean)
        said += self._oven.feed(clean, self._chamber_done(clean))
        before = self._tracker.stage
        stage = self._tracker.update(
            sample.time_s,
            self._chamber.phase,
            self._chamber.phase_since_s,
            self._oven.phase,
            self._oven.phase_since_s,
        )
        if stage is not None:
            unsaid_s = self._chamber.unsaid_stop_s
            if before == "degassing" and stage in ("venting", "soaking") and unsaid_s is not None:
                # Nobody could be told in time, but the record is dated as well as hindsight allows.
                said.append(Stage(sample.time_s, "still", unsaid_s))
            said.append(Stage(sample.time_s, stage, self._tracker.since_s))
            if before == "finished":
                self._begin_next()
        if said:
            if len(said) > 1:
                said.sort(key=lambda record: _ORDER[type(record)])
            self._remember(said)
        return said

    def _chamber_done(self, sample: Sample) -> bool:
        if sample.chamber_pa is not None:
            self._pressure_s = sample.time_s
        elif self._pressure_s is None or sample.time_s - self._pressure_s > _NO_CHAMBER_S:
            return True
        return self._chamber.phase == "soaking"

    def _begin_next(self) -> None:
        """The chamber is pumped again after a finished cure: the oven's side starts afresh."""
        self._oven = OvenSide(self.context)
        self._forecasts.clear()
        self._cautions.clear()

    def _remember(self, said: list[Record]) -> None:
        for record in said:
            if isinstance(record, Forecast):
                self._forecasts[record.target] = record
            elif isinstance(record, Event):
                self._forecasts.pop(record.name, None)
            elif isinstance(record, Caution) and not record.cause.startswith("sensor_"):
                self._cautions[record.cause] = record

    @property
    def outlook(self) -> Outlook:
        """What is known and expected now. Built when asked for: the page asks seldom, replay never."""
        if self._last is None:
            return Outlook()
        now = self._last.time_s
        chamber, oven = self._chamber.outlook_part(), self._oven.outlook_part()
        parts: dict[str, Any] = {**chamber, **oven}
        stage = self._tracker.stage
        part = oven if stage in ("heating", "curing", "cooling", "finished") else chamber
        numbers = {name: value for name, value in parts.items() if name in Outlook.__dataclass_fields__}
        numbers["next_action"] = part.get("next_action") or NEXT_ACTION[stage]
        numbers["next_at_s"] = part.get("next_at_s")
        standing = [caution for caution in self._cautions.values() if now - caution.t <= CAUTION_STANDS_S]
        return Outlook(
            time_s=now,
            stage=stage,
            stage_since_s=self._tracker.since_s,
            forecasts=tuple(self._forecasts.values()),
            cautions=(*self._sensors.standing, *standing),
            **numbers,
        )
