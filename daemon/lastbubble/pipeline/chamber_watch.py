"""What the pressure shows of the chamber: pumping, the knee, its level, rises, air let in; and what to look after.

Pure; reads no clock. Samples become blocks of `BLOCK_S` on a grid that counts from the first sample; everything but a
person's marks is judged on blocks, so neither the samples' rhythm nor the way they are handed over changes anything.

Phases follow the pressure; marks are evidence and never needed. While the pump holds the chamber down, a block belongs
either to the slowly falling level or to a rise, and a rise is told apart by its shape: shut off from the running pump
on purpose (`isolation`), a pump that has stopped (straight and lasting), air coming in (fast and far), or a burst of
bubbles (up and soon down again).

`ChamberWatch.feed` yields what it sees one by one, and goes on only when it is asked for the next: whoever judges the
release (`degassing`) may answer with `enter` or `air_expected` in between.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from lastbubble.context import Context
from lastbubble.pipeline.blocks import Block, BlockMaker
from lastbubble.pipeline.gauge import COARSE_PA, GaugeSense
from lastbubble.pipeline.isolation import Rise, RiseRecorder
from lastbubble.records import Caution, Event, Sample

__all__ = ["BLOCK_S", "ChamberWatch", "Glance", "Knee", "Level", "Phase", "PumpDown", "Risen", "Seen"]

Phase = Literal["idle", "pump_down", "degassing", "still", "venting", "soaking"]

BLOCK_S: Final = 10.0
STANDARD_PA: Final = 101325.0


@dataclass(frozen=True, slots=True)
class PumpDown:
    """The pump has begun to draw at `since_s`: what was known of the release before no longer counts."""

    since_s: float


@dataclass(frozen=True, slots=True)
class Knee:
    """Degassing has begun. lag_s : the chamber's time constant at this pressure."""

    since_s: float
    lag_s: float


@dataclass(frozen=True, slots=True)
class Level:
    """A block that belongs to the pumped level. left_over_pa : what the last rise can still have left in it."""

    block: Block
    left_over_pa: float


@dataclass(frozen=True, slots=True)
class Risen:
    """A rise while shut off is over. rise : its fit, None when there was too little; doubt : share of its slope that
    may not be the chamber's own.
    """

    now_s: float
    rise: Rise | None
    doubt: float


@dataclass(frozen=True, slots=True)
class Glance:
    """A person looked at the resin and saw bubbles, or none."""

    now_s: float
    bubbling: bool


#: All times in them are seconds from the first sample; `Caution` and `Event` are in the log's.
Seen = PumpDown | Knee | Level | Risen | Glance | Caution | Event


class ChamberWatch:
    """One batch's chamber as the gauge and the marks show it.

    phase : idle, pump_down, degassing, still (only by `enter`), venting or soaking
    phase_since_s, pump_start_s : seconds from the first sample;  first_s : of the first sample, in the log's seconds
    air_expected : set by whoever judges the release: air that comes in now is most likely let in
    """

    def __init__(self, context: Context) -> None:
        self.context = context
        self.phase: Phase = "idle"
        self.phase_since_s = 0.0
        self.pump_start_s = 0.0
        self.first_s: float | None = None
        self.gauge = GaugeSense()
        self.air_expected = False
        self.rocked_s = -math.inf
        self._blocks = BlockMaker(BLOCK_S)
        self._recent: deque[Block] = deque(maxlen=90)
        self._atmosphere_pa = context.barometer_pa or STANDARD_PA
        self._told_shut = False
        self._column_shut = False
        self._vent_mark_s: float | None = None
        self._pump_off = False
        self._shut_told_s = 0.0
        self._shut_rise = RiseRecorder()
        self._vacuum = False
        self._rise: list[Block] = []
        self._rise_level = 0.0
        self._stopped_pump = False
        self._cycles = 0
        self._soak_due_s: float | None = None
        self._told: set[str] = set()
        self._peak_pa = 0.0
        self._gauge_told = False
        self._per_block = 1.0
        self._shut_peak = 0.0
        self._forget()

    def _forget(self) -> None:
        """Of an earlier pump-down."""
        self._fastest = 0.0
        self._settle_until_s = -1.0
        self._base_told = False
        self._lag_s = 100.0
        self._rejoin_s = -math.inf
        self._rejoin_lift = 0.0
        self._shut_rise.clear()
        self._accepted: deque[float] = deque(maxlen=12)

    # ------------------------------------------------------------------ feeding

    def feed(self, sample: Sample) -> Iterator[Seen]:
        """What this sample shows."""
        if self.first_s is None:
            self.first_s = sample.time_s
        now = round(sample.time_s - self.first_s, 6)
        if sample.isolated is not None and sample.isolated != self._column_shut:
            self._column_shut = sample.isolated
            if sample.isolated:
                self._shut_told_s = now
            else:
                self._told_shut = False
                yield self._end_rise(now, self._shut_rise, 0.0)
        if sample.marks:
            yield from self._take_marks(sample, now)
        pa = sample.chamber_pa
        if pa is not None:
            self.gauge.reading(pa)
            for block in self._blocks.add(now, pa):
                yield from self._take_block(sample.time_s, block)
        if self._soak_due_s is not None and now >= self._soak_due_s and self.phase == "soaking":
            due, self._soak_due_s = self._soak_due_s, None
            yield Event(sample.time_s, "soak_complete", self.log_s(due))

    def log_s(self, now_s: float) -> float:
        """Seconds from the first sample, as seconds of the log."""
        return now_s + (self.first_s or 0.0)

    def enter(self, phase: Phase, since_s: float) -> None:
        """The chamber is in this phase since then (seconds from the first sample)."""
        self.phase = phase
        self.phase_since_s = since_s

    @property
    def level_pa(self) -> float | None:
        """The newest block that belonged to the level; None before the knee."""
        return self._accepted[-1] if self._accepted else None

    def _end_rise(self, now: float, rise: RiseRecorder, doubt: float) -> Risen:
        """The pump draws again: fit what rose."""
        fit = rise.fit(math.sqrt(self.gauge.mean_variance(max(round(self._per_block), 1))))
        rise.clear()
        self._rejoin_s = now
        self._rejoin_lift = 0.0 if fit is None else max(fit.end_pa - fit.level_pa, 0.0)
        return Risen(now, fit, doubt)

    @property
    def _shut(self) -> bool:
        return self._column_shut or self._told_shut

    def _take_marks(self, sample: Sample, now: float) -> Iterator[Seen]:
        for mark in sample.marks:
            if mark == "isolated":
                self._told_shut = True
                self._shut_told_s = now
                self._stopped_pump = False
            elif mark == "rejoined" and self._told_shut:
                self._told_shut = False
                yield self._end_rise(now, self._shut_rise, 0.0)
            elif mark in ("bubbling", "quiet"):
                yield Glance(now, mark == "bubbling")
            elif mark == "vent_open":
                self._vent_mark_s = now
            elif mark == "rocked":
                self.rocked_s = now
            elif mark == "pump_on":
                self._pump_off = False
            elif mark == "pump_off":
                self._pump_off = True
                level = self._recent[-1].mean_pa if self._recent else None
                if (
                    level is not None
                    and level < 0.6 * self._atmosphere_pa
                    and self.phase in ("pump_down", "degassing", "still")
                ):
                    yield from self._suck_back(sample.time_s)

    def _suck_back(self, time_s: float) -> Iterator[Seen]:
        if "suck_back" in self._told:
            return
        self._told.add("suck_back")
        yield Caution(
            time_s,
            "vent_before_pump_off",
            "The pump is off while the chamber still holds vacuum: its oil can be drawn back. "
            "Shut the valve towards the pump or let air in slowly now; next time vent first, then stop the pump.",
        )

    # ------------------------------------------------------------------ blocks

    def _take_block(self, time_s: float, block: Block) -> Iterator[Seen]:
        self.gauge.block(block)
        self._per_block += 0.1 * (block.count - self._per_block)
        self._blocks.noise_pa = self.gauge.noise_pa
        before = self._recent[-1] if self._recent else None
        self._recent.append(block)
        if self.phase in ("idle", "soaking"):
            yield from self._watch_start(block)
        elif self.phase == "pump_down":
            yield from self._watch_pump_down(time_s, block, before)
        elif self.phase in ("degassing", "still"):
            yield from self._watch_level(time_s, block, before)
        elif self.phase == "venting":
            yield from self._watch_vent(time_s, block, before)
        if self.phase in ("pump_down", "degassing", "still"):
            yield from self._watch_gauge(time_s, block)
            yield from self._watch_base(time_s, block)

    def _noise(self, block: Block) -> float:
        return math.sqrt(self.gauge.mean_variance(block.count))

    def _watch_start(self, block: Block) -> Iterator[Seen]:
        """Idle or soaking: has the pump begun to draw?"""
        if self.context.barometer_pa is None and 55e3 < block.mean_pa < 110e3 and not self._vacuum:
            self._atmosphere_pa = max((b.mean_pa for b in self._recent), default=STANDARD_PA)
        noise = max(self._noise(block), self.gauge.step_pa)
        recent = [b for b in self._recent if block.end_s - b.start_s <= 150.0]
        high = max(recent, key=lambda b: b.mean_pa)
        fall = high.mean_pa - block.mean_pa
        falling = len(recent) < 2 or recent[-1].mean_pa < recent[-2].mean_pa
        if falling and self._falls_away(recent, fall, noise):
            within = high.mean_pa - max(0.01 * high.mean_pa, 6 * noise)
            yield self._begin_pump_down(max(b.end_s for b in recent if b.mean_pa >= within))
        elif block.mean_pa <= 20e3:
            long = list(self._recent)
            top = max(long, key=lambda b: b.mean_pa)
            if block.mean_pa < 0.85 * top.mean_pa - 8 * noise and falling and len(long) >= 4:
                yield self._begin_pump_down(top.end_s)

    def _falls_away(self, recent: list[Block], fall: float, noise: float) -> bool:
        """A fall that a pump makes: steady, or past half an atmosphere (some gauges scatter by kilopascals there)."""
        means = [b.mean_pa for b in recent[-4:]]
        steady = len(means) == 4 and means[0] > means[1] > means[2] > means[3] and self.gauge.step_pa < 2e3
        if steady and fall > max(0.05 * self._atmosphere_pa, 8 * noise):
            return True
        return means[-1] < 0.5 * self._atmosphere_pa and fall > 0.2 * self._atmosphere_pa

    def _begin_pump_down(self, since_s: float) -> PumpDown:
        self._forget()
        self.pump_start_s = since_s
        self.air_expected = False
        self._vacuum = True
        self._rise = []
        self._stopped_pump = False
        self._told.discard("suck_back")
        self._told.discard("vacuum_lost")
        self._vent_mark_s = None
        self._peak_pa = 0.0
        self._soak_due_s = None
        self.enter("pump_down", since_s)
        return PumpDown(since_s)

    def _watch_pump_down(self, time_s: float, block: Block, before: Block | None) -> Iterator[Seen]:
        if before is None:
            return
        gap = block.mid_s - before.mid_s
        speed = (before.mean_pa - block.mean_pa) / gap
        level = max(0.5 * (before.mean_pa + block.mean_pa), 1e-3)
        pace = speed / level
        noise = max(self._noise(block), 0.3 * self.gauge.step_pa)
        if level > 3e3:
            self._fastest = max(self._fastest, pace)
        lowest = min(b.mean_pa for b in self._recent)
        if block.mean_pa > lowest + max(5e3, 0.3 * lowest, 10 * noise) and speed < 0:
            yield from self._air_comes(time_s, block)
            return
        # Hose and pump give less at low pressure: the pace of an empty chamber falls too.
        expected = max(self._fastest, 1 / 300) * level / (level + 60.0)
        slow = speed < 0.5 * expected * level or speed * gap < 2 * noise
        if slow and block.mean_pa < 0.5 * self._atmosphere_pa and not self._shut:
            quiet = [b for b in self._recent if block.end_s - b.start_s <= 45.0]
            if len(quiet) < 3:
                quiet = list(self._recent)[-3:]
            fall = quiet[0].mean_pa - quiet[-1].mean_pa
            span = quiet[-1].mid_s - quiet[0].mid_s
            if span > 0 and fall / span < 0.5 * expected * level + 2 * noise / span:
                self.enter("degassing", quiet[0].mid_s)
                constant = 1 / max(expected, 1e-3)
                self._lag_s = min(max(constant, 15.0), 400.0)
                self._accepted.clear()
                self._accepted.append(block.mean_pa)
                # What the chamber itself still has to settle is no gas from the pores.
                self._settle_until_s = block.end_s + max(240.0, 2.0 * constant)
                yield Knee(quiet[0].mid_s, self._lag_s)

    # ------------------------------------------------------------------ the level and its rises

    def _watch_level(self, time_s: float, block: Block, before: Block | None) -> Iterator[Seen]:
        noise = self._noise(block)
        level = sorted(self._accepted)[len(self._accepted) // 2] if self._accepted else block.mean_pa
        lift = block.mean_pa - level
        limit = max(6 * noise + self.gauge.step_pa, 1.5, 0.05 * abs(level))
        if self._shut:
            yield from self._watch_shut(time_s, block, before, level, noise)
            return
        if self._rise:
            yield from self._follow_rise(time_s, block)
            return
        if lift > limit and self._left_over(block.mid_s) < 0.5 * limit:
            self._rise = [before or block, block]
            self._rise_level = level
            if lift > max(1500.0, abs(level)):
                yield from self._air_comes(time_s, block)
            return
        yield from self._accept(block)

    def _watch_shut(
        self, time_s: float, block: Block, before: Block | None, level: float, noise: float
    ) -> Iterator[Seen]:
        """Shut off from the running pump, as the log tells."""
        recorder = self._shut_rise
        if not len(recorder):
            # A mark may come late: what already rose belongs to this rise.
            for earlier in self._rise:
                recorder.add(earlier.mid_s, earlier.mean_pa)
            self._shut_peak = block.mean_pa
        self._rise = []
        lift = block.mean_pa - level
        pace = 0.0 if before is None else (block.mean_pa - before.mean_pa) / max(block.mid_s - before.mid_s, 1e-9)
        if lift > 8e3 and pace > 50.0:
            yield from self._air_comes(time_s, block)
            return
        self._shut_peak = max(self._shut_peak, block.mean_pa)
        fell = self._shut_peak - block.mean_pa
        if not self._column_shut and (
            (len(recorder) >= 4 and fell > max(8 * noise, 0.4 * (self._shut_peak - level)))
            or block.end_s - self._shut_told_s > 1500.0
        ):
            # The mark that it was rejoined is late or missing; the pressure says so.
            self._told_shut = False
            yield self._end_rise(block.start_s, self._shut_rise, 0.0)
            return
        recorder.add(block.mid_s, block.mean_pa)

    def _follow_rise(self, time_s: float, block: Block) -> Iterator[Seen]:
        rise = self._rise
        rise.append(block)
        if len(rise) > 400:
            del rise[1]
        level = self._rise_level
        lift = block.mean_pa - level
        peak = max(b.mean_pa for b in rise) - level
        lasted = block.mid_s - rise[0].mid_s
        last = [b for b in rise if block.mid_s - b.mid_s <= 40.0]
        if len(last) < 2:
            last = rise[-2:]
        pace = (last[-1].mean_pa - last[0].mean_pa) / max(last[-1].mid_s - last[0].mid_s, 1e-9)
        noise = self._noise(block)
        vent_told = self._vent_mark_s is not None and block.end_s - self._vent_mark_s < 900.0
        if lift > max(1500.0, 1.0 * abs(level), 10 * noise) and (pace > 20.0 or vent_told):
            yield from self._air_comes(time_s, block)
            return
        leaks = lasted >= 25.0 and lift > max(250.0, 3 * abs(level), 20 * noise) and lift / lasted > 4.0
        if leaks and not self._stopped_pump and not self._let_in(vent_told):
            yield from self._say_vacuum_lost(time_s)
        if vent_told and lift > 300 + 6 * noise:
            yield from self._air_comes(time_s, block)
            return
        mean_pace = lift / max(lasted, 1e-9)
        plain = max(3.0 + 10 * noise + self.gauge.step_pa, 0.4 * abs(level) if abs(level) < 1e3 else 200.0)
        straight = lasted >= 80.0 and pace > 0.4 * mean_pace and lift > plain
        # A small rise is believed to be a stopped pump only when it goes on straight for longer.
        lasting = lasted >= 150.0 and pace > 0.6 * mean_pace and lift > 3.0 + 10 * noise + self.gauge.step_pa
        if not self._stopped_pump and (straight or lasting):
            yield from self._pump_has_stopped(time_s)
        if lift < 0.4 * peak or lift < 2 * noise:
            # Down again: a burst of bubbles, a rejoined chamber or a pump that runs again.
            if self._stopped_pump:
                self._stopped_pump = False
                self._cycles += 1
                recorder = RiseRecorder()
                top = max(range(len(rise)), key=lambda i: rise[i].mean_pa)
                for risen in rise[: top + 1]:
                    recorder.add(risen.mid_s, risen.mean_pa)
                self._rise = []
                yield self._end_rise(block.end_s, recorder, 0.15)
            self._rise = []
            self._rejoin_s = block.end_s
            self._rejoin_lift = peak
            self._told.discard("suck_back")
            return
        if lasted > 420.0 and abs(pace) * 300 < 0.1 * lift + 3 * noise and not self._stopped_pump:
            # It stays up there: this is the level now.
            self._rise = []
            self._accepted.clear()
            yield from self._accept(block)

    def _pump_has_stopped(self, time_s: float) -> Iterator[Seen]:
        self._stopped_pump = True
        if self._cycles >= 2:
            return
        yield Caution(
            time_s,
            "pump_stopped",
            "The pressure rises straight: the pump has stopped or is shut off. "
            "Start it again, or shut its valve, before its oil is drawn back into the chamber.",
        )
        yield from self._suck_back(time_s)

    def _say_vacuum_lost(self, time_s: float) -> Iterator[Seen]:
        if "vacuum_lost" in self._told:
            return
        self._told.add("vacuum_lost")
        yield Caution(
            time_s,
            "vacuum_lost",
            "Air is coming into the chamber: look at the lid, its seal and the vent valve, then the hose.",
        )

    def _let_in(self, vent_told: bool) -> bool:
        """Whether air that comes in now is most likely let in: so it was told, or the bubbles may well have stopped."""
        return vent_told or self.air_expected or self.phase == "still"

    def _air_comes(self, time_s: float, block: Block) -> Iterator[Seen]:
        vent_told = self._vent_mark_s is not None and block.end_s - self._vent_mark_s < 900.0
        recent = [b for b in self._recent if block.end_s - b.end_s <= 120.0]
        if len(recent) < 2:
            recent = list(self._recent)[-2:]
        low = min(b.mean_pa for b in recent)
        within = low + max(5 * self._noise(block) + self.gauge.step_pa, 0.1 * abs(low))
        since = max((b.end_s for b in recent if b.mean_pa <= within), default=block.start_s)
        if not self._let_in(vent_told):
            yield from self._say_vacuum_lost(time_s)
        self._rise = []
        self.enter("venting", since)
        self._peak_pa = block.mean_pa

    def _watch_vent(self, time_s: float, block: Block, before: Block | None) -> Iterator[Seen]:
        self._peak_pa = max(self._peak_pa, block.mean_pa)
        if block.fastest_pa_s > 2e3 and "vented_fast" not in self._told and before is not None:
            gap = max(block.mid_s - before.mid_s, 1e-9)
            if (block.mean_pa - before.mean_pa) / gap > 2e3 and block.mean_pa - before.mean_pa > 10e3:
                self._told.add("vented_fast")
                yield Caution(
                    time_s,
                    "vented_fast",
                    "Air came in faster than 2 kPa a second: resin may have surged into gauge and hose. "
                    "Look at them; open the vent more slowly.",
                )
        high = 0.55 * self._atmosphere_pa
        stands = block.mean_pa > high and block.end_s - self.phase_since_s > 600.0
        if block.mean_pa >= 0.95 * self._atmosphere_pa - 3 * self.gauge.noise_pa or stands:
            since = block.start_s
            self.enter("soaking", since)
            self._vacuum = False
            if self.context.soak_min is not None:
                self._soak_due_s = since + 60.0 * self.context.soak_min
            yield Event(time_s, "vented", self.log_s(since))
            return
        recent = [b for b in self._recent if block.end_s - b.start_s <= 150.0]
        top = max(recent, key=lambda b: b.mean_pa)
        fall = top.mean_pa - block.mean_pa
        if fall > 0.2 * self._peak_pa and block.mean_pa < 0.5 * self._atmosphere_pa:
            yield self._begin_pump_down(top.end_s)

    def _left_over(self, now: float) -> float:
        """What the last rise can still have left in the level [Pa]."""
        if self._rejoin_lift <= 0:
            return 0.0
        return self._rejoin_lift * math.exp(-max(now - self._rejoin_s, 0.0) / (1.3 * self._lag_s))

    def _accept(self, block: Block) -> Iterator[Seen]:
        """The block belongs to the level."""
        left_over = self._left_over(block.mid_s)
        if left_over > max(3.0, 6 * self._noise(block)):
            return
        self._accepted.append(block.mean_pa)
        if block.end_s >= self._settle_until_s:
            yield Level(block, left_over)

    # ------------------------------------------------------------------ what the gauge and the base tell

    def _watch_gauge(self, time_s: float, block: Block) -> Iterator[Seen]:
        if self._gauge_told or block.end_s - self.pump_start_s < 240.0 or not self.gauge.known:
            return
        size = self.gauge.resolution_pa
        if size < COARSE_PA:
            return
        self._gauge_told = True
        what = "steps by" if self.gauge.step_pa >= self.gauge.noise_pa else "scatters by"
        yield Caution(
            time_s,
            "gauge_too_coarse",
            f"This gauge {what} {size:.0f} Pa; the last hour of bubbling moves the pressure by a few pascals. "
            "Shut the chamber off from the running pump for 5 minutes now and then, or fit a 0-10 kPa "
            "absolute transducer.",
        )

    def _watch_base(self, time_s: float, block: Block) -> Iterator[Seen]:
        if self._base_told or block.end_s - self.pump_start_s < 1560.0 or self._shut or self._rise:
            return
        recent = sorted(b.mean_pa for b in self._recent if block.end_s - b.end_s <= 180.0)
        level = recent[len(recent) // 2]
        if level < self._base_limit():
            return
        self._base_told = True
        yield Caution(
            time_s,
            "base_pressure_high",
            f"{(block.end_s - self.pump_start_s) / 60:.0f} minutes after pumping began the chamber stands at "
            f"{level:.0f} Pa. "
            "Check in this order: the lid and its seal, the hose and its joints, the pump's gas ballast valve, "
            "the pump's oil, warm or wet resin.",
        )

    def _base_limit(self) -> float:
        limit = 800.0 if self.gauge.resolution_pa < COARSE_PA else 2500.0
        if self.context.gauge_kind in ("gauge", "vacuum"):
            limit = 4500.0
        if self.context.base_pa is not None:
            limit = max(3 * self.context.base_pa, 0.25 * limit)
        return limit
