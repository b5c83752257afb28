"""The oven's dial: from logs with `dial=` marks to the setting that gives a wanted air temperature.

A cheap oven's dial is tens of kelvin off, and the same mark gives another mean next week. What is learnt is the mean
air over whole thermostat cycles, as the thermocouple reads it, against the setting:

    mean(d) = d + offset + slope (d - 110 degC) + bend(d) + session,

a Gaussian process: offset and slope with wide priors, a smooth bend for scales that are not straight, and for each
session (log) an effect of its own, because ovens drift. Spreads of session and bend are not known beforehand: a small
grid of them is weighed by how well each explains the logs. With one log the offset is learnt and the slope is the
prior's; more logs at other settings teach slope and bend.

Stretches of steady air are found by themselves. A session that never got steady still says something: that its
mean is not below what was reached, or, where the approach had begun to level off, where it was heading; each with its
uncertainty. Pure; reads no clock and no files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from lastbubble.pipeline.oven import AirGrid, AirLevel, Dips, Step
from lastbubble.records import Sample

__all__ = ["Answer", "DialModel", "Stretch", "Unit", "learn", "stretches", "to_unit", "unit_of"]

Array = npt.NDArray[np.float64]
Unit = Literal["F", "C"]
How = Literal["cycles", "flat", "levelling", "at_least"]

STEP_S: Final = 20.0
_MARK: Final = re.compile(r"dial=(\d{1,3}(?:\.\d+)?)([FC])", re.ASCII)
_CENTRE_C: Final = 110.0
#: Priors: our judgement of cheap ovens (common practice: "tens of degrees off"), no published source.
OFFSET_MEAN_K: Final = -8.0
OFFSET_SD_K: Final = 22.0
SLOPE_SD: Final = 0.15
BEND_LENGTH_K: Final = 30.0
_SESSION_SD_K: Final = ((0.5, 0.2), (1.0, 0.25), (2.0, 0.3), (3.5, 0.18), (6.0, 0.07))
_BEND_SD_K: Final = ((0.5, 0.4), (2.0, 0.4), (5.0, 0.2))
_Z80: Final = NormalDist().inv_cdf(0.9)


@dataclass(frozen=True, slots=True)
class Stretch:
    """What one setting in one session gave.

    session : name of the log;  dial_c : the setting in degC;  unit : of its mark
    mean_c, spread_k : mean air over whole cycles and its standard deviation;  swing_k : half the peak-to-peak
    how : cycles, flat, levelling (extrapolated) or at_least (mean_c is a lower bound)
    start_s, end_s : where in the log
    """

    session: str
    dial_c: float
    unit: Unit
    mean_c: float
    spread_k: float
    swing_k: float
    how: How
    start_s: float
    end_s: float


def to_unit(value_c: float, unit: Unit) -> float:
    """degC as the dial's scale shows it."""
    return value_c * 1.8 + 32 if unit == "F" else value_c


def unit_of(found: Sequence[Stretch]) -> Unit:
    """The unit of most marks."""
    fahrenheit = sum(item.unit == "F" for item in found)
    return "F" if 2 * fahrenheit >= len(found) else "C"


# ---------------------------------------------------------------------- stretches


def stretches(samples: Iterable[Sample], session: str) -> list[Stretch]:
    """The settings of one log and what each gave. Air before the first `dial=` mark is not used."""
    found: list[Stretch] = []
    grid = AirGrid(STEP_S)
    dips = Dips(STEP_S)
    level = AirLevel(STEP_S)
    setting: tuple[float, Unit] | None = None
    steps: list[tuple[Step, bool]] = []
    room = 21.0
    off_until = -math.inf

    def close() -> None:
        if setting is not None and steps:
            one = _of_setting(session, setting, steps, room)
            if one is not None:
                found.append(one)

    for sample in samples:
        for mark in sample.marks:
            dial = _MARK.fullmatch(mark)
            if dial is None:
                continue
            unit: Unit = "F" if dial[2] == "F" else "C"
            value_c = (float(dial[1]) - 32) / 1.8 if unit == "F" else float(dial[1])
            if setting is None or abs(setting[0] - value_c) > 0.2:
                close()
                steps = []
                level.restart()
            setting = (value_c, unit)
        air = sample.oven_c if sample.oven_c is not None else sample.oven2_c
        if air is None:
            continue
        for step in grid.feed(sample.time_s, air):
            if step.mean_c < 35:
                room += 0.05 * (step.mean_c - room)
            dip = dips.feed(step, room, level.trough_c)
            if dip is not None or step.bridged:
                level.restart()
            level.feed(step.mean_c)
            if dip is not None:
                off_until = dip.end_s + 600
                _spoil(steps, dip.start_s - STEP_S)
            if step.bridged:
                off_until = step.end_s + 900
            steps.append((step, step.end_s > off_until and dips.open_since_s is None and not step.bridged))
    close()
    return found


def _spoil(steps: list[tuple[Step, bool]], since_s: float) -> None:
    for place in range(len(steps) - 1, -1, -1):
        if steps[place][0].end_s < since_s:
            return
        steps[place] = (steps[place][0], False)


def _of_setting(
    session: str, setting: tuple[float, Unit], steps: list[tuple[Step, bool]], room_c: float
) -> Stretch | None:
    """What one setting gave: the longest good run is looked at for cycles, then for flatness, then for its end."""
    found: list[Stretch] = []
    for run in _runs(steps, room_c):
        one = _of_run(session, setting, run, last=run[-1] is steps[-1][0])
        if one is not None:
            found.append(one)
    for wanted in (("cycles", "flat"), ("levelling",), ("at_least",)):
        fit = [one for one in found if one.how in wanted]
        if fit:
            return min(fit, key=lambda one: -one.mean_c if one.how == "at_least" else one.spread_k)
    return None


def _runs(steps: list[tuple[Step, bool]], room_c: float) -> list[list[Step]]:
    """Unspoilt stretches; one ends where the oven is switched off (air falls far below what it was, and goes on)."""
    runs: list[list[Step]] = [[]]
    top = -math.inf
    for step, good in steps:
        fell = step.mean_c < top - max(20.0, 0.25 * (top - room_c))
        if not good or fell:
            if fell and runs[-1]:
                # The fall itself belongs to the switching off: back to where it began.
                run = runs[-1]
                while len(run) > 1 and run[-1].mean_c < run[-2].mean_c:
                    run.pop()
            if runs[-1]:
                runs.append([])
            top = -math.inf
            if fell:
                top = step.mean_c
            if not good:
                continue
        top = max(top - 0.002 * STEP_S, step.mean_c)
        runs[-1].append(step)
    return [run for run in runs if len(run) * STEP_S >= 300 and max(s.mean_c for s in run) > room_c + 15]


def _of_run(session: str, setting: tuple[float, Unit], run: list[Step], *, last: bool) -> Stretch | None:
    dial_c, unit = setting
    air = np.array([step.mean_c for step in run])
    base = Stretch(session, dial_c, unit, float(air[-1]), 99.0, 0.0, "at_least", run[0].end_s - STEP_S, run[-1].end_s)
    cycles = _cycles(air)
    if len(cycles) >= 1:
        means = np.array([mean for _, _, mean in cycles])
        at = np.array([(start + end) / 2 * STEP_S for start, end, _ in cycles])
        # Cycles that end near the run's end: one unbroken habit of the thermostat, not leftovers of its first
        # overshoot.
        mean, spread = _settled(at - at[0], means)
        start, end, _ = cycles[0][0], cycles[-1][1], 0
        inside = air[cycles[-1][0] : cycles[-1][1] + 1]
        swing = float(inside.max() - inside.min()) / 2
        return replace(
            base, mean_c=mean, spread_k=spread, swing_k=swing, how="cycles",
            start_s=run[0].end_s + (start - 1) * STEP_S, end_s=run[0].end_s + (end - 1) * STEP_S,
        )  # fmt: skip
    count = round(900 / STEP_S)
    if len(air) >= count:
        tail = air[-count:]
        drift = float(tail[count // 2 :].mean() - tail[: count // 2].mean())
        if abs(drift) < 0.8:
            return replace(
                base, mean_c=float(tail.mean() + drift), spread_k=0.5 + 1.5 * abs(drift),
                swing_k=float(tail.max() - tail.min()) / 2, how="flat",
            )  # fmt: skip
    return _unfinished(base, air, last)


def _cycles(air: Array) -> list[tuple[int, int, float]]:
    """Whole cycles (first step, last step, mean) between neighbouring troughs, or peaks where those give more."""
    spread = 0.6
    turns: dict[bool, list[int]] = {True: [], False: []}
    rising, best = True, 0
    for place, value in enumerate(air):
        if (value >= air[best]) if rising else (value <= air[best]):
            best = place
        elif abs(value - air[best]) > spread:
            turns[rising].append(best)
            rising, best = not rising, place
    troughs, peaks = turns[False], turns[True]
    chosen = troughs if len(troughs) >= len(peaks) else peaks
    out = []
    for start, end in pairwise(chosen):
        if abs(air[end] - air[start]) < 6.0:
            out.append((start, end, float((air[start:end].sum() + (air[end] - air[start]) / 2) / (end - start))))
        else:
            out.clear()
    return out


def _settled(at_s: Array, means: Array) -> tuple[float, float]:
    """Where cycle means that may still drift are going: m + a exp(-t / tau), tau unknown, a about 0 +- 4 K."""
    logs, values, spreads = [], [], []
    for tau in (600.0, 1500.0, 3600.0):
        shape = np.column_stack([np.ones_like(at_s), np.exp(-at_s / tau)])
        noise = 0.6**2
        precision = shape.T @ shape / noise + np.diag([1e-6, 1 / 4.0**2])
        cov = np.linalg.inv(precision)
        middle = float(means.mean())
        beta = cov @ (shape.T @ (means - middle) / noise)
        total = shape @ np.diag([1e6, 4.0**2]) @ shape.T + noise * np.eye(len(means))
        _, logdet = np.linalg.slogdet(total)
        resid = means - middle
        logs.append(-0.5 * (logdet + resid @ np.linalg.solve(total, resid)))
        values.append(middle + float(beta[0]))
        spreads.append(math.sqrt(float(cov[0, 0])))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    mean = float(weight @ np.array(values))
    var = float(weight @ (np.array(spreads) ** 2 + (np.array(values) - mean) ** 2))
    return mean, math.sqrt(var + 0.3**2)


def _unfinished(base: Stretch, air: Array, last: bool) -> Stretch | None:
    """A run that ended before it was steady: where it was heading if it had begun to level off, else a lower bound."""
    top = float(air[-5:].mean())
    third = len(air) // 3
    if last and third >= round(240 / STEP_S):
        tail = air[-3 * third :]
        one, two, three = (float(tail[k * third : (k + 1) * third].mean()) for k in range(3))
        early, late = two - one, three - two
        if early > 1.0 and 0 < late < 0.75 * early:
            ratio = late / early
            heading = three + late * ratio / (1 - ratio)
            left = heading - top
            if 0 <= left < 40:
                # Walls that still warm make a sum of exponentials: the end lies higher than one exponential says.
                return replace(base, mean_c=heading + 0.15 * left, spread_k=1.5 + 0.4 * left, how="levelling")
    if air[-1] < air.max() - 3:
        return None
    return replace(base, mean_c=top, spread_k=2.0, how="at_least")


# ---------------------------------------------------------------------- the model


@dataclass(frozen=True, slots=True)
class Answer:
    """The setting for a wanted mean air, in the scale's own unit.

    dial, low, high : setting and its 80 % band;  unit : F or C
    mean_c, mean_spread_k : the mean air to expect there in the next session;  swing_k : half the peak-to-peak
    next_dial : the setting that would teach most if it were tried next
    """

    dial: float
    low: float
    high: float
    unit: Unit
    mean_c: float
    mean_spread_k: float
    swing_k: float
    next_dial: float


class DialModel:
    """A mixture of Gaussian processes over the unknown spreads. Built by `learn`."""

    def __init__(self, found: Sequence[Stretch]) -> None:
        self.found = tuple(found)
        self.unit: Unit = unit_of(found) if found else "F"
        sharp = [item for item in found if item.how != "at_least"]
        bounds = [item for item in found if item.how == "at_least"]
        self._rows = [(item.dial_c, item.mean_c, item.spread_k, item.session) for item in sharp]
        self._fit()
        for item in sorted(bounds, key=lambda one: (one.session, one.start_s)):
            self._add_bound(item)

    def _add_bound(self, item: Stretch) -> None:
        """A lower bound as the observation that has the same first two moments (truncated normal)."""
        mean, sd = self.mean(item.dial_c, new_session=True)
        bound = item.mean_c - 2 * item.spread_k
        alpha = (bound - mean) / sd
        if alpha < -2.5:
            return
        normal = NormalDist()
        alpha = min(alpha, 6.0)
        hazard = normal.pdf(alpha) / max(1 - normal.cdf(alpha), 1e-12)
        new_mean = mean + sd * hazard
        new_var = max(sd * sd * (1 + alpha * hazard - hazard * hazard), 1.0)
        precision = 1 / new_var - 1 / (sd * sd)
        if precision <= 1e-6:
            return
        value = (new_mean / new_var - mean / (sd * sd)) / precision
        self._rows.append((item.dial_c, value, math.sqrt(1 / precision), item.session))
        self._fit()

    def _fit(self) -> None:
        rows = self._rows
        d = np.array([row[0] for row in rows])
        y = np.array([row[1] for row in rows]) - d - OFFSET_MEAN_K
        noise = np.array([row[2] for row in rows]) ** 2
        same = np.array([[a[3] == b[3] for b in rows] for a in rows], dtype=np.float64).reshape(len(rows), len(rows))
        self._d = d
        self._parts: list[tuple[float, float, float, Array, Array]] = []
        logs = []
        for session_sd, session_prior in _SESSION_SD_K:
            for bend_sd, bend_prior in _BEND_SD_K:
                prior = math.log(session_prior * bend_prior)
                if not rows:
                    logs.append(prior)
                    self._parts.append((0.0, session_sd, bend_sd, np.zeros((0, 0)), np.zeros(0)))
                    continue
                cov = _kernel(d, d, bend_sd) + session_sd**2 * same + np.diag(noise)
                inverse: Array = np.asarray(np.linalg.inv(cov))
                _, logdet = np.linalg.slogdet(cov)
                logs.append(prior - 0.5 * (logdet + float(y @ inverse @ y)))
                self._parts.append((0.0, session_sd, bend_sd, inverse, np.asarray(inverse @ y)))
        weight = np.exp(np.array(logs) - max(logs))
        weight /= weight.sum()
        self._parts = [(float(w), *part[1:]) for w, part in zip(weight, self._parts, strict=True)]

    def mean(self, dial_c: float, *, new_session: bool) -> tuple[float, float]:
        """Mean air at a setting and its standard deviation [degC], [K].

        new_session : for the next session; else for this oven on average
        """
        value, spread = self.means(np.array([dial_c]), new_session=new_session)
        return float(value[0]), float(spread[0])

    def means(self, dial_c: Array, *, new_session: bool) -> tuple[Array, Array]:
        """As `mean`, for many settings at once, shape (n,)."""
        values, variances, weights = [], [], []
        for weight, session_sd, bend_sd, inverse, alpha in self._parts:
            cross = _kernel(dial_c, self._d, bend_sd)
            own = OFFSET_SD_K**2 + SLOPE_SD**2 * (dial_c - _CENTRE_C) ** 2 + bend_sd**2
            variance = own - np.einsum("ij,jk,ik->i", cross, inverse, cross)
            values.append(dial_c + OFFSET_MEAN_K + cross @ alpha)
            variances.append(np.maximum(variance, 0.0) + (session_sd**2 if new_session else 0.0))
            weights.append(weight)
        w, v = np.array(weights), np.array(values)
        mean = w @ v
        return mean, np.sqrt(w @ (np.array(variances) + (v - mean) ** 2))

    def setting_c(self, target_c: float) -> float:
        """The setting [degC] at which the mean is the target: the lowest crossing on a fine grid, interpolated."""
        grid = np.arange(-20.0, 330.5, 0.5)
        mean, _ = self.means(grid, new_session=True)
        above = np.flatnonzero(mean >= target_c)
        if len(above) == 0 or above[0] == 0:
            return float(grid[-1] if len(above) == 0 else grid[0])
        at = int(above[0])
        part = (target_c - mean[at - 1]) / (mean[at] - mean[at - 1])
        return float(grid[at - 1] + 0.5 * part)

    def answer(self, target_c: float) -> Answer:
        """The setting for a wanted mean air [degC]."""
        best = self.setting_c(target_c)
        mean, sd = self.mean(best, new_session=True)
        slope = max(0.4, (self.mean(best + 5, new_session=True)[0] - self.mean(best - 5, new_session=True)[0]) / 10)
        half = _Z80 * sd / slope
        swings = [item.swing_k for item in self.found if item.how == "cycles"]
        return Answer(
            dial=to_unit(best, self.unit),
            low=to_unit(best - half, self.unit),
            high=to_unit(best + half, self.unit),
            unit=self.unit,
            mean_c=mean,
            mean_spread_k=sd,
            swing_k=max(swings) if swings else 5.0,
            next_dial=to_unit(self._teaches_most(best), self.unit),
        )

    def _teaches_most(self, best_c: float) -> float:
        """The setting near `best_c` whose trial would narrow the mean at `best_c` most."""
        _, session_sd, bend_sd, inverse, _ = max(self._parts, key=lambda part: part[0])
        gains = []
        for dial_c in np.arange(best_c - 25, best_c + 25.1, 2.5):
            at, wanted = np.array([dial_c]), np.array([best_c])
            to_data, from_best = _kernel(at, self._d, bend_sd)[0], _kernel(wanted, self._d, bend_sd)[0]
            own = _kernel(at, at, bend_sd)[0, 0] - to_data @ inverse @ to_data + session_sd**2 + 0.5
            shared = _kernel(wanted, at, bend_sd)[0, 0] - from_best @ inverse @ to_data
            gains.append((float(shared**2 / own), float(dial_c)))
        return max(gains)[1]


def _kernel(one: Array, two: Array, bend_sd: float) -> Array:
    a, b = one[:, None] - _CENTRE_C, two[None, :] - _CENTRE_C
    bend = bend_sd**2 * np.exp(-0.5 * ((a - b) / BEND_LENGTH_K) ** 2)
    return np.asarray(OFFSET_SD_K**2 + SLOPE_SD**2 * a * b + bend)


def learn(found: Sequence[Stretch]) -> DialModel:
    """The model of these stretches. Raises ValueError when there is none."""
    if not found:
        raise ValueError("no stretch of air under a known dial setting")
    return DialModel(found)
