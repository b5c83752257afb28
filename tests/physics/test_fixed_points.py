"""Ice and steam: what a pair of readings says of a probe."""

from __future__ import annotations

import pytest

from lastbubble.physics.fixed_points import (
    reading_spread_k,
    steam_point_at_altitude_c,
    steam_point_c,
    tolerance_k,
    two_points,
)


def test_a_good_probe_gets_its_class_and_its_points() -> None:
    check = two_points(0.6, 98.6, 98_000.0)
    assert check.good
    assert check.within_class == 1
    assert check.points == ((0.6, 0.0), (98.6, pytest.approx(99.04, abs=0.01)))
    assert "class 1" in check.text
    assert two_points(2.0, 101.2, 101_325.0).within_class == 2
    assert two_points(3.5, 103.0, 101_325.0).within_class is None


def test_a_probe_of_the_wrong_kind_is_not_corrected() -> None:
    """A J couple on a K chip reads 125 % (failure catalogue); a reversed one falls."""
    for ice, steam in ((-6.0, 125.0), (50.0, -45.0), (0.0, 0.0)):
        check = two_points(ice, steam, 101_325.0)
        assert not check.good
        assert "Mend it" in check.text


def test_both_ends_far_off_alike_points_at_the_points() -> None:
    check = two_points(8.0, 108.0, 101_325.0)
    assert not check.good
    assert "again" in check.text


def test_uncertainty_of_a_reading() -> None:
    assert tolerance_k(95.0) == 1.5
    assert tolerance_k(600.0, 2) == pytest.approx(4.5)
    assert reading_spread_k(95.0, checked=True) < reading_spread_k(95.0, checked=False)
    assert steam_point_at_altitude_c(1500.0) < steam_point_at_altitude_c(0.0)


def test_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="barometer"):
        steam_point_c(1013.25)
    with pytest.raises(ValueError, match="finite"):
        two_points(float("nan"), 99.0, 101_325.0)
    with pytest.raises(ValueError, match="-40 to 1000"):
        tolerance_k(2000.0)
