"""How old a lot of activated resin is, and whether it may be thickening.

The initiator in it falls apart all the time, the faster the warmer (Arrhenius), and what that sets free uses up the
inhibitor; then it thickens. So a lot's age is the time it has lived, each stretch weighed by its temperature against
the temperature for which its keeping time is told: an hour beside a warm pump is many hours in the fridge.

What is not known is carried as spread: the energy (oxygen and inhibitor go their own ways), the temperatures, and above
all the keeping time. Where no label tells one: a year in a fridge of 5 degC, give or take a factor of 1.8 (common
practice, from memory, no published source); lots that this station saw thicken teach their own.

Hours under vacuum also strip the oxygen that the inhibitor needs (our inference, no published source): they are told,
not reckoned.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import NormalDist
from typing import Final

from lastbubble.ledger.shelf import LotEvent, LotRow
from lastbubble.physics.kinetics import GAS_CONSTANT_J_MOLK, initiator

__all__ = ["KINDS", "PLACES", "Keeping", "LotState", "Place", "Stretch", "Use", "judge_lot", "learnt_keeping", "rate"]

#: What can befall a lot.
KINDS: Final = ("opened", "topped_up", "moved", "measured", "contaminated", "thickened", "ended", "note")


@dataclass(frozen=True, slots=True)
class Place:
    """Where resin stands: what is assumed of its temperature, and whether the station's own readings tell of it."""

    middle_c: float
    sd_k: float
    recorded: bool = False


#: Assumed where nothing was measured; from memory.
PLACES: Final[Mapping[str, Place]] = {
    "freezer": Place(-18.0, 3.0),
    "fridge": Place(5.0, 2.0),
    "cellar": Place(14.0, 3.0),
    "bench": Place(21.0, 3.0, recorded=True),
    "chamber": Place(22.0, 3.0, recorded=True),
    "pump": Place(32.0, 6.0),
}
#: Of a temperature that somebody measured; of one that the thermocouple board recorded, which runs a little warm.
_MEASURED_SD_K: Final = 1.0
_RECORDED_SD_K: Final = 2.0
#: Of the energy (our judgement).
_ENERGY_SD_J_MOL: Final = 15e3
#: Keeping time where none is told: middle, at which temperature, and spread of ln, between lots and of our knowledge.
_KEEPS_S: Final = 365 * 86400.0
_KEEPS_C: Final = 5.0
_KEEPS_LN_SD: Final = 0.55
_LOT_LN_SD: Final = 0.25
_TOLD_LN_SD: Final = 0.25
#: Three-point rule of a normal distribution: nodes and weights, exact up to the fifth moment.
_NODES: Final = ((-math.sqrt(3), 1 / 6), (0.0, 2 / 3), (math.sqrt(3), 1 / 6))
_SOON, _LIKELY = 0.1, 0.5
_NORMAL: Final = NormalDist()

#: Mean temperatures that the station recorded between two times: (hours, degC), [] for none.
Recorded = Callable[[datetime, datetime], Sequence[tuple[float, float]]]


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long it keeps: `middle_s` at `at_c`, spread of ln, and what that rests on."""

    middle_s: float = _KEEPS_S
    at_c: float = _KEEPS_C
    ln_sd: float = math.hypot(_KEEPS_LN_SD, _LOT_LN_SD)
    basis: str = "assumed: a year at 5 °C, from memory"


@dataclass(frozen=True, slots=True)
class Use:
    """A batch had the lot in the chamber, `vacuum_s` of it under vacuum [s].

    taken_kg : what its pieces took up, None = not weighed
    """

    batch: int
    begin: datetime
    end: datetime
    taken_kg: float | None = None
    vacuum_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Where the lot was from `begin` to `end`;  basis : recorded, measured or assumed"""

    begin: datetime
    end: datetime
    place: str
    middle_c: float
    sd_k: float
    basis: str
    memory: bool = False

    @property
    def seconds(self) -> float:
        return (self.end - self.begin).total_seconds()


@dataclass(frozen=True, slots=True)
class LotState:
    """A lot as it is now.

    level : fresh, soon (one in ten that it thickens by now), likely (one in two), thick, contaminated, ended
    age_low_s, age_s, age_high_s : equivalent age at the keeping's temperature, 80 % band                [s]
    chance : that it has thickened by now;  soon_utc : when that reaches one in ten, where it stands now
    rests : seconds of its life by basis of their temperature;  vacuum_s : under vacuum, all batches
    from_memory : what was told from memory, in words;  remarks : plain sentences with the mend
    """

    name: str
    level: str
    place: str
    opened_utc: datetime | None
    mass_kg: float | None
    age_low_s: float
    age_s: float
    age_high_s: float
    keeping: Keeping
    chance: float
    soon_utc: datetime | None
    vacuum_s: float
    rests: dict[str, float] = field(default_factory=dict)
    contaminated: tuple[str, ...] = ()
    from_memory: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    stretches: tuple[Stretch, ...] = ()


def rate(temperature_c: float, at_c: float, energy_j_mol: float) -> float:
    """Seconds at `at_c` that one second at this temperature is worth [-].

    >>> round(rate(15.0, 5.0, 128.9e3), 1)
    6.9
    """
    inverse = 1 / (temperature_c + 273.15) - 1 / (at_c + 273.15)
    return math.exp(-energy_j_mol / GAS_CONSTANT_J_MOLK * inverse)


def _stretches(
    events: Sequence[LotEvent], uses: Sequence[Use], recorded: Recorded, now: datetime
) -> tuple[list[Stretch], str]:
    """Where it was from its opening until now, in order, and where it is."""
    begin = next((event.utc for event in events if event.kind == "opened"), None)
    ended = next((event.utc for event in events if event.kind == "ended"), now)
    until = min(now, ended)
    if begin is None or begin >= until:
        return [], next((str(e.detail.get("place", "fridge")) for e in events if e.kind == "opened"), "fridge")
    # Where it stays, from each time on; visits and batches lie over that.
    stays: list[tuple[datetime, str, float | None, bool]] = []
    visits: list[tuple[datetime, datetime, str, float | None, bool]] = []
    measured: dict[str, list[tuple[datetime, float]]] = {}
    for event in events:
        told = event.detail.get("temperature_c")
        place = str(event.detail.get("place", "fridge"))
        if event.kind == "measured" and isinstance(told, int | float):
            measured.setdefault(place, []).append((event.utc, float(told)))
        elif event.kind in ("opened", "moved"):
            minutes = event.detail.get("minutes")
            if event.kind == "moved" and minutes:
                visits.append((event.utc, event.utc + timedelta(minutes=float(minutes)), place, told, event.memory))
            else:
                stays.append((event.utc, place, told, event.memory))
    visits += [(use.begin, use.end, "chamber", None, False) for use in uses]
    marks = {begin, until, *(at for at, *_ in stays), *(event.utc for event in events if event.kind == "topped_up")}
    edges = sorted(marks | {visit[0] for visit in visits} | {visit[1] for visit in visits})
    edges = [at for at in edges if begin <= at <= until]
    out: list[Stretch] = []
    for one, two in pairwise(edges):
        over = [visit for visit in visits if visit[0] <= one and visit[1] >= two]
        if over:
            _, _, place, told, memory = max(over, key=lambda visit: visit[0])
        else:
            _, place, told, memory = [stay for stay in stays if stay[0] <= one][-1]
        out += _warmed(one, two, place, told, memory, measured.get(place, []), recorded)
    here = next((visit[2] for visit in visits if visit[0] <= now < visit[1]), stays[-1][1])
    return out, here


def _warmed(
    one: datetime,
    two: datetime,
    place: str,
    told: float | None,
    memory: bool,
    measured: Sequence[tuple[datetime, float]],
    recorded: Recorded,
) -> list[Stretch]:
    """The stretch with its temperature: told with the move, else recorded, else last measured there, else assumed."""
    if told is not None:
        return [Stretch(one, two, place, float(told), _MEASURED_SD_K, "measured", memory)]
    known = PLACES.get(place, PLACES["bench"])
    if known.recorded:
        found = recorded(one, two)
        hours = sum(part for part, _ in found)
        if hours > 0:
            out, at = [], one
            whole = min(hours, (two - one).total_seconds() / 3600)
            for part, temperature_c in found:
                end = min(two, at + timedelta(hours=part * whole / hours))
                out.append(Stretch(at, end, place, temperature_c, _RECORDED_SD_K, "recorded", memory))
                at = end
            if (two - at).total_seconds() > 1:
                out.append(Stretch(at, two, place, known.middle_c, known.sd_k, "assumed", memory))
            return out
    if measured:
        nearest = min(measured, key=lambda item: abs((item[0] - one).total_seconds()))
        return [Stretch(one, two, place, nearest[1], _MEASURED_SD_K, "measured", memory)]
    return [Stretch(one, two, place, known.middle_c, known.sd_k, "assumed", memory)]


def _ages(
    stretches: Sequence[Stretch], events: Sequence[LotEvent], uses: Sequence[Use], at_c: float, energy_j_mol: float
) -> tuple[list[tuple[float, float]], float | None, list[str]]:
    """(age, weight) over the nodes of energy and temperature [s], the mass that is left [kg], and remarks.

    Fresh resin thins the age by mass: what is used up of the inhibitor is a mean over what is in the bottle.
    """
    remarks: list[str] = []
    mass: float | None = None
    turns: list[tuple[datetime, float]] = []  # share of the age that stays
    for event in events:
        amount = event.detail.get("mass_kg")
        if event.kind == "opened":
            mass = float(amount) if amount else None
        elif event.kind == "topped_up":
            left = _left(mass, uses, event.utc)
            if amount and left:
                turns.append((event.utc, left / (left + float(amount))))
                mass = (mass or 0.0) + float(amount)
            else:
                remarks.append(
                    "A top-up without the masses does not count as fresh: say how much was in and how much was added."
                )
                mass = None
    nodes = []
    for energy_z, energy_w in _NODES:
        for warm_z, warm_w in _NODES:
            energy = energy_j_mol + energy_z * _ENERGY_SD_J_MOL
            age, rest = 0.0, list(turns)
            for stretch in stretches:
                while rest and rest[0][0] <= stretch.begin:
                    age *= rest.pop(0)[1]
                age += stretch.seconds * rate(stretch.middle_c + warm_z * stretch.sd_k, at_c, energy)
            for _, share in rest:
                age *= share
            nodes.append((age, energy_w * warm_w))
    return nodes, _left(mass, uses, None), remarks


def _left(mass: float | None, uses: Sequence[Use], until: datetime | None) -> float | None:
    if mass is None:
        return None
    taken = [use.taken_kg for use in uses if until is None or use.end <= until]
    return max(0.0, mass - sum(amount or 0.0 for amount in taken))


def _chance(nodes: Sequence[tuple[float, float]], keeping: Keeping) -> float:
    return sum(
        weight * _NORMAL.cdf((math.log(age) - math.log(keeping.middle_s)) / keeping.ln_sd)
        for age, weight in nodes
        if age > 0
    )


def _band(nodes: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """80 % band of a lognormal with the nodes' mean and spread."""
    if all(age <= 0 for age, _ in nodes):
        return 0.0, 0.0, 0.0
    logs = [(math.log(max(age, 1.0)), weight) for age, weight in nodes]
    mean = sum(value * weight for value, weight in logs)
    sd = math.sqrt(sum(weight * (value - mean) ** 2 for value, weight in logs))
    return math.exp(mean - 1.2816 * sd), math.exp(mean), math.exp(mean + 1.2816 * sd)


def _soon(
    nodes: Sequence[tuple[float, float]], keeping: Keeping, place: str, energy_j_mol: float, now: datetime
) -> datetime | None:
    """When one in ten is reached if it stays where it is; None beyond five years."""
    here = PLACES.get(place, PLACES["bench"])
    pace = rate(here.middle_c, keeping.at_c, energy_j_mol)

    def chance(days: float) -> float:
        return _chance([(age + days * 86400 * pace, weight) for age, weight in nodes], keeping)

    low, high = 0.0, 5 * 365.0
    if chance(low) >= _SOON:
        return now
    if chance(high) < _SOON:
        return None
    while high - low > 0.02:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if chance(middle) < _SOON else (low, middle)
    return now + timedelta(days=high)


def keeping_of(facts: Mapping[str, object], learnt: Keeping) -> Keeping:
    """As its label tells, else what this station has learnt, else the assumption."""
    keeps, at = facts.get("keeps_s"), facts.get("keeps_at_c")
    if isinstance(keeps, int | float) and isinstance(at, int | float) and keeps > 0:
        memory = ", from memory" if facts.get("memory") else ""
        return Keeping(float(keeps), float(at), _TOLD_LN_SD, f"told for this lot{memory}")
    return learnt


def learnt_keeping(ages_s: Sequence[float]) -> Keeping:
    """Keeping time at 5 degC from equivalent ages at which lots of this station were seen to thicken [s].

    Normal in ln on both sides, the prior as wide as our ignorance.
    """
    seen = [math.log(age) for age in ages_s if age > 0]
    if not seen:
        return Keeping()
    prior, one = 1 / _KEEPS_LN_SD**2, 1 / (2 * _LOT_LN_SD) ** 2
    precision = prior + one * len(seen)
    middle = (math.log(_KEEPS_S) * prior + one * sum(seen)) / precision
    count = f"{len(seen)} lot{'s' if len(seen) > 1 else ''}"
    return Keeping(
        math.exp(middle), _KEEPS_C, math.hypot(precision**-0.5, _LOT_LN_SD), f"{count} of this station seen to thicken"
    )


def judge_lot(
    row: LotRow,
    events: Sequence[LotEvent],
    uses: Sequence[Use],
    recorded: Recorded,
    now: datetime,
    learnt: Keeping | None = None,
    tainted: Mapping[str, str] | None = None,
) -> LotState:
    """The lot as it is at `now`.

    events : what befell it, by time;  uses : batches that had it in the chamber
    recorded : what the station's own readings tell of the room;  tainted : other lots that are contaminated, and why
    """
    events = sorted((event for event in events if event.utc <= now), key=lambda event: event.utc)
    uses = sorted((use for use in uses if use.begin <= now), key=lambda use: use.begin)
    keeping = keeping_of(row.facts, learnt or Keeping())
    energy = initiator(str(row.facts.get("initiator", ""))).activation_j_mol
    stretches, place = _stretches(events, uses, recorded, now)
    nodes, mass, remarks = _ages(stretches, events, uses, keeping.at_c, energy)
    chance = _chance(nodes, keeping)
    low, middle, high = _band(nodes)
    kinds = {event.kind for event in events}
    dirt = [str(event.detail.get("what") or "not said with what") for event in events if event.kind == "contaminated"]
    for event in events:
        source = str(event.detail.get("from", ""))
        if event.kind == "topped_up" and tainted and source in tainted:
            dirt.append(f"topped up from {source}, which is contaminated ({tainted[source]})")
    level = "fresh"
    if "ended" in kinds:
        level = "ended"
    elif "thickened" in kinds:
        level = "thick"
    elif dirt:
        level = "contaminated"
    elif chance >= _LIKELY:
        level = "likely"
    elif chance >= _SOON:
        level = "soon"
    remarks += _sentences(level, place, dirt, events, stretches)
    opened = next((event.utc for event in events if event.kind == "opened"), None)
    rests: dict[str, float] = {}
    for stretch in stretches:
        rests[stretch.basis] = rests.get(stretch.basis, 0.0) + stretch.seconds
    soon = _soon(nodes, keeping, place, energy, now) if level in ("fresh", "soon", "likely", "contaminated") else None
    return LotState(
        name=row.name,
        level=level,
        place=place,
        opened_utc=opened,
        mass_kg=mass,
        age_low_s=low,
        age_s=middle,
        age_high_s=high,
        keeping=keeping,
        chance=chance,
        soon_utc=soon,
        vacuum_s=sum(use.vacuum_s for use in uses),
        rests=rests,
        contaminated=tuple(dirt),
        from_memory=tuple(f"{event.kind.replace('_', ' ')} {event.utc:%Y-%m-%d}" for event in events if event.memory),
        remarks=tuple(remarks),
        stretches=tuple(stretches),
    )


def _sentences(
    level: str, place: str, dirt: Sequence[str], events: Sequence[LotEvent], stretches: Sequence[Stretch]
) -> list[str]:
    out = []
    if level == "thick":
        out.append("It was seen to thicken: do not use it, and have it cured or disposed of as its data sheet says.")
    if level == "likely":
        out.append(
            "It is likely thickening: pour a little, compare it with fresh resin, and do not start a batch on it."
        )
    if level == "soon":
        out.append("It may thicken before long: look at how it runs before every use, and use it up or top it up.")
    if dirt and level != "ended":
        out.append(
            f"Contaminated ({'; '.join(dirt)}): not for pieces that must stay clean, and never back into a clean lot."
        )
    if place in ("pump", "bench", "chamber") and level not in ("ended", "thick"):
        out.append(f"It stands at the {place}: put it back into the cold, and say so.")
    warm_s = sum(stretch.seconds for stretch in stretches if stretch.place == "pump")
    if warm_s > 1800:
        out.append(f"It has stood beside the warm pump for {warm_s / 3600:.1f} h in all; move it further off.")
    if not any(event.kind == "opened" for event in events):
        out.append("Nobody has said when it was opened, so it has no age: lastbubble resin open.")
    return out
