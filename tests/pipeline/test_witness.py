"""The witness probe: believed while it behaves as the inside of a body, and no longer."""

from __future__ import annotations

import math

import pytest

from lastbubble.pipeline.witness import Witness


def inside(time_s: float) -> float:
    return 105 - 84 * math.exp(-time_s / 2400)


def test_a_steady_rise_is_followed_without_lag() -> None:
    witness = Witness()
    for k in range(1800):
        witness.feed(float(k), round((20 + 0.01 * k) * 4) / 4, 100.0)
    assert witness.value_c == pytest.approx(20 + 0.01 * 1799, abs=0.15)
    assert witness.slope_k_s == pytest.approx(0.01, rel=0.15)


def test_a_probe_that_falls_out_is_found_within_a_minute_or_two() -> None:
    witness = Witness()
    found = None
    reading = 21.0
    for k in range(3000):
        reading = inside(k) if k < 2000 else reading + (105 - reading) / 15
        if witness.feed(float(k), reading, 105.0):
            found = k
    assert found is not None
    assert 2000 <= found <= 2090
    assert witness.value_c is None
    assert witness.fault == "fell_out"


@pytest.mark.parametrize("lag", [300.0, 900.0, 6000.0])
def test_bodies_small_and_large_are_believed(lag: float) -> None:
    witness = Witness()
    for k in range(4000):
        air = 105 + 6 * math.sin(k / 60)
        assert witness.feed(float(k), 105 - 84 * math.exp(-k / lag), air) == ""


def test_single_impossible_readings_are_left_out() -> None:
    witness = Witness()
    for k in range(600):
        witness.feed(float(k), 449.0 if k in (200, 350) else 60.0 + 0.01 * k, 100.0)
    assert witness.fault == ""
    assert witness.value_c == pytest.approx(66.0, abs=0.2)


def test_silence_ends_its_word_and_the_first_reading_after_it_waits() -> None:
    witness = Witness()
    for k in range(300):
        witness.feed(float(k), 60.0, 100.0)
    for k in range(300, 500):
        witness.feed(float(k), None, 100.0)
    assert witness.value_c is None
    assert witness.last_value_c == pytest.approx(60.0)
    witness.feed(500.0, 64.0, 100.0)
    assert witness.value_c is None
    witness.feed(501.0, 60.3, 100.0)
    witness.feed(502.0, 60.3, 100.0)
    assert witness.value_c is not None


def test_a_slow_logger_is_not_silent_between_its_readings() -> None:
    witness = Witness()
    for k in range(200):
        time = 10.0 * k
        witness.feed(time, 60.0 + 0.002 * time if k % 6 == 0 else None, 100.0)
    assert witness.value_c is not None


def test_put_back_and_in_agreement_for_long_it_is_believed_again() -> None:
    witness = Witness()
    for k in range(1000):
        witness.feed(float(k), inside(k), 105.0)
    for k in range(1000, 1400):
        witness.feed(float(k), 105.0, 105.0)
    assert witness.fault == "fell_out"
    for k in range(1400, 3200):
        witness.feed(float(k), inside(k), 105.0)
        if k % 20 == 0:
            witness.check_back(float(k), inside(k) - 5, inside(k) + 5)
    assert witness.fault == ""
    assert witness.value_c == pytest.approx(inside(3199), abs=0.5)
