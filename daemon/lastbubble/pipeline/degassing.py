"""The chamber's side of a batch: pumping, degassing, the end of the bubbles, venting, the soak, and what to look after.

Pure; reads no clock. What the pressure shows (phases, levels, rises, cautions) comes from `chamber_watch`; here the
release is judged by it (`release`): forecasts, the call that the bubbles have stopped, and its being taken back.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any, Final

from lastbubble.context import Context
from lastbubble.pipeline.batch_history import stops_from
from lastbubble.pipeline.blocks import Block
from lastbubble.pipeline.chamber_watch import BLOCK_S, ChamberWatch, Glance, Knee, Lag, Level, Phase, PumpDown, Risen
from lastbubble.pipeline.gauge import COARSE_PA
from lastbubble.pipeline.isolation import Rise
from lastbubble.pipeline.isolation_prompt import FINE_PA, isolation_prompt
from lastbubble.pipeline.release import KEPT_RISES, EndJudge, Verdict
from lastbubble.pipeline.rise_series import comparable
from lastbubble.records import Event, Forecast, Record, Sample

__all__ = ["BLOCK_S", "ChamberModel", "Phase"]

#: The slow models get one level per this time, later one per this share of the time since the pump was started.
LEVEL_S: Final = 120.0
LEVEL_SHARE: Final = 1 / 90
#: Of a level's blocks the middle half counts: what rises, bursts and the fall after them leave at its edges does not.
#: Its variance against that of a plain mean, for normal noise: 1.2 (Tukey's midmean). What the last rise may have left
#: in the first block counts for so much of it.
MIDMEAN: Final = 1.2
LEFT_DOUBT: Final = 0.25
#: A level ends where the next block comes so much later; a rise may have begun so long before that; and what is left is
#: a level if it lasts this long [s].
GAP_S: Final = 25.0
BEGUN_S: Final = 25.0
SHORT_LEVEL_S: Final = 45.0
#: At air for less than this, and nothing drained or loaded, the pieces are the same and the release goes on [s].
SAME_BATCH_S: Final = 1200.0
#: No batch is followed longer than this: whatever still falls then is no gas out of pores.
GIVE_UP_S: Final = 16 * 3600.0
#: Vapour pressure of the lightest methacrylate, methyl methacrylate, at 30 degC (shared/reference/
#: monomer_vapour_pressure.csv: NIST WebBook, Brockhaus and Jenckel 1956).
MOST_VAPOUR_PA: Final = 6247.0
#: A gauge that could see it and sees no fall at all in this time: nothing to foretell.
FLAT_S: Final = 1500.0
FORECAST_EVERY_S: Final = 300.0
#: First forecast: half an hour after the pump was started.
FORECAST_FROM_S: Final = 1500.0
#: ... and then at least this share of the time pumped apart: what is hours away does not change by the minute.
FORECAST_SHARE: Final = 0.05
#: No call sooner after the end it dates than this, and than this share of the time it took.
LAST_PIECE_S: Final = 480.0
LAST_PIECE_SHARE: Final = 0.08
#: The cost of venting early is a spoilt batch, of waiting some minutes: called from this probability on, in the
#: mean of so many verdicts, so far apart, and none of them far below (a lull looks like the end for a level or two).
SURE: Final = 0.88
SURE_LEAST: Final = 0.80
STANDS: Final = 3
STANDS_S: Final = 90.0
#: ... and by so much more where the gauge reads against the room, or is so coarse that only rises tell.
SURE_MORE: Final = 0.03
#: A level above this that climbs by this share within its last levels is held by a switch, or by nothing: no pump that
#: draws brings it about.
HELD_PA: Final = 700.0
HELD_SHARE: Final = 0.004
#: From here on air that comes in is taken to be let in.
LIKELY: Final = 0.3
#: From here on it is judged more often, though not sooner than this share of the time pumped.
CLOSE: Final = 0.5
CLOSE_SHARE: Final = 0.015


#: A fall of the level is seen from so many standard deviations of a level on, and from so much [Pa].
SEEN_SD: Final = 3.0
SEEN_PA: Final = 1.0
#: What a rise differs by from the next without a reason, relative: the valve's stroke, the room's temperature.
RISE_ERROR: Final = 0.01
#: How unsure it is that the level's drift is the gauge's or the room's, relative.
DRIFT_DOUBT: Final = 0.5


@dataclass(frozen=True, slots=True)
class _KeptRise:
    """A rise, how much of its pace may not be the chamber's own, and what the level drifted by then [Pa/s]."""

    rise: Rise
    doubt: float
    drift_pa_s: float
    drift_variance: float


class ChamberModel:
    """One batch's chamber side. `feed` takes samples of rising time and returns what is said at each.

    phase : idle, pump_down, degassing, still, venting or soaking;  phase_since_s : when it began (seconds of the log)
    unsaid_stop_s : air was let in before it could be called, and by then the bubbles had more likely than not stopped:
        since when (seconds of the log); None otherwise
    """

    def __init__(self, context: Context) -> None:
        self.context = context
        self.unsaid_stop_s: float | None = None
        self._watch = ChamberWatch(context)
        self._gauge = self._watch.gauge
        self._earlier_s = stops_from(context.history)
        self._shut = False
        #: The log tells at every sample whether it is shut off: nobody has to be asked for it.
        self._valve = False
        self._now_s = 0.0
        self._judge: EndJudge | None = None
        self._level_blocks: list[Block] = []
        self._spacing_s = math.inf
        self._last_level_s = -math.inf
        #: The judge of what has been at air for some minutes: it goes on where it stood.
        self._kept: EndJudge | None = None
        self._emptied = False
        #: It has not been called yet.
        self._degassing = True
        self._new_pumpdown()

    @property
    def phase(self) -> Phase:
        return self._watch.phase

    @property
    def phase_since_s(self) -> float:
        return self._log_s(self._watch.phase_since_s)

    @property
    def fine_gauge(self) -> bool:
        """Does the gauge show in two minutes of isolation what others need four for? False while not known."""
        return self._gauge.known and self._gauge.resolution_pa <= FINE_PA

    @property
    def _against_room(self) -> bool:
        return self.context.gauge_kind in ("gauge", "vacuum")

    @property
    def _pump_start_s(self) -> float:
        return self._watch.pump_start_s

    # ------------------------------------------------------------------ feeding

    def _new_pumpdown(self) -> None:
        self.unsaid_stop_s = None
        judge, self._judge = self._judge or self._kept, None
        aired_s = self._watch.pump_start_s - self._last_level_s
        self._kept = judge if aired_s < SAME_BATCH_S and self._degassing else None
        self._degassing = True
        self._verdict: Verdict | None = None
        self._lag_s = 100.0
        self._lag_seen = False
        self._new_level()
        self._forecast_due_s = 0.0
        self._sureties: deque[float] = deque(maxlen=STANDS)
        self._sure_at_s = -math.inf
        self._close_due_s = 0.0
        self._resumed_since_s: float | None = None
        self._still_level: float | None = None
        self._highest, self._newest, self._first_level = -math.inf, 0.0, 0.0
        self._newest_variance = 0.0
        self._held = False
        self._risen: list[_KeptRise] = []
        self._rises: list[tuple[float, float, float]] = []
        self._lately: deque[tuple[float, float, float]] = deque(maxlen=8)

    def _new_level(self) -> None:
        self._level_blocks = []
        self._level_left = 0.0

    def feed(self, sample: Sample) -> list[Record]:
        """What this sample lets us say."""
        said: list[Record] = []
        time_s = sample.time_s
        before = self.phase
        if sample.isolated is not None:
            self._shut = sample.isolated
            self._valve = True
        elif "isolated" in sample.marks or "rejoined" in sample.marks:
            self._shut = "isolated" in sample.marks
        if "drained" in sample.marks or "oven_loaded" in sample.marks:
            self._emptied = True
        for seen in self._watch.feed(sample):
            if isinstance(seen, Level):
                self._accept(time_s, seen, said)
            elif isinstance(seen, Risen):
                self._take_rise(time_s, seen, said)
            elif isinstance(seen, Glance):
                self._take_glance(time_s, seen.now_s, seen.bubbling, said)
            elif isinstance(seen, Knee):
                self._begin_judging(seen)
            elif isinstance(seen, Lag):
                self._lag_s = seen.lag_s
                self._lag_seen = True
                if self._judge is not None:
                    self._judge.saw_lag(seen.lag_s)
            elif isinstance(seen, PumpDown):
                self._new_pumpdown()
            else:
                said.append(seen)
            self._watch.air_expected = self._verdict is not None and self._verdict.stopped > LIKELY
        self._now_s = time_s - self._watch.log_s(0.0)
        if before == "degassing" and self.phase in ("venting", "soaking") and self._judge is not None:
            self._look_back(self._judge)
        return said

    def _look_back(self, judge: EndJudge) -> None:
        """It was never sure enough to be called, and air is let in: which stage was it, more likely than not?"""
        vented_s = self._watch.phase_since_s
        verdict = judge.verdict(vented_s)
        if verdict is None or verdict.stopped < 0.5 or self._held or not self._shows(verdict.seen):
            return
        self.unsaid_stop_s = self._log_s(min(max(verdict.since_s, self._pump_start_s), vented_s))

    def _log_s(self, now_s: float) -> float:
        return self._watch.log_s(now_s)

    def _begin_judging(self, knee: Knee) -> None:
        if not self._lag_seen:
            self._lag_s = knee.lag_s
        judge = None if self._emptied else self._judge or self._kept
        self._emptied = False
        if judge is not None and judge.levels:
            # The same pieces after a lid that was lifted, a hose that slipped off: no gas came while air was in.
            back_s = knee.since_s if self._kept is None else self._pump_start_s
            judge.resume(self._last_level_s, back_s)
            self._judge = judge
        else:
            self._judge = self._new_judge()
        self._kept = None
        self._verdict = None
        self._new_level()
        self._forecast_due_s = self._pump_start_s + FORECAST_FROM_S

    def _new_judge(self, resumed_s: float | None = None) -> EndJudge:
        """resumed_s : when bubbling has begun anew; how long whole batches take says nothing of that."""
        judge = EndJudge(
            self._pump_start_s if resumed_s is None else resumed_s,
            self._lag_s,
            leak_pa_s=self.context.leak_pa_s,
            earlier_s=self._earlier_s if resumed_s is None else (),
            against_room=self._against_room,
        )
        if self._lag_seen:
            judge.saw_lag(self._lag_s)
        return judge

    def _take_rise(self, time_s: float, risen: Risen, said: list[Record]) -> None:
        """The pump draws again after a rise: its fit goes to the judge."""
        if self._level_blocks:
            self._cut_level(time_s, said)
        fit, judge = risen.rise, self._judge
        if fit is None or judge is None or self.phase not in ("degassing", "still"):
            return
        # What gauge and room drift, and the level shows, they drift during the rise as well.
        self._risen.append(_KeptRise(fit, risen.doubt, *self._drift_pa_s()))
        del self._risen[:-KEPT_RISES]
        judge.rise(fit.middle_s, fit.mean_pa_s, fit.mean_variance)
        # Every further rise tells more of what all have in common, and so of the earlier ones.
        self._rises = self._compared()
        judge.revise([(pa_s, variance) for _, pa_s, variance in self._rises])
        if self.phase == "degassing" and self._verdict is not None:
            self._judge_now(time_s, risen.now_s, judge, said)

    def _compared(self) -> list[tuple[float, float, float]]:
        """All rises: middle, pace and variance [s, Pa/s, (Pa/s)^2]."""
        paces = comparable([one.rise for one in self._risen], self._watch.block_noise_pa)
        return [
            (
                one.rise.middle_s,
                pa_s - one.drift_pa_s,
                variance + (RISE_ERROR * pa_s) ** 2 + (one.doubt * pa_s) ** 2 + one.drift_variance,
            )
            for one, (pa_s, variance) in zip(self._risen, paces, strict=True)
        ]

    def _drift_pa_s(self) -> tuple[float, float]:
        """How fast the level has moved of late, and how unsure that is [Pa/s, (Pa/s)^2]; 0 while there are too few."""
        lately = list(self._lately)
        half = len(lately) // 2
        if half < 2:
            return 0.0, 0.0
        (old_s, old_pa), (new_s, new_pa) = (
            (sum(t for t, _, _ in part) / len(part), sum(pa for _, pa, _ in part) / len(part))
            for part in (lately[:half], lately[half:])
        )
        apart_s = max(new_s - old_s, 1.0)
        drift = (new_pa - old_pa) / apart_s
        variance = sum(variance for _, _, variance in lately) / (half * half) / apart_s**2
        # A level that falls may be the release, of which a rise knows nothing.
        return drift, variance + (DRIFT_DOUBT * drift) ** 2

    def _take_glance(self, time_s: float, now: float, bubbling: bool, said: list[Record]) -> None:
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
                self._watch.enter("degassing", now)

    def _accept(self, time_s: float, level: Level, said: list[Record]) -> None:
        """The block belongs to the level."""
        block = level.block
        self._last_level_s = block.end_s
        age = block.end_s - self._pump_start_s
        if self._level_blocks:
            gap_s = block.start_s - self._level_blocks[-1].end_s
            self._spacing_s = min(self._spacing_s, gap_s)
            # Somebody who reads the gauge once a minute leaves no gap by that.
            if gap_s > max(GAP_S, 2.5 * self._spacing_s):
                self._cut_level(time_s, said)
        if not self._level_blocks:
            self._level_left = level.left_over_pa
        self._level_blocks.append(block)
        if block.end_s - self._level_blocks[0].start_s >= max(LEVEL_S, LEVEL_SHARE * age) - BLOCK_S:
            blocks, self._level_blocks = self._level_blocks, []
            self._take_level(time_s, blocks, said)

    def _cut_level(self, time_s: float, said: list[Record]) -> None:
        """The chamber rose and is back, or readings were missing: what came before is a level of its own, without the
        blocks in which the rise may have begun.
        """
        blocks = [one for one in self._level_blocks if one.end_s < self._level_blocks[-1].end_s - BEGUN_S]
        self._level_blocks = []
        if blocks and blocks[-1].end_s - blocks[0].start_s >= SHORT_LEVEL_S:
            self._take_level(time_s, blocks, said)

    def _take_level(self, time_s: float, blocks: list[Block], said: list[Record]) -> None:
        """These blocks are one level: it goes to the judge."""
        last = blocks[-1]
        mean, middle = _midmean([one.mean_pa for one in blocks]), sum(one.mid_s for one in blocks) / len(blocks)
        readings = sum(one.count for one in blocks)
        variance = MIDMEAN * self._gauge.mean_variance(readings) + (LEFT_DOUBT * self._level_left) ** 2
        self._level_left = 0.0
        age = last.end_s - self._pump_start_s
        judge = self._judge
        if judge is None:
            return
        if age > GIVE_UP_S and self.phase == "degassing":
            self._judge = self._verdict = None
            return
        if not self._is_bath():
            # A level that a bath comes down to later is no part of its fall.
            self._judge, self._verdict = self._new_judge(), None
            return
        if self._highest == -math.inf:
            self._first_level = mean
        self._highest = max(self._highest, mean)
        self._newest, self._newest_variance = mean, variance
        self._lately.append((middle, mean, variance))
        climb = mean - self._lately[0][1]
        if len(self._lately) >= 5 and mean > HELD_PA and climb > max(8 * math.sqrt(variance), HELD_SHARE * mean):
            self._held = True
        judge.level(middle, mean, variance, max(last.end_s - blocks[0].start_s, BLOCK_S))
        if self.phase == "degassing":
            close = self._verdict is not None and self._verdict.safe > CLOSE and self._shows()
            if last.end_s >= (self._close_due_s if close else self._forecast_due_s):
                self._judge_now(time_s, last.end_s, judge, said)
        elif self.phase == "still":
            self._watch_resumption(middle, mean, math.sqrt(variance))

    def _judge_now(self, time_s: float, now: float, judge: EndJudge, said: list[Record]) -> None:
        verdict = judge.verdict(now)
        self._verdict = verdict
        age = now - self._pump_start_s
        self._close_due_s = max(now + CLOSE_SHARE * age, self._pump_start_s + FORECAST_FROM_S)
        if verdict is None:
            return
        if now - self._sure_at_s >= STANDS_S:
            self._sureties.append(verdict.safe)
            self._sure_at_s = now
        elif self._sureties:
            self._sureties[-1] = min(self._sureties[-1], verdict.safe)
        sure = sum(self._sureties) / STANDS
        more = SURE_MORE if self._against_room or self._gauge.resolution_pa >= COARSE_PA else 0.0
        stands = sure >= SURE + more and min(self._sureties) >= SURE_LEAST + more and verdict.stopped >= 0.5
        if stands and self._may_call(verdict, now):
            since = min(max(verdict.since_s, self._pump_start_s), now)
            said.append(Event(time_s, "bubbles_stopped", self._log_s(since), round(sure, 3), self._basis(verdict, now)))
            self._watch.enter("still", now)
            self._degassing = False
            self._still_level = None
            return
        if now < self._forecast_due_s:
            return
        self._forecast_due_s = now + max(FORECAST_EVERY_S, FORECAST_SHARE * age)
        if self._is_flat(now):
            return
        p10, p50, p90 = (self._log_s(t) for t in (verdict.p10_s, verdict.p50_s, verdict.p90_s))
        said.append(Forecast(time_s, "bubbles_stopped", round(p10, 1), round(p50, 1), round(p90, 1)))

    def _may_call(self, verdict: Verdict, now: float) -> bool:
        """Is there anything to call: a release whose fall has really been seen, and the last piece's with it?"""
        if self._held:
            return False
        # A batch is several pieces, and they do not end together: the last may hide behind one that just did.
        if now - verdict.since_s < max(LAST_PIECE_S, LAST_PIECE_SHARE * (verdict.since_s - self._pump_start_s)):
            return False
        return self._shows(verdict.seen)

    def _shows(self, seen_pa: float = math.inf) -> bool:
        """Has the gauge really shown a fall: of the level, or from rise to rise?"""
        gauge = self._gauge
        coarse = gauge.resolution_pa >= COARSE_PA
        shown = min(seen_pa, self._highest - self._newest)
        by_level = shown > max(SEEN_PA, SEEN_SD * math.sqrt(self._newest_variance))
        return self._rises_fall() or (by_level and not coarse)

    def _rises_fall(self) -> bool:
        """Is the last rise plainly less steep than an earlier one?"""
        if len(self._rises) < 3:
            return False
        top = max(self._rises[:-1], key=lambda rise: rise[1])
        last = self._rises[-1]
        return top[1] - last[1] > 4 * math.sqrt(top[2] + last[2])

    def _is_bath(self) -> bool:
        """No bench pump holds a bath of resin under 0.1 Pa, and none that it holds down stands above what its resin's
        vapour can make: whatever that is, there are no bubbles in it to call.
        """
        level = self._watch.level_pa
        if level is None:
            return True
        return level < MOST_VAPOUR_PA and (level >= 0.1 or self._gauge.resolution_pa >= 1.0)

    def _is_flat(self, now: float) -> bool:
        """The gauge could show a fall, and there is none: held by a control, or nothing comes out."""
        if self._rises_fall():
            return False
        if self._held:
            return True
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
        if lift > max(6 * noise, 2.0, 0.05 * abs(self._still_level)) and middle_s - self._watch.rocked_s > 1200:
            if self._resumed_since_s is None:
                self._resumed_since_s = middle_s
            elif middle_s - self._resumed_since_s >= 600:
                self._watch.enter("degassing", self._resumed_since_s)
                self._resumed_since_s = None
                self._judge, self._verdict = self._new_judge(middle_s), None
        else:
            self._resumed_since_s = None
            self._still_level += 0.1 * (pa - self._still_level)

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
        if self.phase == "degassing" and not self._shut and not self._valve and self._is_bath():
            prompt = isolation_prompt(
                now_s=self._now_s,
                pump_start_s=self._pump_start_s,
                last_rise_s=self._rises[-1][0] if self._rises else None,
                safe=None if verdict is None else verdict.safe,
                coarse=self._gauge.known and self._gauge.resolution_pa >= COARSE_PA,
                resolution_pa=self._gauge.resolution_pa,
            )
            # What is to be done within the next minutes is told before what is hours away.
            if prompt is not None and prompt.at_s <= self._now_s + 60.0:
                part["next_action"], part["next_at_s"] = prompt.text, self._log_s(prompt.at_s)
        return part


def _midmean(values: list[float]) -> float:
    """Mean of the middle half."""
    ranked = sorted(values)
    quarter = len(ranked) // 4
    middle = ranked[quarter : len(ranked) - quarter]
    return sum(middle) / len(middle)
