"""The dose view: rates that rise with temperature, an equivalence that is one at the target."""

from __future__ import annotations

import math

import pytest

from lastbubble.physics.kinetics import INITIATORS, equivalent_rate, initiator


@pytest.mark.parametrize("name", sorted(INITIATORS))
def test_rates_rise_with_temperature_and_meet_their_anchor(name: str) -> None:
    kind = INITIATORS[name]
    rates = [kind.rate_1_s(t) for t in range(0, 140, 5)]
    assert rates == sorted(rates)
    assert kind.rate_1_s(kind.anchor_c) == pytest.approx(kind.anchor_1_s)
    assert kind.left(90.0, kind.half_life_s(90.0)) == pytest.approx(0.5)


def test_a_second_at_the_target_is_a_second() -> None:
    kind = initiator("AIBN")
    assert equivalent_rate(93.0, 93.0, kind) == 1.0
    assert equivalent_rate(103.0, 93.0, kind) > 2.5
    there = equivalent_rate(80.0, 93.0, kind)
    assert there == pytest.approx(kind.rate_1_s(80.0) / kind.rate_1_s(93.0))
    assert math.isfinite(equivalent_rate(-40.0, 93.0, kind))


def test_names_are_found_in_any_case_and_unknown_ones_named() -> None:
    assert initiator("aibn") is INITIATORS["AIBN"]
    assert initiator("") is INITIATORS["AIBN"]
    with pytest.raises(ValueError, match="known: AIBN, benzoyl peroxide"):
        initiator("yeast")


def test_a_temperature_no_bench_has_is_refused() -> None:
    with pytest.raises(ValueError, match="out of range -50 to 200"):
        initiator("").rate_1_s(500.0)
