"""The core of the slowest piece: many possible pieces in many possible ovens, side by side.

Nobody tells the coefficient of heat transfer, how much cooler the walls are than the air, how the piece lies or what
its stone conducts. So each is drawn from an honest prior (`DIMENSIONS`), a few hundred bodies are followed through
the measured air, and the core is the spread of them: by weight its median and its 80 % band. Where a witness probe
lies in a piece, the bodies that foretold it count more (`weigh`).

Each body is a bank of lags (`physics.conduction`), exact for any step; radiation to walls that lag behind the air
enters as a surrounding temperature that gives the same flux. The heat that the setting resin gives is left out, which
errs late, the safe side. Water that still evaporates is left out too, which errs early: without a probe nobody can
see it.

Pure and deterministic: the draws are a fixed low-discrepancy sequence.
"""

from __future__ import annotations

import json
import math
from collections import deque
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt

from lastbubble.context import Context
from lastbubble.physics.conduction import STEFAN_BOLTZMANN_W_M2K4, Bank, Shape, bank
from lastbubble.physics.fixed_points import reading_spread_k
from lastbubble.physics.materials import material
from lastbubble.pipeline.heatup import ELEMENT_S, SETTLE_S, HeatUp

__all__ = [
    "BODIES",
    "DIMENSIONS",
    "STEP_S",
    "Anchor",
    "Bodies",
    "Draws",
    "draw",
    "weighted_quantiles",
]

Array = npt.NDArray[np.float64]

#: Bodies that are followed, and the length of their step. 48 h are 8640 steps.
BODIES: Final = 400
STEP_S: Final = 20.0

#: What is drawn for each body, in this order; each as a standard normal score.
DIMENSIONS: Final = (
    "convection", "emissivity", "wall_lag", "wall_loss", "size", "width", "length", "conductivity",
    "heat_capacity", "couple", "place", "lying", "start", "plateau", "other_size", "probe", "resin", "resin_pace",
    "load", "keeps",
)  # fmt: skip
_AT: Final = {name: place for place, name in enumerate(DIMENSIONS)}
#: Those that belong to the oven and its thermocouple, and stay with the station.
OVEN_DIMENSIONS: Final = ("convection", "emissivity", "wall_lag", "wall_loss", "couple", "place")


#: Standard deviation of the air's thermocouple: checked at two points, by its wire's class (`fixed_points`), and where
#: nobody told which [K].
COUPLE_K: Final = {
    "checked": reading_spread_k(95.0, checked=True),
    "class_1": reading_spread_k(95.0, checked=False, grade=1),
    "class_2": reading_spread_k(95.0, checked=False, grade=2),
    "": 1.0,
}


@lru_cache(maxsize=2)
def standard_scores(count: int) -> Array:
    """Standard normal scores (count, len(DIMENSIONS)) of a fixed additive recurrence, whitened to exact moments."""
    dims = len(DIMENSIONS)
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dims + 1))
    steps = np.array([(1 / root) ** (d + 1) for d in range(dims)])
    uniform = (0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0
    inverse = NormalDist().inv_cdf
    scores = np.array([[inverse(min(max(u, 1e-6), 1 - 1e-6)) for u in row] for row in uniform])
    scores -= scores.mean(axis=0)
    factor = np.linalg.cholesky(np.cov(scores.T))
    return np.asarray(np.linalg.solve(factor, scores.T).T)


@dataclass(frozen=True, slots=True)
class Draws:
    """Properties of each body, arrays of shape (n,).

    h_c : convection [W/(m2 K)];  emissivity : effective, face and walls [-];  wall_lag_s [s]
    wall_loss : share of (air - room) by which steady walls are cooler [-]
    size_m, width_m, length_m : see `physics.conduction.bank` [m];  k_w_mk, diffusivity_m2_s
    couple_k : thermocouple's error [K];  place : error of its place, share of (air - room) [-]
    start_k : pieces' start above what is believed of it [K];  plateau : score of the oven's plateau [-]
    probe_k : error of the probe and of its hole [K]
    resin_k, resin_pace_s : rise that the resin's own heat could give if none were lost, and its time at 88 degC [K],
    [s] other_ratio : size of the probe's piece over the slowest one's [-]
    load : what all the pieces' faces take, over what the walls take, for the same difference to the air [-]
    keeps_s : heat that air, racks and element keep while they warm, over what goes to the walls [s]
    """

    shape: Shape
    h_c: Array
    emissivity: Array
    wall_lag_s: Array
    wall_loss: Array
    size_m: Array
    width_m: Array
    length_m: Array
    k_w_mk: Array
    diffusivity_m2_s: Array
    couple_k: Array
    place: Array
    start_k: Array
    plateau: Array
    probe_k: Array
    resin_k: Array
    resin_pace_s: Array
    other_ratio: Array
    load: Array
    keeps_s: Array


def draw(context: Context, scores: Array) -> Draws:
    """The bodies that these scores mean for this batch.

    scores : (n, len(DIMENSIONS))   standard normal under the prior
    """
    z = scores.T
    shape: Shape = context.piece_shape or "slab"  # type: ignore[assignment]  # checked by the context's reader
    stuff = material(context.material)
    if context.piece_thickness_mm is None:
        size = 0.030 * np.exp(0.55 * z[_AT["size"]])
    else:
        size = context.piece_thickness_mm / 1000 * np.exp(0.05 * z[_AT["size"]])
    # Proportions: a quarter of all slabs and cylinders are as good as endless, the rest two to seven times as wide as
    # thick (nobody calls a cube a slab). Our judgement, no published source.
    width = _side(context.piece_width_mm, size, 1.25, 0.45, z[_AT["width"]], 0.7)
    if shape == "cylinder":
        width = _side(context.piece_length_mm, size, 1.25, 0.45, z[_AT["width"]], 0.7)
    length = _side(context.piece_length_mm, width, 0.4, 0.35, z[_AT["length"]], 0.7)
    k_w_mk = stuff.k_w_mk * np.exp(stuff.k_spread * z[_AT["conductivity"]])
    capacity = stuff.heat_capacity_j_m3k * np.exp(stuff.rc_spread * z[_AT["heat_capacity"]])
    # A piece on a rack takes heat all round; on a tray its underside takes less.
    lying = 0.95 * np.exp(0.08 * z[_AT["lying"]])
    return Draws(
        shape=shape,
        h_c=_convection(z[_AT["convection"]], context.oven_fan) * lying,
        emissivity=_between(0.45, 0.95, z[_AT["emissivity"]]) * lying,
        wall_lag_s=900.0 * np.exp(0.6 * z[_AT["wall_lag"]]),
        wall_loss=0.07 * np.exp(0.65 * z[_AT["wall_loss"]]) - 0.01,
        size_m=size,
        width_m=width,
        length_m=length,
        k_w_mk=k_w_mk,
        diffusivity_m2_s=k_w_mk / capacity,
        couple_k=COUPLE_K.get(context.oven_grade, 1.0) * z[_AT["couple"]],
        place=0.015 * z[_AT["place"]],
        start_k=1.0 * z[_AT["start"]],
        plateau=z[_AT["plateau"]],
        probe_k=0.7 * z[_AT["probe"]],
        # Between next to nothing and the bounds of physics.exotherm for a quarter of pores and for wood.
        resin_k=(12.0 if capacity.mean() < 1.75e6 else 5.0) * np.exp(1.0 * z[_AT["resin"]]),
        resin_pace_s=1500.0 * np.exp(0.6 * z[_AT["resin_pace"]]),
        other_ratio=_between(0.35, 1.0, z[_AT["other_size"]]),
        # By the areas: walls of 10 to 30 l are 0.3 to 0.6 m2, a handful of pieces 0.01 to 0.1 m2.
        load=0.1 * np.exp(0.8 * z[_AT["load"]]),
        # Racks, tray, element and air, 0.3 to 1.5 kg of steel (150 to 750 J/K), over some 4 to 10 W/K.
        keeps_s=100.0 * np.exp(0.6 * z[_AT["keeps"]]),
    )


def _convection(z: Array, has_fan: str) -> Array:
    """Scores -> coefficient of convection [W/(m2 K)]: still air 4 to 9 (free convection on a 50 mm piece,
    shared/reference/heat_transfer_coefficients.csv), a fan 10 to 25. Where nobody told, one oven in five has one."""
    still, fan = 6.2 * np.exp(0.27 * z), np.minimum(10.0 * np.exp(0.75 * np.maximum(z - 0.84, 0.0)), 25.0)
    if has_fan == "yes":
        return np.asarray(np.clip(15.5 * np.exp(0.33 * z), 8.0, 30.0))
    return still if has_fan == "no" else np.where(z < 0.84, still, fan)


def _between(low: float, high: float, z: Array) -> Array:
    """Scores -> nearly uniform between two ends (logistic in place of the normal's own integral)."""
    return low + (high - low) / (1 + np.exp(-1.702 * z))


def _side(known_mm: float | None, first_m: Array, mean: float, spread: float, z: Array, finite_up_to: float) -> Array:
    """A further side of the piece: known, or a ratio to the first where the scores' upper part means endless."""
    if known_mm is not None:
        return np.full_like(first_m, known_mm / 1000)
    ratio = np.maximum(np.exp(mean + spread * z), 1.0)
    return np.where(z > finite_up_to, math.inf, ratio * first_m)


@dataclass(frozen=True, slots=True)
class Anchor:
    """The present by a believed probe.

    core_c : the core [degC];  reached_s : when it reached its target, or None
    held_s, held_spread_s : how long it has held, and how far the probe's own error may put that off [s]
    """

    core_c: float
    reached_s: float | None
    held_s: float
    held_spread_s: float


#: How even the heat is that the air passes on while it rises under full power: standard deviation of the change of its
#: logarithm over the rise (mains, element, losses of the air itself). Our judgement, no published source.
RISE_EVEN: Final = 0.12
RISE_EVERY_S: Final = 60.0

#: Below this the resin's own heat is nothing to speak of [degC].
_SETS_FROM_C: Final = 55.0
#: What a probe says beyond the law's own word fades with this time in a forecast [s].
_OFF_FADES_S: Final = 5400.0


class Bodies:
    """Bodies in one oven, stepped together by `STEP_S` with the measured air.

    core_c, walls_c : (n,) the present state;  weight : (n,), sums to 1
    crossed_s, done_s : (n,) when each core first passed the target, and when its hold was complete; nan before
    unset : (n,) share of the resin that has not set yet
    waiting : (n,) bodies that are taken not to be in the oven yet
    held_s, held_near_s : (n,) time at or above target - 2 K since the target (since target - 2 K) was passed
    """

    def __init__(self, context: Context, scores: Array, room_c: float) -> None:
        self.scores = scores
        self.draws = draw(context, scores)
        self.target_c = context.target_c
        self.room_c = room_c
        n = len(scores)
        d = self.draws
        kelvin = self.target_c - 5 + 273.15
        self._h_ref = d.h_c + d.emissivity * 4 * STEFAN_BOLTZMANN_W_M2K4 * kelvin**3
        self._share_c = d.h_c / self._h_ref
        self._share_r = d.emissivity * STEFAN_BOLTZMANN_W_M2K4 / self._h_ref
        self._bank = self._make(np.ones(n))
        self._other: Bank | None = None
        self._shares: dict[float, tuple[tuple[Array, Array], ...]] = {}
        self.weight = np.full(n, 1 / n)
        self.walls_c = np.full(n, room_c)
        lags = self._bank.rate_1_s.shape
        self._z = np.full(lags, room_c)
        self._z_other = self._z
        self.core_c = np.full(n, room_c)
        self.other_c = self.core_c
        self.crossed_s = np.full(n, math.nan)
        self._near = np.zeros(n, dtype=bool)
        self.held_s = np.zeros(n)
        self.held_near_s = np.zeros(n)
        self.done_s = np.full(n, math.nan)
        self.waiting = np.zeros(n, dtype=bool)
        self.unset = np.ones(n)
        self._all_set = False
        self._all_crossed = False
        self._wall_step = -np.expm1(-STEP_S / d.wall_lag_s)
        self._rise: deque[tuple[float, Array, float]] = deque(maxlen=60)
        self._rise_due_s = -math.inf
        self._read: deque[float] = deque(maxlen=4)

    def _make(self, ratio: Array) -> Bank:
        d = self.draws
        return bank(
            d.shape,
            size_m=d.size_m * ratio,
            second_m=d.width_m * ratio,
            third_m=d.length_m * ratio,
            h_w_m2k=self._h_ref,
            k_w_mk=d.k_w_mk,
            diffusivity_m2_s=d.diffusivity_m2_s,
        )

    def follow_other(self) -> None:
        """Follow the probe's own, quicker piece too (placed like the first at the next `place`)."""
        self._other = self._make(self.draws.other_ratio)
        self._z_other = self._z.copy()
        self.other_c = self.core_c.copy()

    def hold_back(self, share: float) -> None:
        """This share of the bodies may not be in the oven yet: they stay at room temperature until they are placed."""
        n = len(self.weight)
        self.waiting = (np.arange(n) * 0.6180339887 + 0.1) % 1.0 < share

    def believe_waiting(self, factor: float) -> None:
        """Bayes: what was seen is `factor` times as likely for bodies that wait as for the others."""
        if self.waiting.any():
            self.weight = np.where(self.waiting, self.weight * factor, self.weight)
            self.weight /= self.weight.sum()

    def place(self, start_c: float, spread_k: float, only: npt.NDArray[np.bool_] | None = None) -> None:
        """Put the pieces into the oven at this temperature; `only` some bodies' (a load that is not certain)."""
        at = np.ones(len(self.weight), dtype=bool) if only is None else only
        start = (start_c + spread_k * self.draws.start_k)[at]
        self._z[at] = start[:, None]
        self.core_c[at] = start
        if self._other is not None:
            self._z_other[at] = start[:, None]
            self.other_c[at] = start
        self.crossed_s[at] = math.nan
        self._near[at] = False
        self.held_s[at] = 0
        self.held_near_s[at] = 0
        self.done_s[at] = math.nan
        self._all_crossed = False

    def air_at_piece_c(self, read_c: float | Array) -> Array:
        """True air around each piece when the thermocouple reads this [degC]."""
        d = self.draws
        return np.asarray(read_c + d.couple_k + d.place * (read_c - self.room_c))

    def step(self, read_c: float, end_s: float) -> None:
        """One step of `STEP_S` that ends at `end_s`, under air that read `read_c` on average."""
        air = self.air_at_piece_c(read_c)
        self._warm_walls(air, self._wall_step)
        share = self._share(STEP_S, 0)
        before = self.core_c
        face = self._advance(self._z, self._bank, share, air)
        taken = self.draws.load * (air - face)
        if self.waiting.any():
            taken[self.waiting] = 0.0
        self._note_drive(end_s, read_c, air - self.walls_c + taken)
        if self.waiting.any():
            self._z[self.waiting] = self.room_c
        self.core_c = np.einsum("nm,nm->n", self._bank.core, self._z)
        if not self._all_set and self.core_c.max() > _SETS_FROM_C:
            self.unset = self._left(self.unset, self.core_c, STEP_S)
            self._all_set = bool(self.unset.max() < 1e-4)
        if self._other is not None:
            self._advance(self._z_other, self._other, self._share(STEP_S, 1), air)
            self.other_c = np.einsum("nm,nm->n", self._other.core, self._z_other)
        self._count(before, end_s)

    def _share(self, length_s: float, which: int) -> tuple[Array, Array]:
        """For a step of this length: each lag's share of the way, and half the face's share."""
        both = self._shares.get(length_s)
        if both is None:
            both = self._shares[length_s] = tuple(
                (share, np.einsum("nm,nm->n", lags.surface, share) / 2)
                for lags in (self._bank, self._other or self._bank)
                for share in (-np.expm1(-lags.rate_1_s * length_s),)
            )
        return both[which]

    def _advance(self, z: Array, lags: Bank, shares: tuple[Array, Array], air: Array) -> Array:
        """One step of a bank; returns the faces' temperatures before it."""
        share, moves = shares
        face = np.einsum("nm,nm->n", lags.surface, z)
        walls_k, face_k = self.walls_c + 273.15, face + 273.15
        h_r = self._share_r * (walls_k * walls_k + face_k * face_k) * (walls_k + face_k)
        # The bank has one h; the flux wanted has another, and the face moves within the step by `moves` of any change.
        wanted = self._share_c * (air - face) + h_r * (walls_k - face_k)
        around = face + wanted / (1 + (self._share_c + h_r - 1) * moves)
        z += share * (around[:, None] - z)
        return np.asarray(face)

    def _left(self, unset: Array, core_c: Array, length_s: float) -> Array:
        """What is left of the unset resin after this time: first order, twice as fast for every 8 K (azo initiator)."""
        pace = np.exp2(np.minimum(core_c - 88.0, 40.0) / 8.0) / self.draws.resin_pace_s
        return np.asarray(unset * np.exp(-length_s * pace))

    def _count(self, before: Array, end_s: float) -> None:
        """First crossings (interpolated inside the step) and the time held."""
        target, core = self.target_c, self.core_c
        high = core >= target - 2
        if not high.any() and not self._near.any():
            return
        if self._all_crossed and high.all() and float(self.held_s.max()) + STEP_S < self.hold_s:
            # Most of a hold: everybody is hot, nobody is through.
            self.held_s += STEP_S
            self.held_near_s += STEP_S
            return
        fresh = (core >= target) & np.isnan(self.crossed_s)
        if fresh.any():
            part = (target - before[fresh]) / np.maximum(core[fresh] - before[fresh], 1e-9)
            self.crossed_s[fresh] = end_s - STEP_S * (1 - np.clip(part, 0.0, 1.0))
        counted = ~np.isnan(self.crossed_s) & high
        gain = np.where(fresh, end_s - np.where(fresh, self.crossed_s, 0.0), STEP_S)
        self.held_s[counted] += gain[counted]
        done = counted & (self.held_s >= self.hold_s) & np.isnan(self.done_s)
        if done.any():
            self.done_s[done] = end_s - (self.held_s[done] - self.hold_s)
        self._near |= high
        self._all_crossed = not bool(np.isnan(self.crossed_s).any())
        self.held_near_s[high] += STEP_S

    def warm_walls(self, read_c: float, end_s: float) -> None:
        """One step of the oven with nothing in it."""
        air = self.air_at_piece_c(read_c)
        self._warm_walls(air, self._wall_step)
        self._note_drive(end_s, read_c, air - self.walls_c)

    def drift(self, read_c: float, length_s: float) -> None:
        """A longer step of a piece whose cure is complete: its core goes on, nothing is counted any more."""
        air = self.air_at_piece_c(read_c)
        self._warm_walls(air, -np.expm1(-length_s / self.draws.wall_lag_s))
        self._advance(self._z, self._bank, self._share(length_s, 0), air)
        self.core_c = np.einsum("nm,nm->n", self._bank.core, self._z)

    def _warm_walls(self, air: Array, share: Array) -> None:
        loss = self.draws.wall_loss * (air - self.room_c)
        self.walls_c += share * (air - loss - self.walls_c)

    def hear(self, rise: HeatUp) -> None:
        """Bayes: under full power the air passes on an even heat; bodies for which it was uneven become unlikely."""
        rows = [row for row in self._rise if rise.from_s + SETTLE_S <= row[0] <= rise.to_s]
        self._rise.clear()
        if len(rows) < 4:
            return
        keeps = self.draws.keeps_s
        logs = np.log(np.maximum(np.array([drive + keeps * slope for _, drive, slope in rows]), 0.5))
        at = np.array([end for end, _, _ in rows])
        # The element itself warms first, and gives its power then.
        logs -= np.log(-np.expm1((rise.from_s - at) / ELEMENT_S))[:, None]
        at = (at - at.mean()) / (at[-1] - at[0])
        # Change of the logarithm over the rise, by least squares.
        off = at @ logs / float(at @ at)
        self.weight = self.weight * np.exp(-0.5 * (off / RISE_EVEN) ** 2)
        self.weight /= self.weight.sum()

    def _note_drive(self, end_s: float, read_c: float, drive: Array) -> None:
        self._read.append(read_c)
        if end_s >= self._rise_due_s and len(self._read) == self._read.maxlen:
            self._rise_due_s = end_s + RISE_EVERY_S
            slope = (self._read[-1] - self._read[0]) / ((len(self._read) - 1) * STEP_S)
            self._rise.append((end_s, drive, slope))

    def probe_c(self, other: bool) -> Array:
        """What a probe in the slowest piece (or in the other, quicker one) would read in each body [degC]."""
        return np.asarray((self.other_c if other else self.core_c) + self.draws.probe_k)

    def settle_empty(self, read_c: float) -> None:
        """The oven has stood at this temperature for long: the walls have it too."""
        self.walls_c = self.air_at_piece_c(read_c)

    def chance(self, condition: npt.NDArray[np.bool_]) -> float:
        """Weight of the bodies for which this holds."""
        return float(self.weight[condition].sum())

    def steady_core_c(self, read_c: float | Array) -> Array:
        """Core of each body when the air would read this for ever (walls settled) [degC]."""
        d = self.draws
        air = self.air_at_piece_c(read_c)
        walls = air - d.wall_loss * (air - self.room_c)
        h_r = 4 * d.emissivity * STEFAN_BOLTZMANN_W_M2K4 * (walls + 273.15) ** 3
        return np.asarray((d.h_c * air + h_r * walls) / (d.h_c + h_r))

    def ahead(
        self, air_c: list[Array], lengths_s: list[float], now_s: float, anchor: Anchor | None = None
    ) -> tuple[Array, Array]:
        """When each core passes the target, and when its hold is complete, if the air goes on like this.

        air_c : for each step to come the reading of the air, each (n,);  lengths_s : the steps' lengths (a few values)
        anchor : what a believed probe says of the present, in place of each body's own past
        Returns (reached_s, complete_s), each (n,), inf where it does not happen. The state is not changed. Unlike the
        state, which leaves it out to err late, this counts the heat that the resin still has to give.
        """
        d, target = self.draws, self.target_c
        z, walls, keep = self._z.copy(), self.walls_c, self.walls_c
        core = self.core_c
        reached = np.where(np.isnan(self.crossed_s), math.inf, self.crossed_s)
        held = self.held_s.copy()
        off = np.zeros(len(core))
        if anchor is not None:
            off = anchor.core_c - d.probe_k * 0.7 - core
            reached = np.full(len(core), math.inf if anchor.reached_s is None else anchor.reached_s)
            held = np.maximum(anchor.held_s - anchor.held_spread_s * d.probe_k, 0.0)
        complete = np.full(len(core), math.inf)
        end, before, unset = now_s, core + off, self.unset
        for read, length in zip(air_c, lengths_s, strict=True):
            start, end = end, end + length
            air = self.air_at_piece_c(read)
            walls = walls - np.expm1(-length / d.wall_lag_s) * (air - d.wall_loss * (air - self.room_c) - walls)
            self.walls_c = walls
            self._advance(z, self._bank, self._share(length, 0), air)
            if before.max() > _SETS_FROM_C:
                # The resin's heat, uniform over the body: it lifts every lag alike, and the bank lets it out again.
                left = self._left(unset, before, length)
                z += (d.resin_k * (unset - left))[:, None]
                unset = left
            off = off * math.exp(-length / _OFF_FADES_S)
            core = np.einsum("nm,nm->n", self._bank.core, z) + off
            rise = np.where(np.abs(core - before) < 1e-9, 1e-9, core - before)
            fresh = (core >= target) & np.isinf(reached)
            at = start + length * np.clip((target - before) / rise, 0.0, 1.0)
            reached = np.where(fresh, at, reached)
            counted = np.isfinite(reached) & (core >= target - 2)
            gain = np.where(counted, end - np.maximum(reached, start), 0.0)
            done = counted & np.isinf(complete) & (held + gain >= self.hold_s)
            complete = np.where(done, end - (held + gain - self.hold_s), complete)
            held = held + gain
            before = core
            if np.isfinite(complete).all():
                break
        self.walls_c = keep
        return reached, complete

    hold_s: float = 1800.0


def weighted_quantiles(values: Array, weight: Array, at: tuple[float, ...]) -> list[float]:
    """Quantiles of weighted values (inf allowed); by the middle of each value's own weight."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    centre = total - weight[order] / 2
    ranked = values[order]
    out = []
    for q in at:
        place = min(int(np.searchsorted(centre, q * total[-1])), len(ranked) - 1)
        if place == 0 or not math.isfinite(ranked[place]):
            out.append(float(ranked[place]))
            continue
        low, high = centre[place - 1], centre[place]
        part = 0.0 if high <= low else min(max((q * total[-1] - low) / (high - low), 0.0), 1.0)
        out.append(float(ranked[place - 1] + part * (ranked[place] - ranked[place - 1])))
    return out


def learnt_scores(scores: Array, text: str, context: Context) -> Array:
    """Prior scores with what earlier batches taught of this oven in place of the plain prior.

    text : JSON as `learnt_text` writes it; anything else teaches nothing, nor does what was learnt when something else
        was told of the oven: the same scores meant other ovens then
    """
    if not text:
        return scores
    try:
        data = json.loads(text)
        if data.get("told", "") != _told(context):
            return scores
        names = [str(name) for name in data["names"]]
        mean = np.array(data["mean"], dtype=np.float64)
        cov = np.array(data["cov"], dtype=np.float64)
        columns = [_AT[name] for name in names]
        if mean.shape != (len(names),) or cov.shape != (len(names), len(names)):
            return scores
        factor = np.linalg.cholesky(cov)
    except (ValueError, KeyError, TypeError, AttributeError, np.linalg.LinAlgError):
        return scores
    out = scores.copy()
    out[:, columns] = mean + scores[:, columns] @ factor.T
    return out


def assimilate(scores: Array, told: Array, observed: float, error: float) -> Array:
    """The scores after one observation: an ensemble square root filter in one pass.

    scores : (n, dimensions);  told : (n,) what each body says would be observed;  observed, error : with its
    standard deviation. Linear and Gaussian in the ensemble's own covariances, deterministic (no perturbed
    observations).

    Source: J. S. Whitaker and T. M. Hamill, Mon. Weather Rev. 130 (2002) 1913, serial square root filter (from memory).
    """
    n = len(told)
    mean = scores.mean(axis=0)
    apart = scores - mean
    told_mean = float(told.mean())
    told_apart = told - told_mean
    variance = float(told_apart @ told_apart) / (n - 1)
    total = variance + error * error
    gain = apart.T @ told_apart / (n - 1) / total
    # Chance correlations of a few hundred bodies would teach what the observation knows nothing of.
    gain = np.where(np.abs(gain) * math.sqrt(total) < 2 / math.sqrt(n), 0.0, gain)
    less = 1 / (1 + error / math.sqrt(total))
    return np.asarray(mean + gain * (observed - told_mean) + apart - less * told_apart[:, None] * gain)


def _told(context: Context) -> str:
    """What of the oven the scores' meaning depends on."""
    return " ".join(part for part in (context.oven_fan and f"fan {context.oven_fan}", context.oven_grade) if part)


def learnt_text(scores: Array, context: Context) -> str:
    """What these bodies know of the oven, for the next batch (see `learnt_scores`)."""
    z = scores[:, [_AT[name] for name in OVEN_DIMENSIONS]]
    # Ovens drift and loads differ: what one batch taught is not believed quite as sharply in the next.
    cov = np.cov(z.T) * 1.3 + 0.04 * np.eye(len(OVEN_DIMENSIONS))
    return json.dumps(
        {
            "told": _told(context),
            "names": list(OVEN_DIMENSIONS),
            "mean": [round(float(value), 4) for value in z.mean(axis=0)],
            "cov": [[round(float(value), 5) for value in row] for row in cov],
        },
        separators=(",", ":"),
    )
