"""When each moment that needs a person will come, and when to start so that they come while somebody is awake.

A batch is a chain: pump until the bubbles stop, let air in, soak, drain, load, warm to the core, hold, cool. How long
each part takes is a lognormal: wide where nothing is known, drawn in by what earlier batches of this station of the
same kind took. The chain is run for 512 evenly spread draws of all of them (a recurrence by the golden ratio's kin,
no chance in it), with a person who acts only while awake: what comes at night waits, with the pump running or the
pieces under resin.

The warming is reckoned by conduction (first term of the series) with the material's spreads, air a few kelvin over the
target and an oven that needs its time; it is replaced, not merely helped, by what this station measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from lastbubble.context import Context
from lastbubble.physics.conduction import modes
from lastbubble.physics.materials import material

__all__ = ["DRAWS", "Awake", "Chain", "Lasting", "Moment", "Seen", "chain_of", "starts", "when"]

Array = npt.NDArray[np.float64]

DRAWS: Final = 512
#: Parts of the chain: middle [s], spread of ln of our ignorance, spread of ln from batch to batch. Common practice and
#: our judgement, no published source.
_PRIORS: Final[dict[str, tuple[float, float, float]]] = {
    "pump": (2.0 * 3600, 0.7, 0.35),
    "vent": (6.0 * 60, 0.5, 0.3),
    "load": (20.0 * 60, 0.5, 0.3),
    "air": (25.0 * 60, 0.5, 0.2),
    "heat": (60.0 * 60, 0.8, 0.2),
    "over": (3.0 * 60, 0.8, 0.4),
    "cool": (60.0 * 60, 0.5, 0.3),
}
#: Air over the core's target, once it stands: middle [K] and spread of ln.
_OVER_K, _OVER_LN_SD = 8.0, 0.5
#: Coefficient at the face [W/(m2 K)] and spread of its ln, by whether the oven blows its air about: convection as
#: `pipeline.core` has it (shared/reference/heat_transfer_coefficients.csv), and 6 to 7 of radiation at 80 degC and an
#: emissivity of 0.7 (4 epsilon sigma T^3).
_FACE_W_M2K: Final[dict[str, tuple[float, float]]] = {"": (13.0, 0.3), "no": (12.5, 0.2), "yes": (22.0, 0.25)}
_ROOM_C: Final = 21.0
_DAY_S: Final = 86400.0
_PARTS: Final = ("pump", "vent", "load", "air", "k", "rc", "face", "over_k", "over", "cool", "heat")


@dataclass(frozen=True, slots=True)
class Awake:
    """From when to when somebody can come: seconds after local midnight; equal = always."""

    from_s: float = 7 * 3600.0
    to_s: float = 22 * 3600.0

    def holds(self, of_day_s: Array) -> npt.NDArray[np.bool_]:
        if self.from_s == self.to_s:
            return np.ones(of_day_s.shape, dtype=bool)
        return np.asarray((of_day_s - self.from_s) % _DAY_S <= (self.to_s - self.from_s) % _DAY_S)

    def next(self, at_s: Array) -> Array:
        """The same moment, or the next in which somebody is awake; `at_s` counts from a local midnight."""
        wait = np.where(self.holds(at_s % _DAY_S), 0.0, (self.from_s - at_s) % _DAY_S)
        return np.asarray(at_s + wait)


@dataclass(frozen=True, slots=True)
class Seen:
    """What earlier batches of the same kind took: seconds, by part (pump, vent, load, heat, cool)."""

    pump: tuple[float, ...] = ()
    vent: tuple[float, ...] = ()
    load: tuple[float, ...] = ()
    heat: tuple[float, ...] = ()
    cool: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Lasting:
    """ln of a length is normal with this middle and spread;  count : earlier batches behind it"""

    middle_s: float
    ln_sd: float
    count: int = 0


def lasting(part: str, seen: Sequence[float]) -> Lasting:
    """How long the next will take: the prior, and what was seen, each by its precision."""
    middle, ignorance, between = _PRIORS[part]
    logs = [math.log(value) for value in seen if value > 0]
    precision = 1 / ignorance**2 + len(logs) / between**2
    mean = (math.log(middle) / ignorance**2 + sum(logs) / between**2) / precision
    return Lasting(math.exp(mean), math.sqrt(1 / precision + between**2), len(logs))


@cache
def _spread(parts: tuple[str, ...], count: int = DRAWS) -> dict[str, Array]:
    """Standard normal draws, evenly spread in all parts at once (an additive recurrence, Roberts' choice of steps)."""
    dims = len(parts)
    base = 2.0
    for _ in range(40):
        base = (1 + base) ** (1 / (dims + 1))
    normal = NormalDist()
    out = {}
    for place, part in enumerate(parts):
        step = base ** -(place + 1)
        shares = [(0.5 + step * (n + 1)) % 1 for n in range(count)]
        out[part] = np.array([normal.inv_cdf(min(max(share, 1e-6), 1 - 1e-6)) for share in shares])
    return out


@dataclass(frozen=True, slots=True)
class Chain:
    """Lengths of every part, one for each draw [s];  basis : what each rests on, in words"""

    pump: Array
    vent: Array
    soak: Array
    load: Array
    heat: Array
    hold: Array
    cool: Array
    basis: tuple[str, ...] = field(default=())


def chain_of(context: Context, seen: Seen | None = None) -> Chain:
    """The parts of a batch of these pieces. Sizes and material come from the context; what is not told is wide."""
    seen = seen or Seen()
    z = _spread(_PARTS)
    basis: list[str] = []

    def part(name: Literal["pump", "vent", "load", "cool"], words: str) -> Array:
        found = lasting(name, getattr(seen, name))
        known = f"{found.count} earlier batches" if found.count > 1 else f"{found.count} earlier batch"
        basis.append(f"{words}: {known if found.count else 'common practice, wide'}")
        return np.asarray(found.middle_s * np.exp(found.ln_sd * z[name]))

    pump = part("pump", "until the bubbles stop")
    vent = part("vent", "letting air in")
    if context.soak_min is None:
        soak = pump.copy()
        basis.append("soak: as long as the pump ran (common practice); say cure.soak in the settings")
    else:
        soak = np.full(DRAWS, context.soak_min * 60)
        basis.append("soak: as set")
    load = part("load", "draining and loading")
    if seen.heat:
        warm = lasting("heat", seen.heat)
        heat = warm.middle_s * np.exp(warm.ln_sd * z["heat"])
        basis.append(f"warming: {warm.count} earlier batch{'es' if warm.count > 1 else ''}")
    else:
        heat = _warming(context, z)
        basis.append(f"warming: conduction in {material(context.material).name}, and an oven nobody has measured yet")
    over = lasting("over", ())
    hold = context.hold_s + over.middle_s * np.exp(over.ln_sd * z["over"])
    cool = part("cool", "cooling")
    return Chain(pump, vent, soak, load, np.asarray(heat), hold, cool, tuple(basis))


def _warming(context: Context, z: dict[str, Array]) -> Array:
    """From loading until the core is at its target: the oven's own time, and the core's lag behind the air."""
    group = material(context.material)
    k = group.k_w_mk * np.exp(group.k_spread * z["k"])
    capacity = group.heat_capacity_j_m3k * np.exp(group.rc_spread * z["rc"])
    face_w_m2k, face_ln_sd = _FACE_W_M2K[context.oven_fan]
    face = face_w_m2k * np.exp(face_ln_sd * z["face"])
    over_k = _OVER_K * np.exp(_OVER_LN_SD * z["over_k"])
    thickness_m = (context.piece_thickness_mm or 15.0) / 1000
    shape = context.piece_shape if context.piece_shape in ("slab", "cylinder", "sphere") else "slab"
    sides: list[tuple[str, float]] = [(shape, thickness_m)]
    if shape != "sphere" and context.piece_length_mm:
        sides.append(("slab", context.piece_length_mm / 1000))
    if shape == "slab" and context.piece_width_mm:
        sides.append(("slab", context.piece_width_mm / 1000))
    rate, core = np.zeros(DRAWS), np.ones(DRAWS)
    for kind, whole_m in sides:
        half = whole_m / 2
        found = modes(kind, face * half / k, 1)  # type: ignore[arg-type]  # kinds of the tuple above
        rate += found.zeta[:, 0] ** 2 * k / capacity / half**2
        core *= found.core[:, 0]
    wide = np.maximum(context.target_c + over_k - _ROOM_C, 1.0)
    lag = np.log(np.maximum(core * wide / over_k, 1.0)) / rate
    middle, ignorance, between = _PRIORS["air"]
    air = middle * np.exp(math.hypot(ignorance, between) * z["air"])
    return np.asarray(air + lag)


@dataclass(frozen=True, slots=True)
class Moment:
    """p10, p50, p90 : seconds from the start;  person : somebody has to do something
    awake : probability that it comes by itself while somebody is awake
    """

    name: str
    p10: float
    p50: float
    p90: float
    person: bool
    awake: float


def when(chain: Chain, start_of_day_s: float, awake: Awake) -> list[Moment]:
    """The moments of a batch that starts at this time of day [s after local midnight]."""
    begin = start_of_day_s
    stopped = begin + chain.pump
    vented = awake.next(stopped) + chain.vent
    soaked = vented + chain.soak
    loaded = awake.next(soaked) + chain.load
    reached = loaded + chain.heat
    cured = reached + chain.hold
    cooled = cured + chain.cool
    unload = awake.next(cooled)
    rows = (
        ("start", np.full(DRAWS, begin), None, True),
        ("bubbles_stopped", stopped, stopped, True),
        ("vented", vented, None, False),
        ("soak_complete", soaked, soaked, True),
        ("oven_loaded", loaded, None, False),
        ("cure_temperature_reached", reached, None, False),
        ("cure_complete", cured, None, False),
        ("unload", unload, cooled, True),
    )
    out = []
    for name, at, by_itself, person in rows:
        p10, p50, p90 = np.quantile(at - begin, (0.1, 0.5, 0.9))
        of_day = (at if by_itself is None else by_itself) % _DAY_S
        out.append(Moment(name, float(p10), float(p50), float(p90), person, float(np.mean(awake.holds(of_day)))))
    return out


def starts(
    chain: Chain, awake: Awake, *, now_of_day_s: float, within_s: float = _DAY_S, every_s: float = 900.0
) -> list[tuple[float, float, float]]:
    """(seconds from now, probability that bubbles' stop and soak's end both come while awake, mean wait of both [s]).

    Only starts while somebody is awake; the best first, none within two hours of a better one. What comes after the
    loading can wait: the heat is taken away by itself.
    """
    found = []
    first = (-now_of_day_s) % every_s
    for step in range(int(within_s / every_s)):
        ahead = first + step * every_s
        begin = now_of_day_s + ahead
        if not awake.holds(np.array([begin % _DAY_S]))[0]:
            continue
        stopped = begin + chain.pump
        acted = awake.next(stopped)
        soaked = acted + chain.vent + chain.soak
        drained = awake.next(soaked)
        inside = float(np.mean((acted == stopped) & (drained == soaked)))
        wait = float(np.mean(acted - stopped + drained - soaked))
        found.append((ahead, inside, wait))
    # An hour of waiting weighs as much as five in a hundred; of equals, the sooner.
    found.sort(key=lambda one: (-round(one[1] - 0.05 * one[2] / 3600, 2), one[0]))
    out: list[tuple[float, float, float]] = []
    for one in found:
        if all(abs(one[0] - other[0]) >= 7200 for other in out):
            out.append(one)
    return out[:4]
