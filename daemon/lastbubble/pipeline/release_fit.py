"""Which laws of release, at which scales of time, fit the levels and rises seen so far, and how well each.

Every law of the table is tried at every span of a grid: a quadrature, so nothing has to be found by luck and the same
observations always give the same answer. For one law at one span the level is linear in one amplitude,

    level = amplitude x shape(t) + base(t)

and everything else is a Gaussian background whose covariance is written down: the base itself, its wander and walk,
oil that warms, surfaces that dry (t^-1/2), gas dissolved in the resin that settles within minutes, a gauge that drifts,
the gauge's noise, and what makes a release differ from its law: a slow misfit and an unevenness (bubbles come in
trains) in proportion to what is still coming. So a release that has ended is also quiet, and one that goes on is not;
the unevenness is therefore taken from what each hypothesis says is left.

How large wander, unevenness and extra noise are is found from the log, on a small grid (`NOISES`), jointly with the
laws. Times are seconds since the release began; levels in Pa, rises in Pa/s.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from lastbubble.pipeline.release_laws import Laws, laws

__all__ = ["Fits", "Level", "NoiseSearch", "Rise", "falling", "fit", "usual_wander_pa"]

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Index = npt.NDArray[np.intp]

#: What pump oil that warms and surfaces that dry may do to the level within the first hours [Pa].
WARMING_PA: Final = 0.8
DRYING_PA: Final = 1.0
#: After air was in, the level may settle from elsewhere by this, and stand elsewhere by half of it: so many pascals and
#: a share of the seen fall.
BREAK_PA: Final = 2.0
BREAK_SHARE: Final = 0.3
#: Share of the seen fall that gas dissolved in the resin and the last of the pump-down may make, and how fast [s].
SETTLING: Final = 0.3
SETTLING_S: Final = (240.0, 600.0)
#: No real release follows a law to the letter: relative misfit, at least and as a share of the unevenness, and over
#: which ln(time) it changes. A release may also be all smooth: quiet alone is then no sign of its end.
MISFIT: Final = 0.012
MISFIT_SHARE: Final = 0.3
MISFIT_LN: Final = 0.5
#: The base wanders with about this time constant [s]; and walks, by this share of it an hour.
WANDER_S: Final = 1200.0
WALK: Final = 0.4
#: ... and drifts, by this share of it an hour.
DRIFT_SHARE: Final = 0.5
#: What the room's pressure does, which a gauge that reads against it shows: 0.6 hPa in an hour of ordinary weather and
#: a wander beside it (common practice, no published source).
ROOM_DRIFT_PA_H: Final = 60.0
ROOM_WANDER_PA: Final = 30.0
ROOM_WANDER_S: Final = 7200.0
#: Levels that follow each other by no more than this have one edge [s].
JOINED_S: Final = 20.0
#: Latest end that is tried [s].
LATEST_S: Final = 16 * 3600.0
#: Time constant of the chamber, relative to what the pump-down said, and how sure that is (width of ln): hose and pump
#: give less at low pressure, by how much it does not show.
LAGS: Final = (0.6, 1.0, 1.67, 2.8)
LAG_LN_SD: Final = 0.6
#: ... and where the falls after rises have shown it.
SEEN_LAGS: Final = (0.8, 1.0, 1.25)
SEEN_LAG_LN_SD: Final = 0.2
#: Unevenness of a rise: relative, and relative to the largest seen.
RISE_UNEVEN: Final = 0.2
RISE_FLOOR: Final = 0.01
#: An unknown leak (and what the walls give off), as a share of the smallest rise, and how sure that is.
LEAK_SHARE: Final = 0.6
LEAK_SHARE_SD: Final = 0.5
#: Bins of the share still to come, for the unevenness of what has not ended.
LEFT_EDGES: Final = np.array([0.03, 0.1, 0.2, 0.35, 0.55, 0.8])
LEFT_MIDDLES: Final = np.array([0.015, 0.065, 0.15, 0.275, 0.45, 0.675, 0.9])
#: No table holds the true law to the letter, so the likelihood counts only by this power (a coarsened posterior: Miller
#: and Dunson 2019, Journal of the American Statistical Association 114, 1113-1125).
TRUST: Final = 0.5
#: So many fits are kept, thinned so that every class of them keeps its weight; and so many hypotheses are tried with
#: other noise than what fitted best.
MOST_FITS: Final = 4000
MOST_TRIED: Final = 8000
#: Noise whose evidence is less by no more than this is kept beside the best (nats).
NOISE_WORTH: Final = 4.0
#: So many of the best are tried with all kinds of noise, to see which fits.
TRIED: Final = 16


class Noise(NamedTuple):
    """wander : of the base, relative to what such a base usually does;  uneven : of the release, relative
    extra : gauge variance on top, relative;  uneven_s : time constant of the unevenness
    """

    wander: float
    uneven: float
    extra: float
    uneven_s: float


_WANDERS, _UNEVENS, _EXTRAS, _UNEVEN_S = (0.1, 0.4, 1.5, 6.0), (0.0, 0.05, 0.15, 0.3), (0.0, 3.0, 15.0), (100.0, 400.0)
NOISES: Final = tuple(Noise(*parts) for parts in itertools.product(_WANDERS, _UNEVENS, _EXTRAS, _UNEVEN_S))
#: A release without any unevenness is hardly ever met: then every kink of the level would be an end.
_EVEN_LN: Final = -3.0
_NOISE_LN: Final = tuple(
    -0.5 * math.log(noise.wander / 0.4) ** 2 + (0.0 if noise.uneven else _EVEN_LN) for noise in NOISES
)


@dataclass(slots=True)
class Level:
    """While pumped the pressure stood at `pa` in the mean from `from_s` to `to_s`."""

    from_s: float
    to_s: float
    pa: float
    variance: float
    merged: int = 1


class Rise(NamedTuple):
    """Shut off from the pump the pressure rose by `pa_s` around `time_s`."""

    time_s: float
    pa_s: float
    variance: float


@dataclass(frozen=True, slots=True)
class Fits:
    """The fits that are left, as arrays of one length.

    log_weight : of the (coarsened) posterior, up to a constant;  law : row of the table;  span_s
    flow_pa_s, flow_sd_pa_s : amplitude as flow, in units of the law's flow over its span (times `Laws.flow`) [Pa/s]
    level_pa : amplitude as level at the first levels;  gone : share of that which is gone by the last level
    """

    log_weight: Array
    law: Index
    span_s: Array
    flow_pa_s: Array
    flow_sd_pa_s: Array
    level_pa: Array
    gone: Array


@dataclass(frozen=True, slots=True)
class _Group:
    """Hypotheses that share what is still to come, and so their noise.

    first_pa : amplitude that goes with it;  left_pa : what comes at each level;  shape : (levels, hypotheses)
    """

    first_pa: float
    left_pa: Array
    shape: Floats
    law: Index
    span_s: Array
    unit: Array
    log_prior: Array


def falling(values: Array, weights: Array) -> Array:
    """Least-squares fall through the values (pool adjacent violators)."""
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip(values.tolist(), weights.tolist(), strict=True):
        one = (value, weight, 1)
        while pools and pools[-1][0] < one[0]:
            last = pools.pop()
            both = last[1] + one[1]
            one = ((last[0] * last[1] + one[0] * one[1]) / both, both, last[2] + one[2])
        pools.append(one)
    return np.repeat([pool[0] for pool in pools], [pool[2] for pool in pools])


def usual_wander_pa(level_pa: float, sd_pa: float) -> float:
    """How far the base of a pump that stands at such a level, read by such a gauge, usually wanders [Pa].

    sd_pa : of one level
    """
    return 0.35 + 0.006 * min(abs(level_pa), 500.0) + 2 * sd_pa


class NoiseSearch:
    """Remembers which noise fitted best, so that only its neighbours need to be tried, and all now and then."""

    def __init__(self) -> None:
        self.best = NOISES.index(Noise(0.4, 0.15, 3.0, 100.0))
        self._asked = 0

    def candidates(self) -> list[int]:
        """Which to try now, the best so far first."""
        self._asked += 1
        if self._asked % 8 == 1:
            return [self.best, *(i for i in range(len(NOISES)) if i != self.best)]
        best = NOISES[self.best]
        near = [i for i, noise in enumerate(NOISES) if sum(a != b for a, b in zip(noise, best, strict=True)) == 1]
        return [self.best, *near]


class _Problem:
    """Levels and rises of one moment, and all hypotheses about them."""

    def __init__(
        self,
        levels: list[Level],
        rises: list[Rise],
        lag_s: float,
        lag_seen: bool,
        leak_pa_s: float | None,
        now_s: float,
        against_room: bool = False,
        breaks_s: tuple[float, ...] = (),
    ) -> None:
        self.table = laws()
        self.lag_s, self.lag_seen = lag_s, lag_seen
        self.from_s = np.array([level.from_s for level in levels])
        self.to_s = np.array([level.to_s for level in levels])
        self.mid_s = 0.5 * (self.from_s + self.to_s)
        self.pa = np.array([level.pa for level in levels])
        self.variance = np.array([level.variance for level in levels])
        self.fall_pa = falling(self.pa, 1 / self.variance)
        self.seen_pa = float(self.fall_pa[0] - self.fall_pa[-1])
        self.typical_sd_pa = math.sqrt(float(np.median(self.variance)))
        self.wander_pa = usual_wander_pa(float(self.pa[-1]), self.typical_sd_pa)
        self.most_pa = 0.7 * min(abs(float(self.pa[0])), 500.0) + 3 * self.seen_pa + 1.0
        self._background(min(abs(float(self.pa[-1])), 500.0), against_room, breaks_s)
        self.groups = self._hypotheses(now_s)
        self.law = np.concatenate([group.law for group in self.groups])
        self.span_s = np.concatenate([group.span_s for group in self.groups])
        self.unit = np.concatenate([group.unit for group in self.groups])
        self.log_prior = np.concatenate([group.log_prior for group in self.groups])
        self.first_pa = np.concatenate([np.full(len(group.law), group.first_pa) for group in self.groups])
        self.gone = np.concatenate([1 - group.shape[-1] for group in self.groups])
        self.offsets = np.cumsum([0] + [len(group.law) for group in self.groups])
        self._rises(rises, leak_pa_s)

    # ------------------------------------------------------------------ hypotheses

    def _spans(self, now_s: float) -> tuple[Array, Array]:
        """Spans for laws that end (close together around now) and for those that fade [s]."""
        first_s = float(self.to_s[0])
        coarse = np.exp(np.arange(math.log(first_s + 120.0), math.log(LATEST_S), 0.08))
        recent = np.concatenate([now_s - np.arange(0.0, 1800.0, 60.0), now_s - np.arange(1800.0, 5400.0, 180.0)])
        soon = now_s + np.array([120.0, 240.0, 360.0, 480.0, 660.0, 840.0, 1080.0, 1380.0, 1800.0])
        ending = np.unique(np.round(np.concatenate([coarse, recent[recent > first_s + 60.0], soon]), 1))
        return ending, coarse

    def _shapes(self, which: Index, spans_s: Array) -> tuple[Floats, Array]:
        """(levels, laws, spans) levels in units of the first three's mean, and that unit (laws, spans)."""
        table = self.table
        # The chamber's pressure follows the flow with its time constant: y' = (q - y) / lag, exactly, for a flow that
        # is even between one edge and the next.
        edges, of_level = self._edges()
        times = np.concatenate([[max(edges[0] - self.lag_s, 0.0)], edges])
        index, share = Laws.place(times[:, None] / spans_s[None, :])
        gas = table.gas[which]
        come = gas[:, index]
        come += (gas[:, index + 1] - come) * share
        level = (come[:, 1] - come[:, 0]) / np.float32(self.lag_s)
        rows = np.empty((len(self.mid_s), len(which), len(spans_s)), dtype=np.float32)
        for place, length_s in enumerate(np.diff(edges).tolist()):
            flow = (come[:, place + 2] - come[:, place + 1]) / np.float32(length_s)
            kept = math.exp(-length_s / self.lag_s)
            number = of_level[place]
            if number >= 0:
                rows[number] = flow + (level - flow) * np.float32((1 - kept) * self.lag_s / length_s)
            level = flow + (level - flow) * np.float32(kept)
        unit = np.maximum(rows[:3].mean(axis=0), 1e-12)
        rows /= unit[None]
        return rows, unit.astype(np.float64)

    def _edges(self) -> tuple[Array, list[int]]:
        """Where levels begin and end [s], and which level lies after each edge (-1: none)."""
        edges, of_level = [float(self.from_s[0])], []
        for number, (from_s, to_s) in enumerate(zip(self.from_s.tolist(), self.to_s.tolist(), strict=True)):
            if number and from_s - edges[-1] > JOINED_S:
                edges.append(from_s)
                of_level.append(-1)
            edges.append(max(to_s, edges[-1] + 1.0))
            of_level.append(number)
        return np.array(edges), of_level

    def _hypotheses(self, now_s: float) -> list[_Group]:
        table = self.table
        ends, fades = np.nonzero(table.ends)[0], np.nonzero(~table.ends)[0]
        ending_s, fading_s = self._spans(now_s)
        shapes, unit = self._shapes(ends, ending_s)
        width = np.log(np.gradient(np.log(ending_s)))
        # Only what ended before the last level has shown a base: the others are taken by the share still to come.
        past = ending_s + 2 * self.lag_s < self.mid_s[-1]
        last_pa = float(self.fall_pa[-1])
        groups: list[_Group] = []
        self.future_groups = 0
        for j in np.nonzero(past)[0]:
            end_s = float(ending_s[j])
            after = self.mid_s > end_s + 2 * self.lag_s
            base_pa = float(self.pa[after].mean())
            left_pa = np.where(self.from_s < end_s, np.maximum(self.fall_pa - base_pa, 0.0), 0.0)
            groups.append(
                _Group(
                    max(float(self.fall_pa[0]) - base_pa, 0.0),
                    left_pa,
                    np.ascontiguousarray(shapes[:, :, j]),
                    ends,
                    np.full(len(ends), end_s),
                    unit[:, j],
                    table.log_prior[ends] + width[j],
                )
            )
        late_shape, late_unit = self._shapes(fades, fading_s)
        fade_width = np.log(np.gradient(np.log(fading_s)))
        count, future = len(self.mid_s), int((~past).sum())
        shape = np.concatenate([shapes[:, :, ~past].reshape(count, -1), late_shape.reshape(count, -1)], axis=1)
        law = np.concatenate([np.repeat(ends, future), np.repeat(fades, len(fading_s))])
        span_s = np.concatenate([np.tile(ending_s[~past], len(ends)), np.tile(fading_s, len(fades))])
        units = np.concatenate([unit[:, ~past].ravel(), late_unit.ravel()])
        widths = np.concatenate([np.tile(width[~past], len(ends)), np.tile(fade_width, len(fades))])
        bins = np.digitize(shape[-1], LEFT_EDGES)
        for number, left in enumerate(LEFT_MIDDLES.tolist()):
            of_bin = np.nonzero(bins == number)[0]
            if len(of_bin):
                self.future_groups += 1
                first_pa = self.seen_pa / (1 - left)
                groups.append(
                    _Group(
                        first_pa,
                        np.maximum(self.fall_pa - last_pa, 0.0) + first_pa * left,
                        shape[:, of_bin],
                        law[of_bin],
                        span_s[of_bin],
                        units[of_bin],
                        table.log_prior[law[of_bin]] + widths[of_bin],
                    )
                )
        return groups

    # ------------------------------------------------------------------ background

    def _background(self, high_pa: float, against_room: bool, breaks_s: tuple[float, ...]) -> None:
        """Covariances between the levels, of all that is not release."""
        mid, outer = self.mid_s, np.multiply.outer
        common = np.full((len(mid), len(mid)), (30.0 + 2 * self.seen_pa) ** 2)
        size = WARMING_PA + 0.02 * min(high_pa, 200.0)
        for warming_s in (900.0, 2700.0):
            warmed = 1 - np.exp(-mid / warming_s)
            common += 0.5 * size * size * outer(warmed, warmed)
        size = SETTLING * self.seen_pa + 1.0
        for settling_s in SETTLING_S:
            unsettled = np.exp(-(mid - mid[0]) / settling_s)
            common += size * size * outer(unsettled, unsettled)
        drying = np.sqrt(1800.0 / np.maximum(mid, 120.0))
        common += (DRYING_PA + 0.01 * min(high_pa, 200.0)) ** 2 * outer(drying, drying)
        common += (0.2 + 2 * self.typical_sd_pa) ** 2 * outer(mid, mid) / 3600.0**2
        common += np.diag(self.variance + 0.02**2)
        apart = np.abs(mid[:, None] - mid[None, :])
        for break_s in breaks_s:
            after = (mid > break_s).astype(float)
            size = BREAK_PA + BREAK_SHARE * self.seen_pa
            unsettled = after * np.exp(-np.maximum(mid - break_s, 0.0) / SETTLING_S[0])
            common += size * size * (0.25 * outer(after, after) + outer(unsettled, unsettled))
        if against_room:
            common += (ROOM_DRIFT_PA_H / 3600.0) ** 2 * outer(mid, mid) + ROOM_WANDER_PA**2 * np.exp(
                -apart / ROOM_WANDER_S
            )
        self._common = common
        walk = WALK**2 * np.minimum(mid[:, None], mid[None, :]) / 3600.0
        # What wanders far (a gauge that reads against the room, and nobody said so) drifts as well.
        drift = (DRIFT_SHARE / 3600.0) ** 2 * outer(mid, mid)
        self._wander = np.exp(-apart / WANDER_S) + walk + drift
        log_mid = np.log(np.maximum(mid, 1.0))
        self._misfit = np.exp(-np.abs(log_mid[:, None] - log_mid[None, :]) / MISFIT_LN)
        self._uneven: dict[float, Array] = {}
        for uneven_s in _UNEVEN_S:
            # A mean over a while evens out.
            long = np.maximum(self.to_s - self.from_s, 1.0) / uneven_s
            kept = 2 / long * (1 - -np.expm1(-long) / long)
            between = np.exp(-apart / uneven_s) * np.sqrt(outer(kept, kept))
            np.fill_diagonal(between, kept)
            self._uneven[uneven_s] = between

    def _rises(self, rises: list[Rise], leak_pa_s: float | None) -> None:
        """What the rises say of every hypothesis: precision and pull of the amplitude, for a lag as expected."""
        self.lags = np.ones(1)
        self.rise_precision = self.rise_pull = np.zeros(len(self.law))
        if not rises:
            return
        table = self.table
        self.lags = np.array(SEEN_LAGS if self.lag_seen else LAGS)
        time_s, pa_s, variance = (np.array(column) for column in zip(*rises, strict=True))
        index, share = Laws.place(time_s[:, None] / self.span_s[None, :])
        flow = table.flow[self.law[None, :], index]
        flow = flow + (table.flow[self.law[None, :], index + 1] - flow) * share
        rows = flow / (self.span_s * self.unit * self.lag_s)[None, :]
        drying = np.sqrt(1800.0 / np.maximum(time_s, 120.0))
        # Bubbles come in trains: a rise of a few minutes shows more or less than the law's flow, and what is left of it
        # then is not known, but some share of what has been.
        over = np.maximum(pa_s - pa_s.min(), 0.0)
        cov = np.diag(variance + (RISE_UNEVEN * over) ** 2 + (RISE_FLOOR * over.max()) ** 2)
        # A leak lets in and never takes away, and no more than the smallest rise shows: unknown, it is a share of that.
        least = max(float((pa_s + np.sqrt(variance)).min()), 0.0)
        leak, leak_sd = (
            (LEAK_SHARE * least, LEAK_SHARE_SD * least + 0.001)
            if leak_pa_s is None
            else (leak_pa_s, 0.3 * leak_pa_s + 0.003)
        )
        cov += leak_sd**2 + (DRYING_PA / self.lag_s) ** 2 * np.multiply.outer(drying, drying)
        white = np.linalg.inv(np.linalg.cholesky(cov))
        shape, value = white @ rows, white @ (pa_s - leak)
        self.rise_precision, self.rise_pull = np.einsum("ij,ij->j", shape, shape), value @ shape

    # ------------------------------------------------------------------ likelihood

    def likely(self, log_weight: Array) -> Index:
        """The most likely hypotheses, and the best of some groups far from them: which noise fits may differ."""
        best = [
            int(start) + int(np.argmax(log_weight[start:stop]))
            for start, stop in itertools.pairwise(self.offsets.tolist())
        ]
        past = len(best) - self.future_groups
        some = best[past:] + best[: past : max(past // 6, 1)]
        return np.unique(np.concatenate([np.argpartition(log_weight, -TRIED)[-TRIED:], some]))

    def score(self, noise: Noise, columns: Index | None = None) -> tuple[Array, Array, Array]:
        """Log likelihood, mean and spread of the amplitude: (lags, hypotheses) of all, or of some columns."""
        count = len(self.law) if columns is None else len(columns)
        precision, pull, constant = np.empty(count), np.empty(count), np.empty(count)
        values = self.pa - float(self.pa[-3:].mean())
        if columns is None:
            used: list[int] = list(range(len(self.groups)))
            of_column = None
        else:
            of_column = np.searchsorted(self.offsets, columns, side="right") - 1
            used = np.unique(of_column).tolist()
        steady = (
            self._common + (noise.wander * self.wander_pa) ** 2 * self._wander + np.diag(noise.extra * self.variance)
        )
        misfit = MISFIT**2 + (MISFIT_SHARE * noise.uneven) ** 2
        rough = misfit * self._misfit + noise.uneven**2 * self._uneven[noise.uneven_s]
        left = np.stack([self.groups[number].left_pa for number in used])
        root = np.linalg.cholesky(steady[None] + left[:, :, None] * left[:, None, :] * rough[None])
        log_root = np.log(np.einsum("gii->gi", root)).sum(axis=1)
        white = np.linalg.inv(root)
        values_white = white @ values
        narrow = white.astype(np.float32)
        for place, number in enumerate(used):
            group = self.groups[number]
            if columns is None or of_column is None:
                where: slice | Index = slice(int(self.offsets[number]), int(self.offsets[number + 1]))
                shape = group.shape
            else:
                where = np.nonzero(of_column == number)[0]
                shape = group.shape[:, columns[where] - self.offsets[number]]
            shaped = narrow[place] @ shape
            value = values_white[place]
            precision[where] = np.einsum("ij,ij->j", shaped, shaped)
            pull[where] = value.astype(np.float32) @ shaped
            constant[where] = -0.5 * float(value @ value) - log_root[place]
        return self._amplitudes(precision, pull, constant, columns)

    def _amplitudes(
        self, precision: Array, pull: Array, constant: Array, columns: Index | None
    ) -> tuple[Array, Array, Array]:
        """The amplitude is positive and about what the levels' fall makes it, if the hypothesis is right."""
        some: slice | Index = slice(None) if columns is None else columns
        first = self.first_pa[some]
        width = 0.6 * first + 1.0
        lags = self.lags[:, None]
        a = precision[None, :] + self.rise_precision[some][None, :] / lags**2 + 1 / width**2
        b = pull[None, :] + self.rise_pull[some][None, :] / lags + first / width**2
        z = b / np.sqrt(a)
        log_likelihood = (
            0.5 * z * z
            - 0.5 * (first / width) ** 2
            - 0.5 * np.log(a * width**2)
            # Logistic form of the normal distribution function: within 0.01 of it, and never log(0).
            - np.logaddexp(0.0, -1.702 * z)
            + np.logaddexp(0.0, -1.702 * first / width)
            + constant
        )
        return log_likelihood, b / a, 1 / np.sqrt(a)

    def prior(self) -> Array:
        """Log prior: (lags, hypotheses)."""
        of_lag = -0.5 * (np.log(self.lags) / (SEEN_LAG_LN_SD if self.lag_seen else LAG_LN_SD)) ** 2
        of_lag -= np.logaddexp.reduce(of_lag)
        return np.asarray((self.log_prior - 0.5 * (self.first_pa / self.most_pa) ** 2)[None, :] + of_lag[:, None])


def fit(
    levels: list[Level],
    rises: list[Rise],
    *,
    lag_s: float,
    lag_seen: bool = False,
    leak_pa_s: float | None,
    now_s: float,
    search: NoiseSearch,
    against_room: bool = False,
    breaks_s: tuple[float, ...] = (),
) -> Fits:
    """All that fits, by weight. Six levels or more.

    lag_s : time constant of the chamber at its plateau;  lag_seen : falls after rises have shown it
    leak_pa_s : from commissioning, None if unknown;  against_room : the gauge reads against the room's pressure
    breaks_s : when the pump drew again after air had come in
    """
    problem = _Problem(levels, rises, lag_s, lag_seen, leak_pa_s, now_s, against_room, breaks_s)
    prior = problem.prior()
    tried = search.candidates()
    first = problem.score(NOISES[tried[0]])
    likely = problem.likely(TRUST * first[0].max(axis=0) + prior.max(axis=0))
    evidence: list[tuple[float, int]] = []
    for number in tried:
        log_weight = TRUST * problem.score(NOISES[number], likely)[0] + prior[:, likely]
        evidence.append((float(np.logaddexp.reduce(log_weight.ravel())) + _NOISE_LN[number], number))
    evidence.sort(reverse=True)
    search.best = evidence[0][1]
    kept = [number for value, number in evidence[:5] if value > evidence[0][0] - NOISE_WORTH]
    if search.best != tried[0]:
        # With other noise other hypotheses are worth trying.
        first = problem.score(NOISES[search.best])
    of_column = np.logaddexp.reduce(TRUST * first[0] + prior, axis=0)
    columns, thinned = _thinned(of_column, MOST_TRIED)
    prior = prior[:, columns] + (thinned - of_column[columns])[None, :]
    parts = [
        tuple(part[:, columns] for part in first) if number == search.best else problem.score(NOISES[number], columns)
        for number in kept
    ]
    log_weight = np.stack(
        [TRUST * part[0] + prior + _NOISE_LN[number] for part, number in zip(parts, kept, strict=True)]
    )
    chosen, log_weight = _thinned(log_weight.ravel(), MOST_FITS)
    where = np.unravel_index(chosen, (len(kept), *prior.shape))
    lag, column = where[1], columns[where[2]]
    mean = np.stack([part[1] for part in parts])[where]
    spread = np.stack([part[2] for part in parts])[where]
    per = 1 / (problem.lag_s * problem.lags[lag] * problem.unit[column] * problem.span_s[column])
    return Fits(
        log_weight - log_weight.max(),
        problem.law[column],
        problem.span_s[column],
        mean * per,
        spread * per,
        np.maximum(mean, 0.0),
        problem.gone[column].astype(np.float64),
    )


def _thinned(log_weight: Array, count: int) -> tuple[Index, Array]:
    """About `count` of the rows, and their new weights: the heavy ones as they are, of the light ones every so many-th,
    each for all that it stands for (the optimal resampling of Fearnhead and Clifford 2003, Journal of the Royal
    Statistical Society B 65, 887-899, with a fixed offset instead of chance). Many light rows weigh as much as before.
    """
    if len(log_weight) <= count:
        return np.arange(len(log_weight)), log_weight
    weight = np.exp(log_weight - log_weight.max())
    ranked = np.sort(weight)[::-1]
    rest = ranked.sum() - np.concatenate([[0.0], np.cumsum(ranked[: count - 1])])
    # The heaviest k are kept once what is left, shared among the other places, is more than any of it.
    share = rest / (count - np.arange(count))
    place = int(np.argmax(ranked[:count] <= share))
    least = float(share[place])
    heavy = weight > least
    light = np.nonzero(~heavy)[0]
    counted = np.floor(np.cumsum(weight[light]) / max(least, 1e-300) + 0.5)
    taken = light[np.diff(counted, prepend=0.0) > 0]
    chosen = np.concatenate([np.nonzero(heavy)[0], taken])
    new = np.concatenate([log_weight[heavy], np.full(len(taken), math.log(max(least, 1e-300)) + log_weight.max())])
    order = np.argsort(chosen, kind="stable")
    return chosen[order], new[order]
