"""The oven's side of a batch: loading, the core of the slowest piece, the cure, what to expect, what to say.

Joins the oven's air (`oven`), the loading (`loading`), the bodies (`core`) and the witness probe (`witness`). Pure;
reads no clock. All inference runs on an even grid of steps that counts from the first sample, so neither the samples'
rhythm nor the way in which they are handed over changes what is said; only a probe's own word is taken at its sample.

When a call is made. Without a probe the calls come when three chances among the bodies are met (`CHANCE_*`): the core
is probably past the target, rarely more than 2 K short of it, hardly ever 4 K. With a believed probe in the slowest
piece, when the probe passes the target by a margin for its own error, unless the model says it cannot be (veto).
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from lastbubble.context import Context
from lastbubble.physics.exotherm import most_rise_k
from lastbubble.physics.fixed_points import reading_spread_k
from lastbubble.physics.kinetics import Initiator, equivalent_rate, initiator
from lastbubble.physics.materials import material
from lastbubble.pipeline.core import (
    BODIES,
    STEP_S,
    Anchor,
    Bodies,
    assimilate,
    learnt_scores,
    learnt_text,
    standard_scores,
    weighted_quantiles,
)
from lastbubble.pipeline.heatup import HeatUp, HeatUpWatch
from lastbubble.pipeline.loading import Load, LoadWatch
from lastbubble.pipeline.oven import AirGrid, AirLevel, Dips, Level, Step
from lastbubble.pipeline.plateau import Plateau
from lastbubble.pipeline.witness import Witness
from lastbubble.records import Caution, Event, Forecast, Record, Sample

__all__ = ["OvenSide", "Phase"]

Array = npt.NDArray[np.float64]
Phase = Literal["cold", "heating", "curing", "cooling", "finished"]

#: A call without a probe: chance that the core is past the target; past target - 2 K; past target - 4 K. Chosen for the
#: aim of the calls (half of them within ten minutes, few more than 2 K early) on ovens of the tuning numbers.
CHANCE_TARGET: Final = 0.45
CHANCE_2K: Final = 0.66
CHANCE_4K: Final = 0.70
#: No call while it is likelier than this that the pieces are not in the oven at all: an error of more than kelvins.
MAY_WAIT: Final = 0.10
#: A probe's word: its smoothed reading has to be this far past the target [K], for a probe's own error.
PROBE_MARGIN_K: Final = 0.3
#: Half an 80 % band over a standard deviation (normal).
HALF_80: Final = 1.2816
#: Pieces can be handled below this (common practice, no published source) [degC].
HANDLE_C: Final = 45.0
FORECAST_EVERY_S: Final = 300.0
#: Nobody waits longer for a cure than this; later is told as this [s].
HORIZON_S: Final = 15 * 3600.0
#: The probe teaches the bodies this often at first, and the later in a batch the more seldom [s].
LEARN_EVERY_S: Final = 600.0
#: A hold that lasts teaches nothing new of how pieces warm: no lesson after the target so late after the loading [s].
LEARN_UP_TO_S: Final = 6 * 3600.0
#: How far a probe's reading and the bodies' law may differ although all is well (law, hole, noise) [K].
PROBE_LAW_K: Final = 0.8
#: Bodies whose mean scores are further than this from the prior's are bodies that do not exist (of some 5 unknowns
#: that a probe tells of, each standard normal, one batch in a million is).
STRAIN_MOST: Final = 5.5
#: A probe is vetoed when bodies that it did not teach say with less than this chance that the core is within so many
#: kelvins of what it says: where nobody told which piece it is in (one probe in five is elsewhere, our judgement), and
#: where it is said to be the slowest (a probe on the tray, a size told wrong). True probes in ovens with an untold fan
#: are the least likely ones, at 1 to 6 %: there the veto costs half an hour, and a word about piece or fan ends it.
VETO: Final = {"": (0.12, 3.0), "slowest": (0.004, 6.0)}
VETO_EVERY_S: Final = 300.0
#: Air that has been so far above the core's target for so long, and still rises unswitched [K] [s]. A
#: strong oven's first overshoot may be as high, and is over sooner.
RUNAWAY_K: Final = 45.0
RUNAWAY_S: Final = 240.0
#: A piece that has stalled for so long by so much is told [s] [K], and the
#: temperatures at which water does that [degC].
STALL_S: Final = 900.0
STALL_K: Final = 4.0
WATER_FROM_C: Final = 65.0
WATER_GONE_C: Final = 100.0
#: A probe's last word counts against the model for so long after it fell silent [s].
PROBE_STANDS_S: Final = 3600.0
#: A core this far above the settled air's cycles is lifted by its resin [K]; materials that hold less heat are woods.
RESIN_K: Final = 4.0
WOOD_BELOW_J_M3K: Final = 1.75e6
#: Once the cure is complete the bodies only cool: so many steps are taken in one.
AFTER_STEPS: Final = 3
#: Grid steps kept for running the bodies again from an earlier loading: 48 h.
KEPT_STEPS: Final = 8640

#: Doubt that preheated pieces still wait falls with this time once the oven is warm (our judgement) [s].
_DOUBT_STEP: Final = math.exp(-STEP_S / 1500.0)

#: A chamber below this has been pumped, at any altitude people live at [Pa]; one that was not for so long is not used.
PUMPED_PA: Final = 45e3
NEVER_PUMPED_S: Final = 1800.0

#: The oven's past before a loading that still matters for its walls [s].
WALLS_FORGET_S: Final = 3 * 3600.0

#: Steps ahead: finer at first.
_AHEAD: Final = [60.0] * 15 + [180.0] * 20 + [600.0] * 18 + [1800.0] * 24


class OvenSide:
    """One batch's oven side. `feed` takes samples of rising time and returns what is said at each.

    phase : cold, heating, curing, cooling or finished;  phase_since_s : when it began (seconds of the log)
    """

    def __init__(self, context: Context) -> None:
        self.context = context
        self.phase: Phase = "cold"
        self.phase_since_s = 0.0
        self._start_s: float | None = None
        self._scores = self._plain_scores()
        self._grid = AirGrid(STEP_S)
        self._level = AirLevel(STEP_S)
        self._dips = Dips(STEP_S)
        self._plateau = Plateau()
        self._heat_up = HeatUpWatch()
        self._rises: list[tuple[float, HeatUp]] = []
        self._relay_open = False
        self._loading = LoadWatch()
        self._witness = Witness()
        self._kind: Initiator = self._initiator()
        self._history: list[float] = []
        self._history_end_s = 0.0
        self._bodies: Bodies | None = None
        self._loads: list[Load] = []
        self._reached = False
        self._complete = False
        self._probe_held_s = 0.0
        self._probe_last = (0.0, 0.0)
        self._probe_reached = False
        self._forecast_due_s = 0.0
        self._dose_s = 0.0
        self._held_s = 0.0
        self._below_since_s: float | None = None
        self._short_since_s: float | None = None
        self._told: set[str] = set()
        self._learn_due_s = 0.0
        self._taught = 0
        self._probe_favours = 1.0
        self._forgotten = False
        self._pumped = False
        self._quicker = False
        self._veto_due_s = self._held_due_s = 0.0
        self._stalled_since_s: float | None = None
        self._stalled_from_k = 0.0
        self._runaway_since_s: float | None = None
        self._offs: deque[float] = deque(maxlen=3)
        self._after_steps: list[float] = []
        self._trend: deque[tuple[float, float]] = deque(maxlen=64)
        self._expected_s: float | None = None
        self._reached_s = 0.0
        self._reach_slope_k_s = 0.0

    def _plain_scores(self) -> Array:
        """What is known of oven and pieces before this batch's probe has said anything."""
        return learnt_scores(standard_scores(BODIES), self.context.oven_learnt, self.context)

    def _initiator(self) -> Initiator:
        try:
            return initiator(self.context.initiator)
        except ValueError:
            return initiator("")

    # ------------------------------------------------------------------ feeding

    def feed(self, sample: Sample, chamber_done: bool) -> list[Record]:
        """What this sample lets us say. `chamber_done`: the pieces are no longer in the chamber (or there is none)."""
        if self._start_s is None:
            self._start_s = self.phase_since_s = sample.time_s
        now = round(sample.time_s - self._start_s, 6)
        said: list[Record] = []
        if sample.chamber_pa is not None and sample.chamber_pa < PUMPED_PA:
            self._pumped = True
        elif not self._pumped and now > NEVER_PUMPED_S:
            # A chamber that stands at atmosphere all the while has nothing to do with these pieces.
            chamber_done = True
        air = sample.oven_c if sample.oven_c is not None else sample.oven2_c
        if sample.heat is False:
            self._relay_open = True
        if sample.marks:
            self._take_marks(sample, now, said)
        if sample.witness_c is not None or self._witness.seen:
            self._take_witness(sample, now, air, said)
        if air is not None:
            for step in self._grid.feed(now, air):
                self._take_step(sample, step, chamber_done, said)
        return said

    def _log_s(self, now_s: float) -> float:
        return now_s + (self._start_s or 0.0)

    def _take_marks(self, sample: Sample, now: float, said: list[Record]) -> None:
        for mark in sample.marks:
            if mark == "oven_loaded":
                load = self._loading.mark(now)
                if load is not None and not self._complete:
                    self._load(load)
            elif mark == "oven_unloaded" and self.phase in ("heating", "curing", "cooling"):
                self._unload(sample, now, said)
            elif mark.startswith("dial="):
                self._level.restart()
                self._plateau.restart()
                self._told.discard("core_will_not_reach")
                self._short_since_s = None

    def _unload(self, sample: Sample, now: float, said: list[Record]) -> None:
        if not self._complete:
            text = "The pieces were taken out before the cure was complete; put them back and heat them again."
            said.append(Caution(sample.time_s, "cure_interrupted", text))
        self._enter("finished", now)
        self._loading.rearm()

    def _enter(self, phase: Phase, since: float) -> None:
        self.phase = phase
        self.phase_since_s = self._log_s(since)

    # ------------------------------------------------------------------ loading

    def _load(self, load: Load) -> None:
        """Pieces went in: follow bodies from then, through the air seen since the log began."""
        if math.isinf(load.favours):
            self._loads = [load]
        else:
            self._loads.append(load)
        sure = math.isinf(load.favours)
        if self.phase == "finished" or (self._reached and sure and load.at_s > self._reached_s - 600):
            # A new batch, or what was called cannot have been: the pieces went in only now.
            self._reset_cure()
            self._enter("heating", load.at_s)
        elif self.phase == "cold" or (self.phase == "heating" and sure):
            self._enter("heating", load.at_s)
        self._run_again()
        self._forecast_due_s = self._history_end_s

    def _reset_cure(self) -> None:
        self._reached = self._complete = self._probe_reached = False
        self._probe_held_s = self._dose_s = self._held_s = 0.0
        self._below_since_s = self._short_since_s = None
        self._told.clear()
        self._after_steps.clear()
        self._loads = self._loads[-1:]

    def _run_again(self) -> None:
        """Bodies from the beginning of what is kept, placed at each load."""
        self._bodies = self._followed(self._scores)

    def _followed(self, scores: Array) -> Bodies:
        # Walls forget within hours: what the oven did long before the loading need not be followed again each time.
        early = int((self._loads[0].at_s - WALLS_FORGET_S - self._history_end_s) / STEP_S) + len(self._history)
        if early > 0:
            del self._history[:early]
        bodies = Bodies(self.context, scores, self._loading.room_c)
        bodies.hold_s = self.context.hold_s
        if self.context.witness == "other":
            bodies.follow_other()
        count = len(self._history)
        first_end = self._history_end_s - (count - 1) * STEP_S
        if count:
            bodies.settle_empty(self._history[0])
        waiting = list(self._loads)
        heard = [row for row in self._rises if row[0] >= first_end]
        for place, mean in enumerate(self._history):
            end = first_end + place * STEP_S
            while waiting and waiting[0].at_s <= end:
                self._place(bodies, waiting.pop(0))
            if waiting and len(waiting) == len(self._loads):
                bodies.warm_walls(mean, end)
            else:
                bodies.step(mean, end)
                self._doubt(bodies, mean)
            if heard and heard[0][0] <= end:
                bodies.hear(heard.pop(0)[1])
        for load in waiting:
            self._place(bodies, load)
        return bodies

    def _place(self, bodies: Bodies, load: Load) -> None:
        if math.isinf(load.favours):
            bodies.place(load.start_c, load.spread_k)
            if load.waiting > 0:
                bodies.hold_back(load.waiting)
                bodies.believe_waiting(self._probe_favours)
        else:
            bodies.believe_waiting(load.favours)
            bodies.place(load.start_c, load.spread_k, bodies.waiting)
            bodies.waiting = np.zeros_like(bodies.waiting)

    def _doubt(self, bodies: Bodies, read_c: float) -> None:
        """The longer a warm oven's door stays shut, the less likely it is that the pieces still wait outside."""
        if read_c >= self.context.target_c - 8 and bodies.waiting.any():
            bodies.believe_waiting(_DOUBT_STEP)

    # ------------------------------------------------------------------ the grid

    def _take_step(self, sample: Sample, step: Step, chamber_done: bool, said: list[Record]) -> None:
        self._history.append(step.mean_c)
        self._history_end_s = step.end_s
        if len(self._history) > KEPT_STEPS:
            del self._history[: KEPT_STEPS // 4]
            oldest_s = step.end_s - len(self._history) * STEP_S
            # What can no longer be followed from its loading on cannot be learnt from.
            self._forgotten = bool(self._loads) and self._loads[0].at_s < oldest_s
        dip = self._dips.feed(step, self._loading.room_c, self._level.trough_c)
        if dip is not None or step.bridged:
            self._level.restart()
        self._level.feed(step.mean_c)
        self._watch_plateau(sample, step, said)
        disturbed = self._relay_open or step.bridged or dip is not None or self._dips.open_since_s is not None
        self._relay_open = False
        rise = self._heat_up.feed(step.end_s, step.mean_c, disturbed=disturbed)
        if rise is not None:
            self._rises.append((step.end_s, rise))
        stepped = self._bodies is not None and self.phase not in ("cold", "finished")
        if stepped and self._bodies is not None and self._complete:
            self._after_steps.append(step.mean_c)
            if len(self._after_steps) == AFTER_STEPS:
                self._bodies.drift(sum(self._after_steps) / AFTER_STEPS, AFTER_STEPS * STEP_S)
                self._after_steps.clear()
        elif stepped and self._bodies is not None:
            self._bodies.step(step.mean_c, step.end_s)
            self._doubt(self._bodies, step.mean_c)
            if rise is not None:
                self._bodies.hear(rise)
        load = self._loading.feed(step, dip, chamber_done)
        if load is not None and not self._complete and self._believable(load):
            self._load(load)
        if self.phase in ("heating", "curing", "cooling"):
            self._follow(sample, step, said)

    def _watch_plateau(self, sample: Sample, step: Step, said: list[Record]) -> None:
        above = self._plateau.feed(step.end_s, step.mean_c, self._level.level)
        self._watch_runaway(sample, step, said)
        if above is None or self.phase not in ("heating", "curing", "cooling"):
            return
        text = (
            f"The air is {above:.0f} K above the mean of its cycles and stays there: the dial was turned up, or the "
            "thermostat no longer switches off. If you turned it, mark the dial; if nobody did, pull the oven's plug."
        )
        said.append(Caution(sample.time_s, "oven_runs_hotter", text))

    def _watch_runaway(self, sample: Sample, step: Step, said: list[Record]) -> None:
        """An oven whose thermostat has never switched it off, far above what anybody cures at."""
        level = self._level.level
        if (
            level is None
            or self._plateau.top_c is not None
            or "oven_runs_hotter" in self._told
            or step.mean_c < self.context.target_c + RUNAWAY_K
            or level.slope_k_s < 0.01
        ):
            self._runaway_since_s = None
            return
        if self._runaway_since_s is None:
            self._runaway_since_s = step.end_s
        if step.end_s - self._runaway_since_s < RUNAWAY_S:
            return
        self._told.add("oven_runs_hotter")
        text = (
            f"The air is at {step.mean_c:.0f} degC and still rises, and no thermostat has switched it off yet: the "
            "dial is set far too high, or the thermostat sticks. Pull the oven's plug if you did not mean this."
        )
        said.append(Caution(sample.time_s, "oven_runs_hotter", text))

    def _watch_resin(self, sample: Sample, level: Level | None, said: list[Record]) -> None:
        """A believed probe well above air that is settled: nothing but the resin's own heat lifts it there."""
        probe = self._witness.value_c
        if probe is None or level is None or not level.steady or "core_above_air" in self._told:
            return
        over = probe - level.level_c - level.swing_k
        if over < RESIN_K or self._grid.last_c < level.level_c - level.swing_k - RESIN_K:
            return
        self._told.add("core_above_air")
        stuff = material(self.context.material)
        most = most_rise_k(
            stuff.density_kg_m3, stuff.cp_j_kgk, wood=stuff.heat_capacity_j_m3k < WOOD_BELOW_J_M3K
        )  # fmt: skip
        text = (
            f"The core is {probe - level.level_c:.0f} K above the oven's air: the resin gives off heat as it sets. It "
            f"could lift such a piece by at most about {most:.0f} K if none were lost. Leave the dial alone."
        )
        if probe - level.level_c > most:
            text = (
                f"The core reads {probe - level.level_c:.0f} K above the oven's air, more than the resin could give "
                f"(about {most:.0f} K): look after the probe and the oven at once."
            )
        said.append(Caution(sample.time_s, "core_above_air", text))

    def _believable(self, load: Load) -> bool:
        """A dip after the call was made is a look inside: the pieces were in."""
        return not self._reached or math.isinf(load.favours)

    def _follow(self, sample: Sample, step: Step, said: list[Record]) -> None:
        bodies = self._bodies
        if bodies is None:
            return
        if self._witness.fault:
            wide = weighted_quantiles(bodies.core_c, bodies.weight, (0.02, 0.98))
            self._witness.check_back(step.end_s, wide[0] - 2, wide[1] + 2)
        value = self._witness.value_c
        if value is not None and (not self._trend or step.end_s - self._trend[-1][0] >= 57):
            self._trend.append((step.end_s, value))
        self._learn(sample, step, said)
        bodies = self._bodies or bodies
        probe = self._probe_c()
        mid = float(bodies.weight @ bodies.core_c) if probe is None else probe
        if self.phase in ("heating", "curing"):
            rate = equivalent_rate(mid, self.context.target_c, self._kind)
            self._dose_s += STEP_S * rate
        if probe is None and not self._contradicted(step, mid):
            self._judge_by_model(sample, bodies, said)
        self._after(sample, step, mid, said)

    def _learn(self, sample: Sample, step: Step, said: list[Record]) -> None:
        """Let the probe teach the bodies, then follow the taught ones from the beginning.

        Above some 60 degC the resin's own heat joins in, which these bodies leave out: a reading tells less of them.
        """
        bodies, value = self._bodies, self._witness.value_c
        if bodies is None or value is None or step.end_s < self._learn_due_s:
            return
        if self._complete or self._forgotten or self._quicker:
            return
        age = step.end_s - self._loads[-1].at_s
        if age < 300 or (self._reached and age > LEARN_UP_TO_S):
            return
        self._learn_due_s = step.end_s + max(LEARN_EVERY_S, (0.15 if self._taught < 12 else 0.4) * age)
        believed = ~bodies.waiting
        told = bodies.probe_c(self.context.witness == "other")
        spread = float(np.std(told[believed]))
        if spread < 0.9 and not bodies.waiting.any():
            # All bodies say the same within the probe's own error: nothing left to learn here.
            return
        total = math.hypot(spread, PROBE_LAW_K)
        off = (value - float(np.mean(told[believed]))) / total
        if bodies.waiting.any():
            outside = (value - self._loading.room_c) / 2.0
            favours = total / 2.0 * math.exp(min(max((off * off - outside * outside) / 2, -20.0), 20.0))
            self._probe_favours = min(max(self._probe_favours * favours, 1e-9), 1e9)
            bodies.believe_waiting(favours)
            if bodies.chance(bodies.waiting) > 0.5:
                return
        self._offs.append(off)
        if off < -4:
            # Far slower than the law: a stall. Nothing is learnt from what does not follow conduction at all.
            return
        # Far quicker: perhaps a fan, perhaps a probe elsewhere. Learnt from with care, and the strain is watched.
        law = PROBE_LAW_K + max(0.0, min(2.0, (value - 62.0) / 10.0))
        error = law if off < 3 else max(law, spread * off / 3)
        self._scores = assimilate(self._scores, told, value, error)
        self._taught += 1
        self._run_again()
        if self.context.witness == "" and self._taught >= 2 and self._strain() > STRAIN_MOST:
            self._disown_probe(sample, said)

    def _strain(self) -> float:
        """How far the taught bodies have been pulled from anything likely: the length of their mean scores."""
        return float(np.linalg.norm(self._scores.mean(axis=0)))

    def _disown_probe(self, sample: Sample, said: list[Record]) -> None:
        """Nothing of this size and material warms so quickly: the probe is elsewhere, and the plain prior decides."""
        self._quicker = True
        self._scores = self._plain_scores()
        self._taught = 0
        self._run_again()
        text = (
            "The witness probe warms quicker than the slowest piece can by its size and material: it is in a smaller "
            "piece, not deep inside, or touches the tray. It does not decide; the core of the slowest piece is "
            "reckoned from the air. If it is in the slowest piece, say so when you begin the batch, and whether the "
            "oven has a fan."
        )
        said.append(Caution(sample.time_s, "sensor_witness_too_quick", text))

    def _probe_c(self) -> float | None:
        """The slowest piece's core by the probe, where it may decide."""
        if self.context.witness == "other" or self._quicker:
            return None
        return self._witness.value_c

    def _contradicted(self, step: Step, core_c: float) -> bool:
        """A probe that has just fallen silent, or that did not bear the model out, keeps the model from deciding."""
        witness = self._witness
        if self.context.witness == "other" or self._quicker or witness.last_value_c is None:
            return False
        if witness.value_c is not None:
            return True
        silent = step.end_s - witness.last_value_s
        return silent < PROBE_STANDS_S and core_c - witness.last_value_c > 3 + silent * 0.005

    # ------------------------------------------------------------------ calls

    def _judge_by_model(self, sample: Sample, bodies: Bodies, said: list[Record]) -> None:
        target = self.context.target_c
        if not self._reached:
            core = bodies.core_c
            inside = 1 - bodies.chance(bodies.waiting)
            if inside < 1 - MAY_WAIT:
                return
            near = bodies.chance(core >= target - 2) / inside
            if near >= CHANCE_2K:
                passed = bodies.chance(core >= target) / inside
                if passed >= CHANCE_TARGET and bodies.chance(core >= target - 4) / inside >= CHANCE_4K:
                    since = _median_of(bodies.crossed_s, bodies.weight, self._history_end_s)
                    self._say_reached(sample, since, passed, "model", said)
        elif not self._complete:
            hold = self.context.hold_s
            done = bodies.chance(bodies.held_s >= hold)
            near = bodies.chance(bodies.held_near_s >= hold)
            if done >= 0.5 or self._history_end_s >= self._held_due_s:
                # Only shown, and by the minute.
                self._held_due_s = self._history_end_s + 60.0
                self._held_s = weighted_quantiles(bodies.held_s, bodies.weight, (0.5,))[0]
            if done >= 0.5 and near >= CHANCE_2K:
                since = max(_median_of(bodies.done_s, bodies.weight, self._history_end_s), self._reached_s)
                self._say_complete(sample, since, done, "model", said)

    def _say_reached(self, sample: Sample, since: float, sure: float, basis: str, said: list[Record]) -> None:
        self._reached = True
        since = self._reached_s = min(since, round(sample.time_s - (self._start_s or 0.0), 6))
        said.append(Event(sample.time_s, "cure_temperature_reached", self._log_s(since), round(sure, 3), basis))
        self._enter("curing", since)
        self._forecast_due_s = 0.0

    def _say_complete(self, sample: Sample, since: float, sure: float, basis: str, said: list[Record]) -> None:
        self._complete = True
        self._held_s = self.context.hold_s
        since = min(since, round(sample.time_s - (self._start_s or 0.0), 6))
        said.append(Event(sample.time_s, "cure_complete", self._log_s(since), round(sure, 3), basis))
        self._enter("cooling", since)

    def _take_witness(self, sample: Sample, now: float, air: float | None, said: list[Record]) -> None:
        witness = self._witness
        fault = witness.feed(now, sample.witness_c, air)
        if fault and self.phase in ("heating", "curing"):
            text = (
                "The witness probe changes faster than anything inside a piece can: it fell out, or it touches "
                "the tray. It is no longer believed; the core is reckoned from the air. Put it back if that is safe."
            )
            said.append(Caution(sample.time_s, f"sensor_witness_{fault}", text))
        value = self._probe_c()
        if value is None or self.phase not in ("heating", "curing"):
            return
        target = self.context.target_c
        if not self._reached:
            if value >= target + PROBE_MARGIN_K and not self._vetoed(sample, now, value, said):
                slope = max(witness.slope_k_s, 1e-4)
                back = min((value - target) / slope, 600.0)
                self._say_reached(sample, now - back, 0.95, "witness", said)
                self._probe_held_s = back
                self._reach_slope_k_s = slope
                self._probe_last = (now, value)
            return
        last, before = self._probe_last
        self._probe_last = (now, value)
        if self._complete:
            return
        self._probe_held_s += (now - last) * _share_above(before, value, target - 2)
        self._held_s = self._probe_held_s
        if self._probe_held_s >= self.context.hold_s:
            self._say_complete(sample, now, 0.95, "witness", said)

    def _vetoed(self, sample: Sample, now: float, value_c: float, said: list[Record]) -> bool:
        """The model may veto a probe that says what no body could be: it is in a quicker piece, or out of it.

        Asked of bodies that this probe did not teach; those that it taught agree with it.
        """
        if now < self._veto_due_s:
            return True
        if self._bodies is None or self._forgotten:
            return False
        plain = self._bodies if self._taught == 0 else self._followed(self._plain_scores())
        inside = 1 - plain.chance(plain.waiting)
        chance, within_k = VETO["slowest" if self.context.witness == "slowest" else ""]
        if inside > MAY_WAIT and plain.chance((plain.core_c >= value_c - within_k) & ~plain.waiting) >= chance * inside:
            return False
        self._veto_due_s = now + VETO_EVERY_S
        if inside > MAY_WAIT:
            self._disown_probe(sample, said)
        return True

    # ------------------------------------------------------------------ afterwards, cautions, forecasts

    def _after(self, sample: Sample, step: Step, core_c: float, said: list[Record]) -> None:
        if self.phase == "cooling":
            if core_c < HANDLE_C and step.mean_c < HANDLE_C + 5:
                self._enter("finished", step.end_s)
                self._loading.rearm()
            return
        self._watch_resin(sample, self._level.level, said)
        if self.phase == "curing":
            self._watch_hold(sample, step, core_c, said)
        if step.end_s >= self._forecast_due_s:
            # Far into a long cure the end comes no nearer by asking more often.
            age = step.end_s - (self._loads[-1].at_s if self._loads else 0.0)
            self._forecast_due_s = step.end_s + max(FORECAST_EVERY_S, 0.04 * age)
            self._forecast(sample, step, said)

    def _watch_hold(self, sample: Sample, step: Step, core_c: float, said: list[Record]) -> None:
        target = self.context.target_c
        if core_c >= target - 2:
            self._below_since_s = None
            self._told.discard("cure_interrupted")
            return
        if self._below_since_s is None:
            self._below_since_s = step.end_s
        if step.end_s - self._below_since_s >= 600 and "cure_interrupted" not in self._told:
            self._told.add("cure_interrupted")
            text = (
                f"The core has been below {target - 2:.0f} degC for ten minutes; the hold stands still until it is "
                "warm again. Check the oven's door, its dial and its power."
            )
            said.append(Caution(sample.time_s, "cure_interrupted", text))

    def _air_ahead(self, level: Level, scores: Array) -> list[Array]:
        """The reading of the air for each step of `_AHEAD` and each body."""
        target = self.context.target_c
        if level.steady:
            plateau = level.level_c + level.spread_k * scores
            return [plateau] * len(_AHEAD)
        start = level.level_c
        plateau = np.maximum(start, target + 10 + 7 * scores)
        slope = max(level.slope_k_s, 0.004)
        out, time = [], 0.0
        for length in _AHEAD:
            time += length
            out.append(np.minimum(plateau, start + slope * (time - length / 2)))
        return out

    def _forecast(self, sample: Sample, step: Step, said: list[Record]) -> None:
        bodies, level = self._bodies, self._level.level
        if bodies is None or level is None or self._dips.open_since_s is not None:
            return
        if level.level_c < self.context.target_c and level.slope_k_s < -0.01:
            # The oven is cooling, off or open; when it will be heated again nobody knows.
            return
        if self._reached and self.context.hold_s - self._held_s > HORIZON_S:
            # Nobody is told of an end so far away.
            return
        probe = self._probe_c()
        if probe is not None and self._stalled(probe, bodies):
            self._tell_stall(sample, step, probe, bodies, said)
            self._forecast_by_trend(sample, probe, bodies, said)
            return
        self._stalled_since_s = None
        anchor = None
        if probe is not None:
            late_s = 0.8 / max(self._reach_slope_k_s, 2e-4) if self._reached else 0.0
            anchor = Anchor(probe, self._reached_s if self._reached else None, self._probe_held_s, late_s)
        reached, complete = bodies.ahead(self._air_ahead(level, bodies.draws.plateau), _AHEAD, step.end_s, anchor)
        if not self._reached:
            self._judge_short(sample, step, level, bodies, said)
            self._say_forecast(sample, "cure_temperature_reached", reached, bodies, said)
        if not self._complete:
            self._say_forecast(sample, "cure_complete", complete, bodies, said)

    def _stalled(self, probe_c: float, bodies: Bodies) -> bool:
        """The piece warms slower than any conduction that fits its past: water still evaporates from it."""
        law = weighted_quantiles(bodies.core_c, bodies.weight, (0.5,))[0]
        return not self._reached and (law - probe_c > 3 or (len(self._offs) == 3 and max(self._offs) < -1.2))

    def _tell_stall(self, sample: Sample, step: Step, probe_c: float, bodies: Bodies, said: list[Record]) -> None:
        if not WATER_FROM_C <= probe_c <= WATER_GONE_C:
            return
        law = weighted_quantiles(bodies.core_c, bodies.weight, (0.5,))[0]
        if self._stalled_since_s is None:
            self._stalled_since_s, self._stalled_from_k = step.end_s, law - probe_c
        # Bodies that have yet to learn of a slow piece come nearer to it; from one that stalls they go away.
        parted = law - probe_c > STALL_K and law - probe_c > self._stalled_from_k + 1.0
        if step.end_s - self._stalled_since_s < STALL_S or not parted:
            return
        if "core_stalls" in self._told:
            return
        self._told.add("core_stalls")
        text = (
            f"The piece warms slower at {probe_c:.0f} degC than its size and material let it: water still leaves it. "
            "Leave the oven shut; only the probe tells when it is through. Dry such pieces before the next soak."
        )
        said.append(Caution(sample.time_s, "core_stalls", text))

    def _forecast_by_trend(self, sample: Sample, probe_c: float, bodies: Bodies, said: list[Record]) -> None:
        """A stalled piece: its own last hour is all there is to go by."""
        if len(self._trend) < 2:
            return
        (first_s, first_c), (last_s, last_c) = self._trend[0], self._trend[-1]
        rate = (last_c - first_c) / max(last_s - first_s, 1.0)
        if last_s - first_s < 1200 or rate <= 0:
            return
        left = (self.context.target_c - probe_c) / rate
        # Quicker when the water is gone, slower as the core nears the air: a wide, lopsided spread.
        when = last_s + left * np.exp(0.1 + 0.55 * bodies.draws.plateau)
        self._say_forecast(sample, "cure_temperature_reached", when, bodies, said)
        self._say_forecast(sample, "cure_complete", when + self.context.hold_s, bodies, said)

    def _say_forecast(self, sample: Sample, target: str, when: Array, bodies: Bodies, said: list[Record]) -> None:
        now = round(sample.time_s - (self._start_s or 0.0), 6)
        low, mid, high = weighted_quantiles(np.minimum(when, now + HORIZON_S), bodies.weight, (0.1, 0.5, 0.9))
        if mid >= now + HORIZON_S * 0.999:
            return
        low, mid, high = (self._log_s(round(max(value, now), 1)) for value in (low, mid, high))
        said.append(Forecast(sample.time_s, target, low, mid, high))
        if target == "cure_complete":
            self._expected_s = mid

    def _judge_short(self, sample: Sample, step: Step, level: Level, bodies: Bodies, said: list[Record]) -> None:
        """Will the core get there at all, the air being steady as it is?"""
        # The resin's heat passes; what counts is where this air holds a core for good.
        ever = bodies.steady_core_c(level.level_c + level.spread_k * bodies.draws.plateau)
        may = bodies.chance((ever >= self.context.target_c) | ~np.isnan(bodies.crossed_s))
        if not level.steady or may >= 0.3 or step.end_s - (self.phase_since_s - (self._start_s or 0.0)) < 900:
            self._short_since_s = None
            if may > 0.6:
                self._told.discard("core_will_not_reach")
            return
        if self._short_since_s is None:
            self._short_since_s = step.end_s
            return
        if "core_will_not_reach" in self._told:
            return
        self._told.add("core_will_not_reach")
        target = self.context.target_c
        steady = weighted_quantiles(bodies.steady_core_c(level.level_c), bodies.weight, (0.5,))[0]
        need = level.level_c + (target - steady) + 3
        text = (
            f"The air averages {level.level_c:.0f} degC and the core will settle near {min(steady, 999):.0f} degC, "
            f"below its target of {target:.0f} degC. Turn the dial up until the air averages about {need:.0f} degC."
        )
        said.append(Caution(sample.time_s, "core_will_not_reach", text))

    # ------------------------------------------------------------------ what is shown and kept

    def outlook_part(self) -> dict[str, Any]:
        """The oven's share of the outlook: core band, hold, dose, next action."""
        band = self._band()
        if band is None:
            return self._air_part() | self._before_loading()
        low, mid, high = band
        action, at_s = self._next()
        return self._air_part() | {
            "core_c": round(mid, 2),
            "core_low_c": round(low, 2),
            "core_high_c": round(high, 2),
            "held_s": min(self._held_s, self.context.hold_s),
            "hold_s": self.context.hold_s,
            "dose_s": self._dose_s,
            "next_action": action,
            "next_at_s": at_s,
        }

    def _air_part(self) -> dict[str, Any]:
        """What the air does: its mean over whole cycles, or how fast it warms or cools."""
        level = self._level.level
        if level is None:
            return {}
        if level.steady:
            return {"air_mean_c": round(level.level_c, 2)} if level.period_s is not None else {}
        return {"air_k_min": round(level.slope_k_s * 60, 2)}

    def _before_loading(self) -> dict[str, Any]:
        """An oven that warms up empty: when it will be ready to load."""
        level = self._level.level
        if self.phase != "cold" or not self._loading.hot or level is None:
            return {}
        now, target = self._history_end_s, self.context.target_c
        if level.steady and level.level_c > target:
            return {"next_action": "The oven is warm and steady: load the pieces.", "next_at_s": self._log_s(now)}
        wait = (target + 10 - level.level_c) / level.slope_k_s if level.slope_k_s > 0.005 else None
        ready = None if wait is None else self._log_s(now + max(wait, 0.0))
        return {"next_action": "Wait until the oven is warm, then load the pieces.", "next_at_s": ready}

    def _next(self) -> tuple[str, float | None]:
        """What the person does next, and when."""
        if self._complete:
            return "", None
        if "core_will_not_reach" in self._told and not self._reached:
            return "Turn the oven's dial up: the core will not reach its target in this air.", None
        if "cure_interrupted" in self._told:
            return "Look after the oven: the core has cooled below its target and the hold stands still.", None
        action = "Leave the oven shut while the resin sets." if self._reached else "Leave the oven shut."
        probe = self._probe_c()
        if probe is not None and self._grid.last_s is not None and probe > self._grid.last_c + 3:
            action = (
                f"The core is {probe - self._grid.last_c:.0f} K above the air by the resin's own heat; leave it be."
            )
        if probe is not None and self._bodies is not None and self._stalled(probe, self._bodies):
            action = (
                f"The piece warms slower at {probe:.0f} degC than conduction says: water still leaves it. "
                "Leave the oven shut; only the probe tells when it is through."
            )
        return action, self._expected_s

    def _band(self) -> tuple[float, float, float] | None:
        """Median and 80 % band of the core; by the probe where one is believed, else by the bodies."""
        if self._bodies is None or self.phase == "cold":
            return None
        probe = self._probe_c()
        if probe is not None:
            grade: Literal[1, 2] = 2 if self.context.witness_grade == "class_2" else 1
            checked = self.context.witness_grade == "checked"
            half = HALF_80 * reading_spread_k(min(max(probe, -40.0), 1000.0), checked=checked, grade=grade)
            return probe - half, probe, probe + half
        low, mid, high = weighted_quantiles(self._bodies.core_c, self._bodies.weight, (0.1, 0.5, 0.9))
        return low, mid, high

    def learnt(self) -> str:
        """What this batch taught of the oven, as `Context.oven_learnt` of the next; "" when nothing was learnt."""
        if self._taught == 0:
            return self.context.oven_learnt
        return learnt_text(self._scores, self.context)


def _share_above(before_c: float, after_c: float, level_c: float) -> float:
    """Share of the time between two readings above a level, on the straight line between them: holes count so too."""
    low, high = min(before_c, after_c), max(before_c, after_c)
    if low >= level_c:
        return 1.0
    return 0.0 if high < level_c else (high - level_c) / (high - low)


def _median_of(times_s: Array, weight: Array, now_s: float) -> float:
    """Weighted median of the times, where unknown ones (nan) are still to come; at most `now_s`."""
    times = np.where(np.isnan(times_s), math.inf, times_s)
    return min(weighted_quantiles(times, weight, (0.5,))[0], now_s)
