"""The isolation valve's schedule: never open without a running pump, bounded, ended at a plain rise."""

from __future__ import annotations

import itertools

import pytest

from lastbubble.pipeline.isolation_schedule import IsolationSchedule, ScheduleSettings, ValveStep


def play(
    schedule: IsolationSchedule, seconds: int, *, pump: bool | None = True, rise_pa_s: float = 0.5, fine: bool = True
) -> list[ValveStep]:
    out: list[ValveStep] = []
    pressure = 30.0
    for second in range(seconds):
        step = schedule.step(float(second), pump_on=pump, degassing=True, chamber_pa=pressure, fine_gauge=fine)
        pressure = pressure + rise_pa_s if not step.open else 30.0
        out.append(step)
    return out


def lengths(steps: list[ValveStep]) -> list[int]:
    return [len(list(group)) for shut, group in itertools.groupby(steps, key=lambda s: s.isolated is True) if shut]


@pytest.mark.parametrize(("fine", "length"), [(True, 120), (False, 240)])
def test_so_long_every_quarter_of_an_hour(fine: bool, length: int) -> None:
    steps = play(IsolationSchedule(ScheduleSettings()), 4 * 3600, fine=fine)
    assert set(lengths(steps)) == {length}
    starts = [i for i in range(1, len(steps)) if steps[i].isolated and not steps[i - 1].isolated]
    assert starts[0] == 900
    assert {b - a for a, b in itertools.pairwise(starts)} == {900}


def test_a_plain_rise_ends_it() -> None:
    assert set(lengths(play(IsolationSchedule(ScheduleSettings()), 3600, rise_pa_s=20.0))) == {50}


@pytest.mark.parametrize("pump", [False, None])
def test_never_open_without_a_pump_that_runs(pump: bool | None) -> None:
    steps = play(IsolationSchedule(ScheduleSettings()), 7200, pump=pump)
    assert not any(step.open for step in steps)
    # Nothing draws on the other side: that is no isolation.
    assert {step.isolated for step in steps} == {None}


def test_a_pump_that_stops_within_an_isolation_leaves_it_shut_and_ends_the_count() -> None:
    schedule = IsolationSchedule(ScheduleSettings())
    assert play(schedule, 950)[-1] == ValveStep(False, True, "isolating")
    stopped = schedule.step(950.0, pump_on=False, degassing=True, chamber_pa=55.0, fine_gauge=True)
    assert stopped == ValveStep(False, None, "pump off")
    again = schedule.step(951.0, pump_on=True, degassing=True, chamber_pa=55.0, fine_gauge=True)
    assert again == ValveStep(True, False, "pumping")


def test_a_gauge_that_falls_silent_ends_it() -> None:
    schedule = IsolationSchedule(ScheduleSettings())
    play(schedule, 950)
    step = schedule.step(950.0, pump_on=True, degassing=True, chamber_pa=None, fine_gauge=True)
    assert step == ValveStep(True, False, "no reading")


def test_open_while_the_chamber_is_not_degassing() -> None:
    schedule = IsolationSchedule(ScheduleSettings())
    steps = [
        schedule.step(float(t), pump_on=True, degassing=False, chamber_pa=30.0, fine_gauge=True) for t in range(3000)
    ]
    assert {step.open for step in steps} == {True}


@pytest.mark.parametrize(
    "wrong",
    [{"fine_s": 10.0}, {"other_s": 1000.0}, {"every_s": 300.0}, {"most_rise_pa": 20000.0}, {"settle_s": 0.0}],
)
def test_settings_out_of_bounds_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"allowed|must be"):
        ScheduleSettings(**wrong)
