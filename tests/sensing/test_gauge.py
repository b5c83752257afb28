"""From what a gauge shows to absolute pressure, and when no reading is a fault."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.records import Quality
from lastbubble.sensing.gauge import CAUSES, MANY, RANGE_PA, Fault, GaugeScale, Reads, Silence


@pytest.mark.parametrize(
    ("reads", "shown_pa", "absolute_pa"),
    [
        ("absolute", 2000.0, 2000.0),
        ("gauge", -93000.0, 2000.0),
        ("gauge", 0.0, 95000.0),
        ("vacuum", 93000.0, 2000.0),
        ("vacuum", 0.0, 95000.0),
    ],
)
def test_the_three_zeros(reads: Reads, shown_pa: float, absolute_pa: float) -> None:
    scale = GaugeScale(reads, 95000.0)
    assert scale.absolute_pa(shown_pa) == absolute_pa
    reading = scale.reading(shown_pa, 3.0)
    assert (reading.value, reading.time_s, reading.source, reading.quality) == (
        absolute_pa,
        3.0,
        "chamber",
        Quality.GOOD,
    )


def test_the_zero_is_taken_off_what_is_shown() -> None:
    assert GaugeScale("absolute", zero_pa=150.0).absolute_pa(1150.0) == 1000.0
    assert GaugeScale("vacuum", 95000.0, zero_pa=150.0).absolute_pa(90150.0) == 5000.0
    assert GaugeScale("absolute", zero_pa=100.0, span=1.1).absolute_pa(1100.0) == pytest.approx(1100.0)


@given(
    st.sampled_from(["absolute", "gauge", "vacuum"]),
    st.floats(40e3, 110e3),
    st.floats(-20e3, 20e3),
    st.floats(0.8, 1.25),
    st.floats(0, 110e3),
)
def test_both_ways_agree(reads: Reads, barometer_pa: float, zero_pa: float, span: float, absolute_pa: float) -> None:
    scale = GaugeScale(reads, barometer_pa, zero_pa, span)
    assert scale.absolute_pa(scale.shown_pa(absolute_pa)) == pytest.approx(absolute_pa, abs=1e-6)


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(["absolute", "gauge", "vacuum"]))
def test_any_number_gives_a_reading_in_range_or_none(shown_pa: float, reads: Reads) -> None:
    reading = GaugeScale(reads).reading(shown_pa, 0.0)
    if reading.value is None:
        assert reading.cause == "range"
        assert "Check its unit" in reading.detail
    else:
        assert RANGE_PA[0] <= reading.value <= RANGE_PA[1]


def test_a_zero_that_has_moved_is_told_and_used() -> None:
    reading = GaugeScale().reading(-800.0, 0.0)
    assert (reading.value, reading.quality, reading.cause) == (-800.0, Quality.SUSPECT, "zero")
    assert GaugeScale().reading(-200.0, 0.0).quality is Quality.GOOD


def test_a_doubt_is_told_with_the_value() -> None:
    reading = GaugeScale().reading(5000.0, 0.0, Fault("supply", "the supply sags"))
    assert (reading.value, reading.quality, reading.cause) == (5000.0, Quality.SUSPECT, "supply")
    assert GaugeScale().reading(5e6, 0.0, Fault("supply", "x")).cause == "range"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"reads": "relative"}, "allowed: absolute, gauge, vacuum"),
        ({"barometer_pa": 29.92}, "barometer is 29.92 Pa"),
        ({"barometer_pa": math.nan}, "barometer"),
        ({"zero_pa": 30e3}, "gauge.zero"),
        ({"span": 7.5}, "its unit is not the one set"),
    ],
)
def test_a_scale_that_cannot_be_is_refused(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        GaugeScale(**wrong)  # type: ignore[arg-type]


# -- silence --------------------------------------------------------------------------------------------------------

BAD = Fault("garbled", "that is no number")


def test_silence_is_a_fault_after_its_time() -> None:
    silence = Silence(5.0, "the gauge")
    assert silence.verdict(100.0) is None
    assert silence.verdict(104.9) is None
    said = silence.verdict(105.0)
    assert said is not None
    assert (said.cause, said.quality, said.time_s) == ("silent", Quality.BAD, 105.0)
    assert said.detail == "the gauge says nothing; check its cable and its supply"
    silence.good(106.0)
    assert silence.verdict(110.9) is None
    assert silence.verdict(111.0) is not None


def test_one_unusable_answer_is_dropped_and_many_are_a_fault() -> None:
    silence = Silence(60.0, "the gauge")
    for at in range(MANY - 1):
        silence.drop(BAD)
        assert silence.verdict(float(at)) is None
    silence.drop(BAD)
    said = silence.verdict(9.0)
    assert said is not None
    assert (said.cause, said.detail) == BAD
    silence.good(10.0)
    assert (silence.in_row, silence.verdict(11.0)) == (0, None)


def test_a_known_fault_is_said_at_once_and_until_something_better_is_heard() -> None:
    silence = Silence(60.0, "the gauge")
    silence.fail(Fault("port", "it is gone"))
    for at in (0.0, 1.0):
        said = silence.verdict(at)
        assert said is not None
        assert said.cause == "port"
    silence.drop(BAD)
    assert silence.verdict(2.0) is None


def test_silence_after_noise_tells_of_the_noise() -> None:
    silence = Silence(5.0, "the gauge")
    silence.verdict(0.0)
    silence.note(BAD)
    silence.note(Fault("other", "later"))
    said = silence.verdict(6.0)
    assert said is not None
    assert said.cause == "garbled"


@pytest.mark.parametrize("silence_s", [0.0, -1.0, math.nan, math.inf])
def test_a_silence_that_never_ends_is_refused(silence_s: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        Silence(silence_s, "the gauge")


def test_causes_are_words() -> None:
    assert len(set(CAUSES)) == len(CAUSES)
    assert all(cause.isalpha() and cause.islower() for cause in CAUSES)
