"""A whole batch as a log with its truth, quickly and without any wire.

    python -m tools.plant.makelogs --scenario demo --seed 1 --out logs/
    python -m tools.plant.makelogs --scenario degassing --seed 12 --count 40 --out logs/  (draws: tools.plant.draws)
    context, samples, truth = simulate(scenario, seed)

It leaves NAME-SEED.csv (the log, as the page on logs has it) and NAME-SEED.truth.json (what was truly so; times in the
log's seconds, as `lastbubble replay` uses them).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lastbubble.context import Context, context_header
from lastbubble.ledger.logfile import write_log
from lastbubble.records import Sample
from tools.plant.chance import Chance
from tools.plant.draws import DRAWS, HIGH_BASE
from tools.plant.person import Person
from tools.plant.scenario import SCENARIOS, Scenario
from tools.plant.station import Station

__all__ = ["main", "simulate"]

#: No day at the bench is longer.
_LONGEST_S = 40 * 3600.0


def simulate(scenario: Scenario, seed: int, dt_s: float = 1.0) -> tuple[Context, list[Sample], dict[str, Any]]:
    """One day at the bench: what the log's head tells, its rows, and the truth.

    dt_s : step of the physics, at most a second or so; rows come every `scenario.period_s`.
    The truth holds the station's dates (`..._s`), `stages` as [since, name], `safe_s` (from when on a call of the stop
    is not early), `core_at_rows_c` (true core of the slowest piece at each row, None while none is in the oven), and
    what was drawn: `law`, `gauge`, `fault`, `happenings`, `leak_pa_s`, ...; `warnings` that would have been right, each
    with its moment; `lift_last_hour_pa`: by how much the last hour of bubbling lifted the pressure, in the mean;
    `isolation_gain`: how many times larger an isolation shows the same flow.
    """
    station = Station(scenario, seed)
    person = Person(station, Chance(seed, "person"))
    rows = _Rows(station, person, Chance(seed, "rows"))
    step_s = min(dt_s, scenario.period_s)
    while not person.finished and station.time_s < _LONGEST_S:
        station.step(step_s)
        rows.take(person.tick())
    return scenario.context(), rows.samples, {**_facts(station, seed), "core_at_rows_c": rows.core_c}


class _Rows:
    """Rows of the log as the service would write them."""

    def __init__(self, station: Station, person: Person, chance: Chance) -> None:
        self.samples: list[Sample] = []
        self.core_c: list[float | None] = []
        self._station = station
        self._person = person
        self._chance = chance
        self._marks: tuple[str, ...] = ()
        self._next_s = 0.0
        self._last_s = -1.0
        part = station.scenario.habits.part
        self._with_chamber = part != "oven"
        self._with_oven = part != "degassing"
        self._with_isolation = station.scenario.habits.isolation_told in ("column", "both") and bool(
            station.scenario.habits.isolate_every_s
        )

    def take(self, marks: tuple[str, ...]) -> None:
        """After a step: a row where one is due, with the marks since the last."""
        station, chance = self._station, self._chance
        self._marks += marks
        if station.time_s < self._next_s - 1e-9:
            return
        while self._next_s <= station.time_s + 1e-9:
            self._next_s += station.scenario.period_s
        jitter_s = station.scenario.gauge.jitter_s
        time_s = round(station.time_s + (jitter_s * chance.uniform(-0.5, 0.5) if jitter_s else 0.0), 3)
        if time_s <= self._last_s:
            time_s = round(self._last_s + 0.001, 3)
        self._last_s = time_s
        faults: tuple[str, ...] = ()
        chamber_pa = None
        if self._with_chamber:
            if station.gauge_answers():
                chamber_pa = round(station.gauge_pa(), 3)
            else:
                faults = ("chamber:silent",)
        oven_c = junction_c = witness_c = None
        if self._with_oven:
            oven_c = _counts(station.oven_tc_c + 0.12 * chance.normal())
            junction_c = round(16 * (station.junction_c + 0.03 * chance.normal())) / 16
            if station.scenario.witness is not None:
                probe_c = station.witness_c
                if probe_c is None:
                    faults += ("witness:open",)
                else:
                    witness_c = _counts(probe_c + 0.1 * chance.normal())
        self.samples.append(
            Sample(
                time_s,
                chamber_pa=chamber_pa,
                oven_c=oven_c,
                junction_c=junction_c,
                witness_c=witness_c,
                heat=station.heat if self._with_oven else None,
                isolated=station.isolated if self._with_isolation else None,
                marks=self._marks,
                faults=faults,
            )
        )
        core = station.core_c
        self.core_c.append(None if core is None else round(core, 2))
        self._marks = ()


def _counts(value_c: float) -> float:
    """As the converter has it: steps of a quarter of a kelvin."""
    return round(4 * value_c) / 4


def _facts(station: Station, seed: int) -> dict[str, Any]:
    """What is worth knowing of the bench besides the dates."""
    scenario = station.scenario
    chamber = scenario.chamber
    truth = {name: value for name, value in station.truth().items() if name.endswith("_s")}
    stop = station.bubbles_stopped_s()
    return {
        "scenario": scenario.name,
        "seed": seed,
        "split": scenario.split,
        **truth,
        "safe_s": station.safe_s(),
        "stages": station.stages(),
        "law": scenario.pores.law,
        "gauge": scenario.gauge_class,
        "volume_l": 1e3 * chamber.volume_m3,
        "leak_pa_s": chamber.leak_pa_m3_s / chamber.volume_m3,
        "fault": scenario.fault,
        "warnings": _warnings(station),
        "lift_last_hour_pa": None if stop is None else station.lift_pa(stop - 3600, stop),
        "isolation_gain": scenario.habits.isolate_s * station.low_speed_m3_s / chamber.volume_m3,
        "happenings": [item.kind for item in scenario.happenings],
        "isolates": bool(scenario.habits.isolate_every_s),
        "bubbles": station.bubbles,
        "pore_gas_left": station.pore_gas_left,
        "target_core_c": scenario.target_c,
        "hold_s": scenario.hold_s,
    }


def _warnings(station: Station) -> dict[str, float]:
    """What a watchful neighbour would have warned of, and from when on [s]. Too coarse a gauge is another question:
    compare `lift_last_hour_pa` with its step.
    """
    dates = station.dates
    found = {
        "pump_stopped": dates.get("pump_stopped_s"),
        "vacuum_lost": dates.get("vacuum_lost_s"),
        "base_pressure_high": dates.get("pump_on_s") if station.scenario.fault in HIGH_BASE else None,
        "vent_before_pump_off": dates.get("pump_off_under_vacuum_s"),
    }
    if station.scenario.fault == "too_cold":
        found["core_will_not_reach"] = dates.get("oven_loaded_s")
    return {cause: since for cause, since in found.items() if since is not None}


def main(argv: Sequence[str] | None = None) -> int:
    """The command; 0 done, 2 wrong use."""
    parser = argparse.ArgumentParser(prog="python -m tools.plant.makelogs", description=__doc__.splitlines()[0])
    names = ", ".join((*SCENARIOS, *DRAWS))
    parser.add_argument("--scenario", required=True, metavar="NAME", help=f"one of: {names}")
    parser.add_argument("--seed", type=int, default=1, help="of everything by chance (default 1)")
    parser.add_argument("--count", type=int, default=1, help="so many logs, with the numbers that follow")
    parser.add_argument("--out", type=Path, required=True, help="folder to leave them in")
    args = parser.parse_args(argv)
    if args.scenario not in SCENARIOS and args.scenario not in DRAWS:
        parser.error(f"{args.scenario!r} is no scenario; allowed: {names}")
    args.out.mkdir(parents=True, exist_ok=True)
    for seed in range(args.seed, args.seed + args.count):
        scenario = SCENARIOS[args.scenario] if args.scenario in SCENARIOS else DRAWS[args.scenario](seed)
        context, samples, truth = simulate(scenario, seed)
        path = args.out / f"{args.scenario}-{seed}.csv"
        write_log(path, context_header(context), samples)
        path.with_suffix(".truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
        print(f"{path}: {len(samples)} rows, {samples[-1].time_s / 3600:.1f} h, {truth['law']}, {truth['gauge']}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
