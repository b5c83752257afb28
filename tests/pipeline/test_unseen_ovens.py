"""Ovens and logs that nobody has seen, through the public pipeline: nothing is called early, nothing falls over.

The oven and the pieces are those of the simulated bench (`tools.plant`), which shares nothing with what is under test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import pytest

from lastbubble.context import Context
from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Caution, Event, Record, Sample
from tests.pipeline.plant_log import Bench, Deed, Log, batch
from tools.plant.oven import OvenParts
from tools.plant.pieces import PieceParts

TARGET_C = 93.0
SLAB = Context(
    piece_thickness_mm=25.0, piece_width_mm=300.0, piece_length_mm=300.0, piece_shape="slab", material="chalk turquoise"
)
STONE = PieceParts(thickness_m=0.025, k_w_mk=1.0, heat_j_m3k=2.05e6, area_m2=0.02, emissivity=0.7)
QUICK = replace(STONE, thickness_m=0.010)
WITH_TRAY = OvenParts(tray_j_k=400.0)


def mark(name: str) -> Callable[[Bench], None]:
    return lambda bench: bench.marks.append(name)


def oven(**what: Any) -> Callable[[Bench], None]:
    """Change something of the oven."""

    def deed(bench: Bench) -> None:
        for name, value in what.items():
            assert hasattr(bench.oven, name)
            setattr(bench.oven, name, value)

    return deed


def bench(**what: Any) -> Callable[[Bench], None]:
    """Change something round it: heat, silence, the probe, the loading."""

    def deed(here: Bench) -> None:
        for name, value in what.items():
            assert hasattr(here, name)
            setattr(here, name, value)

    return deed


LOADED: Deed = (5.0, mark("oven_loaded"))


@dataclass(frozen=True)
class Told:
    log: Log
    said: list[Record]
    pipeline: Pipeline

    def event(self, name: str = "cure_temperature_reached") -> Event:
        return next(record for record in self.said if isinstance(record, Event) and record.name == name)

    @property
    def causes(self) -> list[str]:
        return [record.cause for record in self.said if isinstance(record, Caution)]

    @property
    def short_k(self) -> float:
        """How far the true core was below its target when it was called [K]."""
        return TARGET_C - self.log.core_at(self.event().t)

    @property
    def late_min(self) -> float:
        assert self.log.reached_s is not None
        return (self.event().t - self.log.reached_s) / 60


def told(log: Log, context: Context = SLAB, samples: list[Sample] | None = None) -> Told:
    pipeline = Pipeline(context)
    said: list[Record] = []
    for sample in log.samples if samples is None else samples:
        said += pipeline.feed(sample)
    return Told(log, said, pipeline)


@cache
def usual() -> Log:
    return batch([STONE], deeds=[LOADED])


def door(from_s: float, minutes: float) -> list[Deed]:
    return [(from_s, oven(door_open=True)), (from_s + 60 * minutes, oven(door_open=False))]


def silence(from_s: float, minutes: float, *, power: bool) -> list[Deed]:
    """The station is off, and the oven with it unless `power`; a guard's relay needs a person before it heats again."""
    return [
        (from_s, bench(silent=True)),
        (from_s, oven(mains=power)),
        (from_s + 60 * minutes, bench(silent=False)),
        (from_s + 60 * minutes, oven(mains=True)),
    ]


FLICKER: list[Deed] = [deed for at_s in range(900, 4500, 600) for deed in silence(at_s, 4, power=False)]


def shed(time_s: float) -> float:
    """A night in a shed: from 12 down to 2 degC."""
    return 12.0 - 10.0 * min(time_s / 14400.0, 1.0)


UNSEEN: dict[str, dict[str, Any]] = {
    "as usual": {},
    "no mark": {"deeds": []},
    "10 Hz, jittered": {"period_s": 0.1, "jitter": 0.6, "hours": 2.2},
    "a sample a minute, jittered": {"period_s": 60.0, "jitter": 0.5},
    "a cold start at 5 degC": {"parts": OvenParts(room_c=5.0), "dial_c": 125.0},
    "a start in frost": {"parts": OvenParts(room_c=-3.0), "dial_c": 125.0},
    "a shed whose night grows cold": {"parts": OvenParts(room_c=12.0), "dial_c": 122.0, "room_c": shed},
    "a weak element": {"parts": OvenParts(power_w=330.0)},
    "a strong element": {"parts": OvenParts(power_w=1500.0, half_band_k=6.0)},
    "a heavy oven": {"parts": OvenParts(wall_j_k=16000.0)},
    "a thermocouple near the wall": {"parts": OvenParts(couple_wall=0.3)},
    "a bulb beside the element": {"parts": OvenParts(bulb_element=0.08), "dial_c": 132.0},
    "a door left open for five minutes": {"deeds": [LOADED, *door(2000, 5)]},
    "three looks": {"deeds": [LOADED, *door(1500, 0.3), *door(2400, 0.3), *door(3000, 0.3)]},
    "twenty minutes not logged": {"deeds": [LOADED, *silence(2000, 20, power=True)]},
    "twenty minutes without power": {"deeds": [LOADED, *silence(2000, 20, power=False)]},
    "two hours without power": {"deeds": [LOADED, *silence(2400, 120, power=False)], "hours": 6.0},
    "power that comes and goes": {"deeds": [LOADED, *FLICKER]},
    "a dial turned up half way": {"dial_c": 100.0, "deeds": [LOADED, (5000.0, lambda b: b.dial(125.0, told=False))]},
    "a dial in degF, told": {"dial_c": 100.0, "deeds": [LOADED, (5000.0, lambda b: b.dial(257.0, "F"))]},
    "a thermostat that sticks": {"deeds": [LOADED, (2500.0, oven(stuck_on=True))], "hours": 2.0},
    "the mark pressed twice": {"deeds": [LOADED, (400.0, mark("oven_loaded"))]},
    "a thicker piece than told": {"pieces": [replace(STONE, thickness_m=0.0275)]},
    "a log that begins while it warms": {"from_s": 900.0, "deeds": []},
    "a log that begins in the hold": {"from_s": 4500.0, "deeds": [], "hours": 5.0},
    "preheated, loaded through the door": {
        "loaded": False,
        "deeds": [*door(3000, 0.7), (3030.0, bench(loaded=True))],
    },
    "preheated, loaded slowly, marked late": {
        "loaded": False,
        "deeds": [*door(3000, 5), (3280.0, bench(loaded=True)), (3900.0, mark("oven_loaded"))],
    },
}  # fmt: skip


@cache
def unseen(name: str) -> Log:
    ask = {"pieces": [STONE], "deeds": [LOADED], **UNSEEN[name]}
    return batch(ask.pop("pieces"), **ask)


@pytest.mark.parametrize("name", UNSEEN)
def test_no_call_is_early_and_none_is_missing(name: str) -> None:
    """Not more than 4 K short, and found within an hour of the truth where the log shows the loading."""
    one = told(unseen(name))
    assert one.short_k <= 4.0
    assert one.event("cure_complete").t >= one.event().t + 1500
    if "begins in" not in name:
        assert one.late_min < 60
    expected = {"a thermostat that sticks": ["oven_runs_hotter"], "a dial turned up half way": ["oven_runs_hotter"]}
    allowed = {"core_will_not_reach", "oven_runs_hotter", "cure_interrupted"} if "dial" in name else set()
    assert set(expected.get(name, [])) <= set(one.causes)
    assert set(one.causes) <= allowed | set(expected.get(name, []))


def test_a_thermostat_that_never_switches_is_told_before_the_core_is_hot() -> None:
    log = batch([STONE], deeds=[LOADED, (6.0, oven(stuck_on=True))], hours=1.0)
    one = told(log)
    first = next(record for record in one.said if isinstance(record, Caution))
    assert first.cause == "oven_runs_hotter"
    assert "plug" in first.text
    assert log.reached_s is not None
    assert first.t < log.reached_s
    assert one.causes.count("oven_runs_hotter") == 1


def test_two_pieces_the_probe_in_the_quicker_one() -> None:
    """It does not decide, whoever told where it is, or nobody; the batch waits for the slower piece."""
    log = batch([STONE, QUICK], probe_in=1, deeds=[LOADED])
    assert told(log, replace(SLAB, witness="other")).short_k < 2
    untold = told(log)
    assert untold.short_k < 2
    assert untold.causes == ["sensor_witness_too_quick"]
    lied = told(log, replace(SLAB, witness="slowest", oven_fan="no"))
    assert lied.short_k < 2
    assert lied.causes == ["sensor_witness_too_quick"]


@pytest.mark.parametrize("context", [replace(SLAB, witness="slowest"), SLAB])
def test_a_probe_that_lies_on_the_tray_all_along_does_not_decide(context: Context) -> None:
    log = batch([STONE], parts=WITH_TRAY, probe_in=0, deeds=[LOADED, (0.0, bench(probe_on_tray=True))])
    one = told(log, context)
    assert one.short_k < 2
    assert one.causes == ["sensor_witness_too_quick"]


@pytest.mark.parametrize("at_s", [1200.0, 2000.0, 2800.0])
def test_a_probe_moved_onto_the_tray_is_noticed(at_s: float) -> None:
    log = batch([STONE], parts=WITH_TRAY, probe_in=0, deeds=[LOADED, (at_s, bench(probe_on_tray=True))])
    one = told(log, replace(SLAB, witness="slowest"))
    assert one.short_k < 4
    assert one.causes[0] in ("sensor_witness_fell_out", "sensor_witness_too_quick")


def test_a_believed_probe_is_close_in_a_cold_shed_too() -> None:
    parts = OvenParts(room_c=12.0)
    log = batch([STONE], parts=parts, dial_c=122.0, room_c=shed, probe_in=0, deeds=[LOADED])
    one = told(log, replace(SLAB, witness="slowest"))
    assert one.short_k < 1
    assert abs(one.late_min) < 3
    assert one.causes == []


@pytest.mark.parametrize("probe", [True, False])
def test_a_night_without_power_stands_in_the_record_and_the_hold_adds_up(probe: bool) -> None:
    """Power off for three hours in the hold, the station on: told once; the hold goes on where it stood."""
    off: list[Deed] = [(4500.0, oven(mains=False)), (4500.0 + 10800, oven(mains=True))]
    log = batch([STONE], deeds=[LOADED, *off], hours=8.0, hold_s=7200.0, probe_in=0 if probe else None)
    one = told(log, replace(SLAB, hold_min=120.0, witness="slowest" if probe else ""))
    assert one.causes == ["cure_interrupted"]
    assert log.complete_s is not None
    assert log.complete_s > 4500 + 10800
    complete = one.event("cure_complete")
    assert log.complete_s - 300 < complete.t < log.complete_s + 3600


def test_after_an_outage_in_the_hold_the_clock_has_stood() -> None:
    """Forty minutes of darkness in the hold, unlogged: it does not count as if the oven had stayed hot."""
    dark = batch([STONE], deeds=[LOADED, *silence(5200, 80, power=False)], hours=6.0, hold_s=3600.0)
    lit = batch([STONE], deeds=[LOADED], hours=6.0, hold_s=3600.0)
    context = replace(SLAB, hold_min=60.0)
    gone, whole = told(dark, context), told(lit, context)
    assert dark.complete_s is not None
    assert gone.event("cure_complete").since > whole.event("cure_complete").since + 600
    assert gone.event("cure_complete").t > dark.complete_s - 300


def test_a_wet_piece_is_told_where_a_probe_shows_it() -> None:
    log = batch([replace(STONE, water_kg_m3=60.0)], probe_in=0, deeds=[LOADED], hours=5.0)
    one = told(log, replace(SLAB, witness="slowest"))
    assert one.causes == ["core_stalls"]
    assert one.short_k < 1
    stall = next(record for record in one.said if isinstance(record, Caution))
    assert log.core_at(stall.t) < 93


def test_a_probe_that_dies_leaves_the_batch_to_the_air() -> None:
    log = batch([STONE], probe_in=0, deeds=[LOADED, (2200.0, bench(probe_in=None))], hours=3.0)
    one = told(log, replace(SLAB, witness="slowest"))
    assert one.causes == ["sensor_witness_missing"]
    assert one.event().basis == "model"
    assert one.short_k < 2
    assert one.late_min < 60


def test_the_second_thermocouple_goes_on_where_the_first_one_dies() -> None:
    """Two kelvins apart, and one of them silent for good: the core is followed all the same."""
    log = usual()
    samples = [
        replace(s, oven_c=None if s.time_s > 2200 else s.oven_c, oven2_c=None if s.oven_c is None else s.oven_c - 2.0)
        for s in log.samples
    ]
    one = told(log, SLAB, samples)
    assert one.causes == ["sensor_oven_missing"]
    assert one.short_k < 2
    assert one.late_min < 60


def test_spikes_of_a_loose_wire_change_nothing_much() -> None:
    """Single readings hundreds of kelvins off, as a wet or loose couple gives them."""
    log = usual()
    samples = [
        replace(s, oven_c=s.oven_c + (240.0 if n % 2 else -90.0)) if n % 37 == 5 and s.oven_c is not None else s
        for n, s in enumerate(log.samples)
    ]
    still, loose = told(log), told(log, SLAB, samples)
    assert abs(loose.event().t - still.event().t) < 240
    assert "oven_runs_hotter" not in loose.causes


def test_one_log_says_the_same_twice() -> None:
    log = unseen("twenty minutes without power")
    assert told(log).said == told(log).said
