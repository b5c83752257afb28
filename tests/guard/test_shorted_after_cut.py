"""A relay that shorts as it is cut: the rise is told long before the oven's own heat could be excluded by waiting."""

from __future__ import annotations

import pytest

from lastbubble.guard.heat_judges import PULL_THE_PLUG
from tests.guard.bench import Rig, two_probes
from tests.guard.oven import Oven, follow
from tools.plant.draws import draw_oven
from tools.plant.oven import Oven as PlantOven


def cut_at(cut_c: float, rig: Rig, oven: Oven) -> None:
    rig.permit()
    while oven.air_c < cut_c:
        follow(rig, oven, 1.0)
    assert rig.ask(ask="cut").ok
    follow(rig, oven, 0.5)
    assert not rig.closed


@pytest.mark.parametrize("cut_c", [50.0])
def test_a_relay_that_shorts_as_it_is_cut_is_told_within_minutes(cut_c: float) -> None:
    rig, oven = Rig(), Oven(dial_c=140.0)
    rig.temperatures["oven"] = oven.air_c
    cut_at(cut_c, rig, oven)
    opened_s, level_c = rig.now_s, oven.air_c
    oven.welded = True
    while rig.guard.state != "tripped":
        assert rig.now_s < opened_s + 280.0, "told no sooner than by waiting"
        follow(rig, oven, 1.0)
    assert rig.cause == "heat_after_cut"
    assert PULL_THE_PLUG in rig.guard.status().alarm
    assert level_c + 29.0 < oven.air_c < level_c + 35.0


@pytest.mark.parametrize("cut_c", [45.0, 90.0])
def test_what_the_elements_still_hold_is_no_alarm(cut_c: float) -> None:
    rig, oven = Rig(), Oven(dial_c=140.0)
    rig.temperatures["oven"] = oven.air_c
    cut_at(cut_c, rig, oven)
    follow(rig, oven, 300.0)
    assert rig.guard.state == "withheld"
    assert rig.guard.status().alarm == ""


def test_a_door_shut_after_the_cut_is_no_alarm() -> None:
    rig, oven = Rig(), Oven()
    rig.temperatures["oven"] = oven.air_c
    rig.permit()
    while oven.air_c < 85.0:
        follow(rig, oven, 1.0)
    # Long enough that a level of a minute ago is known.
    follow(rig, oven, 70.0)
    oven.door_open = True
    follow(rig, oven, 100.0)
    low_c = oven.air_c
    assert rig.ask(ask="cut").ok
    follow(rig, oven, 1.0)
    oven.door_open = False
    high_c = low_c
    for _ in range(200):
        follow(rig, oven, 1.0)
        high_c = max(high_c, oven.air_c)
    assert high_c > low_c + 10.0
    assert rig.guard.state == "withheld"
    assert rig.guard.status().alarm == ""


def test_the_probe_that_shows_the_rise_counts_whichever_it_is() -> None:
    rig = Rig(two_probes())
    rig.permit()
    rig.run(5.0)
    assert rig.ask(ask="cut").ok
    rig.run(1.0)
    # Both rise, so that they do not disagree; the second is the one beyond.
    for tenth in range(340):
        rig.temperatures["oven"] = 25.0 + min(28.0, tenth * 0.1)
        rig.temperatures["oven2"] = 25.0 + tenth * 0.1
        rig.run(0.5)
    assert rig.cause == "heat_after_cut"
    assert rig.guard.trip is not None
    assert rig.guard.trip.source == "oven2"


@pytest.mark.parametrize("seed", range(0, 60, 10))
def test_no_drawn_oven_lifts_its_air_so_far_by_itself(seed: int) -> None:
    parts = draw_oven(seed).oven
    for cut_c in (45.0, 70.0, 100.0):
        oven = PlantOven(parts)
        oven.dial_c = 300.0
        for _ in range(7200):
            if oven.couple_c >= cut_c:
                break
            oven.step(1.0, True)
        high_c = at_c = oven.couple_c
        for _ in range(600):
            oven.step(1.0, False)
            high_c = max(high_c, oven.couple_c)
        assert high_c - at_c < 22.0
