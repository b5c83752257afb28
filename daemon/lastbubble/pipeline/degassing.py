"""The chamber's side of a batch: pumping, degassing, the end of the bubbles, venting, the soak, and what to look after.

Pure; reads no clock. Samples become blocks of `BLOCK_S` on a grid that counts from the first sample; everything but a
person's marks is judged on blocks, so neither the samples' rhythm nor the way they are handed over changes anything.

Phases follow the pressure; marks are evidence and never needed. While the pump holds the chamber down, a block belongs
either to the slowly falling level (whose law `release` follows) or to a rise, and a rise is told apart by its shape:
shut off from the running pump on purpose (`isolation`), a pump that has stopped (straight and lasting), air coming in
(fast and far), or a burst of bubbles (up and soon down again).
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any, Final, Literal

from lastbubble.context import Context
from lastbubble.pipeline.batch_history import stops_from
from lastbubble.pipeline.blocks import Block, BlockMaker
from lastbubble.pipeline.gauge import COARSE_PA, GaugeSense
from lastbubble.pipeline.isolation import RiseRecorder
from lastbubble.pipeline.release import EndJudge, Verdict
from lastbubble.records import Caution, Event, Forecast, Record, Sample

__all__ = ["BLOCK_S", "ChamberModel", "Phase"]

Phase = Literal["idle", "pump_down", "degassing", "still", "venting", "soaking"]

BLOCK_S: Final = 10.0
#: The slow models get one level per this time, later one per this share of the time since the pump was started.
LEVEL_S: Final = 120.0
LEVEL_SHARE: Final = 1 / 90
#: No batch is followed longer than this: whatever still falls then is no gas out of pores.
GIVE_UP_S: Final = 16 * 3600.0
#: A gauge that could see it and sees no fall at all in this time: nothing to foretell.
FLAT_S: Final = 1500.0
FORECAST_EVERY_S: Final = 300.0
#: First forecast: half an hour after the pump was started.
FORECAST_FROM_S: Final = 1500.0
STANDARD_PA: Final = 101325.0
#: No call sooner after the end it dates than this, and than this share of the time it took.
LAST_PIECE_S: Final = 300.0
LAST_PIECE_SHARE: Final = 0.06
#: The cost of venting early is a spoilt batch, of waiting some minutes: called from this probability on.
SURE: Final = 0.90


class ChamberModel:
    """One batch's chamber side. `feed` takes samples of rising time and returns what is said at each.

    phase : idle, pump_down, degassing, still, venting or soaking;  phase_since_s : when it began (seconds of the log)
    """

    def __init__(self, context: Context) -> None:
        self.context = context
        self.phase: Phase = "idle"
        self.phase_since_s = 0.0
        self._start_s: float | None = None
        self._gauge = GaugeSense()
        self._blocks = BlockMaker(BLOCK_S)
        self._recent: deque[Block] = deque(maxlen=90)
        self._atmosphere_pa = context.barometer_pa or STANDARD_PA
        self._told_shut = False
        self._column_shut = False
        self._vent_mark_s: float | None = None
        self._pump_off = False
        self._rocked_s = -math.inf
        self._shut_told_s = 0.0
        self._earlier_s = stops_from(context.history)
        self._shut_rise = RiseRecorder()
        self._new_pumpdown(0.0)
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

    # ------------------------------------------------------------------ feeding

    def _new_pumpdown(self, start_s: float) -> None:
        self._pump_start_s = start_s
        self._fastest = 0.0
        self._judge: EndJudge | None = None
        self._verdict: Verdict | None = None
        self._levels: list[Block] = []
        self._level_sum = self._level_time = 0.0
        self._level_count = 0
        self._level_readings = 0
        self._level_start_s: float | None = None
        self._level_left = 0.0
        self._forecast_due_s = 0.0
        self._called = False
        self._resumed_since_s: float | None = None
        self._still_level: float | None = None
        self._settle_until_s = -1.0
        self._base_told = False
        self._lag_s = 100.0
        self._highest, self._newest, self._first_level = -math.inf, 0.0, 0.0
        self._rejoin_s = -math.inf
        self._rejoin_lift = 0.0
        self._rises: list[tuple[float, float, float]] = []
        self._shut_rise.clear()
        self._accepted: deque[float] = deque(maxlen=12)

    def feed(self, sample: Sample) -> list[Record]:
        """What this sample lets us say."""
        if self._start_s is None:
            self._start_s = sample.time_s
            self.phase_since_s = sample.time_s
        now = round(sample.time_s - self._start_s, 6)
        said: list[Record] = []
        if sample.isolated is not None and sample.isolated != self._column_shut:
            self._column_shut = sample.isolated
            if sample.isolated:
                self._shut_told_s = now
            else:
                self._told_shut = False
                self._rejoin(sample.time_s, now, said)
        if sample.marks:
            self._take_marks(sample, now, said)
        pa = sample.chamber_pa
        if pa is not None:
            self._gauge.reading(pa)
            for block in self._blocks.add(now, pa):
                self._take_block(sample.time_s, block, said)
        if self._soak_due_s is not None and now >= self._soak_due_s and self.phase == "soaking":
            said.append(Event(sample.time_s, "soak_complete", self._log_s(self._soak_due_s)))
            self._soak_due_s = None
        return said

    def _log_s(self, now_s: float) -> float:
        return now_s + (self._start_s or 0.0)

    def _log_to_now(self, log_s: float) -> float:
        return log_s - (self._start_s or 0.0)

    def _enter(self, phase: Phase, since_s: float) -> None:
        self.phase = phase
        self.phase_since_s = self._log_s(since_s)

    def _rejoin(self, time_s: float, now: float, said: list[Record]) -> None:
        """The pump draws again: fit what rose."""
        self._end_rise(time_s, now, self._shut_rise, 0.0, said)

    def _end_rise(self, time_s: float, now: float, rise: RiseRecorder, doubt: float, said: list[Record]) -> None:
        """Take the fit of a rise into the judge; `doubt`: share of the slope that may not be the chamber's own."""
        fit = rise.fit(math.sqrt(self._gauge.mean_variance(max(round(self._per_block), 1))))
        rise.clear()
        self._rejoin_s = now
        self._rejoin_lift = 0.0
        self._level_start_s = None
        self._level_sum = self._level_time = 0.0
        self._level_count = self._level_readings = 0
        if fit is None:
            return
        self._rejoin_lift = max(fit.end_pa - fit.level_pa, 0.0)
        judge = self._judge
        if judge is None or self.phase not in ("degassing", "still"):
            return
        slope = fit.slope_pa_s
        variance = fit.variance + (0.04 * slope) ** 2 + (doubt * slope) ** 2
        judge.rise(fit.middle_s, slope, variance)
        self._rises.append((fit.middle_s, slope, variance))
        del self._rises[:-60]
        if self.phase == "degassing" and self._verdict is not None:
            self._judge_now(time_s, now, judge, said)

    def _glance(self, time_s: float, now: float, bubbling: bool, said: list[Record]) -> None:
        """A person looked and saw bubbles, or none."""
        judge = self._judge
        if judge is None:
            return
        judge.glance(now, bubbling)
        if self.phase == "degassing" and self._verdict is not None:
            self._judge_now(time_s, now, judge, said)
        elif self.phase == "still" and bubbling:
            verdict = judge.verdict(now)
            if verdict is not None and verdict.safe < 0.5:
                self._verdict = verdict
                self._enter("degassing", now)

    @property
    def _shut(self) -> bool:
        return self._column_shut or self._told_shut

    def _take_marks(self, sample: Sample, now: float, said: list[Record]) -> None:
        for mark in sample.marks:
            if mark == "isolated":
                self._told_shut = True
                self._shut_told_s = now
                self._stopped_pump = False
            elif mark == "rejoined" and self._told_shut:
                self._told_shut = False
                self._rejoin(sample.time_s, now, said)
            elif mark in ("bubbling", "quiet"):
                self._glance(sample.time_s, now, mark == "bubbling", said)
            elif mark == "vent_open":
                self._vent_mark_s = now
            elif mark == "rocked":
                self._rocked_s = now
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
                    self._suck_back(sample.time_s, said)

    def _suck_back(self, time_s: float, said: list[Record]) -> None:
        if "suck_back" in self._told:
            return
        self._told.add("suck_back")
        said.append(
            Caution(
                time_s,
                "vent_before_pump_off",
                "The pump is off while the chamber still holds vacuum: its oil can be drawn back. "
                "Shut the valve towards the pump or let air in slowly now; next time vent first, then stop the pump.",
            )
        )

    # ------------------------------------------------------------------ blocks

    def _take_block(self, time_s: float, block: Block, said: list[Record]) -> None:
        self._gauge.block(block)
        self._per_block += 0.1 * (block.count - self._per_block)
        self._blocks.noise_pa = self._gauge.noise_pa
        before = self._recent[-1] if self._recent else None
        self._recent.append(block)
        if self.phase in ("idle", "soaking"):
            self._watch_start(block)
        elif self.phase == "pump_down":
            self._watch_pump_down(time_s, block, before, said)
        elif self.phase in ("degassing", "still"):
            self._watch_level(time_s, block, before, said)
        elif self.phase == "venting":
            self._watch_vent(time_s, block, before, said)
        if self.phase in ("pump_down", "degassing", "still"):
            self._watch_gauge(time_s, block, said)
            self._watch_base(time_s, block, said)

    def _noise(self, block: Block) -> float:
        return math.sqrt(self._gauge.mean_variance(block.count))

    def _watch_start(self, block: Block) -> None:
        """Idle or soaking: has the pump begun to draw?"""
        if self.context.barometer_pa is None and 55e3 < block.mean_pa < 110e3 and not self._vacuum:
            seen = max((b.mean_pa for b in self._recent), default=STANDARD_PA)
            self._atmosphere_pa = seen
        noise = max(self._noise(block), self._gauge.step_pa)
        recent = [b for b in self._recent if block.end_s - b.start_s <= 150.0]
        high = max(recent, key=lambda b: b.mean_pa)
        fall = high.mean_pa - block.mean_pa
        falling = len(recent) < 2 or recent[-1].mean_pa < recent[-2].mean_pa
        if falling and self._falls_away(recent, fall, noise):
            within = high.mean_pa - max(0.01 * high.mean_pa, 6 * noise)
            self._begin_pump_down(max(b.end_s for b in recent if b.mean_pa >= within))
        elif block.mean_pa <= 20e3:
            long = list(self._recent)
            top = max(long, key=lambda b: b.mean_pa)
            if block.mean_pa < 0.85 * top.mean_pa - 8 * noise and falling and len(long) >= 4:
                self._begin_pump_down(top.end_s)

    def _falls_away(self, recent: list[Block], fall: float, noise: float) -> bool:
        """A fall that a pump makes: steady, or past half an atmosphere (some gauges scatter by kilopascals there)."""
        means = [b.mean_pa for b in recent[-4:]]
        steady = len(means) == 4 and means[0] > means[1] > means[2] > means[3] and self._gauge.step_pa < 2e3
        if steady and fall > max(0.05 * self._atmosphere_pa, 8 * noise):
            return True
        return means[-1] < 0.5 * self._atmosphere_pa and fall > 0.2 * self._atmosphere_pa

    def _begin_pump_down(self, since_s: float) -> None:
        self._new_pumpdown(since_s)
        self._vacuum = True
        self._rise = []
        self._stopped_pump = False
        self._told.discard("suck_back")
        self._told.discard("vacuum_lost")
        self._vent_mark_s = None
        self._peak_pa = 0.0
        self._soak_due_s = None
        self._enter("pump_down", since_s)

    def _watch_pump_down(self, time_s: float, block: Block, before: Block | None, said: list[Record]) -> None:
        if before is None:
            return
        gap = block.mid_s - before.mid_s
        speed = (before.mean_pa - block.mean_pa) / gap
        level = max(0.5 * (before.mean_pa + block.mean_pa), 1e-3)
        pace = speed / level
        noise = max(self._noise(block), 0.3 * self._gauge.step_pa)
        if level > 3e3:
            self._fastest = max(self._fastest, pace)
        lowest = min(b.mean_pa for b in self._recent)
        if block.mean_pa > lowest + max(5e3, 0.3 * lowest, 10 * noise) and speed < 0:
            self._air_comes(time_s, block, said)
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
                self._enter("degassing", quiet[0].mid_s)
                constant = 1 / max(expected, 1e-3)
                self._lag_s = min(max(constant, 15.0), 400.0)
                self._judge = EndJudge(
                    self._pump_start_s, self._lag_s, leak_pa_s=self.context.leak_pa_s, earlier_s=self._earlier_s
                )
                self._forecast_due_s = self._pump_start_s + FORECAST_FROM_S
                self._accepted.clear()
                self._accepted.append(block.mean_pa)
                # What the chamber itself still has to settle is no gas from the pores.
                self._settle_until_s = block.end_s + max(240.0, 2.0 * constant)

    # ------------------------------------------------------------------ the level and its rises

    def _watch_level(self, time_s: float, block: Block, before: Block | None, said: list[Record]) -> None:
        noise = self._noise(block)
        level = sorted(self._accepted)[len(self._accepted) // 2] if self._accepted else block.mean_pa
        lift = block.mean_pa - level
        limit = max(6 * noise + self._gauge.step_pa, 1.5, 0.05 * abs(level))
        if self._shut:
            self._watch_shut(time_s, block, before, level, noise, said)
            return
        if self._rise:
            self._follow_rise(time_s, block, said)
            return
        if lift > limit and self._left_over(block.mid_s) < 0.5 * limit:
            self._rise = [before or block, block]
            self._rise_level = level
            if lift > max(1500.0, abs(level)):
                self._air_comes(time_s, block, said)
            return
        self._accept(time_s, block, said)

    def _watch_shut(
        self, time_s: float, block: Block, before: Block | None, level: float, noise: float, said: list[Record]
    ) -> None:
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
            self._air_comes(time_s, block, said)
            return
        self._shut_peak = max(self._shut_peak, block.mean_pa)
        fell = self._shut_peak - block.mean_pa
        if not self._column_shut and (
            (len(recorder) >= 4 and fell > max(8 * noise, 0.4 * (self._shut_peak - level)))
            or block.end_s - self._shut_told_s > 1500.0
        ):
            # The mark that it was rejoined is late or missing; the pressure says so.
            self._told_shut = False
            self._rejoin(time_s, block.start_s, said)
            return
        recorder.add(block.mid_s, block.mean_pa)

    def _follow_rise(self, time_s: float, block: Block, said: list[Record]) -> None:
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
            self._air_comes(time_s, block, said)
            return
        leaks = lasted >= 25.0 and lift > max(250.0, 3 * abs(level), 20 * noise) and lift / lasted > 4.0
        if leaks and not self._stopped_pump and not self._let_in(vent_told):
            self._say_vacuum_lost(time_s, said)
        if vent_told and lift > 300 + 6 * noise:
            self._air_comes(time_s, block, said)
            return
        mean_pace = lift / max(lasted, 1e-9)
        plain = max(3.0 + 10 * noise + self._gauge.step_pa, 0.4 * abs(level) if abs(level) < 1e3 else 200.0)
        straight = lasted >= 80.0 and pace > 0.4 * mean_pace and lift > plain
        # A small rise is believed to be a stopped pump only when it goes on straight for longer.
        lasting = lasted >= 150.0 and pace > 0.6 * mean_pace and lift > 3.0 + 10 * noise + self._gauge.step_pa
        if not self._stopped_pump and (straight or lasting):
            self._pump_has_stopped(time_s, said)
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
                self._end_rise(time_s, block.end_s, recorder, 0.15, said)
            self._rise = []
            self._rejoin_s = block.end_s
            self._rejoin_lift = peak
            self._told.discard("suck_back")
            return
        if lasted > 420.0 and abs(pace) * 300 < 0.1 * lift + 3 * noise and not self._stopped_pump:
            # It stays up there: this is the level now.
            self._rise = []
            self._accepted.clear()
            self._accept(time_s, block, said)

    def _pump_has_stopped(self, time_s: float, said: list[Record]) -> None:
        self._stopped_pump = True
        if self._cycles >= 2:
            return
        said.append(
            Caution(
                time_s,
                "pump_stopped",
                "The pressure rises straight: the pump has stopped or is shut off. "
                "Start it again, or shut its valve, before its oil is drawn back into the chamber.",
            )
        )
        self._suck_back(time_s, said)

    def _say_vacuum_lost(self, time_s: float, said: list[Record]) -> None:
        if "vacuum_lost" in self._told:
            return
        self._told.add("vacuum_lost")
        said.append(
            Caution(
                time_s,
                "vacuum_lost",
                "Air is coming into the chamber: look at the lid, its seal and the vent valve, then the hose.",
            )
        )

    def _let_in(self, vent_told: bool) -> bool:
        """Whether air that comes in now is most likely let in: so it was told, or the bubbles may well have stopped."""
        likely = self._verdict is not None and self._verdict.stopped > 0.3
        return vent_told or likely or self.phase == "still"

    def _air_comes(self, time_s: float, block: Block, said: list[Record]) -> None:
        vent_told = self._vent_mark_s is not None and block.end_s - self._vent_mark_s < 900.0
        recent = [b for b in self._recent if block.end_s - b.end_s <= 120.0]
        if len(recent) < 2:
            recent = list(self._recent)[-2:]
        low = min(b.mean_pa for b in recent)
        within = low + max(5 * self._noise(block) + self._gauge.step_pa, 0.1 * abs(low))
        since = max((b.end_s for b in recent if b.mean_pa <= within), default=block.start_s)
        if not self._let_in(vent_told):
            self._say_vacuum_lost(time_s, said)
        self._rise = []
        self._enter("venting", since)
        self._peak_pa = block.mean_pa

    def _watch_vent(self, time_s: float, block: Block, before: Block | None, said: list[Record]) -> None:
        self._peak_pa = max(self._peak_pa, block.mean_pa)
        if block.fastest_pa_s > 2e3 and "vented_fast" not in self._told and before is not None:
            gap = max(block.mid_s - before.mid_s, 1e-9)
            if (block.mean_pa - before.mean_pa) / gap > 2e3 and block.mean_pa - before.mean_pa > 10e3:
                self._told.add("vented_fast")
                said.append(
                    Caution(
                        time_s,
                        "vented_fast",
                        "Air came in faster than 2 kPa a second: resin may have surged into gauge and hose. "
                        "Look at them; open the vent more slowly.",
                    )
                )
        high = 0.55 * self._atmosphere_pa
        stands = block.mean_pa > high and block.end_s - self._log_to_now(self.phase_since_s) > 600.0
        if block.mean_pa >= 0.95 * self._atmosphere_pa - 3 * self._gauge.noise_pa or stands:
            since = block.start_s
            said.append(Event(time_s, "vented", self._log_s(since)))
            self._enter("soaking", since)
            self._vacuum = False
            if self.context.soak_min is not None:
                self._soak_due_s = since + 60.0 * self.context.soak_min
            return
        recent = [b for b in self._recent if block.end_s - b.start_s <= 150.0]
        top = max(recent, key=lambda b: b.mean_pa)
        fall = top.mean_pa - block.mean_pa
        if fall > 0.2 * self._peak_pa and block.mean_pa < 0.5 * self._atmosphere_pa:
            self._begin_pump_down(top.end_s)

    def _left_over(self, now: float) -> float:
        """What the last rise can still have left in the level [Pa]."""
        if self._rejoin_lift <= 0:
            return 0.0
        return self._rejoin_lift * math.exp(-max(now - self._rejoin_s, 0.0) / (1.3 * self._lag_s))

    def _accept(self, time_s: float, block: Block, said: list[Record]) -> None:
        """The block belongs to the level."""
        noise = self._noise(block)
        left_over = self._left_over(block.mid_s)
        if left_over > max(3.0, 6 * noise):
            return
        self._accepted.append(block.mean_pa)
        if block.end_s < self._settle_until_s:
            return
        if self._level_start_s is None:
            self._level_start_s = block.start_s
            self._level_left = left_over
        self._level_sum += block.mean_pa
        self._level_time += block.mid_s
        self._level_count += 1
        self._level_readings += block.count
        age = block.end_s - self._pump_start_s
        if block.end_s - self._level_start_s < max(LEVEL_S, LEVEL_SHARE * age) - BLOCK_S:
            return
        count = self._level_count
        mean, middle = self._level_sum / count, self._level_time / count
        variance = self._gauge.mean_variance(self._level_readings) + (0.5 * self._level_left) ** 2
        self._level_sum = self._level_time = 0.0
        self._level_count = self._level_readings = 0
        self._level_start_s = None
        judge = self._judge
        if judge is None:
            return
        if age > GIVE_UP_S and self.phase == "degassing":
            self._judge = self._verdict = None
            return
        if self._highest == -math.inf:
            self._first_level = mean
        self._highest = max(self._highest, mean)
        self._newest = mean
        judge.level(middle, mean, variance)
        if self.phase == "degassing":
            close = self._verdict is not None and self._verdict.safe > 0.6
            if block.end_s >= self._forecast_due_s or (close and block.end_s >= self._pump_start_s + FORECAST_FROM_S):
                self._judge_now(time_s, block.end_s, judge, said)
        elif self.phase == "still":
            self._watch_resumption(middle, mean, math.sqrt(variance))

    def _judge_now(self, time_s: float, now: float, judge: EndJudge, said: list[Record]) -> None:
        verdict = judge.verdict(now)
        self._verdict = verdict
        if verdict is None:
            return
        if verdict.safe >= SURE and verdict.stopped >= 0.5 and self._may_call(verdict, now):
            since = min(max(verdict.since_s, self._pump_start_s), now)
            said.append(
                Event(time_s, "bubbles_stopped", self._log_s(since), round(verdict.safe, 3), self._basis(verdict, now))
            )
            self._called = True
            self._enter("still", now)
            self._still_level = None
            return
        if now < self._forecast_due_s:
            return
        self._forecast_due_s = now + FORECAST_EVERY_S
        if not self._is_bath() or self._is_flat(now):
            return
        p10, p50, p90 = (self._log_s(t) for t in (verdict.p10_s, verdict.p50_s, verdict.p90_s))
        said.append(Forecast(time_s, "bubbles_stopped", round(p10, 1), round(p50, 1), round(p90, 1)))

    def _may_call(self, verdict: Verdict, now: float) -> bool:
        """Is there anything to call: a bath of resin, and a release whose fall has really been seen?"""
        if not self._is_bath():
            return False
        # A batch is several pieces, and they do not end together: the last may hide behind one that just did.
        if now - verdict.since_s < max(LAST_PIECE_S, LAST_PIECE_SHARE * (verdict.since_s - self._pump_start_s)):
            return False
        gauge = self._gauge
        coarse = gauge.resolution_pa >= COARSE_PA
        shown = min(verdict.seen, self._highest - self._newest)
        by_level = shown > max(1.0, 1.2 * gauge.step_pa, 1.0 * gauge.noise_pa)
        by_rises = False
        if len(self._rises) >= 3:
            top = max(self._rises[:-1], key=lambda rise: rise[1])
            last = self._rises[-1]
            by_rises = top[1] - last[1] > 4 * math.sqrt(top[2] + last[2])
        return by_rises or (by_level and not coarse)

    def _is_bath(self) -> bool:
        """No bench pump holds a bath of resin under 0.1 Pa: whatever that is, there are no bubbles in it to call."""
        return not (self._accepted and self._accepted[-1] < 0.1 and self._gauge.resolution_pa < 1.0)

    def _is_flat(self, now: float) -> bool:
        """The gauge could show a fall, and there is none: held by a control, or nothing comes out."""
        fine = self._gauge.resolution_pa < COARSE_PA
        fall = self._highest - self._newest
        if fine and self._newest > 0.98 * self._first_level - self._gauge.resolution_pa and self._newest > 1e3:
            # High, and no lower than when the level began: whatever rules it, it is no release that dies away.
            return True
        return fine and now - self._pump_start_s > FLAT_S and not self._rises and fall < 0.5 + 0.01 * abs(self._highest)

    def _basis(self, verdict: Verdict, now: float) -> str:
        if self._rises and now - self._rises[-1][0] < 2400.0:
            return "isolation"
        return "flow" if verdict.share_ends > 0.5 else "forecast"

    def _watch_resumption(self, middle_s: float, pa: float, noise: float) -> None:
        if self._still_level is None:
            self._still_level = pa
            return
        lift = pa - self._still_level
        if lift > max(6 * noise, 2.0, 0.05 * abs(self._still_level)) and middle_s - self._rocked_s > 1200:
            if self._resumed_since_s is None:
                self._resumed_since_s = middle_s
            elif middle_s - self._resumed_since_s >= 600:
                self._enter("degassing", self._resumed_since_s)
                self._resumed_since_s = None
                self._judge = EndJudge(middle_s, self._lag_s, leak_pa_s=self.context.leak_pa_s)
                self._verdict = None
        else:
            self._resumed_since_s = None
            self._still_level += 0.1 * (pa - self._still_level)

    # ------------------------------------------------------------------ what the gauge and the base tell

    def _watch_gauge(self, time_s: float, block: Block, said: list[Record]) -> None:
        if self._gauge_told or block.end_s - self._pump_start_s < 240.0 or not self._gauge.known:
            return
        size = self._gauge.resolution_pa
        if size < COARSE_PA:
            return
        self._gauge_told = True
        what = "steps by" if self._gauge.step_pa >= self._gauge.noise_pa else "scatters by"
        said.append(
            Caution(
                time_s,
                "gauge_too_coarse",
                f"This gauge {what} {size:.0f} Pa; the last hour of bubbling moves the pressure by a few pascals. "
                "Shut the chamber off from the running pump for 5 minutes now and then, or fit a 0-10 kPa "
                "absolute transducer.",
            )
        )

    def _watch_base(self, time_s: float, block: Block, said: list[Record]) -> None:
        if self._base_told or block.end_s - self._pump_start_s < 1560.0 or self._shut or self._rise:
            return
        recent = sorted(b.mean_pa for b in self._recent if block.end_s - b.end_s <= 180.0)
        level = recent[len(recent) // 2]
        limit = self._base_limit()
        if level < limit:
            return
        self._base_told = True
        said.append(
            Caution(
                time_s,
                "base_pressure_high",
                f"{(block.end_s - self._pump_start_s) / 60:.0f} minutes after pumping began the chamber stands at "
                f"{level:.0f} Pa. "
                "Check in this order: the lid and its seal, the hose and its joints, the pump's gas ballast valve, "
                "the pump's oil, warm or wet resin.",
            )
        )

    def _base_limit(self) -> float:
        limit = 800.0 if self._gauge.resolution_pa < COARSE_PA else 2500.0
        if self.context.gauge_kind in ("gauge", "vacuum"):
            limit = 4500.0
        if self.context.base_pa is not None:
            limit = max(3 * self.context.base_pa, 0.25 * limit)
        return limit

    # ------------------------------------------------------------------ outlook

    def outlook_part(self) -> dict[str, Any]:
        """Gas load with its band, and what to do next."""
        part: dict[str, Any] = {"next_action": "", "next_at_s": None}
        verdict = self._verdict
        if verdict is not None and self.phase in ("degassing", "still"):
            part["flow_pa_s"] = verdict.flow_pa_s
            part["flow_low_pa_s"] = verdict.flow_low_pa_s
            part["flow_high_pa_s"] = verdict.flow_high_pa_s
            if self.phase == "degassing":
                part["next_at_s"] = self._log_s(verdict.p50_s)
        return part
