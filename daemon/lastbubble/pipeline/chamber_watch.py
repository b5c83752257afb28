"""What the pressure shows of the chamber: pumping, the knee, its level, rises, air let in; and what to look after.

Pure; reads no clock. Samples become blocks of `BLOCK_S` on a grid that counts from the first sample; everything but a
person's marks is judged on blocks, so neither the samples' rhythm nor the way they are handed over changes anything.

Phases follow the pressure; marks are evidence and never needed. While the pump holds the chamber down, a block belongs
either to the slowly falling level or to a rise, and a rise is told apart by its shape (`rise_shape`): shut off from
the running pump on purpose (`isolation`), a pump that has stopped, a lid or hose that lets air in, a vent that is
opened, or a burst of bubbles (up and soon down again).

`ChamberWatch.feed` yields what it sees one by one, and goes on only when it is asked for the next: whoever judges the
release (`degassing`) may answer with `enter` or `air_expected` in between.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final, Literal

from lastbubble.context import Context
from lastbubble.pipeline.blocks import Block, BlockMaker
from lastbubble.pipeline.chamber_cautions import BaseWatch, Cautions, too_coarse
from lastbubble.pipeline.gauge import GaugeSense
from lastbubble.pipeline.isolation import FallRecorder, Rise, RiseRecorder, short_rise
from lastbubble.pipeline.rise_shape import Kink, Rising, shape_of
from lastbubble.records import Caution, Event, Sample

__all__ = ["BLOCK_S", "ChamberWatch", "Glance", "Knee", "Lag", "Level", "Phase", "PumpDown", "Risen", "Seen"]

Phase = Literal["idle", "pump_down", "degassing", "still", "venting", "soaking"]

BLOCK_S: Final = 10.0
STANDARD_PA: Final = 101325.0
#: A mark counts for what the pressure does so long before and after it [s].
MARK_S: Final = 900.0
#: A straight rise is a stopped pump after this: isolations of two minutes pass, three minutes are the limit [s].
STOPPED_S: Final = 150.0
#: ... and after this at most where isolations are known to go untold.
STOPPED_HABIT_S: Final = 400.0
#: So long after the knee the release may still be growing: a rise counts only when it is higher than the level was.
FIRST_BUBBLES_S: Final = 720.0
#: ... and in this time after the knee there is still so much gas that behind a stopped pump the pressure rises by this
#: share of what it has fallen since the knee.
YOUNG_S: Final = 2400.0
YOUNG_LIFT: Final = 0.3
#: Behind a stopped pump the pressure rises at least at so much of the pace of the last isolation.
STOPPED_SHARE: Final = 0.4
#: Told to be rejoined, the pressure has to come down within this time [s]; later than that it is another rise.
REJOINED_S: Final = 60.0
REJOINED_LATEST_S: Final = 300.0
#: Air that no load of gas explains needs no such patience.
STOPPED_AIR_S: Final = 78.0
#: So long a rise that nobody told may be to be an isolation by hand [s], and the share of its pace that may not be the
#: chamber's own.
UNTOLD_S: Final = (75.0, 420.0)
UNTOLD_DOUBT: Final = 0.05
#: ... and behind what was taken for a stopped pump.
STOPPED_DOUBT: Final = 0.15
#: Shut for less than a fit needs, but risen by more than this, a rise counts all the same [Pa].
STEEP_PA: Final = 100.0
#: Where a hose of some 9 mm and 0.8 m begins to carry less than the pump could take (viscous flow), and where it
#: carries no less any more (molecular): 135 d^4/L and 12.1 d^3/L (shared/reference/tube_conductance.csv), pump 1 L/s.
VISCOUS_PA: Final = 80.0
MOLECULAR_PA: Final = 10.0
#: What the last rise has left in the level may be no more than this, or than this many times a block's noise.
LEFT_OVER_PA: Final = 0.5
LEFT_OVER_NOISES: Final = 1.0
#: A level that is lifted by this has risen, however high it is [Pa].
RISEN_PA: Final = 12.0
#: More than this from one block to the next is air that comes in [Pa].
AIR_PA: Final = 8e3
#: Nobody shuts the chamber off again, or the pump off, so soon: a mark that says so is late [s].
LATE_MARK_S: Final = 240.0
#: At atmosphere for so long with the pump on and nothing told: it was vented after all [s].
GIVEN_UP_S: Final = 900.0
#: A chamber whose pressure turns upwards above this right after the pump-down is held by a vacuum switch [Pa].
SWITCH_PA: Final = 700.0


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
class Lag:
    """The time constant at this pressure, as the fall after rises shows it: far surer than what the knee gives."""

    lag_s: float


@dataclass(frozen=True, slots=True)
class Glance:
    """A person looked at the resin and saw bubbles, or none."""

    now_s: float
    bubbling: bool


#: All times in them are seconds from the first sample; `Caution` and `Event` are in the log's.
Seen = PumpDown | Knee | Level | Risen | Lag | Glance | Caution | Event


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
        self._vented_mark_s: float | None = None
        self._pump_off = False
        self._shut_told_s = self._shut_high_s = 0.0
        self._shut_level, self._shut_high = math.inf, -math.inf
        self._shut_rise = RiseRecorder()
        self._falls_s: deque[float] = deque(maxlen=8)
        self._vacuum = self._drawn_anew = False
        self._rise: list[Block] = []
        self._rise_level = 0.0
        self._kink = Kink()
        self._cautions = Cautions()
        self._base = BaseWatch(context, self.gauge)
        self._column = self._marked_shut = False
        self._soak_due_s: float | None = None
        self._peak_pa = 0.0
        self._per_block = 1.0
        self._shut_peak = 0.0
        self._forget()

    def _forget(self) -> None:
        """Of an earlier pump-down."""
        self._fastest = 0.0
        self._settle_until_s = -1.0
        self._lag_s = 100.0
        #: A rise has been told as a stopped pump; air has come in; falling back after it; a switch cycles the pump.
        self._stopped_pump = self._air_shut = self._lost = self._returning = self._switched = False
        self._cycles = 0
        self._longest_shut_s = 0.0
        self._knee_s, self._knee_pa = math.inf, 0.0
        self._lowest = math.inf
        self._kink.forget()
        self._base.forget()
        self._rejoin_s = -math.inf
        self._rejoin_lift = 0.0
        self._rejoined_rise: Rise | None = None
        self._told_pace_pa_s = 0.0
        self._fall = FallRecorder()
        self._falls_s.clear()
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
            self._column = True
            self._air_shut = False
            if sample.isolated:
                self._begin_shut(now)
            else:
                self._told_shut = False
                yield self._end_rise(now, self._shut_rise, 0.0)
        if sample.marks:
            yield from self._take_marks(sample, now)
        pa = sample.chamber_pa
        if pa is not None:
            self.gauge.reading(pa)
            if self._shut and pa > self._shut_high:
                self._shut_high, self._shut_high_s = pa, now
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

    @property
    def block_noise_pa(self) -> float:
        """How unsure the mean of a usual block is [Pa]."""
        return math.sqrt(self.gauge.mean_variance(max(round(self._per_block), 1)))

    def _median_level(self) -> float | None:
        """Of the last blocks that belonged to the level; None before the knee."""
        return sorted(self._accepted)[len(self._accepted) // 2] if self._accepted else None

    def _begin_shut(self, now: float) -> None:
        self._rejoined_rise = None
        self._shut_told_s = self._shut_high_s = now
        self._shut_level = math.inf if self.level_pa is None else self.level_pa
        self._shut_high = -math.inf

    def _past_top(self, sample: Sample) -> bool:
        """A rise is being followed, and comes down already."""
        if not self._rise:
            return False
        top = max(block.mean_pa for block in self._rise)
        pa = self._rise[-1].mean_pa if sample.chamber_pa is None else sample.chamber_pa
        return pa - self._rise_level < 0.6 * (top - self._rise_level)

    def _end_rise(self, now: float, rise: RiseRecorder, doubt: float) -> Risen:
        """The pump draws again: fit what rose."""
        fit = rise.fit(self.block_noise_pa, self._median_level())
        steep = self._shut_high - self._shut_level > max(STEEP_PA, 20 * self.gauge.resolution_pa)
        if fit is None and rise is self._shut_rise and self._column and steep:
            fit = short_rise(self._shut_told_s, self._shut_high_s, self._shut_level, self._shut_high)
        rise.clear()
        self._rejoin_s = now
        self._rejoin_lift = 0.0 if fit is None else max(fit.end_pa - fit.level_pa, 0.0)
        if fit is not None and fit.mean_pa_s < -2 * math.sqrt(fit.mean_variance):
            # It fell: whatever was told, the pump was drawing.
            fit = None
        if fit is not None:
            self._fall.begin(now, fit)
        if rise is self._shut_rise:
            self._rejoined_rise = fit
            self._told_pace_pa_s = 0.0 if fit is None else fit.mean_pa_s - 2 * math.sqrt(fit.mean_variance)
        return Risen(now, fit, doubt)

    @property
    def _shut(self) -> bool:
        return self._column_shut or self._told_shut

    def _take_marks(self, sample: Sample, now: float) -> Iterator[Seen]:
        for mark in sample.marks:
            if mark == "isolated":
                # The column knows better; and a mark that comes only after the rise has nothing to say any more.
                if self._column or now - self._rejoin_s < LATE_MARK_S or self._past_top(sample):
                    continue
                self._told_shut = self._marked_shut = True
                self._begin_shut(now)
                self._stopped_pump = False
            elif mark == "rejoined":
                self._marked_shut = True
                if not self._told_shut:
                    continue
                self._told_shut = False
                yield self._end_rise(now, self._shut_rise, 0.0)
            elif mark in ("bubbling", "quiet"):
                yield Glance(now, mark == "bubbling")
            elif mark == "vent_open":
                self._vent_mark_s = now
            elif mark == "vented":
                self._vented_mark_s = now
            elif mark == "rocked":
                self.rocked_s = now
            elif mark == "pump_on":
                self._pump_off = False
            elif mark == "pump_off":
                if self._drawn_anew and now - self.pump_start_s < LATE_MARK_S:
                    # It has just drawn the chamber down anew: the mark is late, of the venting before.
                    continue
                self._pump_off = True
                level = self._recent[-1].mean_pa if self._recent else None
                if (
                    level is not None
                    and level < 0.6 * self._atmosphere_pa
                    and self.phase in ("pump_down", "degassing", "still")
                ):
                    yield from self._cautions.say(sample.time_s, "vent_before_pump_off")

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
        pumped = self.phase in ("pump_down", "degassing", "still") and block.end_s - self.pump_start_s >= 240.0
        if pumped and self.gauge.known and (text := too_coarse(self.gauge)):
            yield from self._cautions.say(time_s, "gauge_too_coarse", text)

    def _noise(self, block: Block) -> float:
        return math.sqrt(self.gauge.mean_variance(block.count))

    def _watch_start(self, block: Block) -> Iterator[Seen]:
        """Idle or soaking: has the pump begun to draw?"""
        if self.context.barometer_pa is None and 55e3 < block.mean_pa < 110e3 and not self._vacuum:
            self._atmosphere_pa = max((b.mean_pa for b in self._recent), default=STANDARD_PA)
        if block.high_pa - block.low_pa < 2e3:
            self._base.atmosphere(block.mean_pa)
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
        for before, block in pairwise(self._recent):
            # A small chamber is down before it is known that the pump draws.
            if block.end_s > since_s:
                self._note_pace(before, block)
        self.pump_start_s = since_s
        self._drawn_anew = self.phase in ("venting", "soaking")
        self.air_expected = False
        self._vacuum = True
        self._rise = []
        self._cautions.over("vent_before_pump_off", "vacuum_lost", "pump_stopped", "base_pressure_high", "vented_fast")
        self._vent_mark_s = self._vented_mark_s = None
        self._pump_off = False
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
        noise = max(self._noise(block), 0.3 * self.gauge.step_pa)
        self._note_pace(before, block)
        if self._lost:
            yield from self._watch_lost(time_s, block)
            return
        lowest = min((b.mean_pa for b in self._recent if b.end_s > self.pump_start_s), default=block.mean_pa)
        if block.mean_pa > lowest + max(5e3, 0.3 * lowest, 10 * noise) and speed < 0:
            if self._let_in(block.end_s):
                yield from self._air_comes(block)
            else:
                self._lost = True
                yield from self._cautions.say(time_s, "vacuum_lost")
            return
        if block.mean_pa < 0.5 * self._atmosphere_pa:
            yield from self._watch_base(time_s, block)
        # Hose and pump give less at low pressure: the pace of an empty chamber falls too.
        expected = max(self._fastest, 1 / 300) * (level + MOLECULAR_PA) / (level + VISCOUS_PA)
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
                self._knee_s, self._knee_pa = block.end_s, block.mean_pa
                yield Knee(quiet[0].mid_s, self._lag_s)

    def _note_pace(self, before: Block, block: Block) -> None:
        """The fastest that the pump empties the chamber, where no hose holds it back [1/s]."""
        level = 0.5 * (before.mean_pa + block.mean_pa)
        if level > 3e3:
            pace = (before.mean_pa - block.mean_pa) / max(block.mid_s - before.mid_s, 1e-9) / level
            self._fastest = max(self._fastest, pace)

    # ------------------------------------------------------------------ the level and its rises

    def _watch_level(self, time_s: float, block: Block, before: Block | None) -> Iterator[Seen]:
        noise = self._noise(block)
        if not self._shut:
            yield from self._watch_fall(block, noise)
        level = self._median_level()
        level = block.mean_pa if level is None else level
        if self._shut and not self._air_shut:
            self._kink.clear()
            yield from self._watch_shut(time_s, block, before, level, noise)
            return
        if self._returning:
            yield from self._watch_return(block, before, noise)
            return
        self._watch_switch(block, noise)
        if self._rejoined_rise is not None:
            yield from self._watch_rejoined(time_s, block, self._rejoined_rise, noise)
        rising = self._kink.add(block, noise)
        if self._rise:
            yield from self._follow_rise(time_s, block, rising)
            return
        lift = block.mean_pa - level
        limit = max(6 * noise + self.gauge.step_pa, 1.5, min(0.05 * abs(level), RISEN_PA))
        left_over = self._left_over(block.mid_s)
        if lift > limit and (left_over < 0.5 * limit or (before and block.mean_pa > before.mean_pa + limit)):
            self._rise = [before or block, block]
            self._rise_level = level
            yield from self._follow_rise(time_s, block, rising)
            return
        if rising is not None:
            yield from self._watch_straight(time_s, block, rising)
        yield from self._accept(time_s, block)

    def _watch_rejoined(self, time_s: float, block: Block, rise: Rise, noise: float) -> Iterator[Seen]:
        """It was told that the pump draws again: does the pressure come down, or go on rising as before?"""
        after_s = block.mid_s - self._rejoin_s
        lift = max(rise.end_pa - rise.level_pa, 0.0)
        went_on = (block.mean_pa - rise.end_pa) / max(after_s, 1.0)
        plain = lift > 8 * noise and rise.mean_pa_s > 5 * math.sqrt(rise.mean_variance)
        over = self._stopped_pump or self._lost or after_s > REJOINED_LATEST_S
        if not plain or over or block.mean_pa < rise.end_pa - max(3 * noise, 0.2 * lift):
            self._rejoined_rise = None
        elif after_s >= REJOINED_S and 0.5 < went_on / rise.mean_pa_s < 2.0 and went_on * after_s > 4 * noise:
            self._rejoined_rise = None
            if not self._rise:
                self._rise = [b for b in self._recent if b.end_s >= rise.start_s]
                self._rise_level = rise.level_pa
            yield from self._pump_has_stopped(time_s)

    def _watch_fall(self, block: Block, noise: float) -> Iterator[Seen]:
        constant = self._fall.add(block.mid_s, block.mean_pa, noise)
        self._lag_s = min(self._lag_s, self._fall.at_most_s)
        if constant is None or not 1.0 < constant < 600.0:
            return
        self._falls_s.append(constant)
        self._lag_s = median(self._falls_s)
        yield Lag(self._lag_s)

    def _watch_switch(self, block: Block, noise: float) -> None:
        """The pressure turns upwards right after the pump-down, high above what a pump that draws would reach."""
        if not self._knee_s <= block.end_s <= self._knee_s + 420.0:
            return
        # Of the last three, for a wild reading is no climb.
        shown = median(b.mean_pa for b in list(self._recent)[-3:])
        self._lowest = min(self._lowest, shown)
        high = self._lowest - self._base.zero_pa > max(SWITCH_PA, 4 * self.gauge.resolution_pa)
        if high and shown - self._lowest > max(8 * noise + self.gauge.step_pa, 0.015 * abs(self._lowest)):
            self._switched = True

    def _watch_return(self, block: Block, before: Block | None, noise: float) -> Iterator[Seen]:
        """The pump draws down again what had come in: wait until that stands before it is a level again."""
        if block.mean_pa > 0.5 * self._atmosphere_pa:
            # It does not come back: the vacuum is gone, and what follows is another pump-down.
            self._returning, self._lost = False, True
            self._peak_pa = block.mean_pa
            self.enter("pump_down", block.start_s)
            return
        fall = 0.0 if before is None else before.mean_pa - block.mean_pa
        if fall > max(3 * noise, 0.01 * abs(block.mean_pa)):
            return
        if before is not None and fall < -max(1500.0, 10 * noise):
            self._returning = False
            self._rise = [before, block]
            self._rise_level = before.mean_pa
            return
        self._returning = False
        self._accepted.clear()
        self._accepted.append(block.mean_pa)
        self._settle_until_s = block.end_s + max(240.0, 2.0 * self._lag_s)
        yield Knee(block.end_s, self._lag_s)

    def _watch_shut(
        self, time_s: float, block: Block, before: Block | None, level: float, noise: float
    ) -> Iterator[Seen]:
        """Shut off from the running pump, as the log tells."""
        recorder = self._shut_rise
        if not len(recorder):
            # A mark may come late: what already rose belongs to this rise, unless it was a burst that is over.
            rise = self._rise
            if rise and max(one.mean_pa for one in rise) - rise[-1].mean_pa < 4 * noise:
                for earlier in rise:
                    recorder.add(earlier.mid_s, earlier.mean_pa)
            self._shut_peak = block.mean_pa
        self._rise = []
        lift = block.mean_pa - level
        pace = 0.0 if before is None else (block.mean_pa - before.mean_pa) / max(block.mid_s - before.mid_s, 1e-9)
        if lift > 8e3 and pace > 50.0:
            # No load of gas does that: air comes in, while it is shut off or after a mark `rejoined` that is missing.
            if not self._column_shut:
                self._told_shut = False
            self._air_shut = True
            recorder.clear()
            self._rise = [b for b in list(self._recent)[:-1] if b.mean_pa < level + 0.2 * lift][-1:] + [block]
            self._rise_level = self._rise[0].mean_pa
            yield Risen(block.end_s, None, 0.0)
            yield from self._follow_rise(time_s, block, None)
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

    def _follow_rise(self, time_s: float, block: Block, rising: Rising | None) -> Iterator[Seen]:
        rise = self._rise
        if rise[-1] is not block:
            leap = block.mean_pa - rise[-1].mean_pa
            if leap > max(1000.0, 20 * self._noise(block), 4 * (rise[-1].mean_pa - self._rise_level)) and len(rise) > 2:
                # Another rise begins in this one: air comes into a chamber that was shut off, or whose pump stands.
                self._rise_level = rise[-1].mean_pa
                self._rise = rise = [rise[-1]]
                self._stopped_pump = False
            rise.append(block)
        if len(rise) > 400:
            del rise[1]
        level = self._rise_level
        lift = block.mean_pa - level
        top = max(rise, key=lambda b: b.mean_pa)
        peak = top.mean_pa - level
        noise = self._noise(block)
        if self._lost and block.mean_pa > 0.5 * self._atmosphere_pa:
            self.enter("pump_down", block.start_s)
            return
        if lift < 0.4 * peak or lift < 2 * noise or (peak > 2e3 and lift < peak - max(0.15 * peak, 12 * noise)):
            yield from self._down_again(time_s, block, peak)
            return
        far = lift > max(1500.0, abs(level), 10 * noise)
        let_in = self._let_in(block.end_s)
        shape = shape_of(rise, level, noise, self._atmosphere_pa)
        if shape == "jump" and self.phase != "still":
            # No hand lets air in so fast on purpose, however likely the bubbles have stopped.
            let_in = self._told_to_vent(block.end_s)
        if self._told_to_vent(block.end_s) and lift > 300.0 + 6 * noise:
            yield from self._air_comes(block)
            return
        if shape in ("levels_off", "jump") and lift > max(200.0, 3 * abs(level), 20 * noise) and not self._stopped_pump:
            if let_in and far:
                yield from self._air_comes(block)
                return
            if not let_in and (shape == "levels_off" or block.end_s - rise[0].end_s >= 30.0):
                self._lost = True
                yield from self._cautions.say(time_s, "vacuum_lost")
        elif shape == "steepens" and far and not self._lost and not self._stopped_pump:
            yield from self._air_comes(block)
            return
        elif shape == "straight" and not self._lost:
            yield from self._watch_air(time_s, block, lift)
        if rising is not None:
            yield from self._watch_straight(time_s, block, rising)
        lasted = block.mid_s - rise[0].mid_s
        if lasted > 420.0 and not (self._stopped_pump or self._lost):
            last = [b for b in rise if block.mid_s - b.mid_s <= 60.0]
            if abs(last[-1].mean_pa - last[0].mean_pa) * 5 < 0.1 * lift + 15 * noise:
                # It stays up there: this is the level now.
                self._rise = []
                self._accepted.clear()
                yield from self._accept(time_s, block)

    def _watch_air(self, time_s: float, block: Block, lift: float) -> Iterator[Seen]:
        """Straight, and steeper than all the gas that the pump has been drawing: air, and no pump that draws it."""
        lasted = block.end_s - self._rise[1].start_s
        load_pa_s = max(abs(self._rise_level - self._base.zero_pa), 100.0) / self._lag_s
        if lasted < STOPPED_AIR_S or lift / lasted < 3 * load_pa_s or lift < max(1500.0, 20 * self._noise(block)):
            return
        self._lost = True
        yield from self._pump_has_stopped(time_s)

    def _watch_straight(self, time_s: float, block: Block, rising: Rising) -> Iterator[Seen]:
        """A straight rise at the pace of the gas that is there: nobody draws it."""
        if self._stopped_pump or self._lost or self._switched or block.end_s < self._settle_until_s:
            return
        level = max(abs((self.level_pa or 0.0) - self._base.zero_pa), 30.0)
        young_s = block.end_s - self._knee_s
        if young_s < FIRST_BUBBLES_S and rising.lift_pa < 2 * level:
            return
        if young_s < YOUNG_S and rising.lift_pa < YOUNG_LIFT * (self._knee_pa - (self.level_pa or 0.0)):
            # The gas that has let the level fall so far would make far more of a rise.
            return
        if rising.pace_pa_s < STOPPED_SHARE * self._told_pace_pa_s:
            # Shut off a while ago it rose far faster, so there is a pump that draws.
            return
        lasted = block.end_s - rising.since_s
        patience = STOPPED_S
        if not self._column and (self._marked_shut or self._longest_shut_s > 0):
            usual = self._longest_shut_s or 0.75 * STOPPED_HABIT_S
            patience = min(max(STOPPED_S, 1.3 * usual + 40.0), STOPPED_HABIT_S)
        if lasted < patience:
            return
        if not self._rise:
            begun = [b for b in self._recent if b.end_s >= rising.since_s - BLOCK_S]
            self._rise = begun if len(begun) >= 2 else list(self._recent)[-2:]
            self._rise_level = begun[0].mean_pa if begun else block.mean_pa - rising.lift_pa
        yield from self._pump_has_stopped(time_s)

    def _pump_has_stopped(self, time_s: float) -> Iterator[Seen]:
        self._stopped_pump = True
        if self._cycles >= 2 or self._pump_off:
            return
        yield from self._cautions.say(time_s, "pump_stopped")
        yield from self._cautions.say(time_s, "vent_before_pump_off")

    def _down_again(self, time_s: float, block: Block, peak: float) -> Iterator[Seen]:
        """A burst of bubbles, a rejoined chamber, a pump that runs again, a lid that was pressed down."""
        rise, air = self._rise, self._lost
        stopped, self._stopped_pump, self._lost, self._air_shut = self._stopped_pump, False, False, False
        self._rise = []
        self._kink.clear()
        top = max(range(len(rise)), key=lambda i: rise[i].mean_pa)
        lasted = rise[top].end_s - rise[0].end_s
        self._cautions.over("pump_stopped", "vent_before_pump_off", "vacuum_lost")
        leap = max((later.mean_pa - one.mean_pa for one, later in pairwise(rise)), default=0.0)
        if not air and leap > AIR_PA and not self._let_in(block.end_s):
            # It is over before its shape could be told, but no bubbles do that: the resin has been at air.
            yield from self._cautions.say(time_s, "vacuum_lost")
        if air or peak > 2e3:
            self._returning = True
            yield Risen(block.end_s, None, 0.0)
            return
        straight = lasted >= 60.0 and rise[top].mean_pa - rise[max(top - 3, 0)].mean_pa > 0
        if stopped or (straight and lasted < 330.0):
            self._longest_shut_s = max(self._longest_shut_s, min(lasted, 330.0))
        if stopped:
            self._cycles += 1
        # Where isolations are told at all, one whose mark is missing is one as well; elsewhere it may be a burst.
        untold = self._marked_shut and self._was_shut(rise[: top + 1], block)
        if (stopped or untold) and not self._column:
            recorder = RiseRecorder()
            for risen in rise[: top + 1]:
                recorder.add(risen.mid_s, risen.mean_pa)
            yield self._end_rise(block.end_s, recorder, UNTOLD_DOUBT if untold else STOPPED_DOUBT)
        self._rejoin_s = block.end_s
        self._rejoin_lift = peak

    def _was_shut(self, rise: list[Block], block: Block) -> bool:
        """Nobody told, but up it went straight, for minutes, and down with the chamber's time constant: shut off."""
        top = rise[-1]
        lasted, fell_s = top.end_s - rise[0].end_s, block.end_s - top.end_s
        if not UNTOLD_S[0] <= lasted <= UNTOLD_S[1] or fell_s > 3 * self._lag_s + 2 * BLOCK_S:
            return False
        return shape_of(rise, self._rise_level, self._noise(block), self._atmosphere_pa) == "straight"

    def _told_to_vent(self, now: float) -> bool:
        """Air is let in, so a person says (a mark may come late, so it counts for a while)."""
        marks = [mark for mark in (self._vent_mark_s, self._vented_mark_s) if mark is not None]
        return any(now - mark < MARK_S for mark in marks)

    def _let_in(self, now: float) -> bool:
        """Whether air that comes in now is most likely let in: so it was told, or the bubbles may well have stopped."""
        return self._told_to_vent(now) or self.air_expected or self.phase == "still"

    def _air_comes(self, block: Block) -> Iterator[Seen]:
        """Somebody lets air in."""
        rise = self._rise
        if rise:
            since = rise[0].end_s
        else:
            recent = [b for b in self._recent if block.end_s - b.end_s <= 120.0]
            if len(recent) < 2:
                recent = list(self._recent)[-2:]
            low = min(b.mean_pa for b in recent)
            within = low + max(5 * self._noise(block) + self.gauge.step_pa, 0.1 * abs(low))
            since = max((b.end_s for b in recent if b.mean_pa <= within), default=block.start_s)
        self._rise = []
        self._lost = self._stopped_pump = self._air_shut = False
        self.enter("venting", since)
        self._peak_pa = block.mean_pa
        yield Risen(block.end_s, None, 0.0)

    def _watch_lost(self, time_s: float, block: Block) -> Iterator[Seen]:
        """The vacuum is gone and the pump still runs: until it draws again, or somebody says that it was vented."""
        self._peak_pa = max(self._peak_pa, block.mean_pa)
        high = self._aired(block)
        given_up = high and block.end_s - self.phase_since_s > GIVEN_UP_S
        if self._told_to_vent(block.end_s) or (high and self._pump_off) or given_up:
            self._lost = False
            if high:
                yield from self._vented(time_s, self.phase_since_s)
            else:
                self.enter("venting", self.phase_since_s)
            return
        yield from self._drawn_again(block)

    def _watch_vent(self, time_s: float, block: Block, before: Block | None) -> Iterator[Seen]:
        self._peak_pa = max(self._peak_pa, block.mean_pa)
        if block.fastest_pa_s > 2e3 and before is not None:
            gap = max(block.mid_s - before.mid_s, 1e-9)
            if (block.mean_pa - before.mean_pa) / gap > 2e3 and block.mean_pa - before.mean_pa > 10e3:
                yield from self._cautions.say(time_s, "vented_fast")
        if self._aired(block):
            yield from self._vented(time_s, block.start_s)
            return
        yield from self._drawn_again(block)

    def _aired(self, block: Block) -> bool:
        """Back at atmosphere, or (a gauge may read no further) it has long stood at more than half of it."""
        stands = block.mean_pa > 0.55 * self._atmosphere_pa and block.end_s - self.phase_since_s > 600.0
        return stands or block.mean_pa >= 0.95 * self._atmosphere_pa - 3 * self.gauge.noise_pa

    def _drawn_again(self, block: Block) -> Iterator[Seen]:
        """The pump draws once more on a chamber that was at air or on its way."""
        recent = [b for b in self._recent if block.end_s - b.start_s <= 150.0]
        top = max(recent, key=lambda b: b.mean_pa)
        if top.mean_pa - block.mean_pa > 0.2 * self._peak_pa and block.mean_pa < 0.5 * self._atmosphere_pa:
            yield self._begin_pump_down(top.end_s)

    def _vented(self, time_s: float, since: float) -> Iterator[Seen]:
        """Back at atmosphere: the soak begins."""
        self.enter("soaking", since)
        self._vacuum = False
        if self.context.soak_min is not None:
            self._soak_due_s = since + 60.0 * self.context.soak_min
        yield Event(time_s, "vented", self.log_s(since))

    def _left_over(self, now: float) -> float:
        """What the last rise can still have left in the level [Pa]."""
        if self._rejoin_lift <= 0:
            return 0.0
        return self._rejoin_lift * math.exp(-max(now - self._rejoin_s, 0.0) / (1.6 * self._lag_s))

    def _accept(self, time_s: float, block: Block) -> Iterator[Seen]:
        """The block belongs to the level."""
        left_over = self._left_over(block.mid_s)
        if left_over > max(LEFT_OVER_PA, LEFT_OVER_NOISES * self._noise(block)):
            return
        self._accepted.append(block.mean_pa)
        if block.end_s >= self._settle_until_s:
            yield Level(block, left_over)
        yield from self._watch_base(time_s, block)

    def _watch_base(self, time_s: float, block: Block) -> Iterator[Seen]:
        if self._switched or self._pump_off:
            return
        text = self._base.level(block, block.end_s - self.pump_start_s)
        if text:
            yield from self._cautions.say(time_s, "base_pressure_high", text)
