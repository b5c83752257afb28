"""Shapes of rises: openings at a running pump, stopped pumps, a vent by hand, a hose that slips off; small kinks."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from lastbubble.pipeline.blocks import Block, BlockMaker
from lastbubble.pipeline.rise_shape import Kink, Rising, shape_of

ROOM_PA = 100e3
LEVEL_PA = 40.0


def blocks(law: Callable[[float], float], seconds: float, onset_s: float = 3.0, noise_pa: float = 1.0) -> list[Block]:
    """Blocks of ten seconds: one of the level, then the rise from `onset_s` into the second."""
    maker, rng = BlockMaker(10.0), random.Random(3)
    maker.noise_pa = noise_pa
    out: list[Block] = []
    for second in range(int(seconds) + 10):
        since = second - 10 - onset_s
        value = LEVEL_PA + (law(since) if since > 0 else 0.0)
        out += maker.add(float(second), value + rng.gauss(0, noise_pa))
    return out


def opening(share: float, constant_s: float) -> Callable[[float], float]:
    """A lid of so many parts of the pump's speed, the pump running: V/S is `constant_s`."""
    return lambda t: ROOM_PA * share / (1 + share) * (1 - math.exp(-t * (1 + share) / constant_s))


def by_hand(seconds: float, constant_s: float) -> Callable[[float], float]:
    """A vent opened in twelve steps, its conductance as the square of its opening, the pump running."""

    def law(t: float) -> float:
        lift, rate = 0.0, 1 / constant_s
        for step in range(1, 13):
            begin = (step - 1) * seconds / 12
            if t <= begin:
                break
            inward = 0.04 * step * step * rate
            goal = ROOM_PA * inward / (inward + rate)
            lift = goal + (lift - goal) * math.exp(-(inward + rate) * (min(t, begin + seconds / 12) - begin))
        return lift

    return law


@pytest.mark.parametrize("onset_s", [0.0, 3.0, 9.0])
@pytest.mark.parametrize("constant_s", [3.0, 10.0, 20.0])
@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_a_lid_at_a_running_pump_levels_off(share: float, constant_s: float, onset_s: float) -> None:
    shapes = [shape_of(blocks(opening(share, constant_s), end, onset_s), LEVEL_PA, 0.5, ROOM_PA) for end in (60, 70)]
    assert shapes[0] == "levels_off" or (constant_s == 20.0 and shapes[1] == "levels_off")


@pytest.mark.parametrize("onset_s", [0.0, 5.0, 9.0])
@pytest.mark.parametrize("constant_s", [90.0, 400.0, 2000.0])
def test_air_back_through_a_pump_that_stands_goes_straight(constant_s: float, onset_s: float) -> None:
    law = lambda t: ROOM_PA * (1 - math.exp(-t / constant_s))  # noqa: E731  # one line says it
    assert shape_of(blocks(law, 80, onset_s), LEVEL_PA, 0.5, ROOM_PA) == "straight"


@pytest.mark.parametrize("constant_s", [5.0, 10.0])
@pytest.mark.parametrize("seconds", [180.0, 300.0, 400.0])
def test_a_vent_that_is_opened_by_hand_is_no_leak(seconds: float, constant_s: float) -> None:
    shapes = [
        shape_of(blocks(by_hand(seconds, constant_s), end, onset), LEVEL_PA, 0.5, ROOM_PA)
        for end in (60, 70)
        for onset in (0.0, 4.0, 8.0)
    ]
    assert "levels_off" not in shapes
    assert "steepens" in shapes


@pytest.mark.parametrize("onset_s", [0.0, 5.0, 9.5])
def test_a_hose_that_slips_off_jumps(onset_s: float) -> None:
    law = lambda t: ROOM_PA * (1 - math.exp(-t / 1.2))  # noqa: E731  # one line says it
    assert shape_of(blocks(law, 30, onset_s), LEVEL_PA, 0.5, ROOM_PA) == "jump"


def test_nothing_is_told_too_early() -> None:
    assert shape_of(blocks(opening(0.1, 5.0), 20), LEVEL_PA, 0.5, ROOM_PA) == "unclear"


def kinks(law: Callable[[float], float], seconds: int, noise_pa: float) -> list[tuple[float, Rising]]:
    kink, maker, rng = Kink(), BlockMaker(10.0), random.Random(11)
    maker.noise_pa = noise_pa
    out: list[tuple[float, Rising]] = []
    for second in range(seconds):
        for block in maker.add(float(second), law(second) + rng.gauss(0, noise_pa)):
            found = kink.add(block, noise_pa / math.sqrt(10))
            if found is not None:
                out.append((block.end_s, found))
    return out


@pytest.mark.parametrize(("pace", "noise_pa"), [(0.05, 1.0), (0.2, 4.0), (2.0, 4.0)])
def test_a_small_straight_rise_is_found_within_three_minutes_and_dated(pace: float, noise_pa: float) -> None:
    found = kinks(lambda t: 40.0 + pace * max(0.0, t - 1200), 1500, noise_pa)
    in_time = [(at, rising) for at, rising in found if 1200 <= at <= 1380]
    assert in_time
    _, rising = in_time[-1]
    assert rising.since_s == pytest.approx(1200, abs=45)
    assert rising.pace_pa_s == pytest.approx(pace, rel=0.3)


def test_bubbles_in_trains_are_no_kink() -> None:
    # Once a whole train has been seen, the next are nothing new.
    found = kinks(lambda t: 60 + 12 * math.sin(2 * math.pi * t / 420), 5000, 1.0)
    assert [at for at, _ in found if at > 720] == []


@pytest.mark.parametrize("height", [30.0, 3000.0])
def test_a_step_is_no_kink(height: float) -> None:
    assert kinks(lambda t: 40.0 + height * (t > 1200), 1800, 1.0) == []


def test_a_rise_out_of_a_falling_level_is_not_dated_into_the_fall() -> None:
    """The level before was higher in the mean than where the rise began."""
    found = kinks(lambda t: 25.0 + max(0.0, (1200 - t) / 12.0) + 0.4 * max(0.0, t - 1200), 1400, 0.5)
    assert found
    assert all(rising.since_s >= 1185 for _, rising in found)
