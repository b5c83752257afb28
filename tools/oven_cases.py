"""Ovens and pieces for the oven's bench: drawn from a number, simulated by finite volumes, truth kept.

Nothing here is shared with the estimator. Even numbers: air, walls and element are lumps, a thermostat with a lag
switches the element, a piece is conduction in three dimensions (brick), two (short cylinder) or one (sphere) with
convection and fourth-power radiation at its faces, explicit in time. Odd numbers: the oven and the piece of the
simulated bench (`tools.plant`; endless slabs and cylinders, walls that the element heats too, the resin's own heat),
written apart from this. What the log does not tell is drawn afresh for each case.

The numbers below `REPORTED_FROM` are for tuning, those from it on are only ever reported.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lastbubble.context import Context
from lastbubble.records import Sample
from tools.plant.oven import Oven, OvenParts
from tools.plant.pieces import Piece, PieceParts

__all__ = ["REPORTED_FROM", "Case", "Draw", "draw", "simulate"]

Array = npt.NDArray[np.float64]
REPORTED_FROM = 5000
SIGMA = 5.670374419e-8

#: Conductivity [W/(m K)] and heat capacity [J/(m3 K)] that the draws scatter about: handbook values of the bare solid
#: with resin in its pores, not the estimator's table.
STUFF = {
    "chalk turquoise": (1.0, 2.05e6),
    "sandstone": (2.0, 2.0e6),
    "limestone": (1.6, 2.0e6),
    "marble": (2.7, 2.3e6),
    "maple": (0.19, 1.45e6),
    "spalted maple": (0.17, 1.40e6),
    "oak": (0.20, 1.50e6),
    "bone": (0.45, 2.1e6),
}


@dataclass(frozen=True)
class Draw:
    """Everything of one case that is drawn. Times in s, temperatures in degC, lengths in m, SI else."""

    number: int
    stuff: str
    shape: str
    told_m: float  # thickness as the header tells it
    sides_m: tuple[float, float, float]  # true: thickness (diameter), width (length), length
    k_w_mk: float
    heat_j_m3k: float
    h_w_m2k: float
    emissivity: float
    plateau_c: float
    band_k: float
    wall_lag_s: float
    wall_loss: float
    couple_k: float
    place_k: float
    couple_lag_s: float
    room_c: float
    on_s: float
    load_s: float
    door_s: float
    look_s: float
    cut_s: float
    mark_s: float
    period_s: float
    probe_k: float
    target_c: float = 93.0
    hold_s: float = 1800.0


@dataclass
class Case:
    """A log with its truth. core_c : true core at each sample;  steady_c : mean air as the thermocouple reads it."""

    drawn: Draw
    context: Context
    samples: list[Sample]
    core_c: list[float] = field(default_factory=list)
    reached_s: float | None = None
    complete_s: float | None = None


def draw(number: int) -> Draw:
    """The case of this number."""
    r = random.Random(f"oven case {number}")
    stuff = r.choice(list(STUFF))
    k, heat = STUFF[stuff]
    shape = r.choice(("slab", "slab", "slab", "cylinder", "sphere"))
    told = r.uniform(0.008, 0.040)
    thick = told * math.exp(r.gauss(0, 0.04))
    width = thick * r.uniform(1.5, 6.0)
    fan = r.random() < 0.2
    short = r.random() < 0.15
    preheat = r.random() < 0.45
    on = r.uniform(60, 900)
    load = on + r.uniform(1500, 4200) if preheat else 0.0
    loaded = load if preheat else on
    marked = r.random()
    mark = math.inf if marked < 0.2 else loaded if marked < 0.7 else loaded + r.uniform(60, 600)
    return Draw(
        number=number,
        stuff=stuff,
        shape=shape,
        told_m=round(told, 4),
        sides_m=(thick, width, width * r.uniform(1.0, 2.5)),
        k_w_mk=k * math.exp(r.gauss(0, 0.2)),
        heat_j_m3k=heat * math.exp(r.gauss(0, 0.07)),
        h_w_m2k=r.uniform(12, 25) if fan else r.uniform(5, 9.5),
        emissivity=r.uniform(0.5, 0.9),
        plateau_c=93 + (r.uniform(-9, 1) if short else r.uniform(4, 20)),
        band_k=r.uniform(1, 5),
        wall_lag_s=r.uniform(400, 1800),
        wall_loss=r.uniform(0.03, 0.14),
        couple_k=r.gauss(0, 0.8),
        place_k=r.gauss(0, 1.2),
        couple_lag_s=r.uniform(5, 40),
        room_c=r.uniform(16, 27),
        on_s=on,
        load_s=load,
        door_s=r.uniform(20, 60),
        look_s=loaded + r.uniform(1200, 5000) if r.random() < 0.1 else math.inf,
        cut_s=loaded + r.uniform(1200, 6000) if r.random() < 0.06 else math.inf,
        mark_s=mark,
        period_s=r.choice((1.0, 1.0, 2.0, 5.0, 10.0, 30.0)),
        probe_k=r.gauss(0, 0.5),
    )


class _Piece:
    """A body on a grid of one eighth (brick), a half slice (cylinder) or a radius (sphere); core = cell 0."""

    def __init__(self, drawn: Draw) -> None:
        radial = {"slab": 0, "cylinder": 1, "sphere": 2}[drawn.shape]
        sides = {"slab": drawn.sides_m, "cylinder": drawn.sides_m[:2], "sphere": drawn.sides_m[:1]}[drawn.shape]
        cells = 4 if drawn.sides_m[0] < 0.016 else 5
        counts = [cells if axis == 0 else 4 for axis in range(len(sides))]
        if drawn.shape == "sphere":
            counts = [8 if drawn.sides_m[0] > 0.016 else 6]
        self.k = drawn.k_w_mk
        self.width = [side / 2 / count for side, count in zip(sides, counts, strict=True)]
        edges = np.linspace(0, sides[0] / 2, counts[0] + 1)
        power = radial
        area = edges**power if power else np.ones(counts[0] + 1)
        volume = np.diff(edges ** (power + 1)) / (power + 1)
        # Rates of change per unit flux density across each face, for the first axis; plain for the others.
        self.inner = area[1:-1]
        self.outer = float(area[-1])
        self.volume = volume
        self.heat = drawn.heat_j_m3k
        self.shape = tuple(counts)
        limit = sum(1 / w**2 for w in self.width) * 2 * self.k / self.heat
        self.step_s = min(1.0, 0.8 / (limit * (1.6 if power == 2 else 1.2)))

    def advance(self, temperature: Array, flux: object, dt: float) -> Array:
        """One explicit step; `flux(face)` gives the heat into a face at this temperature [W/m2]."""
        out = temperature.copy()
        for axis, width in enumerate(self.width):
            t = np.moveaxis(temperature, axis, 0)
            change = np.zeros_like(t)
            between = self.k * np.diff(t, axis=0) / width
            last = t[-1]
            resist = width / 2 / self.k
            # The face that gives off what it takes in, by two steps of Newton: a coarse cell of wood under a fan has a
            # Biot number above one, where going round and round does not end.
            face = last
            for _ in range(2):
                here = flux(face)  # type: ignore[operator]
                slope = flux(face + 0.5) - here  # type: ignore[operator]
                face = face + (last + here * resist - face) / (1 - 2 * slope * resist)
            into = (face - last) / resist
            if axis == 0:
                scale = (dt / (self.heat * self.volume)).reshape((-1,) + (1,) * (t.ndim - 1))
                inner = self.inner.reshape((-1,) + (1,) * (t.ndim - 1))
                change[:-1] += inner * between
                change[1:] -= inner * between
                change[-1] += self.outer * into
                change *= scale
            else:
                change[:-1] += between
                change[1:] -= between
                change[-1] += into
                change *= dt / (self.heat * width)
            out += np.moveaxis(change, 0, axis)
        return out


class _Lumps:
    """The even cases' oven and piece. `step(dt)` goes on; `core_c`, `read_c` are what is asked of it."""

    def __init__(self, drawn: Draw) -> None:
        self.drawn = drawn
        self.piece = _Piece(drawn)
        self.step_s = self.piece.step_s
        self.body = np.full(self.piece.shape, drawn.room_c)
        self.air = self.walls = self.element = self.read_c = self.bulb = drawn.room_c
        self.heat = False

    @property
    def core_c(self) -> float:
        return float(self.body[(0,) * self.body.ndim])

    def _flux(self, face: Array) -> Array:
        outer = (self.walls + 273.15) ** 4
        inner = np.square(np.square(face + 273.15))
        return np.asarray(self.drawn.h_w_m2k * (self.air - face) + self.drawn.emissivity * SIGMA * (outer - inner))

    def step(self, dt: float, powered: bool, door: bool, loaded: bool) -> None:
        drawn, air = self.drawn, self.air
        if self.bulb > drawn.plateau_c + drawn.band_k:
            self.heat = False
        elif self.bulb < drawn.plateau_c - drawn.band_k:
            self.heat = True
        self.element += dt * ((260.0 if self.heat and powered else 0.0) / 400 - (self.element - air) / 120)
        load = (float(self.body[(-1,) * self.body.ndim]) - air) / 900 if loaded else 0.0
        self.air += dt * (
            (self.element - air) / 150 + (self.walls - air) / 90 + load + ((drawn.room_c - air) / 25 if door else 0.0)
        )
        loss = drawn.wall_loss / (1 - drawn.wall_loss)
        self.walls += dt * ((self.air - self.walls) - loss * (self.walls - drawn.room_c)) / drawn.wall_lag_s
        self.bulb += dt * (self.air - self.bulb) / 20
        here = self.air + drawn.couple_k + drawn.place_k * (self.air - drawn.room_c) / 75
        self.read_c += dt * (here - self.read_c) / drawn.couple_lag_s
        if loaded:
            self.body = self.piece.advance(self.body, self._flux, dt)


class _Bench:
    """The odd cases' oven and piece: those of the simulated bench, with this case's figures."""

    step_s = 1.0

    def __init__(self, drawn: Draw) -> None:
        r = random.Random(f"bench {drawn.number}")
        walls = r.uniform(5.0, 9.0)
        self.oven = Oven(
            OvenParts(
                power_w=r.uniform(550, 1100),
                wall_j_k=walls * drawn.wall_lag_s,
                air_wall_w_k=walls,
                wall_room_w_k=walls * drawn.wall_loss / (1 - drawn.wall_loss),
                element_wall_w_k=r.uniform(0.2, 0.8),
                dial_gain=1.0,
                dial_offset_k=0.0,
                half_band_k=drawn.band_k,
                room_c=drawn.room_c,
                couple_s=drawn.couple_lag_s,
                couple_k=drawn.couple_k,
                place_k=drawn.place_k,
            )
        )
        self.oven.dial_c = drawn.plateau_c
        self.piece = Piece(
            PieceParts(
                thickness_m=drawn.sides_m[0],
                shape=drawn.shape,
                k_w_mk=drawn.k_w_mk,
                heat_j_m3k=drawn.heat_j_m3k,
                h_w_m2k=drawn.h_w_m2k,
                emissivity=drawn.emissivity,
                resin_j_m3=r.uniform(0, 4e7),
            ),
            drawn.room_c,
        )

    @property
    def core_c(self) -> float:
        return self.piece.core_c

    @property
    def read_c(self) -> float:
        return self.oven.couple_c

    def step(self, dt: float, powered: bool, door: bool, loaded: bool) -> None:
        from_air = from_walls = 0.0
        if loaded:
            from_air, from_walls = self.piece.step(dt, self.oven.air_c, self.oven.wall_c)
        self.oven.door_open = door
        self.oven.step(dt, powered, from_air, from_walls)


def simulate(drawn: Draw, *, probe: bool = False, hours: float = 7.0) -> Case:
    """The log of this case; ends an hour after its cure is complete."""
    noise = random.Random(f"noise {drawn.number}")
    world: _Lumps | _Bench = _Bench(drawn) if drawn.number % 2 else _Lumps(drawn)
    seen = room = drawn.room_c
    context = Context(
        piece_thickness_mm=round(drawn.told_m * 1000, 1),
        piece_shape=drawn.shape,
        material=drawn.stuff,
        target_core_c=drawn.target_c,
        witness="slowest" if probe else "",
    )
    case = Case(drawn, context, [])
    held = time = next_s = 0.0
    told = math.isinf(drawn.mark_s)
    dt = world.step_s
    while time < hours * 3600:
        powered = time >= drawn.on_s and not drawn.cut_s <= time < drawn.cut_s + 1200
        door = 0 < drawn.load_s <= time < drawn.load_s + drawn.door_s or drawn.look_s <= time < drawn.look_s + 12
        loaded = time >= drawn.load_s
        world.step(dt, powered, door, loaded)
        core = world.core_c if loaded else room
        seen += dt * (core - seen) / 12
        if loaded and case.reached_s is None and core >= drawn.target_c:
            case.reached_s = time
        if case.reached_s is not None and core >= drawn.target_c - 2:
            held += dt
            if case.complete_s is None and held >= drawn.hold_s:
                case.complete_s = time
        if time >= next_s:
            next_s += drawn.period_s
            marks: tuple[str, ...] = ()
            if not told and time >= drawn.mark_s:
                told, marks = True, ("oven_loaded",)
            witness = round((seen + drawn.probe_k + noise.gauss(0, 0.1)) * 4) / 4 if probe else None
            value = round((world.read_c + noise.gauss(0, 0.15)) * 4) / 4
            case.samples.append(Sample(time, oven_c=value, witness_c=witness, heat=powered, marks=marks))
            case.core_c.append(core)
        if case.complete_s is not None and time > case.complete_s + 3600:
            break
        time += dt
    return case
