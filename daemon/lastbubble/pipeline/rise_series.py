"""The rises of one batch beside each other: what they have in common is vapour, what differs is gas.

Shut off, the resin's vapour comes back towards its own pressure, by the same height and with the same time constant
whenever it is shut; gas from the pores and a leak rise straight over some minutes. One rise alone cannot tell a bend
well, and its mean pace depends on where exactly it begins and ends: a tenth sooner or later, where it bends much. So
the bend is fitted to all of them at once, and every rise's mean pace is told for the same window.

Vapour over a resin that was pumped: first order towards saturation (Langmuir; pressure rise of a closed volume).
Reads no clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from lastbubble.pipeline.isolation import SETTLE_S, Rise
from lastbubble.pipeline.rise_shape import line_through

__all__ = ["comparable"]

_TIMES_S: Final = (20.0, 30.0, 45.0, 70.0, 110.0, 170.0, 260.0)
#: The bend counts when it makes the squared residuals, in units of the noise, less by so much.
_WORTH: Final = 12.0
#: Points by which the common window is laid out.
_LAID: Final = 16


def comparable(rises: Sequence[Rise], noise_pa: float) -> list[tuple[float, float]]:
    """The mean pace of each rise over the window that all have in common, with its variance [Pa/s, (Pa/s)^2].

    noise_pa : of one point. Rises without points (two readings and no more) keep what they say of themselves.
    """
    fitted = [rise for rise in rises if rise.points]
    if not fitted:
        return [(rise.mean_pa_s, rise.mean_variance) for rise in rises]
    tau, bend_pa = _common_bend(fitted, max(noise_pa, 1e-6))
    lengths = sorted(rise.points[-1][0] for rise in fitted)
    whole = max(lengths[len(lengths) // 2], SETTLE_S + 30.0)
    laid = [SETTLE_S + (whole - SETTLE_S) * k / (_LAID - 1) for k in range(_LAID)]
    usual = bend_pa * line_through(laid, [-math.expm1(-x / tau) for x in laid])[2]
    out = []
    for rise in rises:
        if not rise.points:
            out.append((rise.mean_pa_s, rise.mean_variance))
            continue
        xs = [x for x, _ in rise.points]
        ys = [y + bend_pa * math.expm1(-x / tau) for x, y in rise.points]
        middle, mean, slope = line_through(xs, ys)
        rest = sum((y - mean - slope * (x - middle)) ** 2 for x, y in zip(xs, ys, strict=True))
        spread = sum((x - middle) ** 2 for x in xs)
        out.append((slope + usual, max(noise_pa * noise_pa, rest / max(len(xs) - 2, 1)) / spread))
    return out


def _common_bend(rises: Sequence[Rise], noise_pa: float) -> tuple[float, float]:
    """Time constant and height of the bend that all rises have, height 0 where the points do not ask for one."""
    best, found = _WORTH * noise_pa * noise_pa, (_TIMES_S[0], 0.0)
    bent = []
    for rise in rises:
        xs, ys = zip(*rise.points, strict=True)
        bent.append((xs, _straightened(xs, ys)))
    for tau in _TIMES_S:
        pull = weight = 0.0
        for xs, values in bent:
            curve = _straightened(xs, [-math.expm1(-x / tau) for x in xs])
            pull += sum(c * v for c, v in zip(curve, values, strict=True))
            weight += sum(c * c for c in curve)
        if weight > 0 and pull > 0 and pull * pull / weight > best:
            best, found = pull * pull / weight, (tau, pull / weight)
    return found


def _straightened(xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    """What is left of the values when their own straight line is taken off."""
    middle, mean, slope = line_through(xs, ys)
    return [y - mean - slope * (x - middle) for x, y in zip(xs, ys, strict=True)]
