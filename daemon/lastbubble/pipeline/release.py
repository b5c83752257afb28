"""Has the release of gas ended, and if not, when will it? A running posterior over the laws by which pores give up gas.

What is seen. While pumped, the pressure stands at base + Q/S and the base walks; shut off from the pump, it rises by
(Q + leak + vapour)/V. Both are linear in the amplitudes once the *shape* of the release is given, so the posterior is
held as a cloud of shapes, each with a Kalman filter of its own for what is linear (a Rao-Blackwellised particle
filter): amplitude of the release, base (a random walk), warming of the pump, drying surfaces, leak.

A shape is a fall (1 + h t/tau)^(-1/h): exponential at h = 0, the sums of many exponentials that real pore spaces show
between 0 and 1, a resin front's t^(-1/2) at 2. It either fades so for good, or ends: everything falls to nothing over a
last share of the time until t_end. A fade stops where the flow is less than one bubble in 15 minutes; how much gas a
bubble carries is not known within a factor of two hundred, and this ignorance is part of every forecast.

When the cloud has thinned out, it is drawn anew and moved by Metropolis steps over the kept observations (iterated
batch importance sampling, Chopin 2002, Biometrika 89, 539-551). The random numbers are a fixed stream: the same
observations give the same verdict. Reads no clock. Times are seconds from the log's first sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["EndJudge", "Verdict"]

Array = npt.NDArray[np.float64]

CLOUD: Final = 500
#: Observations kept for the moves; older ones are merged by pairs beyond this.
KEPT: Final = 120
#: The cloud is drawn anew below this effective share.
THIN: Final = 0.3
MOVES: Final = 2
#: One bubble lifts a bench chamber by 0.02 to 4 mPa (0.5-3 mm at some hundred pascals in 5-30 L: shared/reference/
#: bubble_gas.csv divided by the volume); middle and width of ln(Pa).
BUBBLE_PA: Final = 3e-4
BUBBLE_LN_SD: Final = 1.3
#: "Stopped": at most one bubble in this time. "Early": more than 30 of them are to come, or 1 % of the gas.
STOP_WINDOW_S: Final = 900.0
EARLY_BUBBLES: Final = 30.0
EARLY_SHARE: Final = 0.01
#: How long batches take, before anything is known of this one: middle [s] and width of ln.
USUAL_STOP_S: Final = 2.2 * 3600
USUAL_LN_SD: Final = 0.8
#: A person who glances at the resin for about this long, and how often the answer is simply wrong.
#: How far a change that a law foretells is believed.
LAW_SHARE: Final = 0.25
#: Prior of an end: chance, middle and width of ln(s).
TAU_LN: Final = math.log(2000.0)
TAU_LN_SD: Final = 1.0
#: Faster than this is the chamber's own settling, not pores.
TAU_LN_LEAST: Final = math.log(240.0)
#: A pore space has a slowest pore: in the end even a broad mixture falls as its exponential. In units of tau.
CUT_LN: Final = math.log(4.0)
CUT_LN_SD: Final = 0.8
CUT_BENT_S: Final = 1800.0
#: A batch is several pieces: with a chance of REST_MOST to REST_NONE a share up to REST_MOST of the flow goes on after
#: the others have ended, for another exp(LAST_LN) of the time.
REST_NONE: Final = 0.6
REST_MOST: Final = 0.8
LAST_LN: Final = math.log(0.25)
LAST_LN_SD: Final = 0.7
#: A resin front that creeps in gives gas as t^(-1/2): bend 2. How often, and its width; and of the mixtures' bends.
FRONTS: Final = 0.25
FRONT_BEND: Final = 2.0
FRONT_SD: Final = 0.25
BEND_SD: Final = 0.5
ENDS: Final = 0.7
END_LN: Final = math.log(2.2 * 3600)
END_LN_SD: Final = 0.8
GLANCE_S: Final = 45.0
GLANCE_WRONG: Final = 0.07

_AMPLITUDE, _BASE, _WARMING, _DRYING, _LEAK = range(5)
_LINEAR: Final = 5
# Columns of a shape.
_TAU, _BEND, _END, _WIDTH, _WALK, _LAG, _OIL, _BUBBLE, _CUT, _REST, _LAST = range(11)
_SHAPE: Final = 11
#: What pump oil that warms and surfaces that dry may do to the level within the first hours.
WARMING_PA: Final = 0.8
DRYING_PA: Final = 1.5
_JITTER: Final = np.array([0.03, 0.03, 0.02, 0.1, 0.2, 0.05, 0.1, 0.5, 0.15, 0.05, 0.2])
_REFERENCE_S: Final = 1800.0


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


@dataclass(slots=True)
class _Seen:
    """One observation: a level (kind 0), a rise (kind 1) or a person's glance (kind 2: value 1 bubbling, 0 quiet)."""

    kind: int
    time_s: float
    value: float
    variance: float
    merged: int = 1


@dataclass(slots=True)
class _Cloud:
    """The filters of all particles: means (n, 5), covariances (n, 5, 5), base walk (n,), last amplitude rows (n,)."""

    mean: Array
    cov: Array
    walk: Array
    row: Array
    last_s: float

    def drawn(self, index: npt.NDArray[np.int_]) -> _Cloud:
        return _Cloud(self.mean[index], self.cov[index], self.walk[index], self.row[index], self.last_s)

    def accept(self, other: _Cloud, where: npt.NDArray[np.bool_]) -> None:
        for mine, theirs in (
            (self.mean, other.mean), (self.cov, other.cov), (self.walk, other.walk), (self.row, other.row)
        ):  # fmt: skip
            mine[where] = theirs[where]


def _tempered_step(log_like: Array, most: float, share: float) -> float:
    """The largest step in the likelihood's power that keeps `share` of the cloud effective."""

    def effective(step: float) -> float:
        weights = np.exp(step * (log_like - log_like.max()))
        return float(weights.sum() ** 2 / (weights @ weights) / len(weights))

    if effective(most) >= share:
        return most
    low, high = 0.0, most
    for _ in range(14):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= share else (low, middle)
    return max(low, 0.01 * most)


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
    """

    def __init__(
        self,
        start_s: float,
        time_constant_s: float,
        *,
        leak_pa_s: float | None = None,
        earlier_s: tuple[float, ...] = (),
    ) -> None:
        self._start_s = start_s
        self._lag_s = time_constant_s
        self._leak_pa_s = leak_pa_s
        self._usual, self._usual_sd = _usual(earlier_s)
        self._random = np.random.Generator(np.random.PCG64(20))
        #: ln of the earliest end that can still show, seconds from the start.
        self._soonest = 0.0
        self._shapes = self._draw(CLOUD)
        self._log_weight = np.zeros(CLOUD)
        self._log_like = np.zeros(CLOUD)
        self._cloud: _Cloud | None = None
        self._first = _Seen(0, start_s, 0.0, 1.0)
        self._fresh = 0
        #: Log likelihood of what the cloud was last moved by; stale once kept observations were merged.
        self._past = np.zeros(CLOUD)
        self._stale = False
        self._seen: list[_Seen] = []
        self._level0 = 0.0
        self._offset = np.zeros(CLOUD)
        self._luck = self._random.standard_normal(CLOUD)

    # ------------------------------------------------------------------ prior

    def _draw(self, count: int) -> Array:
        random = self._random
        shapes = np.empty((count, _SHAPE))
        normal = random.standard_normal((count, _SHAPE))
        shapes[:, _TAU] = TAU_LN + TAU_LN_SD * normal[:, _TAU]
        np.maximum(shapes[:, _TAU], 2 * TAU_LN_LEAST - shapes[:, _TAU], out=shapes[:, _TAU])
        shapes[:, _REST] = random.uniform(-REST_NONE, REST_MOST, count)
        shapes[:, _LAST] = LAST_LN + LAST_LN_SD * normal[:, _LAST]
        shapes[:, _CUT] = CUT_LN + CUT_LN_SD * normal[:, _CUT]
        front = random.random(count) < FRONTS
        shapes[:, _BEND] = np.where(
            front, FRONT_BEND + FRONT_SD * normal[:, _BEND], 0.02 + BEND_SD * np.abs(normal[:, _BEND])
        )
        ends = random.random(count) < ENDS
        late = END_LN + END_LN_SD * normal[:, _END]
        early = late < self._soonest
        # An end before the first level is not seen by anybody: such draws are spread over what comes later.
        late[early] = self._soonest + np.abs(
            END_LN + END_LN_SD * random.standard_normal(int(early.sum())) - self._soonest
        )
        shapes[:, _END] = np.where(ends, late, 20.0)
        shapes[:, _WIDTH] = np.where(
            random.random(count) < 0.5, -3.0 + 0.6 * normal[:, _WIDTH], -1.0 + 0.7 * normal[:, _WIDTH]
        )
        np.minimum(shapes[:, _WIDTH], 0.0, out=shapes[:, _WIDTH])
        shapes[:, _WALK] = -0.7 + 1.0 * normal[:, _WALK]
        shapes[:, _LAG] = math.log(self._lag_s) + 0.35 * normal[:, _LAG]
        shapes[:, _OIL] = math.log(2400.0) + 0.6 * normal[:, _OIL]
        shapes[:, _BUBBLE] = math.log(BUBBLE_PA) + BUBBLE_LN_SD * normal[:, _BUBBLE]
        return shapes

    def _log_prior(self, shapes: Array) -> Array:
        ends = shapes[:, _END] < 15
        width = shapes[:, _WIDTH]
        out = -0.5 * ((shapes[:, _TAU] - TAU_LN) / TAU_LN_SD) ** 2
        out -= 0.5 * ((shapes[:, _LAST] - LAST_LN) / LAST_LN_SD) ** 2
        out += np.where((shapes[:, _REST] < -REST_NONE) | (shapes[:, _REST] > REST_MOST), -1e9, 0.0)
        out -= 0.5 * ((shapes[:, _CUT] - CUT_LN) / CUT_LN_SD) ** 2
        bend = shapes[:, _BEND]
        mixed = 2 * (1 - FRONTS) / BEND_SD * np.exp(-0.5 * ((bend - 0.02) / BEND_SD) ** 2)
        fronts = FRONTS / FRONT_SD * np.exp(-0.5 * ((bend - FRONT_BEND) / FRONT_SD) ** 2)
        out += np.log(mixed + fronts + 1e-12)
        end = -0.5 * ((shapes[:, _END] - END_LN) / END_LN_SD) ** 2
        out += np.where(ends, math.log(ENDS / (END_LN_SD * math.sqrt(2 * math.pi))) + end, math.log(1 - ENDS))
        out += np.where((shapes[:, _END] < self._soonest) | (shapes[:, _TAU] < TAU_LN_LEAST), -1e9, 0.0)
        out += np.log(self._width_density(width) + 1e-12)
        out += np.where(width > 0, -1e9, 0.0)
        out += -0.5 * (shapes[:, _WALK] + 0.7) ** 2
        out += -0.5 * ((shapes[:, _LAG] - math.log(self._lag_s)) / 0.35) ** 2
        out += -0.5 * ((shapes[:, _OIL] - math.log(2400.0)) / 0.6) ** 2
        out += -0.5 * ((shapes[:, _BUBBLE] - math.log(BUBBLE_PA)) / BUBBLE_LN_SD) ** 2
        return out

    # ------------------------------------------------------------------ shapes

    @staticmethod
    def _fall(shapes: Array, since_start_s: float | Array) -> Array:
        """Flow relative to the start's: (particles,) for one time or one time each, (particles, times) for many."""
        tau, bend = np.exp(shapes[:, _TAU]), shapes[:, _BEND]
        cut = _cut_s(shapes)
        end = np.exp(shapes[:, _END])
        width = np.exp(shapes[:, _WIDTH]) * end
        if isinstance(since_start_s, np.ndarray) and since_start_s.ndim == 2:
            tau, bend, cut, end, width = (x[:, None] for x in (tau, bend, cut, end, width))
        time = np.maximum(since_start_s, 0.0)
        fall = np.exp(-np.log1p(bend * time / tau) / bend - time / cut)
        rest, last = np.maximum(shapes[:, _REST], 0.0), np.exp(shapes[:, _LAST])
        if isinstance(since_start_s, np.ndarray) and since_start_s.ndim == 2:
            rest, last = rest[:, None], last[:, None]
        going = np.clip((end - time) / width, 0.0, 1.0)
        return np.asarray(fall * (going * (1 - rest) + rest * (time < end * (1 + last))))

    def _regressors(self, shapes: Array, seen: _Seen) -> Array:
        out = np.zeros((len(shapes), _LINEAR))
        since = max(seen.time_s - self._start_s, 1.0)
        drying = math.sqrt(_REFERENCE_S / max(since, 120.0))
        if seen.kind == 0:
            lag = np.exp(shapes[:, _LAG])
            # The level follows the flow by the chamber's time constant.
            out[:, _AMPLITUDE] = lag * self._fall(shapes, since - lag)
            out[:, _BASE] = 1.0
            out[:, _WARMING] = 1 - np.exp(-since / np.exp(shapes[:, _OIL]))
            out[:, _DRYING] = lag * drying
        else:
            out[:, _AMPLITUDE] = self._fall(shapes, since)
            out[:, _DRYING] = drying
            out[:, _LEAK] = 1.0
        return out

    def _begin(self, shapes: Array) -> _Cloud:
        """Prior of what is linear."""
        count = len(shapes)
        level = abs(self._level0)
        lag = np.exp(shapes[:, _LAG])
        mean = np.zeros((count, _LINEAR))
        cov = np.zeros((count, _LINEAR, _LINEAR))
        mean[:, _BASE] = self._level0
        big = 30.0 + 2.0 * level
        # The amplitude belongs to the start of the pump-down: early flow is far above what is left at the first level.
        cov[:, _AMPLITUDE, _AMPLITUDE] = (10 * big / lag) ** 2
        cov[:, _BASE, _BASE] = big**2
        cov[:, _WARMING, _WARMING] = (WARMING_PA + 0.02 * min(level, 200.0)) ** 2
        cov[:, _DRYING, _DRYING] = ((DRYING_PA + 0.02 * min(level, 200.0)) / lag) ** 2
        if self._leak_pa_s is None:
            cov[:, _LEAK, _LEAK] = 1.0
        else:
            mean[:, _LEAK] = self._leak_pa_s
            cov[:, _LEAK, _LEAK] = (0.3 * self._leak_pa_s + 0.003) ** 2
        return _Cloud(mean, cov, self._walk(shapes), np.zeros(count), self._start_s)

    def _walk(self, shapes: Array) -> Array:
        """Variance the base gains a second [Pa^2/s]: exp(WALK) pascals in an hour, more for a high base."""
        scale = 0.35 + 0.006 * min(abs(self._level0), 500.0)
        return np.asarray((scale * np.exp(shapes[:, _WALK])) ** 2 / 3600.0)

    # ------------------------------------------------------------------ filter

    def _glance(self, shapes: Array, mean: Array, seen: _Seen) -> Array:
        amplitude = np.maximum(mean[:, _AMPLITUDE], 0.0)
        rate = amplitude * self._fall(shapes, seen.time_s - self._start_s) / np.exp(shapes[:, _BUBBLE])
        bubbling = 1 - np.exp(-np.minimum(rate * GLANCE_S, 50.0))
        yes = GLANCE_WRONG + (1 - 2 * GLANCE_WRONG) * bubbling
        return np.asarray(np.log(yes if seen.value > 0.5 else 1 - yes))

    def _run(self, shapes: Array, fresh: int) -> tuple[Array, Array, _Cloud]:
        """All kept observations through new shapes.

        Returns the log likelihood of all but the last `fresh` observations, that of those, and the filters' end states.
        """
        cloud = self._begin(shapes)
        old, new = np.zeros(len(shapes)), np.zeros(len(shapes))
        first_fresh = len(self._seen) - fresh
        for index, seen in enumerate(self._seen):
            like, _, _ = self._through(shapes, cloud, seen)
            if index < first_fresh:
                old += like
            else:
                new += like
        return old, new, cloud

    def _through(self, shapes: Array, cloud: _Cloud, seen: _Seen) -> tuple[Array, Array, Array]:
        """One observation through every particle's filter: log likelihood, what was expected, and its variance."""
        mean, cov = cloud.mean, cloud.cov
        if seen.kind == 2:
            return self._glance(shapes, mean, seen), mean[:, 0], mean[:, 0]
        row = self._regressors(shapes, seen)
        gap = max(seen.time_s - cloud.last_s, 0.0)
        cloud.last_s = max(cloud.last_s, seen.time_s)
        grown = cloud.walk * gap
        if seen.kind == 0:
            # No real release follows a law to the letter: each change it foretells is believed within a share.
            change = mean[:, _AMPLITUDE] * (row[:, _AMPLITUDE] - cloud.row)
            grown = grown + (LAW_SHARE * change) ** 2
            cloud.row = row[:, _AMPLITUDE]
        cov[:, _BASE, _BASE] += grown
        gain = np.matmul(cov, row[:, :, None])[:, :, 0]
        expected = np.einsum("ij,ij->i", row, mean)
        spread = np.einsum("ij,ij->i", row, gain) + seen.variance
        miss = seen.value - expected
        mean += gain * (miss / spread)[:, None]
        cov -= gain[:, :, None] * (gain / spread[:, None])[:, None, :]
        return -0.5 * (np.log(spread) + miss * miss / spread), expected, spread

    @staticmethod
    def _positive(cloud: _Cloud) -> Array:
        """Log probability that amplitude and drying are positive (gas only ever comes out)."""
        out = np.zeros(len(cloud.mean))
        for part in (_AMPLITUDE, _DRYING):
            z = cloud.mean[:, part] / np.sqrt(np.maximum(cloud.cov[:, part, part], 1e-30))
            # Logistic form of the normal distribution function: within 0.01 of it, and never log(0).
            out -= np.logaddexp(0.0, -1.702 * z)
        return out

    def _take(self, seen: _Seen) -> None:
        if self._cloud is None:
            if seen.kind != 0:
                return
            self._level0 = seen.value
            self._first = seen
            self._soonest = math.log(max(seen.time_s - self._start_s, 60.0) + 240.0)
            self._shapes = self._draw(CLOUD)
            self._cloud = self._begin(self._shapes)
        cloud = self._cloud
        if seen.kind == 0 and len(self._seen) > 8:
            self._soften(seen, cloud)
        self._seen.append(seen)
        like, _, _ = self._through(self._shapes, cloud, seen)
        self._log_like += like
        self._log_weight = self._log_like + self._positive(cloud) - self._offset
        self._fresh += 1
        if len(self._seen) < 8:
            return
        weights = self._weights()
        if 1 / float(weights @ weights) < THIN * CLOUD:
            self._renew()
        if len(self._seen) > KEPT and self._fresh < KEPT // 4:
            self._merge()

    def _soften(self, seen: _Seen, cloud: _Cloud) -> None:
        """A burst is gas all right, but not the law's: it must not bend the law. Bursts only go up."""
        row = self._regressors(self._shapes, seen)
        expected = np.einsum("ij,ij->i", row, cloud.mean)
        spread = np.einsum("ij,ijk,ik->i", row, cloud.cov, row) + seen.variance
        weights = self._weights()
        centre = float(weights @ expected)
        width = math.sqrt(float(weights @ (spread + (expected - centre) ** 2)))
        over = seen.value - centre
        if over > 4 * width:
            seen.variance += (over / 2.5) ** 2

    def _weights(self) -> Array:
        weights = np.exp(self._log_weight - self._log_weight.max())
        return np.asarray(weights / weights.sum())

    def _merge(self) -> None:
        """Halve the older part: neighbouring levels become one (their mean, and its variance)."""
        old, new = self._seen[: KEPT // 2], self._seen[KEPT // 2 :]
        out: list[_Seen] = []
        for seen in old:
            last = out[-1] if out else None
            if last is not None and seen.kind == 0 and last.kind == 0 and last.merged == seen.merged:
                out[-1] = _Seen(
                    0,
                    0.5 * (last.time_s + seen.time_s),
                    0.5 * (last.value + seen.value),
                    0.25 * (last.variance + seen.variance),
                    2 * seen.merged,
                )
            else:
                out.append(seen)
        if len(out) == len(old):
            out = out[1:]
        self._seen = out + new
        self._stale = True

    def _renew(self) -> None:
        """Draw the cloud anew by weight and move it, in as many tempered steps as it needs to keep its breadth."""
        random = self._random
        count = CLOUD
        fresh = min(self._fresh, len(self._seen))
        shapes, cloud, past = self._shapes, self._cloud, self._past
        assert cloud is not None  # only called once levels have come in
        new = self._log_like
        if self._stale:
            past, new, cloud = self._run(shapes, fresh)
            self._stale = False
        # The sign of the amplitude is judged by the filter as it stands, so it is no part of the tempered power.
        extra = self._positive(cloud) - self._offset
        power = 0.0
        while power < 1.0:
            step = _tempered_step(new, 1.0 - power, 0.5)
            power = min(1.0, power + step)
            log_weight = step * new + extra
            edges = np.cumsum(np.exp(log_weight - log_weight.max()))
            index = np.searchsorted(edges / edges[-1], (float(random.random()) + np.arange(count)) / count)
            index = np.minimum(index, count - 1)
            shapes, past, new, cloud = shapes[index], past[index], new[index], cloud.drawn(index)
            extra = np.zeros(count)
            prior, sign = self._log_prior(shapes), self._positive(cloud)
            for move in range(MOVES):
                trial, correction = self._trial(shapes, 0.6 if move % 2 == 0 else 0.2)
                trial_past, trial_new, trial_cloud = self._run(trial, fresh)
                trial_prior, trial_sign = self._log_prior(trial), self._positive(trial_cloud)
                gain = trial_past - past + power * (trial_new - new) + trial_prior - prior + trial_sign - sign
                accept = np.log(random.random(count)) < gain + correction
                for mine, theirs in (
                    (shapes, trial), (past, trial_past), (new, trial_new), (prior, trial_prior), (sign, trial_sign)
                ):  # fmt: skip
                    mine[accept] = theirs[accept]
                cloud.accept(trial_cloud, accept)
        self._past = past + new
        self._shapes, self._cloud = shapes, cloud
        # From here on weights gather only what comes; what came before is in the cloud itself.
        self._log_like = np.zeros(count)
        self._log_weight = np.zeros(count)
        self._offset = self._positive(cloud)
        self._fresh = 0

    def _trial(self, shapes: Array, scale: float) -> tuple[Array, Array]:
        """Moved copies, and the log ratio of proposal densities (back over forth)."""
        random = self._random
        count = len(shapes)
        trial = shapes.copy()
        # Differences of two other members point along the cloud's own ridges (differential evolution moves).
        first, second = random.permutation(count), random.permutation(count)
        step = scale * (shapes[first] - shapes[second])
        noise = random.standard_normal((count, _SHAPE)) * _JITTER
        fades = shapes[:, _END] > 15
        # From a fade to an end is no small step: the end's column moves only among ends.
        mixed = (shapes[first, _END] > 15) | (shapes[second, _END] > 15) | fades
        step[mixed, _END] = 0.0
        noise[fades, _END] = 0.0
        trial += step + noise
        trial[:, _BEND] = np.abs(trial[:, _BEND] - 0.02) + 0.02
        trial[:, _WIDTH] = -np.abs(trial[:, _WIDTH])
        # Now and then the end is drawn quite anew: none, any, or one within the last hour, which the cloud cannot yet
        # hold when an end has just come.
        swap = random.random(count) < 0.3
        now = max(self._seen[-1].time_s - self._start_s, 600.0)
        window = min(3600.0, max(now - math.exp(self._soonest), 300.0))
        kind = random.random(count)
        recent = np.log(np.maximum(now - window * random.random(count), 60.0))
        anywhere = END_LN + END_LN_SD * random.standard_normal(count)
        new = np.where(kind < 0.3, 20.0, np.where(kind < 0.5, anywhere, recent))
        trial[swap] = shapes[swap]
        trial[swap, _END] = new[swap]
        fresh = self._draw(count)
        trial[swap, _WIDTH] = fresh[swap, _WIDTH]
        trial[swap, _REST] = fresh[swap, _REST]

        def density(end: Array) -> Array:
            time = np.exp(np.minimum(end, 15.0))
            inside = (time <= now) & (time >= now - window)
            lognormal = np.exp(-0.5 * ((end - END_LN) / END_LN_SD) ** 2) / (END_LN_SD * math.sqrt(2 * math.pi))
            return np.asarray(np.where(end > 15, 0.3, 0.2 * lognormal + np.where(inside, 0.5 * time / window, 0.0)))

        def width_rest(some: Array) -> Array:
            return self._width_density(some[:, _WIDTH])

        back = np.log(density(shapes[:, _END]) * width_rest(shapes) + 1e-300)
        forth = np.log(density(trial[:, _END]) * width_rest(trial) + 1e-300)
        return trial, np.where(swap, back - forth, 0.0)

    @staticmethod
    def _width_density(width: Array) -> Array:
        sharp = np.exp(-0.5 * ((width + 3.0) / 0.6) ** 2) / 0.6
        slow = np.exp(-0.5 * ((width + 1.0) / 0.7) ** 2) / 0.7
        return np.asarray(sharp + slow)

    # ------------------------------------------------------------------ what comes in

    def level(self, time_s: float, pa: float, variance: float) -> None:
        """While pumped the pressure stood at `pa` (mean over about two minutes, with its variance)."""
        self._take(_Seen(0, time_s, pa, variance))

    def rise(self, time_s: float, pa_s: float, variance: float) -> None:
        """Shut off from the pump the pressure rose by `pa_s` (gas and leak), with its variance, around `time_s`."""
        self._take(_Seen(1, time_s, pa_s, variance))

    def glance(self, time_s: float, bubbling: bool) -> None:
        """A person looked, and saw bubbles or none."""
        self._take(_Seen(2, time_s, 1.0 if bubbling else 0.0, 0.0))

    # ------------------------------------------------------------------ what comes out

    def verdict(self, now_s: float) -> Verdict | None:
        """None while too little is known."""
        if self._cloud is None or len(self._seen) < 8:
            return None
        mean, cov = self._cloud.mean, self._cloud.cov
        shapes = self._shapes
        weights = self._weights()
        spread = np.sqrt(np.maximum(cov[:, _AMPLITUDE, _AMPLITUDE], 0.0))
        amplitude = mean[:, _AMPLITUDE] + self._luck * spread
        amplitude = np.where(amplitude > 0, amplitude, np.abs(amplitude) * 0.1 + 1e-12)
        tau, bend, end = np.exp(shapes[:, _TAU]), shapes[:, _BEND], np.exp(shapes[:, _END])
        cut = _cut_s(shapes)
        final = np.where(shapes[:, _REST] > 0, end * (1 + np.exp(shapes[:, _LAST])), end)
        one = np.exp(shapes[:, _BUBBLE]) / STOP_WINDOW_S

        def until(threshold: Array) -> Array:
            """When the flow falls below the threshold: bisection on ln(time), the fall being monotone."""
            low, high = np.full(len(tau), math.log(10.0)), np.full(len(tau), math.log(4e5))
            want = np.log(np.maximum(amplitude / threshold, 1.0))
            for _ in range(18):
                middle = 0.5 * (low + high)
                time = np.exp(middle)
                over = np.log1p(bend * time / tau) / bend + time / cut < want
                low, high = np.where(over, middle, low), np.where(over, high, middle)
            return np.asarray(np.minimum(np.exp(low), final))

        stop = until(one)
        safe = np.maximum(until(EARLY_BUBBLES * one), self._share_left(shapes, stop))
        now = now_s - self._start_s
        usual = -0.5 * ((np.log(np.maximum(stop, 60.0)) - math.log(self._usual)) / self._usual_sd) ** 2
        weights = weights * np.exp(usual - usual.max())
        weights = weights / weights.sum()
        stopped = float(weights @ (stop <= now))
        is_safe = float(weights @ (safe <= now))
        past = stop <= now
        if stopped > 1e-6:
            since = _quantiles(stop[past], weights[past], (0.5,))[0]
        else:
            since = now
        ahead = np.maximum(stop, now + 30.0)
        p10, p50, p90 = _quantiles(ahead, weights, (0.1, 0.5, 0.9))
        flow = amplitude * self._fall(shapes, now)
        low, middle, high = _quantiles(flow, weights, (0.1, 0.5, 0.9))
        gone = self._regressors(shapes, self._first)[:, _AMPLITUDE] - np.exp(shapes[:, _LAG]) * self._fall(shapes, now)
        seen = float(weights @ (amplitude * gone))
        start = self._start_s
        return Verdict(
            stopped,
            is_safe,
            seen,
            start + since,
            start + p10,
            start + p50,
            start + p90,
            middle,
            low,
            high,
            float(weights @ (shapes[:, _END] < 15)),
        )

    def _share_left(self, shapes: Array, stop_s: Array) -> Array:
        """When no more than 1 % of all the gas is left [s from the start]."""
        grid = np.linspace(0.0, 1.0, 48) ** 2
        times = stop_s[:, None] * grid[None, :]
        flow = self._fall(shapes, times)
        parts = 0.5 * (flow[:, 1:] + flow[:, :-1]) * np.diff(times, axis=1)
        left = np.cumsum(parts[:, ::-1], axis=1)[:, ::-1]
        total = left[:, :1]
        enough = left <= EARLY_SHARE * total
        first = np.where(enough.any(axis=1), enough.argmax(axis=1), grid.size - 1)
        return np.asarray(np.take_along_axis(times, first[:, None], axis=1)[:, 0])


def _cut_s(shapes: Array) -> Array:
    """When the slowest pores end a broad fall [s]; a bent fall is broad from the start, whatever its first pace."""
    return np.asarray((np.exp(shapes[:, _TAU]) + CUT_BENT_S * shapes[:, _BEND]) * np.exp(shapes[:, _CUT]))


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
