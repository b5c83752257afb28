"""Has the release of gas ended, and if not, when will it?

`EndJudge` gathers levels (while pumped), rises (shut off) and glances (a person looked), has all laws of release fitted
to them (`release_fit`), and draws what a person wants to know out of what fits: when they stop, whether a call now
would be early, how much still comes.

A fade stops where the flow is less than one bubble in a quarter of an hour; how much gas a bubble carries is not known
within a factor of a hundred, and this ignorance is part of every forecast. Reads no clock. Times are seconds from the
log's first sample.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt

from lastbubble.pipeline.release_fit import Fits, Level, NoiseSearch, Rise, fit, usual_wander_pa
from lastbubble.pipeline.release_laws import Laws, laws

__all__ = ["KEPT_RISES", "EndJudge", "Verdict"]

Array = npt.NDArray[np.float64]

#: Observations kept; older levels are merged by pairs beyond.
KEPT: Final = 64
KEPT_RISES: Final = 40
KEPT_GLANCES: Final = 60
KEPT_BREAKS: Final = 8
#: No verdict on fewer levels.
LEAST: Final = 6
#: One bubble lifts a bench chamber by 0.02 to 4 mPa (0.5-3 mm at some hundred pascals in 5-30 L: shared/reference/
#: bubble_gas.csv divided by the volume); middle and width of ln(Pa).
BUBBLE_PA: Final = 3e-4
BUBBLE_LN_SD: Final = 1.5
#: "Stopped": at most one bubble in this time. "Early": more than 30 of them are to come, or 1 % of the gas.
STOP_WINDOW_S: Final = 900.0
EARLY_BUBBLES: Final = 30.0
#: How long batches take, before anything is known of this one: middle [s] and width of ln. Common practice, no
#: published source.
USUAL_STOP_S: Final = 2.0 * 3600
USUAL_LN_SD: Final = 0.6
#: A person who glances at the resin for about this long, and how often the answer is simply wrong.
GLANCE_S: Final = 45.0
GLANCE_WRONG: Final = 0.07
#: A rise contradicts another when it is steeper, though later, by more than so many standard deviations.
CONTRADICTION: Final = 2.0
#: Middles of five equal shares, and about of three, of a normal distribution.
_FIVE: Final = np.array([-1.4, -0.532, 0.0, 0.532, 1.4])
_THREE: Final = np.array([-1.1, 0.0, 1.1])
#: Share of a forecast that rests on how long batches usually take, whatever the fits say; and the middles of equal
#: shares of a normal distribution by which that is drawn.
UNFORESEEN: Final = 0.08
_PRIOR_Z: Final = np.array([NormalDist().inv_cdf((k + 0.5) / 60) for k in range(60)])


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is made of everything seen so far.

    stopped : probability that the bubbles have stopped by now
    safe : probability that calling it now would not be early (30 bubbles, 1 % of the gas)
    seen : how far the release has let the level fall since the first one [Pa]
    since_s : when they stopped, if they have
    p10_s, p50_s, p90_s : when they stop, from now on
    flow_pa_s, flow_low_pa_s, flow_high_pa_s : gas from the pores over chamber volume, median and 80 % band
    share_ends : probability that this release ends rather than fades
    """

    stopped: float
    safe: float
    seen: float
    since_s: float
    p10_s: float
    p50_s: float
    p90_s: float
    flow_pa_s: float
    flow_low_pa_s: float
    flow_high_pa_s: float
    share_ends: float


def _quantiles(values: Array, weights: Array, shares: tuple[float, ...]) -> list[float]:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    index = np.searchsorted(total, np.asarray(shares) * total[-1])
    return [float(values[order[min(int(i), len(order) - 1)]]) for i in index]


class EndJudge:
    """Observations in, a verdict out; begun anew with every pump-down.

    start_s : when the pores began to give up gas (about the start of the pump-down)                    [s]
    time_constant_s : of the chamber at its plateau, volume over effective speed, within a factor of two   [s]
    leak_pa_s : from commissioning, None if unknown                                                   [Pa/s]
    earlier_s : how long this station's earlier batches of this kind took                               [s]
    against_room : the gauge reads against the room's pressure
    """

    def __init__(
        self,
        start_s: float,
        time_constant_s: float,
        *,
        leak_pa_s: float | None = None,
        earlier_s: tuple[float, ...] = (),
        against_room: bool = False,
    ) -> None:
        self._start_s = start_s
        self._lag_s = time_constant_s
        self._lag_seen = False
        self._leak_pa_s = leak_pa_s
        self._against_room = against_room
        self._usual_s, self._usual_sd = _usual(earlier_s)
        self._levels: list[Level] = []
        self._rises: list[Rise] = []
        self._glances: list[tuple[float, bool]] = []
        self._breaks_s: list[float] = []
        self._search = NoiseSearch()
        self._calm_pa = self._calm_s = 0.0

    @property
    def levels(self) -> int:
        """How many levels are kept."""
        return len(self._levels)

    # ------------------------------------------------------------------ what comes in

    def resume(self, from_s: float, to_s: float) -> None:
        """From `from_s` to `to_s` air was in the chamber: no gas came, and the level need not be what it was."""
        self._start_s += max(to_s - from_s, 0.0)
        self._breaks_s.append(max(from_s, to_s) - self._start_s)
        del self._breaks_s[:-KEPT_BREAKS]
        self._calm_pa, self._calm_s = math.inf, self._breaks_s[-1]

    def level(self, time_s: float, pa: float, variance: float, span_s: float = 110.0) -> None:
        """While pumped the pressure stood at `pa` in the mean over `span_s` around `time_s`, with its variance."""
        middle_s = time_s - self._start_s
        levels = self._levels
        level = Level(middle_s - 0.5 * span_s, middle_s + 0.5 * span_s, pa, variance)
        if len(levels) <= LEAST or not self._soften(level):
            self._calm_pa, self._calm_s = pa, middle_s
        levels.append(level)
        if len(levels) > KEPT:
            self._merge()

    def rise(self, time_s: float, pa_s: float, variance: float) -> None:
        """Shut off from the pump the pressure rose by `pa_s` (gas and leak), with its variance, around `time_s`."""
        self._rises.append(Rise(time_s - self._start_s, pa_s, variance))
        del self._rises[:-KEPT_RISES]

    def revise(self, paces: Sequence[tuple[float, float]]) -> None:
        """The last rises, seen again in the light of what came after: pace and variance of each, the newest last."""
        count = min(len(paces), len(self._rises))
        for place, (pa_s, variance) in enumerate(paces[len(paces) - count :], len(self._rises) - count):
            self._rises[place] = self._rises[place]._replace(pa_s=pa_s, variance=variance)

    def saw_lag(self, time_constant_s: float) -> None:
        """The fall after a rise has shown the time constant, within some tens of percent."""
        self._lag_s = time_constant_s
        self._lag_seen = True

    def glance(self, time_s: float, bubbling: bool) -> None:
        """A person looked, and saw bubbles or none."""
        self._glances.append((time_s - self._start_s, bubbling))
        del self._glances[:-KEPT_GLANCES]

    def _soften(self, level: Level) -> bool:
        """A burst is gas all right, but not the law's: it must not bend the law. Bursts only go up."""
        last = self._levels[-1]
        over = level.pa - self._calm_pa
        lowest = min(one.pa for one in self._levels)
        typical = float(np.median([one.variance for one in self._levels[-40:]]))
        wander = usual_wander_pa(last.pa, math.sqrt(typical))
        gap_h = max(level.from_s - self._calm_s, 1.0) / 3600
        uneven = 0.3 * max(self._calm_pa - lowest, 0.0)
        width = math.sqrt(level.variance + last.variance + wander * wander * gap_h + uneven * uneven)
        if over <= 4 * width:
            return False
        level.variance += (over / 2.5) ** 2
        return True

    def _merge(self) -> None:
        """Halve the older part: neighbouring levels become one (their mean, and its variance)."""
        old, new = self._levels[: KEPT // 2], self._levels[KEPT // 2 :]
        out: list[Level] = []
        for level in old:
            last = out[-1] if out else None
            if (
                last is not None
                and last.merged == level.merged
                and level.from_s - last.to_s < 0.5 * (last.to_s - last.from_s) + 60.0
            ):
                out[-1] = Level(
                    last.from_s,
                    level.to_s,
                    0.5 * (last.pa + level.pa),
                    0.25 * (last.variance + level.variance),
                    2 * level.merged,
                )
            else:
                out.append(level)
        if len(out) == len(old):
            out = out[1:]
        self._levels = out + new

    # ------------------------------------------------------------------ what comes out

    def verdict(self, now_s: float) -> Verdict | None:
        """None while too little is known."""
        if len(self._levels) < LEAST:
            return None
        now = now_s - self._start_s
        rises = _doubted(self._rises)
        fits = fit(
            self._levels,
            rises,
            lag_s=self._lag_s,
            lag_seen=self._lag_seen,
            leak_pa_s=self._leak_pa_s,
            now_s=now,
            search=self._search,
            against_room=self._against_room,
            breaks_s=tuple(self._breaks_s),
        )
        table = laws()
        # Three sizes of the amplitude, five of a bubble: (fits, 3), (fits, 3, 5).
        scale = np.maximum(
            fits.flow_pa_s[:, None] + fits.flow_sd_pa_s[:, None] * _THREE, 0.02 * fits.flow_sd_pa_s[:, None] + 1e-15
        )
        bubble_pa = BUBBLE_PA * np.exp(BUBBLE_LN_SD * _FIVE)
        one = (bubble_pa / STOP_WINDOW_S)[None, None, :] / scale[:, :, None]
        stop = _until(table, fits, one)
        almost = np.minimum((table.almost[fits.law] * fits.span_s)[:, None, None], stop)
        safe = np.maximum(_until(table, fits, EARLY_BUBBLES * one), almost)
        usual = ((np.log(np.maximum(stop, 60.0)) - math.log(self._usual_s)) / self._usual_sd) ** 2
        log_weight = fits.log_weight[:, None, None] - 0.5 * usual + self._log_glances(table, fits, scale, bubble_pa)
        weights = np.exp(log_weight - log_weight.max())
        weights /= weights.sum()
        past = stop <= now
        stopped = float((weights * past).sum())
        since = _quantiles(stop[past], weights[past], (0.5,))[0] if stopped > 1e-6 else now
        p10, p50, p90 = self._foretold(now, stop, weights)
        flow = scale * _flow(table, fits, now)[:, None]
        low, middle, high = _quantiles(flow.ravel(), weights.sum(axis=2).ravel(), (0.1, 0.5, 0.9))
        of_fit = weights.sum(axis=(1, 2))
        start = self._start_s
        return Verdict(
            stopped,
            float((weights * (safe <= now)).sum()),
            float(of_fit @ (fits.level_pa * fits.gone)),
            start + since,
            start + p10,
            start + p50,
            start + p90,
            middle,
            low,
            high,
            float(of_fit @ table.ends[fits.law]),
        )

    def _foretold(self, now: float, stop: Array, weights: Array) -> list[float]:
        """When it stops, from now on: what the fits say, and for some share what batches usually do, for the laws that
        are in no table.
        """
        usual = self._usual_s * np.exp(self._usual_sd * _PRIOR_Z)
        usual = usual[usual > now]
        if not len(usual):
            # Longer than ever: then by as much again as this, more or less.
            usual = now * (1 + 0.5 * np.exp(0.6 * _PRIOR_Z))
        times = np.concatenate([np.maximum(stop, now + 30.0).ravel(), usual])
        shares = np.concatenate([(1 - UNFORESEEN) * weights.ravel(), np.full(len(usual), UNFORESEEN / len(usual))])
        return _quantiles(times, shares, (0.1, 0.5, 0.9))

    def _log_glances(self, table: Laws, fits: Fits, scale: Array, bubble_pa: Array) -> Array:
        """How well each fit, with each size of bubbles, explains what was seen at a glance."""
        out = np.zeros((*scale.shape, len(bubble_pa)))
        for time_s, bubbling in self._glances:
            rate = (scale * _flow(table, fits, time_s)[:, None])[:, :, None] / bubble_pa[None, None, :]
            shows = -np.expm1(-np.minimum(rate * GLANCE_S, 50.0))
            told = GLANCE_WRONG + (1 - 2 * GLANCE_WRONG) * shows
            out += np.log(told if bubbling else 1 - told)
        return out


def _doubted(rises: list[Rise]) -> list[Rise]:
    """Release dies away, so no rise is steeper than an earlier one but by its error: one that contradicts most others
    so, and both of two that contradict each other, count for less (a burst, or no rise at all).
    """
    out = []
    for i, rise in enumerate(rises):
        contradictions = sorted(
            max((other.pa_s - rise.pa_s) if j > i else (rise.pa_s - other.pa_s), 0.0)
            - CONTRADICTION * math.sqrt(rise.variance + other.variance)
            for j, other in enumerate(rises)
            if j != i
        )
        middle = contradictions[len(contradictions) // 2] if contradictions else 0.0
        out.append(rise._replace(variance=rise.variance + max(middle, 0.0) ** 2))
    return out


def _flow(table: Laws, fits: Fits, time_s: float) -> Array:
    """Flow of each fit at a time, to its scale."""
    index, share = Laws.place(max(time_s, 0.0) / fits.span_s)
    flow = table.flow[fits.law, index].astype(np.float64)
    return np.asarray(flow + (table.flow[fits.law, index + 1] - flow) * share)


def _until(table: Laws, fits: Fits, threshold: Array) -> Array:
    """When the flow stays below the threshold (fits, 3, 5) from then on [s]: bisection in the table."""
    low = np.zeros(threshold.shape, dtype=np.intp)
    high = np.full(threshold.shape, len(table.x) - 1, dtype=np.intp)
    law = fits.law[:, None, None]
    for _ in range(len(table.x).bit_length()):
        middle = (low + high) // 2
        over = table.most_ahead[law, middle] > threshold
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return np.asarray(table.x[high] * fits.span_s[:, None, None])


def _usual(earlier_s: tuple[float, ...]) -> tuple[float, float]:
    """Middle and width (of ln) of how long it takes: the trade's width narrowed by this station's own batches."""
    if not earlier_s:
        return USUAL_STOP_S, USUAL_LN_SD
    logs = [math.log(max(s, 60.0)) for s in earlier_s]
    count = len(logs)
    own = sum(logs) / count
    # Batches of one kind on one bench differ by about 25 % (common practice, no published source); pooled with these.
    scatter = (4 * 0.25**2 + sum((x - own) ** 2 for x in logs)) / (4 + count)
    of_mean = scatter / count
    weight = USUAL_LN_SD**2 / (USUAL_LN_SD**2 + of_mean)
    middle = weight * own + (1 - weight) * math.log(USUAL_STOP_S)
    return math.exp(middle), math.sqrt(scatter + weight * of_mean)
