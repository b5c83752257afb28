"""Whole logs: the same every time, readable, with their truth, and as forgetful as the person who marks them."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.context import context_from_header
from lastbubble.ledger.logfile import read_log
from tools.plant.chance import Chance
from tools.plant.draws import draw_degassing, draw_oven, draw_sessions
from tools.plant.makelogs import main, simulate
from tools.plant.person import Person
from tools.plant.scenario import SCENARIOS, Scenario
from tools.plant.station import Station

DEMO = SCENARIOS["demo"]
DEGASSING = replace(
    DEMO,
    pores=replace(DEMO.pores, span_s=1200.0, gas_pa_m3=4.0),
    habits=replace(DEMO.habits, part="degassing", vent_after_s=1200.0, rocks_s=(600.0,)),
)


def marks_of(scenario: Scenario, seed: int = 1) -> list[tuple[float, str]]:
    _, samples, _ = simulate(scenario, seed)
    return [(sample.time_s, mark) for sample in samples for mark in sample.marks]


def test_the_demo_is_a_day_of_about_four_hours_in_the_right_order() -> None:
    context, samples, truth = simulate(DEMO, 1)
    assert 3.5 < samples[-1].time_s / 3600 < 5.2
    assert [name for _, name in truth["stages"]] == [
        "idle", "pump_down", "degassing", "still", "venting", "soaking", "heating", "curing", "cooling", "finished",
    ]  # fmt: skip
    assert 60 < (truth["bubbles_stopped_s"] - truth["pump_on_s"]) / 60 < 85
    assert truth["cure_complete_s"] - truth["cure_temperature_reached_s"] == pytest.approx(DEMO.hold_s, abs=2)
    assert (context.piece_thickness_mm, context.material, context.witness) == (12.0, "chalk turquoise", "slowest")
    times = [sample.time_s for sample in samples]
    assert all(b > a for a, b in itertools.pairwise(times))
    assert len(truth["core_at_rows_c"]) == len(samples)


def test_the_same_number_gives_the_same_log() -> None:
    assert simulate(DEGASSING, 3) == simulate(DEGASSING, 3)
    assert simulate(DEGASSING, 3)[1] != simulate(DEGASSING, 4)[1]


def test_marks_come_late_or_never_but_not_early() -> None:
    prompt = {mark: at_s for at_s, mark in marks_of(DEGASSING)}
    assert {"pump_on", "vent_shut", "rocked", "vent_open", "pump_off", "vented"} <= set(prompt)
    late = marks_of(replace(DEGASSING, habits=replace(DEGASSING.habits, mark_late_s=60.0)))
    behind = [at_s - prompt[mark] for at_s, mark in late if mark in ("pump_on", "vent_open", "pump_off")]
    assert all(delay >= -1 for delay in behind)
    assert max(behind) > 10
    assert marks_of(replace(DEGASSING, habits=replace(DEGASSING.habits, mark_missing=1.0))) == []


@pytest.mark.parametrize("told", ["both", "column", "marks", "untold"])
def test_isolations_are_told_as_the_scenario_says(told: str) -> None:
    habits = replace(DEGASSING.habits, isolate_every_s=400.0, isolate_from_s=200.0, isolate_s=90.0, isolation_told=told)
    _, samples, _ = simulate(replace(DEGASSING, habits=habits), 1)
    column = [sample.isolated for sample in samples]
    marks = [mark for sample in samples for mark in sample.marks if mark in ("isolated", "rejoined")]
    assert (True in column) is (told in ("both", "column"))
    assert (column == [None] * len(samples)) is (told in ("marks", "untold"))
    assert bool(marks) is (told in ("both", "marks"))
    if marks:
        assert marks == ["isolated", "rejoined"] * (len(marks) // 2)


def test_an_isolation_ends_when_the_pressure_has_risen_enough() -> None:
    habits = replace(
        DEGASSING.habits, isolate_every_s=400.0, isolate_from_s=60.0, isolate_s=300.0, isolate_rise_pa=50.0
    )
    _, samples, _ = simulate(replace(DEGASSING, habits=habits), 1)
    shut = [sample.time_s for sample in samples if sample.isolated]
    assert shut[0] < 250
    assert sum(at_s < shut[0] + 300 for at_s in shut) < 200


def test_a_batch_that_is_vented_early_has_no_stop() -> None:
    _, samples, truth = simulate(draw_degassing(2, fault="vented_early"), 2)
    assert "bubbles_stopped_s" not in truth
    assert truth["safe_s"] is None
    assert truth["pore_gas_left"] > 0.005
    assert any("vented" in sample.marks for sample in samples) or draw_degassing(2).habits.mark_missing > 0


def test_truth_names_the_warnings_that_would_be_right() -> None:
    def told(fault: str) -> dict[str, float]:
        scenario = draw_degassing(4, fault=fault)
        truth = simulate(replace(scenario, period_s=5.0, habits=replace(scenario.habits, vent_after_s=900.0)), 4)[2]
        assert truth["fault"] == fault
        return {cause: at_s - truth["pump_on_s"] for cause, at_s in truth["warnings"].items()}

    assert told("") == {}
    assert told("ballast_open") == {"base_pressure_high": 0.0}
    happening = draw_degassing(4, fault="hose_off").happenings[0]
    assert told("hose_off") == {"vacuum_lost": pytest.approx(happening.at_s, abs=6)}
    assert list(told("pump_off_first")) == ["vent_before_pump_off"]


def test_a_relative_gauge_hears_of_the_weather_and_readings_may_be_missing() -> None:
    scenario = replace(draw_degassing(1, gauge="relative"), period_s=5.0)
    scenario = replace(scenario, gauge=replace(scenario.gauge, missing=0.05, jitter_s=0.4))
    _, samples, _ = simulate(scenario, 1)
    missing = [sample for sample in samples if sample.chamber_pa is None]
    assert 0.02 < len(missing) / len(samples) < 0.09
    assert all(sample.faults == ("chamber:silent",) for sample in missing)
    assert len({round(sample.time_s % 5, 3) for sample in samples}) > 20


def test_oven_logs_have_no_chamber_and_may_have_no_pieces() -> None:
    _, samples, truth = simulate(draw_oven(1, fault="", witness=True), 1)
    assert {sample.chamber_pa for sample in samples} == {None}
    assert "cure_complete_s" in truth
    assert any(sample.witness_c is not None for sample in samples)
    empty = next(day for day in draw_sessions(3) if not day.pieces)
    _, samples, truth = simulate(empty, 3)
    assert [mark for sample in samples for mark in sample.marks] == [empty.dial_mark]
    assert truth["core_at_rows_c"] == [None] * len(samples)
    assert max(sample.oven_c or 0 for sample in samples) > 60


def test_the_command_writes_a_log_that_reads_back_equal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--scenario", "degassing", "--seed", "1", "--count", "2", "--out", str(tmp_path)]) == 0
    assert capsys.readouterr().out.count(".csv") == 2
    context, samples, truth = simulate(draw_degassing(1), 1)
    log = read_log(tmp_path / "degassing-1.csv")
    assert list(log) == samples
    assert context_from_header(log.header) == context
    kept = json.loads((tmp_path / "degassing-1.truth.json").read_text(encoding="utf-8"))
    assert kept["safe_s"] == truth["safe_s"]
    with pytest.raises(SystemExit) as wrong:
        main(["--scenario", "nothing", "--out", str(tmp_path)])
    assert wrong.value.code == 2
    assert "allowed" in capsys.readouterr().err


def test_a_person_who_never_sees_the_stop_gives_up() -> None:
    endless = replace(DEMO.pores, law="single", span_s=80_000.0)
    habits = replace(DEMO.habits, part="degassing", longest_s=900.0, tail_s=10.0)
    station = Station(replace(DEMO, pores=endless, habits=habits), 1)
    person = Person(station, Chance(1, "person"))
    said: list[str] = []
    while not person.finished:
        station.step(1.0)
        said += person.tick()
    assert station.time_s < 2500
    assert said[-1] == "vented"
    assert "bubbles_stopped_s" not in station.truth()
