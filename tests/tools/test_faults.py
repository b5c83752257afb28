"""A few of the fault cases in real processes, and a harness that can tell safe from unsafe."""

from __future__ import annotations

import pytest

from tools.fault_cases.cases import CASES
from tools.fault_cases.judge import run_case
from tools.fault_cases.plan import NOTHING, Case, Goes, Opens, Setup
from tools.fault_cases.rig import Rig, World
from tools.fault_cases.supervisor import unit_seconds
from tools.fault_cases.world import PLATEAU_C, FaultWorld

BY_NAME = {case.name: case for case in CASES}
#: No broker and no phone: what is tried here is the heat.
ALONE = ("guard", "thermometer")
NOWHERE = World(("127.0.0.1", 1), str)


@pytest.fixture
def world() -> World:
    return NOWHERE


@pytest.mark.parametrize("name", ["guard_killed", "stop_wire_broken"])
def test_a_quick_case_is_safe(name: str, world: World) -> None:
    case = BY_NAME[name]
    setup = {field: getattr(case.setup, field) for field in Setup.__slots__} | {"parts": ALONE}
    outcome = run_case(
        Case(case.name, case.rows, case.fault, case.inject, case.expect, Setup(**setup), case.before), world
    )
    assert outcome.safe, outcome.finding
    assert outcome.after_s is not None
    assert outcome.after_s < 1.0


def test_heat_that_goes_on_where_it_must_not_is_unsafe(world: World) -> None:
    case = Case("nothing_done", (), "nothing", NOTHING, Opens(2.0, ("no_usable_reading",)), Setup(parts=ALONE))
    outcome = run_case(case, world)
    assert not outcome.safe
    assert "closed after 2 s" in outcome.finding


def test_heat_that_goes_off_where_it_must_not_is_unsafe_and_so_is_another_cause(world: World) -> None:
    def dead_bus(rig: Rig) -> None:
        rig.probe_fault("zeros")

    good = run_case(Case("dead_bus_good", (), "dead bus", dead_bus, Goes(5.0), Setup(parts=ALONE)), world)
    assert not good.safe
    assert "no_usable_reading" in good.finding
    other = run_case(Case("dead_bus_other", (), "dead bus", dead_bus, Opens(2.0, ("cut",)), Setup(parts=ALONE)), world)
    assert not other.safe
    assert "one of cut was expected" in other.finding


def test_a_station_that_does_not_come_up_is_unsafe(world: World) -> None:
    case = Case("no_start", (), "-", NOTHING, Goes(1.0), Setup(parts=ALONE, guard={"limit": "200 degC"}))
    outcome = run_case(case, world)
    assert not outcome.safe
    assert "could not be run" in outcome.finding


def test_the_stand_in_of_systemd_goes_by_the_units_numbers() -> None:
    assert 0 < unit_seconds("WatchdogSec") <= 5
    with pytest.raises(LookupError, match="NoSuchKey"):
        unit_seconds("NoSuchKey")


class TestTheOven:
    """The world of the cases does what its words say."""

    def world(self, scene: str = "hot", **handles: object) -> FaultWorld:
        made = FaultWorld(scene, 0.0)
        for name, value in handles.items():
            setattr(made, name, value)
        return made

    def after(self, made: FaultWorld, seconds: float, heat: bool = True, probe: str = "oven") -> float:
        made.step(made._now_s + seconds, heat)
        return made.probe_c(probe)

    def test_hot_it_stays_at_its_plateau_and_without_heat_it_cools(self) -> None:
        assert abs(self.after(self.world(), 900.0) - PLATEAU_C) < 5.0
        assert self.after(self.world(), 900.0, heat=False) < PLATEAU_C - 20.0

    def test_a_welded_relay_heats_and_a_dead_one_does_not(self) -> None:
        assert self.after(self.world("cold", relay="welded"), 600.0, heat=False) > 70.0
        assert self.after(self.world("cold", relay="dead"), 600.0) < 25.0

    def test_a_probe_that_fell_out_finds_the_room_and_one_half_out_reads_low(self) -> None:
        out = self.world(oven_at="out")
        out.probe_c("oven")
        assert self.after(out, 120.0) < 30.0
        half = self.after(self.world(oven_at="half_out"), 900.0)
        assert 55.0 < half < 75.0

    def test_swapped_wires_mirror_at_the_board(self) -> None:
        made = self.world(oven_at="reversed")
        assert made.probe_c("oven") < made.junction_c()

    def test_words_that_are_none_are_refused(self) -> None:
        with pytest.raises(KeyError, match="warm"):
            FaultWorld("warm", 0.0)
        with pytest.raises(ValueError, match="moon"):
            self.world(oven_at="moon").probe_c("oven")
