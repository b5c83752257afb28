"""The service: joins sensors, pipeline and ledger; one pass a second.

A pass takes what the guard last told and what the gauge last read, makes one `Sample` of it, feeds the pipeline, hands
sample and records to the ledger in one call, and only then renews the guard's lease, and only when the oven's reading
in that sample was fresh and good: a service that lives but has gone blind or mute lets the heat run out by itself.

The service may ask the guard for less heat at any time. It can never permit, and nothing that reaches it can.

A batch's story is its samples: after a restart the open batch's samples are fed through a new pipeline before the first
new one. What that gives must be what the ledger already holds; only what lies beyond is added.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotDone
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Protocol

from lastbubble.batch_time import BatchZero, boot_id, zero_after_restart
from lastbubble.clock import Clock
from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput, LastbubbleError
from lastbubble.guard.protocol import GuardStatus
from lastbubble.history import history_of
from lastbubble.ledger.store import Ledger
from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Event, Outlook, Quality, Reading, Record, Sample, Stage

__all__ = ["GuardLink", "PressureLink", "Service", "ServiceSettings", "round_reading"]

log = logging.getLogger("lastbubble.service")

#: The ledger's name for what this oven has taught.
LEARNT_FACT: Final = "oven_learnt"
#: The ledger's name for the trip that was told last: one that stands is no news after a restart.
TRIP_FACT: Final = "told_trip"
#: How long the page's marks can be taken back [s].
HELD_S: Final = 20.0
#: Longest wait of an asker for the next pass [s of real time].
_ORDER_S: Final = 15.0
#: A reading of the chamber is shown so long after it came [s].
_SHOWN_S: Final = 10.0


class GuardLink(Protocol):
    """What the service needs of the guard (`guard.client.GuardClient`)."""

    def poll(self) -> GuardStatus | None: ...
    def renew_lease(self) -> None: ...
    def cut(self, reason: str) -> None: ...
    def close(self) -> None: ...


class PressureLink(Protocol):
    """What the service needs of a gauge (`sensing`'s sources)."""

    def read(self, now_s: float) -> Reading | None: ...
    def close(self) -> None: ...


class ValveLink(Protocol):
    """What the service needs of the isolation valve (`valve_keeper.ValveKeeper`)."""

    def hear(self, marks: Sequence[str]) -> None: ...
    def back_after(self, away_s: float) -> None: ...
    def new_batch(self) -> None: ...
    def step(
        self, time_s: float, marks: Sequence[str], *, degassing: bool, chamber_pa: float | None, fine_gauge: bool
    ) -> bool | None: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """period_s : a sample each;  fresh_s : what the guard told longer ago is no reading           [s]"""

    period_s: float = 1.0
    fresh_s: float = 1.5


#: Digits kept of each source: finer than any of these sensors, and short in the log. Live values are rounded before the
#: pipeline sees them, so that the log holds exactly what the pipeline was given.
_DIGITS: Final[Mapping[str, int]] = {"chamber": 3, "oven": 3, "oven2": 3, "witness": 3, "junction": 4, "time": 3}


def round_reading(source: str, value: float) -> float:
    """The value as the log keeps it."""
    return round(value, _DIGITS[source])


@dataclass(slots=True)
class _Batch:
    id: int
    name: str
    zero: BatchZero
    pipeline: Pipeline
    last_s: float = -1.0


class Service:
    """Construct, `start()`, then `one_pass()` every period (`run` does both until told to stop).

    base : what the settings know of the station; each batch's context is made over it
    gauge, guard, valve : None where the station has none

    Everything but `one_pass`, `start` and `run` may be called from any thread.
    """

    def __init__(
        self,
        settings: ServiceSettings,
        base: Context,
        clock: Clock,
        ledger: Ledger,
        gauge: PressureLink | None,
        guard: GuardLink | None,
        book: Callable[[], Mapping[str, Any]] = dict,
        valve: ValveLink | None = None,
    ) -> None:
        self._settings = settings
        self._base = base
        self._clock = clock
        self._ledger = ledger
        self._gauge = gauge
        self._guard = guard
        self._book = book
        self._valve = valve
        self._lock = threading.Lock()
        self._marks: list[str] = []
        self._held: list[tuple[float, str]] = []
        self._orders: deque[tuple[Callable[[], dict[str, Any]], Future[dict[str, Any]]]] = deque()
        self._batch: _Batch | None = None
        self._status: GuardStatus | None = None
        self._told_trip = ledger.fact(TRIP_FACT)
        self._chamber: Reading | None = None
        self._sample = Sample(0.0)
        self._outlook = Outlook()
        self._events: dict[str, float] = {}
        self._passes = 0
        self._late = 0

    # -- the batch ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Go on with the ledger's open batch, or begin one. Raises LastbubbleError when the ledger cannot be read."""
        row = self._ledger.open_batch_row()
        if row is None:
            self._begin(self._base)
            return
        # Over nothing else, so that the log alone gives the stream again.
        pipeline = Pipeline(context_from_header(row.header))
        held, told = self._ledger.record_count(row.id), 0
        last_s = -1.0
        for sample in self._ledger.samples(row.id):
            records = pipeline.feed(sample)
            last_s = sample.time_s
            if self._valve is not None:
                self._valve.hear(sample.marks)
            self._remember(records)
            if told + len(records) > held:
                self._ledger.append_records(row.id, sample.time_s, records[max(0, held - told) :])
            told += len(records)
        if told < held:
            log.error("event=story_differs batch=%d held=%d replayed=%d", row.id, held, told)
        zero, note = zero_after_restart(
            BatchZero(row.zero_now_s, row.boot),
            max(last_s, 0.0),
            row.last_utc or row.opened_utc,
            self._clock.now(),
            self._clock.utc(),
            boot_id(),
        )
        if note:
            log.warning("event=batch_time finding=%r", note)
        self._ledger.set_zero(row.id, zero.now_s, zero.boot)
        if self._valve is not None:
            self._valve.back_after(self._clock.now() - zero.now_s - last_s)
        self._batch = _Batch(row.id, row.name, zero, pipeline, last_s)
        self._outlook = pipeline.outlook
        log.info("event=batch_resumed batch=%d to_s=%.1f records=%d", row.id, last_s, told)

    def _begin(
        self, context: Context, *, name: str = "", notes: str = "", pieces: Sequence[Mapping[str, Any]] = ()
    ) -> int:
        utc = self._clock.utc()
        context = replace(
            context,
            started_utc=utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
            oven_learnt=context.oven_learnt or self._ledger.fact(LEARNT_FACT),
            history=context.history or history_of(self._ledger, context),
        )
        zero = BatchZero(self._clock.now(), boot_id())
        number = self._ledger.open_batch(
            context,
            name=name,
            notes=notes,
            pieces=pieces,
            book=self._book(),
            opened_utc=utc,
            zero_now_s=zero.now_s,
            boot=zero.boot,
        )
        self._batch = _Batch(number, name, zero, Pipeline(context))
        if self._valve is not None:
            self._valve.new_batch()
        self._events.clear()
        self._outlook = Outlook()
        log.info("event=batch_opened batch=%d", number)
        return number

    def _close(self) -> int:
        batch = self._open_batch
        learnt = batch.pipeline.learnt()
        if learnt:
            self._ledger.set_fact(LEARNT_FACT, learnt)
        self._ledger.close_batch(batch.id, self._clock.utc())
        log.info("event=batch_closed batch=%d", batch.id)
        return batch.id

    @property
    def _open_batch(self) -> _Batch:
        if self._batch is None:
            raise BadInput("the service has not begun yet; ask again in a moment")
        return self._batch

    # -- the pass ----------------------------------------------------------------------------------------------

    def run(self, stop: threading.Event, well: Callable[[], None] = lambda: None) -> None:
        """Pass after pass until `stop`; `well` is called after each whole one. Raises what a pass raises."""
        due_s = self._clock.now()
        while not stop.is_set():
            self.one_pass()
            well()
            due_s += self._settings.period_s
            now_s = self._clock.now()
            if now_s > due_s:
                self._late += 1
                due_s = now_s + self._settings.period_s
            self._clock.sleep_until(due_s)

    def one_pass(self) -> list[Record]:
        """One sample from the sensors to the ledger; the records it gave."""
        self._do_orders()
        batch = self._open_batch
        now_s = self._clock.now()
        if self._guard is not None:
            self._status = self._guard.poll() or self._status
        sample = self._sampled(batch, now_s)
        if sample is None:
            return []
        before = batch.pipeline.stage
        records = batch.pipeline.feed(sample)
        outlook = batch.pipeline.outlook
        self._ledger.append(batch.id, sample, records, outlook, utc=self._clock.utc())
        batch.last_s = sample.time_s
        with self._lock:
            self._sample, self._outlook = sample, outlook
            self._passes += 1
        self._remember(records)
        for record in records:
            if isinstance(record, Stage):
                log.info("event=stage stage=%s at_s=%.1f", record.stage, record.t)
                if record.stage == "pump_down" and before == "finished":
                    self._close()
                    self._begin(self._base)
            elif isinstance(record, Event) and record.name == "cure_complete" and self._guard is not None:
                # Less heat is always the service's to ask for: nothing is gained by baking on unattended.
                self._guard.cut("the cure is complete")
        status = self._status
        if self._guard is not None and sample.oven_c is not None and status is not None and status.state == "permitted":
            self._guard.renew_lease()
        return records

    def _remember(self, records: Sequence[Record]) -> None:
        for record in records:
            if isinstance(record, Event):
                self._events[record.name] = record.since

    def _sampled(self, batch: _Batch, now_s: float) -> Sample | None:
        time_s = round_reading("time", now_s - batch.zero.now_s)
        if time_s <= batch.last_s:
            return None
        faults: list[str] = []
        chamber_pa = self._chamber_of(now_s, faults)
        warm: dict[str, float | None] = {"oven": None, "oven2": None, "witness": None, "junction": None}
        status = self._status
        heat: bool | None = None
        trip = ""
        if self._guard is not None:
            if status is None or now_s - status.time_s > self._settings.fresh_s:
                faults.append("guard:gone")
            else:
                heat = status.relay_closed
                self._temperatures(status, now_s, warm, faults)
                trip = self._new_trip(status)
        with self._lock:
            due = [mark for at_s, mark in self._held if at_s <= now_s]
            self._held = [(at_s, mark) for at_s, mark in self._held if at_s > now_s]
            marks, self._marks = (*due, *self._marks), []
        isolated: bool | None = None
        if self._valve is not None:
            chamber = batch.pipeline.chamber
            isolated = self._valve.step(
                time_s,
                marks,
                degassing=chamber.phase == "degassing",
                chamber_pa=chamber_pa,
                fine_gauge=chamber.fine_gauge,
            )
        return Sample(
            time_s=time_s,
            chamber_pa=chamber_pa,
            oven_c=warm["oven"],
            junction_c=warm["junction"],
            witness_c=warm["witness"],
            oven2_c=warm["oven2"],
            heat=heat,
            isolated=isolated,
            marks=marks,
            faults=tuple(sorted(faults)),
            trip=trip,
        )

    def _new_trip(self, status: GuardStatus) -> str:
        """The trip's cause when it has not been told yet, also before a restart; else ""."""
        if status.trip is None:
            return ""
        name = f"{status.trip.cause} {status.trip.utc or status.trip.time_s}"
        if name == self._told_trip:
            return ""
        self._told_trip = name
        self._ledger.set_fact(TRIP_FACT, name)
        return status.trip.cause

    def _chamber_of(self, now_s: float, faults: list[str]) -> float | None:
        reading = self._gauge.read(now_s) if self._gauge is not None else None
        if reading is None:
            return None
        self._chamber = reading
        if reading.value is None:
            faults.append(f"chamber:{reading.cause}")
            return None
        return round_reading("chamber", reading.value)

    def _temperatures(
        self, status: GuardStatus, now_s: float, warm: dict[str, float | None], faults: list[str]
    ) -> None:
        for probe in status.probes:
            if probe.name not in warm:
                continue
            if probe.value_c is None or probe.quality == Quality.BAD:
                faults.append(f"{probe.name}:{probe.cause or 'bad'}")
            elif probe.time_s is None or now_s - probe.time_s > self._settings.fresh_s:
                faults.append(f"{probe.name}:stale")
            else:
                warm[probe.name] = round_reading(probe.name, probe.value_c)
                if probe.name == "oven" and probe.junction_c is not None:
                    warm["junction"] = round_reading("junction", probe.junction_c)

    def _do_orders(self) -> None:
        while self._orders:
            order, promise = self._orders.popleft()
            try:
                promise.set_result(order())
            except LastbubbleError as exc:
                promise.set_exception(exc)

    # -- asked by others ---------------------------------------------------------------------------------------

    def _ordered(self, order: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Have something done between two passes, and wait for it."""
        promise: Future[dict[str, Any]] = Future()
        self._orders.append((order, promise))
        try:
            return promise.result(_ORDER_S)
        except NotDone:
            raise BadInput(f"the service did not come to it within {_ORDER_S:g} s; look at its log") from None

    def mark(self, mark: str, *, held: bool = False) -> dict[str, Any]:
        """Note a mark for the next sample; a held one can be taken back for some seconds."""
        with self._lock:
            if held:
                self._held.append((self._clock.now() + HELD_S, mark))
            else:
                self._marks.append(mark)
        return {"mark": mark}

    def undo_mark(self) -> dict[str, Any]:
        """Take the newest held mark back. Raises BadInput when none is held."""
        with self._lock:
            if not self._held:
                raise BadInput("nothing can be taken back any more: marks are kept after a few seconds")
            return {"mark": self._held.pop()[1]}

    def open_batch(
        self, name: str, header: Mapping[str, str], notes: str, pieces: Sequence[Mapping[str, Any]]
    ) -> dict[str, Any]:
        """Close the open batch and begin another. Raises BadInput for what its header cannot say."""
        context = context_from_header(header, self._base)

        def order() -> dict[str, Any]:
            self._close()
            return {"batch": self._begin(context, name=name, notes=notes, pieces=pieces)}

        return self._ordered(order)

    def close_batch(self) -> dict[str, Any]:
        """Close the open batch; an unnamed one begins, so that nothing goes unrecorded."""

        def order() -> dict[str, Any]:
            number = self._close()
            self._begin(self._base)
            return {"batch": number}

        return self._ordered(order)

    def cut(self, reason: str) -> dict[str, Any]:
        """Ask the guard to open the relay. Raises BadInput where there is no guard."""
        if self._guard is None:
            raise BadInput("this station has no guard, so there is no heat to cut here; pull the oven's plug")
        self._guard.cut(reason)
        log.warning("event=cut_asked reason=%r", reason)
        return {}

    @property
    def guard_status(self) -> GuardStatus | None:
        """What the guard told last."""
        return self._status

    @property
    def batch_id(self) -> int:
        """The open batch. Raises BadInput before there is one."""
        return self._open_batch.id

    def snapshot(self) -> dict[str, Any]:
        """What is, as plain values: for the page, the terminal and `lastbubble status`."""
        batch = self._open_batch
        now_s = self._clock.now()
        with self._lock:
            sample, outlook, held = self._sample, self._outlook, list(self._held)
        status, chamber = self._status, self._chamber
        shown = chamber if chamber is not None and now_s - chamber.time_s <= _SHOWN_S else None
        out: dict[str, Any] = asdict(outlook)
        out.update(
            station=self._base.station,
            utc=self._clock.utc().strftime("%Y-%m-%dT%H:%M:%SZ"),
            batch=batch.id,
            batch_name=batch.name,
            time_s=max(sample.time_s, 0.0),
            sample_age_s=round(max(0.0, now_s - batch.zero.now_s - max(batch.last_s, 0.0)), 1),
            chamber_pa=shown.value if shown is not None else None,
            oven_c=sample.oven_c,
            oven2_c=sample.oven2_c,
            witness_c=sample.witness_c,
            junction_c=sample.junction_c,
            faults=dict(fault.split(":", 1) for fault in sample.faults),
            heat_state="none" if self._guard is None else "unknown",
            relay_closed=sample.heat,
            events=dict(self._events),
            soaked="soak_complete" in self._events,
            held_mark=f"Noted: {held[-1][1].replace('_', ' ')}" if held else "",
            passes=self._passes,
            late_passes=self._late,
        )
        if status is not None and now_s - status.time_s <= 10 * self._settings.fresh_s:
            out.update(
                heat_state=status.state,
                relay_closed=status.relay_closed,
                trip_cause=status.trip.cause if status.trip is not None else "",
                lease_left_s=status.lease_left_s,
                hindrances=list(status.hindrances),
                guard_cautions=list(status.cautions),
                guard_alarm=status.alarm,
            )
        return out
