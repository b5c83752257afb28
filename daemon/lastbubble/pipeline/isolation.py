"""The pressure's rise while the chamber is shut off from the running pump, fitted as what it may be.

Shut off, V dp/dt = gas from the pores + leak + vapour. Over a few minutes the gas and the leak are straight; vapour and
gas from surfaces saturate. So a rise is fitted as straight line and as line plus saturating exponential, and the second
counts only when the data ask for it (by the Bayesian information criterion). Straightness alone never says "leak":
gas from the pores and permeation rise straight too (only an empty, dry chamber makes a leak test).

Pressure-rise principle: EN 1779 (leak testing, criteria for method selection), technique of pressure change.
Reads no clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

__all__ = ["FallRecorder", "Rise", "RiseRecorder", "fit_rise", "short_rise"]

#: The first seconds hold the valve's stroke and the pressure's settling between chamber and hose.
SETTLE_S: Final = 15.0
LEAST_S: Final = 45.0
#: What lies this far above the first value, or under the top, is no noise [standard deviations].
CUT: Final = 4.0
#: A fall is followed to this share of the rise, and no longer than this [s].
FALL_TO: Final = 0.12
LONGEST_FALL_S: Final = 420.0
#: How sure two points of a steep rise are, relative: the valve's stroke is a part of it.
SHORT_DOUBT: Final = 0.35
_TIMES_S: Final = (20.0, 40.0, 80.0, 160.0, 320.0, 640.0)


@dataclass(frozen=True, slots=True)
class Rise:
    """One isolation, fitted.

    slope_pa_s : straight part at the middle of the rise, with its variance (gas, leak and permeation together) [Pa/s]
    mean_pa_s : of the whole rise as if all of it were straight, with its variance: what one rise is compared with the
        next by, whichever of them happened to show its bend [Pa/s]
    vapour_pa, vapour_s : height and time constant of a saturating part, 0 when the data do not ask for one
    level_pa : pressure when it was shut;  end_pa : when it was opened
    rms_pa : residual of the fit;  points : what was fitted, as (seconds since it was shut, Pa)
    """

    start_s: float
    end_s: float
    slope_pa_s: float
    variance: float
    mean_pa_s: float
    mean_variance: float
    vapour_pa: float
    vapour_s: float
    level_pa: float
    end_pa: float
    rms_pa: float
    points: tuple[tuple[float, float], ...] = ()

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.start_s + self.end_s)


def short_rise(start_s: float, end_s: float, level_pa: float, high_pa: float) -> Rise:
    """A rise that was ended too soon for a fit, because it was so steep: two points, known within a third."""
    mean = (high_pa - level_pa) / max(end_s - start_s, 1.0)
    variance = (SHORT_DOUBT * mean) ** 2
    return Rise(start_s, end_s, mean, variance, mean, variance, 0.0, 0.0, level_pa, high_pa, 0.0)


def fit_rise(
    times_s: Sequence[float], pressures_pa: Sequence[float], noise_pa: float, level_pa: float | None = None
) -> Rise | None:
    """Fit one rise. times_s, pressures_pa : (n,), n >= 5, over 45 s at least; noise_pa : of one value; level_pa : where
    it rose from, None for the first value.

    None when there is too little of it. The variance of the slope is never below what `noise_pa` allows, and grows with
    a residual that the fit leaves.
    """
    start = times_s[0] if times_s else 0.0
    if level_pa is not None and len(times_s) > 4:
        start = _onset_s(times_s, pressures_pa, noise_pa, level_pa)
    kept = [(t, p) for t, p in zip(times_s, pressures_pa, strict=True) if t - start >= SETTLE_S]
    if len(kept) < 4 or kept[-1][0] - kept[0][0] < LEAST_S - SETTLE_S:
        return None
    count = len(kept)
    shift = kept[0][0]
    xs = [t - shift for t, _ in kept]
    ys = [p for _, p in kept]
    line = _least_squares([[1.0] * count, xs], ys)
    if line is None:
        return None
    beta, rss, inverse = line
    noise = max(noise_pa, 1e-6)
    best = _criterion(rss, count, 2, noise)
    slope, spread = beta[1], inverse[1][1]
    mean, mean_spread = slope, spread
    vapour, constant, parameters = 0.0, 0.0, 2
    if count >= 8:
        span = xs[-1]
        for tau in _TIMES_S:
            if not 4 * xs[1] < tau < span:
                continue
            curve = [1 - math.exp(-x / tau) for x in xs]
            bent = _least_squares([[1.0] * count, xs, curve], ys)
            if bent is None or bent[0][2] <= 0:
                continue
            score = _criterion(bent[1], count, 4, noise)
            if score < best - 4:
                best, rss, parameters = score, bent[1], 4
                slope, spread, vapour, constant = bent[0][1], bent[2][1][1], bent[0][2], tau
    scatter = max(noise * noise, rss / max(count - parameters, 1))
    return Rise(
        start_s=start,
        end_s=kept[-1][0],
        slope_pa_s=slope,
        variance=scatter * spread,
        mean_pa_s=mean,
        mean_variance=scatter * mean_spread,
        vapour_pa=vapour,
        vapour_s=constant,
        level_pa=pressures_pa[0],
        end_pa=ys[-1],
        rms_pa=math.sqrt(rss / count),
        points=tuple((t - start, p) for t, p in kept),
    )


def _onset_s(times_s: Sequence[float], pressures_pa: Sequence[float], noise_pa: float, level_pa: float) -> float:
    """When it left its level: the line through the first three values that are plainly above, led back to it. Values
    are means over some seconds, and the first may hold both.
    """
    first = next((i for i, p in enumerate(pressures_pa) if p > level_pa + 6 * noise_pa), None)
    if first is None or first + 2 >= len(times_s):
        return times_s[0]
    times, values = times_s[first : first + 3], pressures_pa[first : first + 3]
    pace = (values[2] - values[0]) / (times[2] - times[0])
    if pace <= 0:
        return times_s[0]
    back_s = (sum(values) / 3 - level_pa) / pace
    before_s = times_s[first - 1] if first else times_s[0] - (times_s[1] - times_s[0])
    return min(max(times[1] - back_s, before_s), times[0])


def _criterion(rss: float, count: int, parameters: int, noise: float) -> float:
    """Information criterion with a noise floor: a fit better than the noise is no better."""
    return count * math.log(max(rss / count, 0.25 * noise * noise)) + parameters * math.log(count)


def _least_squares(
    columns: list[list[float]], values: list[float]
) -> tuple[list[float], float, list[list[float]]] | None:
    """Coefficients, residual sum of squares and inverse normal matrix; None when singular."""
    size = len(columns)
    normal = [[sum(a * b for a, b in zip(x, y, strict=True)) for y in columns] for x in columns]
    right = [sum(a * b for a, b in zip(x, values, strict=True)) for x in columns]
    rows = [normal[i] + [1.0 if i == j else 0.0 for j in range(size)] for i in range(size)]
    for i in range(size):
        pivot = max(range(i, size), key=lambda r: abs(rows[r][i]))
        if abs(rows[pivot][i]) < 1e-12:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        scale = rows[i][i]
        rows[i] = [x / scale for x in rows[i]]
        for j in range(size):
            if j != i and rows[j][i]:
                factor = rows[j][i]
                rows[j] = [x - factor * y for x, y in zip(rows[j], rows[i], strict=True)]
    inverse = [row[size:] for row in rows]
    beta = [sum(a * b for a, b in zip(row, right, strict=True)) for row in inverse]
    rss = 0.0
    for index, value in enumerate(values):
        rss += (value - sum(b * column[index] for b, column in zip(beta, columns, strict=True))) ** 2
    return beta, rss, inverse


class FallRecorder:
    """The pump draws down again what rose: an exponential with the chamber's time constant, volume over speed, at the
    pressure that matters. A pump-down cannot show it, since hose and pump give less the lower the pressure.

    at_most_s : what the time constant cannot be more than, where the last fall was too quick to be followed
    """

    def __init__(self) -> None:
        self.at_most_s = math.inf
        self._level_pa = self._lift_pa = 0.0
        self._points: list[tuple[float, float]] = []
        self._begun_s: float | None = None
        self._top_s = 0.0

    def begin(self, now_s: float, rise: Rise) -> None:
        """The rise has ended."""
        self._begun_s, self._level_pa, self._lift_pa = now_s, rise.level_pa, rise.end_pa - rise.level_pa
        self._top_s = rise.end_s
        self._points.clear()

    def add(self, time_s: float, pa: float, noise_pa: float) -> float | None:
        """The time constant [s] once it has fallen far enough; None before, and where it cannot be told."""
        if self._begun_s is None:
            return None
        lift = pa - self._level_pa
        points = self._points
        if lift > max(FALL_TO * self._lift_pa, 4 * noise_pa) and time_s - self._begun_s < LONGEST_FALL_S:
            if points and lift >= points[-1][1]:
                # It has not been opened yet, or only in the midst of this block.
                points.clear()
            points.append((time_s, lift))
            return None
        self._begun_s = None
        if len(points) < 2 and self._lift_pa > 12 * noise_pa and 0 < time_s - self._top_s < LONGEST_FALL_S:
            left = max(abs(lift), 2 * noise_pa) / self._lift_pa
            if left < 0.5:
                self.at_most_s = min(self.at_most_s, (time_s - self._top_s) / -math.log(left))
        # The first block may hold the valve's stroke.
        points = points[1:] if len(points) > 3 else points
        if len(points) < 2 or points[0][1] < 12 * noise_pa or lift > 0.5 * points[0][1]:
            return None
        weights = [one * one for _, one in points]
        total = sum(weights)
        middle = sum(w * t for w, (t, _) in zip(weights, points, strict=True)) / total
        mean = sum(w * math.log(one) for w, (_, one) in zip(weights, points, strict=True)) / total
        below = sum(w * (t - middle) ** 2 for w, (t, _) in zip(weights, points, strict=True))
        above = sum(w * (t - middle) * (math.log(one) - mean) for w, (t, one) in zip(weights, points, strict=True))
        return -below / above if above < 0 else None


class RiseRecorder:
    """Collects one rise in bounded memory (thinned by pairs) and gives its fit."""

    def __init__(self, most: int = 240) -> None:
        self._most = most
        self._times: list[float] = []
        self._pressures: list[float] = []

    def add(self, time_s: float, pa: float) -> None:
        """One block of the rise."""
        self._times.append(time_s)
        self._pressures.append(pa)
        if len(self._times) > self._most:
            self._times = [0.5 * (a + b) for a, b in zip(self._times[::2], self._times[1::2], strict=False)]
            self._pressures = [0.5 * (a + b) for a, b in zip(self._pressures[::2], self._pressures[1::2], strict=False)]

    def fit(self, noise_pa: float, level_pa: float | None = None) -> Rise | None:
        """The rise so far; None when there is too little of it. level_pa : where it rose from, None if unknown.

        What was told too early or too late is cut off: before the pressure leaves its level, and after its top.
        """
        times, values = self._times, self._pressures
        if not times:
            return None
        top = max(range(len(values)), key=values.__getitem__)
        if values[top] - values[-1] <= CUT * noise_pa:
            top = len(values) - 1
        risen = values[0] + CUT * noise_pa
        first = next((i for i, value in enumerate(values) if value > risen), 1) - 1
        if values[top] <= values[0] + 2 * CUT * noise_pa:
            first = 0
        return fit_rise(times[first : top + 1], values[first : top + 1], noise_pa, level_pa)

    def clear(self) -> None:
        self._times.clear()
        self._pressures.clear()

    def __len__(self) -> int:
        return len(self._times)
