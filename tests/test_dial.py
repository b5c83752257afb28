"""The dial: steady parts found by themselves, unfinished sessions of use, a band that holds, drift between sessions."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import pytest

from lastbubble.dial import DialModel, Stretch, learn, stretches, to_unit, unit_of
from lastbubble.records import Sample


def session(
    true_c: float,
    *,
    dial: str = "260F",
    minutes: float = 90,
    band_k: float = 4.0,
    period_s: float = 5.0,
    off_min: float = math.inf,
    mark_s: float = 0.0,
    look_min: float = math.inf,
) -> Iterator[Sample]:
    """A small oven whose thermostat keeps true_c +- band_k, from cold; independent of what is tested."""
    air = walls = element = 21.0
    heat = True
    dt = 1.0
    marked = False
    for k in range(int(minutes * 60 / dt)):
        time = k * dt
        if air > true_c + band_k:
            heat = False
        elif air < true_c - band_k:
            heat = True
        powered = time < off_min * 60
        element += dt * ((240.0 if heat and powered else 0.0) / 300 - (element - air) / 100)
        opened = look_min * 60 <= time < look_min * 60 + 20
        air += dt * ((element - air) / 200 + (walls - air) / 120 + ((21 - air) / 25 if opened else 0))
        walls += dt * ((air - walls) - 0.12 * (walls - 21)) / 900
        if k % int(period_s) == 0:
            marks = () if marked or time < mark_s else (f"dial={dial}",)
            marked = marked or bool(marks)
            yield Sample(time, oven_c=round(air * 4) / 4, marks=marks)


def true_mean(true_c: float) -> float:
    log = list(session(true_c, minutes=400))
    tail = [s.oven_c for s in log[len(log) // 2 :] if s.oven_c is not None]
    return sum(tail) / len(tail)


@pytest.mark.parametrize("true_c", [80.0, 104.0, 125.0])
def test_the_mean_over_whole_cycles_is_found(true_c: float) -> None:
    (one,) = stretches(session(true_c), "a")
    assert one.how == "cycles"
    assert one.mean_c == pytest.approx(true_mean(true_c), abs=1.2)
    assert one.spread_k < 2
    assert 3 < one.swing_k < 8
    assert one.dial_c == pytest.approx((260 - 32) / 1.8)


def test_a_session_that_was_still_rising_is_a_lower_bound_or_extrapolated() -> None:
    (one,) = stretches(session(125.0, minutes=9), "a")
    assert one.how in ("at_least", "levelling")
    if one.how == "levelling":
        assert abs(one.mean_c - true_mean(125.0)) < 3 * one.spread_k


def test_a_door_and_a_switched_off_oven_are_left_out() -> None:
    (one,) = stretches(session(104.0, minutes=180, off_min=120, look_min=60), "a")
    assert one.how == "cycles"
    assert one.mean_c == pytest.approx(true_mean(104.0), abs=1.2)


def test_air_before_any_mark_teaches_nothing() -> None:
    assert stretches(session(104.0, mark_s=math.inf), "a") == []


def test_two_settings_in_one_log_are_two_stretches() -> None:
    def both() -> Iterator[Sample]:
        yield from session(90.0, dial="200F")
        for sample in session(115.0, dial="250F", minutes=120):
            # From the first oven's temperature on: its own warm-up lies below and is cut off.
            if sample.time_s >= 600 or sample.marks:
                air = max(sample.oven_c or 0.0, 88.0)
                yield Sample(sample.time_s + 5400, oven_c=air, marks=sample.marks)

    one, two = stretches(both(), "a")
    assert (one.dial_c, two.dial_c) == (pytest.approx((200 - 32) / 1.8), pytest.approx((250 - 32) / 1.8))
    assert one.mean_c == pytest.approx(true_mean(90.0), abs=1.5)
    assert two.mean_c == pytest.approx(true_mean(115.0), abs=1.5)


def stretch(dial_c: float, mean_c: float, name: str, spread_k: float = 0.6, unit: str = "F") -> Stretch:
    return Stretch(name, dial_c, unit, mean_c, spread_k, 5.0, "cycles", 0.0, 1.0)  # type: ignore[arg-type]


def test_one_log_already_gives_an_answer_with_a_wide_band() -> None:
    one = learn([stretch(126.7, 96.0, "a")]).answer(105.0)
    four = learn([stretch(126.7 + 5 * k, 96.0 + 5 * k, f"s{k}") for k in range(4)]).answer(105.0)
    assert one.unit == "F"
    assert one.low < one.dial < one.high
    assert to_unit(126.7, "F") < one.dial < to_unit(150.0, "F")
    assert four.high - four.low < one.high - one.low


def test_the_answer_is_where_the_line_is() -> None:
    found = [stretch(d, 0.85 * d - 10, f"s{d}") for d in (110.0, 125.0, 140.0, 150.0)]
    answer = learn(found).answer(100.0)
    assert (answer.dial - 32) / 1.8 == pytest.approx(110 / 0.85, abs=1.5)
    assert answer.mean_c == pytest.approx(100.0, abs=0.1)


def test_a_bent_scale_is_followed_where_the_data_ask() -> None:
    def bent(d: float) -> float:
        return 0.9 * d - 5 + 6 * math.sin((d - 110) / 18)

    found = [stretch(d, bent(d), f"s{d}", 0.3) for d in (95.0, 103.0, 111.0, 119.0, 127.0, 135.0)]
    model = learn(found)
    assert max(abs(model.mean(d, new_session=False)[0] - bent(d)) for d in (99.0, 107.0, 115.0, 123.0, 131.0)) < 1.0


def test_sessions_that_drift_widen_the_band() -> None:
    steady = learn([stretch(120.0, 100.0, f"s{k}") for k in range(6)]).answer(100.0)
    drifting = learn([stretch(120.0, 100.0 + e, f"s{k}") for k, e in enumerate((5, -5, 4, -4, 6, -6))]).answer(100.0)
    assert drifting.high - drifting.low > 2 * (steady.high - steady.low)


def test_stretches_of_one_session_share_its_drift() -> None:
    same = learn([stretch(120.0, 100.0, "a"), stretch(121.0, 101.0, "a"), stretch(122.0, 102.0, "a")])
    apart = learn([stretch(120.0, 100.0, "a"), stretch(121.0, 101.0, "b"), stretch(122.0, 102.0, "c")])
    assert same.mean(121.0, new_session=False)[1] > apart.mean(121.0, new_session=False)[1]


def test_a_lower_bound_pushes_up_and_an_easy_one_says_nothing() -> None:
    base = stretch(120.0, 100.0, "a")

    def bound(value: float) -> Stretch:
        return Stretch("b", 120.0, "F", value, 2.0, 0.0, "at_least", 0.0, 1.0)

    plain = learn([base]).mean(120.0, new_session=False)[0]
    assert learn([base, bound(112.0)]).mean(120.0, new_session=False)[0] > plain + 1
    assert learn([base, bound(70.0)]).mean(120.0, new_session=False)[0] == pytest.approx(plain, abs=0.05)


def test_the_band_covers_and_errors_shrink_with_more_logs() -> None:
    """100 ovens from a fixed sequence: the mean that the answered setting gives in the next session."""
    rng = random.Random(11)
    errors: dict[int, list[float]] = {1: [], 4: []}
    inside = 0
    for _ in range(100):
        offset, slope, drift = rng.gauss(-12, 15), rng.gauss(0, 0.1), rng.choice((1.0, 2.0))

        def oven(d: float, offset: float = offset, slope: float = slope) -> float:
            return d + offset + slope * (d - 110)

        marks = [105 - offset + rng.uniform(-12, 12) for _ in range(4)]
        found = [stretch(d, oven(d) + rng.gauss(0, drift) + rng.gauss(0, 0.4), f"s{k}") for k, d in enumerate(marks)]
        for count in (1, 4):
            answer = learn(found[:count]).answer(105.0)
            errors[count].append(abs(oven((answer.dial - 32) / 1.8) - 105))
            if count == 4:
                needed = (answer.dial - 32) / 1.8 + (105 - oven((answer.dial - 32) / 1.8) - rng.gauss(0, drift)) / (
                    1 + slope
                )
                inside += (answer.low - 32) / 1.8 <= needed <= (answer.high - 32) / 1.8
    middle = {count: sorted(values)[50] for count, values in errors.items()}
    assert middle[4] < 0.8 * middle[1]
    assert middle[4] < 2.0
    assert sorted(errors[4])[90] < 4.5
    assert 0.70 < inside / 100 < 0.97


def test_units_and_nothing_to_learn_from() -> None:
    assert unit_of([stretch(120, 100, "a", unit="C")]) == "C"
    assert learn([stretch(120, 100, "a", unit="C")]).answer(100.0).unit == "C"
    with pytest.raises(ValueError, match="no stretch"):
        learn([])
    assert DialModel([]).answer(100.0).high > 100
