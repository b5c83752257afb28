"""The laws by which pores may give up gas, as a table that is drawn once.

A law is a flow over time without scales: time in units of the span (x = 1: the last piece has ended, or, where nothing
ends, all but a thousandth of the gas has come), flow in units of all the gas over the span. A batch is some pieces,
each with a life of its own, of which the longest is the span.

    front      a resin front creeps in: t^(-1/2) (imbibition), until the fronts meet
    throat     a flow that decays towards what still opens the throats, and stops there, softly or at once
    core       gas from a shrinking core: (1 - t/life)^m
    broad      a mixture of exponentials: many pore sizes (one exponential where they are all alike)
    tail       a power of the time, cut by the slowest pores' exponential

The first three end, the others fade for ever. How often each, and how unlike the pieces of a batch are: ours, no
published source. The random numbers are a fixed stream, so the same observations always get the same verdict.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["ENDS_SHARE", "Laws", "laws"]

Array = npt.NDArray[np.float64]

#: How often a release ends rather than fades, before anything is seen.
ENDS_SHARE: Final = 0.6
#: Draws of each law.
DRAWS: Final = {"front": 100, "throat": 90, "core": 80, "broad": 50, "tail": 50}
#: The grid: x = GRID_SCALE (exp(k GRID_STEP) - 1).
GRID_SCALE: Final = 0.02
GRID_COUNT: Final = 1300
GRID_STEP: Final = 0.0047
#: Softens a front's first moments, in units of the span (half a minute to some minutes of an hour or two), in ln.
_FRONT_START_LN: Final = (np.log(0.002), np.log(0.03))
#: What has come at x = 1 of a release that fades.
_COME: Final = 0.999


@dataclass(frozen=True, slots=True)
class Laws:
    """All laws on one grid.

    x : (points,) times;  gas : (laws, points) share of the gas that has come;  flow : (laws, points);
    most_ahead : (laws, points) the largest flow from there on;  almost : (laws,) when 99 % of the gas has come;
    ends : (laws,) it ends rather than fades;  log_prior : (laws,)
    """

    x: Array
    gas: npt.NDArray[np.float32]
    flow: npt.NDArray[np.float32]
    most_ahead: Array
    almost: Array
    ends: npt.NDArray[np.bool_]
    log_prior: Array

    @staticmethod
    def place(x: Array) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float32]]:
        """Where on the grid: index of the point before, and the share of the way to the next."""
        at = np.log1p(np.maximum(x, 0.0) / GRID_SCALE) / GRID_STEP
        at = np.minimum(at, GRID_COUNT - 1.001)
        index = at.astype(np.intp)
        # Linear in x, not in the index, so that a steady flow stays a straight line of gas.
        low = GRID_SCALE * np.expm1(index * GRID_STEP)
        high = GRID_SCALE * np.expm1((index + 1) * GRID_STEP)
        return index, np.clip((x - low) / (high - low), 0.0, 1.0).astype(np.float32)


def _lives(rng: np.random.Generator) -> Array:
    """Lives of the pieces of one batch, the longest 1."""
    count = 1 if rng.random() < 0.1 else int(np.exp(rng.uniform(np.log(2.0), np.log(14.99))))
    if rng.random() < 0.7:
        spread = np.exp(rng.uniform(np.log(0.02), np.log(0.3)))
        lives = np.maximum(1 - spread * np.abs(rng.standard_normal(count)), 0.1)
    else:
        lives = rng.uniform(rng.uniform(0.2, 0.8), 1.0, count)
    return np.asarray(lives / lives.max())


def _one(law: str, x: Array, rng: np.random.Generator) -> Array:
    """Flow of one batch, to any scale."""
    flow = np.zeros_like(x)
    if law in ("front", "throat", "core"):
        soft = rng.random() < 0.5
        start = np.exp(rng.uniform(*_FRONT_START_LN))
        for life in _lives(rng):
            if law == "front":
                one = np.where(x < life, 1 / np.sqrt(x + start), 0.0)
            elif law == "throat":
                decay = rng.uniform(0.8, 5.3)
                one = np.where(x < life, np.exp(-decay * x / life) - (np.exp(-decay) if soft else 0.0), 0.0)
            else:
                one = np.maximum(1 - x / life, 0.0) ** rng.uniform(0.3, 1.7)
            one = np.maximum(one, 0.0)
            total = np.trapezoid(one, x)
            flow += rng.uniform(0.5, 1.5) * one / max(total, 1e-12)
        return flow
    if law == "broad":
        width = 0.0 if rng.random() < 0.3 else rng.uniform(0.1, 0.7)
        for tau in np.exp(width * rng.standard_normal(16)):
            flow += rng.uniform(0.5, 1.5) / tau * np.exp(-x / tau)
        return flow
    power = rng.uniform(1.0, 2.3)
    cut = np.exp(rng.uniform(np.log(3.0), np.log(60.0)))
    return np.asarray((1 + x) ** -power * np.exp(-x / cut))


@functools.cache
def laws() -> Laws:
    """The table."""
    rng = np.random.Generator(np.random.PCG64(1))
    x = GRID_SCALE * np.expm1(np.arange(GRID_COUNT) * GRID_STEP)
    flows: list[Array] = []
    ends: list[bool] = []
    prior: list[float] = []
    for law, count in DRAWS.items():
        does_end = law in ("front", "throat", "core")
        share = ENDS_SHARE / 3 if does_end else (1 - ENDS_SHARE) / 2
        for _ in range(count):
            if does_end:
                flow = _one(law, x, rng)
            else:
                # Drawn on a long grid of its own, then scaled so that almost all has come at 1.
                long = 300.0 * np.linspace(0.0, 1.0, 12_000) ** 2
                raw = _one(law, long, rng)
                come = np.concatenate([[0.0], np.cumsum(0.5 * (raw[1:] + raw[:-1]) * np.diff(long))])
                scale = float(np.interp(_COME, come / come[-1], long))
                flow = np.exp(np.interp(x * scale, long, np.log(raw + 1e-300)))
            flows.append(flow)
            ends.append(does_end)
            prior.append(np.log(share / count))
    flow = np.array(flows)
    steps = 0.5 * (flow[:, 1:] + flow[:, :-1]) * np.diff(x)
    gas = np.concatenate([np.zeros((len(flow), 1)), np.cumsum(steps, axis=1)], axis=1)
    total = gas[:, -1:]
    gas, flow = gas / total, flow / total
    almost = np.array([np.interp(0.99, one, x) for one in gas])
    most_ahead = np.maximum.accumulate(flow[:, ::-1], axis=1)[:, ::-1]
    return Laws(
        x,
        gas.astype(np.float32),
        flow.astype(np.float32),
        np.ascontiguousarray(most_ahead),
        almost,
        np.array(ends),
        np.array(prior),
    )
