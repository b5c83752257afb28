"""What the log says of its own sensors: faults that last are told once, and impossible values never reach a model.

A live sample names its faults ("oven:open"); somebody else's log only has empty cells, or numbers that cannot be. Both
end here as cautions `sensor_<source>_<cause>`:

- a fault named in the sample, or a cell that stays empty after readings, is told after `LASTING_S` (or ten sample
  periods, where those are longer), and again only after it has been well for `WELL_S`;
- a temperature outside what a type K couple in an oven can mean, and an absolute pressure below any gauge's zero
  error, is no reading;
- an oven reading that does not change by one bit for `FROZEN_S` while the relay was worked, although this sensor has
  noise, is told as frozen.

Reads no clock.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from lastbubble.records import Caution, Sample

__all__ = ["FROZEN_S", "LASTING_S", "WELL_S", "SensorWatch", "possible"]

LASTING_S: Final = 10.0
WELL_S: Final = 60.0
FROZEN_S: Final = 600.0

#: Range of each column within which a value can be a reading: type K in a small oven (the chip's range is wider, an
#: oven with a 150 degC ceiling is not), a cold junction the chip is specified for, and the deepest zero error
#: that a gauge of one atmosphere has on a bench (common practice, no published source).
RANGES: Final[dict[str, tuple[float, float]]] = {
    "chamber_pa": (-5e3, 1.2e5),
    "oven_c": (-40.0, 400.0),
    "oven2_c": (-40.0, 400.0),
    "witness_c": (-40.0, 400.0),
    "junction_c": (-40.0, 125.0),
}
_SOURCES: Final[dict[str, str]] = {
    "chamber_pa": "chamber",
    "oven_c": "oven",
    "oven2_c": "oven2",
    "witness_c": "witness",
    "junction_c": "junction",
}

_MEND: Final[dict[str, str]] = {
    "missing": "it gives no reading; check its cable and supply",
    "range": "it reads what cannot be; check its wiring and scale",
    "frozen": "its reading has not moved by one bit; check the sensor and its cable",
    "open": "the thermocouple is open; check its screw terminals and the wire",
    "short_ground": "the thermocouple touches ground; check its insulation",
    "short_supply": "the thermocouple touches the supply; check its wiring",
    "bus": "its chip does not answer; check the bus wires and the supply",
    "io": "its bus cannot be read; check the bus wires",
    "silent": "the gauge says nothing; check its cable and supply",
    "stale": "its last reading is too old; check its cable and the process that reads it",
}


def possible(sample: Sample) -> tuple[Sample, tuple[str, ...]]:
    """The sample without the values that cannot be, and the sources that gave them."""
    wrong: list[str] = []
    for column, (low, high) in RANGES.items():
        value = getattr(sample, column)
        if value is not None and not low <= value <= high:
            wrong.append(column)
    if not wrong:
        return sample, ()
    blank: dict[str, None] = dict.fromkeys(wrong)
    return replace(sample, **blank), tuple(_SOURCES[column] for column in wrong)  # type: ignore[arg-type]


class SensorWatch:
    """Feed it every sample; it gives the cautions and the sample that the models may use."""

    def __init__(self) -> None:
        self._seen: set[str] = set()
        self._ill_since: dict[str, float] = {}
        self._well_since: dict[str, float] = {}
        self._told: dict[str, Caution] = {}
        self._last_s: float | None = None
        self._period_s = 1.0
        self._oven_value: float | None = None
        self._oven_since_s = 0.0
        self._oven_moves = 0
        self._heat: bool | None = None
        self._heat_edge_s: float | None = None

    @property
    def standing(self) -> tuple[Caution, ...]:
        """Cautions told and not yet well again."""
        return tuple(self._told.values())

    def feed(self, sample: Sample) -> tuple[Sample, list[Caution]]:
        """The usable sample, and the cautions that begin here."""
        now = sample.time_s
        if self._last_s is not None:
            # Slow mean of the row spacing: "lasting" means several rows, whatever the log's pace.
            self._period_s += 0.1 * (min(now - self._last_s, 600.0) - self._period_s)
        self._last_s = now
        clean, wrong = possible(sample)
        ill: set[str] = {f"{source}_range" for source in wrong}
        ill.update(fault.replace(":", "_") for fault in sample.faults)
        named = {fault.partition(":")[0] for fault in sample.faults} | set(wrong)
        for column, source in _SOURCES.items():
            if getattr(sample, column) is not None:
                self._seen.add(source)
            elif source in self._seen and source not in named:
                ill.add(f"{source}_missing")
        if self._oven_frozen(clean):
            ill.add("oven_frozen")
        return clean, self._tell(now, ill)

    def _tell(self, now: float, ill: set[str]) -> list[Caution]:
        lasting = max(LASTING_S, 10 * self._period_s)
        fresh: list[Caution] = []
        for name in sorted(ill):
            self._well_since.pop(name, None)
            since = self._ill_since.setdefault(name, now)
            if name not in self._told and now - since >= lasting:
                source, _, cause = name.partition("_")
                text = f"The {source} sensor: {_MEND.get(cause, cause.replace('_', ' '))}."
                self._told[name] = Caution(now, f"sensor_{name}", text)
                fresh.append(self._told[name])
        if self._ill_since:
            for name in [name for name in self._ill_since if name not in ill]:
                well = self._well_since.setdefault(name, now)
                if name not in self._told or now - well >= max(WELL_S, 10 * self._period_s):
                    del self._ill_since[name], self._well_since[name]
                    self._told.pop(name, None)
        return fresh

    def _oven_frozen(self, sample: Sample) -> bool:
        value = sample.oven_c
        if sample.heat is not None and sample.heat != self._heat:
            if self._heat is not None:
                self._heat_edge_s = sample.time_s
            self._heat = sample.heat
        if value is None:
            return False
        if value != self._oven_value:
            self._oven_value = value
            self._oven_since_s = sample.time_s
            self._oven_moves = min(self._oven_moves + 1, 1000)
            return False
        worked = sample.heat is True or (self._heat_edge_s is not None and self._heat_edge_s > self._oven_since_s)
        return self._oven_moves >= 100 and worked and sample.time_s - self._oven_since_s >= FROZEN_S
