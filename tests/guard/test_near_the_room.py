"""A probe that never gets clear of its converter's temperature measures no oven, whatever little rise it has seen."""

from __future__ import annotations

from tests.guard.bench import Rig
from tests.guard.oven import Oven, follow


def test_a_small_rise_at_the_start_does_not_hide_a_probe_that_measures_the_room() -> None:
    rig, oven = Rig(), Oven()
    rig.temperatures["oven"] = 21.0
    rig.permit()
    began_s = rig.now_s
    # Leads that touch in the cable, beside a warming oven: 4 K up within a minute, then nothing more.
    follow(rig, oven, 590.0, lambda _: 21.0 + min(4.0, (rig.now_s - began_s) / 15.0))
    assert rig.guard.state == "permitted"
    follow(rig, oven, 20.0, lambda _: 25.0)
    assert rig.cause == "heat_without_effect"
    assert rig.guard.trip is not None
    assert "within 5 K of its converter" in rig.guard.trip.text


def test_the_time_begins_anew_once_it_was_clear_and_with_each_permit() -> None:
    rig, oven = Rig(), Oven()
    rig.temperatures["oven"] = 22.0
    rig.permit()
    follow(rig, oven, 250.0, lambda _: 26.5)
    follow(rig, oven, 10.0, lambda _: 31.0)
    seen = rig.guard.evidence.probes[0].effect
    assert seen.cold_s == 0.0
    follow(rig, oven, 30.0, lambda _: 29.0)
    assert 25.0 < seen.cold_s < 31.0
    assert rig.ask(ask="cut").ok
    follow(rig, oven, 11.0, lambda _: 29.0)
    rig.permit()
    assert seen.cold_s < 3.0


def test_an_oven_that_warms_slowly_gets_clear_in_time() -> None:
    rig, oven = Rig(), Oven()
    rig.temperatures["oven"] = 22.0
    rig.permit()
    began_s = rig.now_s
    # 1.5 K a minute, from 3 K below the converter.
    follow(rig, oven, 700.0, lambda _: 22.0 + (rig.now_s - began_s) / 40.0)
    assert rig.guard.state == "permitted"
