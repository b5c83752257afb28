"""The chamber's bench: which batches are played, and their logs kept on disk so that a second run only replays.

    case = Case(5003, "fine", isolation=True)
    log = logs.fetch(case)                     # simulated once, then read from the cache

The cache lies beside other temporary files, in a folder named after the plant's sources: change the plant and every log
is made anew. Nothing in it is ever executed (arrays and JSON only).
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import tempfile
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np

from lastbubble.context import Context, context_from_header, context_header
from lastbubble.records import Sample
from tools.plant.draws import CHAMBER_FAULTS, GAUGES, draw_degassing
from tools.plant.makelogs import simulate

__all__ = ["CLASSES", "FAULT_SEEDS_FROM", "Case", "Log", "fault_cases", "fetch", "main_cases"]

CLASSES: Final = GAUGES
#: The numbers of the fault logs begin so far above those of the batches: no log is in both.
FAULT_SEEDS_FROM: Final = 1000


@dataclass(frozen=True, slots=True)
class Case:
    """One batch. isolation, fault : None = as the number draws it;  kind : "batch" or "fault", only for the tables."""

    seed: int
    gauge: str
    isolation: bool | None = None
    fault: str | None = None
    kind: str = "batch"

    @property
    def name(self) -> str:
        shut = {None: "drawn", True: "isolated", False: "pumped"}[self.isolation]
        fault = "drawn" if self.fault is None else self.fault or "none"
        return f"{self.seed}-{self.gauge}-{shut}-{fault}"


@dataclass(frozen=True, slots=True)
class Log:
    """context, samples : as the pipeline gets them;  truth : see `tools.plant.makelogs.simulate`, and besides
    `ends`: cause -> when it was mended, where the scenario mends it [s];  `gain`: of an isolation
    """

    case: Case
    context: Context
    samples: list[Sample]
    truth: dict[str, Any]


def main_cases(seeds: range, classes: tuple[str, ...]) -> list[Case]:
    """Every number in every class of gauges, once pumped only and once with isolations; faults as drawn (4 in 10)."""
    return [Case(seed, gauge, shut) for seed in seeds for gauge in classes for shut in (False, True)]


def fault_cases(first: int, per_fault: int, classes: tuple[str, ...]) -> list[Case]:
    """Every fault in turn, `per_fault` numbers each, in every class."""
    out = []
    for place, fault in enumerate(CHAMBER_FAULTS):
        for turn in range(per_fault):
            seed = first + FAULT_SEEDS_FROM + place * per_fault + turn
            out += [Case(seed, gauge, None, fault, "fault") for gauge in classes]
    return out


def fetch(case: Case) -> Log:
    """The log of this case, simulated only if it is not on disk."""
    path = _folder() / case.name
    rows, head = path.with_suffix(".npz"), path.with_suffix(".json")
    if not (rows.exists() and head.exists()):
        _keep(_simulated(case), rows, head)
    return _read(case, rows, head)


def _simulated(case: Case) -> Log:
    scenario = draw_degassing(case.seed, gauge=case.gauge, isolation=case.isolation, fault=case.fault)
    context, samples, truth = simulate(scenario, case.seed)
    truth.pop("core_at_rows_c")
    ends: dict[str, float] = {}
    for item in scenario.happenings:
        cause = {"pump_stops": "pump_stopped", "lid_lifts": "vacuum_lost", "hose_off": "vacuum_lost"}.get(item.kind)
        if cause and math.isfinite(item.until_s) and f"{item.kind}_s" in truth:
            ends[cause] = truth[f"{item.kind}_s"] + item.until_s - item.at_s
    truth["ends"] = ends
    truth["step_pa"] = scenario.gauge.step_pa
    truth["told"] = scenario.habits.isolation_told if scenario.habits.isolate_every_s else ""
    return Log(case, context, samples, truth)


def _keep(log: Log, rows: Path, head: Path) -> None:
    """Both files appear whole or not at all: another run may look for them at this moment."""
    samples = log.samples
    shut = [-1 if s.isolated is None else int(s.isolated) for s in samples]
    text = {
        "case": asdict(log.case),
        "header": context_header(log.context),
        "truth": log.truth,
        "marks": {str(i): s.marks for i, s in enumerate(samples) if s.marks},
        "faults": {str(i): s.faults for i, s in enumerate(samples) if s.faults},
    }
    new = rows.with_name(f"{rows.stem}.{os.getpid()}.npz")
    np.savez_compressed(
        new,
        time_s=np.array([s.time_s for s in samples]),
        pa=np.array([math.nan if s.chamber_pa is None else s.chamber_pa for s in samples]),
        shut=np.array(shut, dtype=np.int8),
    )
    new.replace(rows)
    written = head.with_name(f"{head.stem}.{os.getpid()}.part")
    written.write_text(json.dumps(text), encoding="utf-8")
    written.replace(head)


def _read(case: Case, rows: Path, head: Path) -> Log:
    text = json.loads(head.read_text(encoding="utf-8"))
    with np.load(rows, allow_pickle=False) as kept:
        times, pressures, shut = kept["time_s"].tolist(), kept["pa"].tolist(), kept["shut"].tolist()
    samples = [
        Sample(t, chamber_pa=None if pa != pa else pa, isolated=None if s < 0 else bool(s))
        for t, pa, s in zip(times, pressures, shut, strict=True)
    ]
    for name in ("marks", "faults"):
        for place, words in text[name].items():
            samples[int(place)] = replace(samples[int(place)], **{name: tuple(words)})
    return Log(case, context_from_header(text["header"]), samples, text["truth"])


@cache
def _folder() -> Path:
    here = Path(__file__).resolve().parent
    digest = hashlib.sha256(Path(__file__).read_bytes())
    for path in sorted((here / "plant").glob("*.py")):
        digest.update(path.name.encode() + path.read_bytes())
    folder = Path(tempfile.gettempdir()) / f"lastbubble-bench-{os.getuid()}" / f"degassing-{digest.hexdigest()[:16]}"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
