"""Where the oven is coolest: one guided run, a probe laid at several places one after another.

The oven's own thermocouple stays where it is; a second one (or the witness) lies at a place for at least two whole
thermostat cycles, then at the next. What is kept with the station is a map: each place's mean over the oven's own
reading, and the coolest place, where the slowest piece must not lie, or for which the dial has to be set.

Pure; reads no clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from lastbubble.records import Sample

__all__ = ["Place", "SurveyMap", "map_from_json", "survey"]

#: The first minutes at a place belong to the probe's own warming.
_SETTLE_S = 300.0
_LEAST_S = 600.0


@dataclass(frozen=True, slots=True)
class Place:
    """One place. offset_k, spread_k : mean of (probe - oven's reading) and its standard error [K];  minutes : used"""

    name: str
    offset_k: float
    spread_k: float
    minutes: float


@dataclass(frozen=True, slots=True)
class SurveyMap:
    """All places, coolest first."""

    places: tuple[Place, ...]

    @property
    def coolest(self) -> Place:
        return self.places[0]

    @property
    def span_k(self) -> float:
        """Hottest minus coolest place [K]."""
        return self.places[-1].offset_k - self.places[0].offset_k

    def to_json(self) -> str:
        """For the station's record; `map_from_json` reads it back."""
        rows = [[p.name, round(p.offset_k, 2), round(p.spread_k, 2), round(p.minutes, 1)] for p in self.places]
        return json.dumps({"places": rows}, separators=(",", ":"))

    def in_words(self) -> list[str]:
        """One line a place, then what to do."""
        lines = [
            f"{p.name:<16} {p.offset_k:+5.1f} K +- {1.28 * p.spread_k:.1f} (80 %), {p.minutes:.0f} min"
            for p in self.places
        ]
        cool = self.coolest
        lines.append(
            f"coolest: {cool.name}, {-cool.offset_k:.1f} K below the oven's thermocouple"
            if cool.offset_k < 0
            else f"no place is cooler than the oven's thermocouple reads; {cool.name} comes nearest"
        )
        if self.span_k > 5:
            lines.append("the places differ by more than 5 K: keep pieces from the coolest, or set the dial for it")
        return lines


def survey(runs: Mapping[str, Iterable[Sample]]) -> SurveyMap:
    """The map of a survey.

    runs : for each place the samples while the probe lay there (`oven2_c`, else `witness_c`, against `oven_c`)

    Raises ValueError naming the place whose run is too short, and for fewer than two places.
    """
    if len(runs) < 2:
        raise ValueError(f"a survey needs at least two places, got {len(runs)}")
    places = [_place(name, samples) for name, samples in runs.items()]
    return SurveyMap(tuple(sorted(places, key=lambda place: place.offset_k)))


def _place(name: str, samples: Iterable[Sample]) -> Place:
    first: float | None = None
    last: tuple[float, float] | None = None
    area = square = time = 0.0
    for sample in samples:
        probe = sample.oven2_c if sample.oven2_c is not None else sample.witness_c
        if probe is None or sample.oven_c is None:
            continue
        first = sample.time_s if first is None else first
        off = probe - sample.oven_c
        if last is not None and sample.time_s - first >= _SETTLE_S:
            step = min(sample.time_s - last[0], 120.0)
            middle = (off + last[1]) / 2
            area, square, time = area + middle * step, square + middle * middle * step, time + step
        last = (sample.time_s, off)
    if time < _LEAST_S:
        raise ValueError(
            f"place {name!r} has {time / 60:.0f} min of both readings after the probe settled; leave it at least "
            f"{(_LEAST_S + _SETTLE_S) / 60:.0f} min, two whole cycles are better"
        )
    mean = area / time
    # The offset swings with the cycle; what counts is how many five-minute stretches there were.
    spread = math.sqrt(max(square / time - mean * mean, 0.0) / max(time / 300.0 - 1, 1.0) + 0.2**2)
    return Place(name, mean, spread, time / 60)


def map_from_json(text: str) -> SurveyMap:
    """The map that `SurveyMap.to_json` wrote. Raises ValueError for anything else."""
    try:
        rows = json.loads(text)["places"]
        places = tuple(Place(str(r[0]), float(r[1]), float(r[2]), float(r[3])) for r in rows)
    except (KeyError, TypeError, IndexError, ValueError) as exc:
        raise ValueError(f"not a survey's map: {text[:60]!r}") from exc
    if not places:
        raise ValueError("a survey's map without places")
    return SurveyMap(places)
