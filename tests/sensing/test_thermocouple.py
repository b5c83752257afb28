"""What one frame says, and when it is believed."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.records import Quality, Reading
from lastbubble.sensing.thermocouple import (
    CAUSES,
    HOLD_FRAMES,
    JUNCTION_RANGE_C,
    JUNCTION_STEP_K,
    RANGE_C,
    STEP_K,
    Calibration,
    FrameJudge,
    ProbeSettings,
    decode,
)
from tests.sensing.amounts import RANDOM_FRAMES
from tests.sensing.frames import frame, true_frame
from tools.plant.wire.chip import frame_of


def judged(judge: FrameJudge, *frames: bytes | None) -> list[str]:
    """The hot junction's causes, "" for good."""
    return [judge.judge(raw, float(at))[0].cause for at, raw in enumerate(frames)]


# -- one frame ------------------------------------------------------------------------------------------------------


@given(st.integers(-8192, 8191), st.integers(-2048, 2047))
def test_both_words_are_read_back(shown: int, junction: int) -> None:
    found = decode(frame(shown / 4, junction / 16))
    assert (found.shown_c, found.junction_c) == (shown / 4, junction / 16)


@pytest.mark.parametrize("raw", [b"", b"\0", b"\1\2\3", bytes(5), bytes(400)])
def test_a_frame_has_four_bytes(raw: bytes) -> None:
    with pytest.raises(ValueError, match=f"4 bytes, this one {len(raw)}"):
        decode(raw)


@pytest.mark.parametrize(
    ("raw", "cause"),
    [
        (None, "io"),
        (b"", "io"),
        (b"\1\2\3", "io"),
        (bytes(4), "bus"),
        (b"\xff" * 4, "bus"),
        (frame(95.0, 30.0, high_bits=0b10), "bus"),  # D17
        (frame(95.0, 30.0, low_bits=0b1000), "bus"),  # D3
        (frame(95.0, 30.0, low_bits=0b1001, high_bits=1), "bus"),  # D3 says more than the fault bits beside it
        (frame(95.0, 30.0, low_bits=0b001, high_bits=1), "open"),
        (frame(95.0, 30.0, low_bits=0b001), "open"),  # without its summary bit
        (frame(95.0, 30.0, low_bits=0b010, high_bits=1), "short_ground"),
        (frame(95.0, 30.0, low_bits=0b100, high_bits=1), "short_supply"),
        (frame(95.0, 30.0, low_bits=0b011, high_bits=1), "several"),
        (frame(95.0, 30.0, low_bits=0b111, high_bits=1), "several"),
        (frame(95.0, 30.0, high_bits=1), "several"),  # a fault without a name
        (frame(95.0, 80.0, low_bits=0b001, high_bits=1), "open"),  # before the junction
        (frame(95.0, 4.9375), "junction"),
        (frame(95.0, 60.0625), "junction"),
        (frame(1600.0, 127.0), "junction"),  # before the range
        (frame(95.0, 5.0), ""),
        (frame(95.0, 60.0), ""),
        (true_frame(-20.5), "range"),
        (true_frame(-19.5), ""),
        (true_frame(299.5), ""),
        (true_frame(300.5), "range"),
        (frame(1600.0, 25.0), "range"),
        (frame(-2048.0, 25.0), "range"),
    ],
)
def test_the_first_check_that_fails_names_the_cause(raw: bytes | None, cause: str) -> None:
    hot, junction = FrameJudge("oven").judge(raw, 7.0, "OSError: [Errno 5]")
    assert hot.cause == cause
    assert (hot.source, junction.source) == ("oven", "junction")
    assert (hot.time_s, junction.time_s) == (7.0, 7.0)
    assert (hot.quality is Quality.BAD) == bool(cause)
    assert bool(hot.detail) == bool(cause)
    if cause == "io" and raw is None:
        assert "Errno 5" in hot.detail


def test_a_fault_of_the_couple_leaves_the_cold_junction_good() -> None:
    for low_bits in (1, 2, 4, 7):
        _, junction = FrameJudge("oven").judge(frame(95.0, 31.5, low_bits=low_bits, high_bits=1), 0.0)
        assert (junction.value, junction.quality) == (31.5, Quality.GOOD)
    _, junction = FrameJudge("oven").judge(frame(500.0, 31.5), 0.0)
    assert junction.value == 31.5
    for raw in (None, bytes(4), frame(95.0, 70.0)):
        _, junction = FrameJudge("oven").judge(raw, 0.0)
        assert junction.value is None


def test_the_cold_junctions_own_fault_is_named_beside_an_open_couple() -> None:
    hot, junction = FrameJudge("oven").judge(frame(0.0, 70.0, low_bits=1, high_bits=1), 0.0)
    assert (hot.cause, junction.cause) == ("open", "junction")


def test_the_straight_line_is_undone() -> None:
    hot, _ = FrameJudge("oven").judge(frame(256.75, 25.0), 0.0)
    assert hot.value == pytest.approx(260.113, abs=0.001)  # shared/reference/max31855_linearity.csv


def test_a_second_probes_junction_has_its_own_name() -> None:
    assert FrameJudge("oven2").judge(frame(30.0), 0.0)[1].source == "oven2_junction"


@given(st.floats(-19, 299), st.floats(5.1, 59.9))
def test_the_simulated_chip_was_written_apart_and_agrees(hot_c: float, junction_c: float) -> None:
    """Its wire and its chip are the bench's own arithmetic; what is left is half a step of 0.25 K and of 0.0625 K."""
    hot, junction = FrameJudge("oven").judge(frame_of(hot_c, junction_c), 0.0)
    assert junction.value == pytest.approx(junction_c, abs=0.0313)
    assert hot.value == pytest.approx(hot_c, abs=0.125 * 41.3 / 38.0 + 0.0313)


# -- steps ----------------------------------------------------------------------------------------------------------


def test_one_impossible_frame_is_dropped_and_the_next_good_one_believed() -> None:
    judge = FrameJudge("oven")
    assert judged(judge, true_frame(95), true_frame(111), true_frame(95.5)) == ["", "step", ""]


def test_a_step_that_holds_is_true_at_its_fifth_frame() -> None:
    assert HOLD_FRAMES == 5
    judge = FrameJudge("oven")
    steps = [true_frame(95), *[true_frame(140 + at) for at in range(7)]]
    assert judged(judge, *steps) == ["", "step", "step", "step", "step", "", "", ""]
    assert judged(judge, true_frame(95)) == ["step"]  # and the way back is one as well


@pytest.mark.parametrize(
    "between",
    [None, bytes(4), frame(95, low_bits=1, high_bits=1), frame(95, 70), true_frame(95), true_frame(200)],
    ids=["io", "bus", "open", "junction", "back", "elsewhere"],
)
def test_a_step_that_does_not_hold_begins_anew(between: bytes | None) -> None:
    judge = FrameJudge("oven")
    judge.judge(true_frame(95), 0.0)
    assert judged(judge, *[true_frame(140)] * 4) == ["step"] * 4
    judge.judge(between, 1.0)
    assert judged(judge, *[true_frame(140)] * 5) == ["step"] * 4 + [""]


def test_exactly_the_limit_is_no_step() -> None:
    judge = FrameJudge("oven", junction_range_c=(-50, 120))
    assert JUNCTION_STEP_K == 2.0
    assert judged(judge, frame(30.0, 25.0), frame(32.0, 27.0), frame(34.0625, 29.0625)) == ["", "", "junction"]


def test_slow_is_no_step_however_far_it_goes() -> None:
    judge = FrameJudge("oven")
    assert set(judged(judge, *[true_frame(20 + 14 * at) for at in range(20)])) == {""}
    assert judge.frames[""] == 20


def test_a_bit_slip_is_refused_though_it_looks_healthy() -> None:
    """Right by one: 95 degC at 30 reads 47.5 at 15, no fault bit set (seen on real boards)."""
    judge = FrameJudge("oven")
    whole = int.from_bytes(frame(95.0, 30.0), "big")
    slipped = (whole >> 1 & ~0x00020008).to_bytes(4, "big")
    assert decode(slipped).cause == ""
    assert judged(judge, frame(95.0, 30.0), slipped, frame(95.0, 30.0)) == ["", "junction", ""]


def test_a_cold_junction_that_truly_is_elsewhere_is_believed_in_the_end() -> None:
    judge = FrameJudge("oven")
    judge.judge(frame(30.0, 25.0), 0.0)
    assert judged(judge, *[frame(40.0, 35.0)] * 6) == ["junction"] * 4 + ["", ""]


def test_counts_by_cause() -> None:
    judge = FrameJudge("oven")
    judged(judge, true_frame(95), None, bytes(4), true_frame(95), true_frame(140))
    assert {cause: count for cause, count in judge.frames.items() if count} == {"": 2, "io": 1, "bus": 1, "step": 1}


# -- chance ---------------------------------------------------------------------------------------------------------


def plain_verdict(raw: bytes) -> str:
    """The order of the checks for a first frame, written again from the datasheet's bits, without our decoder."""
    bits = "".join(f"{byte:08b}" for byte in raw)
    at = {31 - index: bit == "1" for index, bit in enumerate(bits)}
    if bits in ("0" * 32, "1" * 32) or at[17] or at[3]:
        return "bus"
    named = [name for name, bit in (("open", 0), ("short_ground", 1), ("short_supply", 2)) if at[bit]]
    if at[16] or named:
        return named[0] if len(named) == 1 else "several"
    junction = int(bits[16:28], 2) / 16 - (256 if at[15] else 0)
    return "" if JUNCTION_RANGE_C[0] <= junction <= JUNCTION_RANGE_C[1] else "junction"


@pytest.mark.timeout(900)
def test_random_frames_never_raise_and_never_invent() -> None:
    """By default a part of the million that LASTBUBBLE_LONG=1 takes."""
    chance = random.Random(31855)
    judge = FrameJudge("oven")
    believed = 0
    for at in range(RANDOM_FRAMES):
        raw = chance.randbytes(4)
        if at % 2:  # half of them healthy but for the values, or the checks behind the bits are never reached
            raw = (int.from_bytes(raw, "big") & 0xFFFCFFF0).to_bytes(4, "big")
        first, _ = FrameJudge("oven").judge(raw, 0.0)
        expected = plain_verdict(raw)
        assert first.cause == expected or (expected == "" and first.cause == "range")
        hot, junction = judge.judge(raw, at * 0.2)
        for reading in (hot, junction):
            check(reading)
        if first.cause:
            assert hot.value is None
        elif hot.value is not None:
            believed += 1
            assert hot.value == first.value
    assert sum(judge.frames.values()) == RANDOM_FRAMES
    # A healthy frame out of the dark: 881 of 4096 junctions and some 1290 of 16384 temperatures are in range, and then
    # it must be no step either: chance alone passes hardly any.
    assert believed < RANDOM_FRAMES / 500


def check(reading: Reading) -> None:
    if reading.quality is Quality.GOOD:
        assert reading.value is not None
        assert math.isfinite(reading.value)
        low, high = RANGE_C if reading.source == "oven" else JUNCTION_RANGE_C
        assert low <= reading.value <= high
        assert reading.cause == ""
    else:
        assert reading.quality is Quality.BAD
        assert reading.value is None
        assert reading.cause in CAUSES
        assert reading.detail


@given(st.lists(st.one_of(st.none(), st.binary(max_size=6), st.floats(-20, 300).map(true_frame)), max_size=60))
def test_any_sequence_gives_readings_that_hold_together(frames: list[bytes | None]) -> None:
    judge = FrameJudge("oven")
    last: float | None = None
    for at, raw in enumerate(frames):
        hot, junction = judge.judge(raw, float(at))
        check(hot)
        check(junction)
        if hot.value is not None:
            if last is not None and judge.frames["step"] == 0:
                assert abs(hot.value - last) <= STEP_K
            last = hot.value
    assert sum(judge.frames.values()) == len(frames)


# -- calibration ----------------------------------------------------------------------------------------------------


def test_calibration_none_one_two() -> None:
    assert Calibration().apply(95.0) == 95.0
    assert Calibration(((1.5, 0.0),)).apply(95.0) == 93.5
    ice_and_steam = Calibration(((0.8, 0.0), (100.9, 99.4)))
    assert ice_and_steam.apply(0.8) == pytest.approx(0.0, abs=1e-12)
    assert ice_and_steam.apply(100.9) == pytest.approx(99.4)
    assert ice_and_steam.apply(50.85) == pytest.approx(49.7)


@given(st.floats(-4, 4), st.floats(96, 104), st.floats(-20, 300))
def test_two_points_make_a_rising_line_through_both(low: float, high: float, shown: float) -> None:
    line = Calibration(((low, 0.0), (high, 100.0)))
    assert line.apply(low) == pytest.approx(0.0, abs=1e-9)
    assert line.apply(high) == pytest.approx(100.0)
    assert line.apply(shown + 1) > line.apply(shown)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (((0.0, 0.0), (50.0, 50.0), (100.0, 100.0)), "has 3 points"),
        (((math.nan, 0.0),), "finite"),
        (((20.0, 0.0),), "allowed up to 15 K"),
        (((0.0, 0.0), (10.0, 10.0)), "20 K or more apart"),
        (((0.0, 0.0), (78.0, 90.0)), "allowed 0.9 to 1.1"),
        (((0.0, 10.0), (30.0, 25.0)), "allowed 0.9 to 1.1"),
    ],
)
def test_a_calibration_that_hides_a_fault_is_refused(points: tuple[tuple[float, float], ...], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Calibration(points)


def test_the_limits_of_a_calibration_are_allowed() -> None:
    assert Calibration(((0.0, 15.0),)).apply(10.0) == 25.0
    assert Calibration(((20.0, 19.0), (0.0, 0.0))).apply(10.0) == 9.5
    with pytest.raises(ValueError, match="20 K or more apart"):
        Calibration(((60.0, 60.0), (79.9, 79.9)))
    with pytest.raises(ValueError, match="allowed up to 15 K"):
        Calibration(((0.0, -15.1),))


def test_the_range_is_judged_after_calibration() -> None:
    judge = FrameJudge("oven", Calibration(((100.0, 110.0),)))
    hot, _ = judge.judge(true_frame(295), 0.0)
    assert hot.cause == "range"


@pytest.mark.parametrize("pin", [7, 8, 9, 10, 11, -1, 28])
def test_pins_of_the_bus_itself_are_refused(pin: int) -> None:
    with pytest.raises(ValueError, match="without 7 to 11"):
        ProbeSettings("oven", pin)


def test_probe_settings() -> None:
    assert ProbeSettings("oven", 5).range_c == RANGE_C
    assert ProbeSettings("oven", 5, range_c=(-200.0, 1372.0)).range_c == (-200.0, 1372.0)
    for outside in ((-200.1, 300.0), (-20.0, 1372.1), (20.0, 20.0)):
        with pytest.raises(ValueError, match="low < high"):
            ProbeSettings("oven", 5, range_c=outside)
    with pytest.raises(ValueError, match="low < high"):
        ProbeSettings("oven", 5, range_c=(100.0, 20.0))
