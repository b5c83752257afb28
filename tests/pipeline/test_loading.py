"""When the pieces went in, by air, mark or both."""

from __future__ import annotations

import math

from lastbubble.pipeline.loading import Load, LoadWatch
from lastbubble.pipeline.oven import Dip, Step


def warm_up(watch: LoadWatch, *, done: bool, start_s: float = 600.0, until_s: float = 2400.0) -> list[Load]:
    """20 s steps: room until start_s, then 6 K/min up to 105 degC."""
    out = []
    for k in range(1, int(until_s / 20) + 1):
        time = 20.0 * k
        air = 21.0 + max(0.0, min(84.0, 0.1 * (time - start_s)))
        load = watch.feed(Step(time, air, False), None, done)
        if load is not None:
            out.append(load)
    return out


def test_a_rise_from_cold_may_be_a_loaded_oven_or_a_preheat() -> None:
    (load,) = warm_up(LoadWatch(), done=True)
    assert abs(load.at_s - 600) <= 40
    assert 0 < load.waiting < 1
    assert abs(load.start_c - 21) < 1


def test_a_rise_while_the_pieces_are_in_the_chamber_is_a_preheat() -> None:
    watch = LoadWatch()
    assert warm_up(watch, done=False) == []
    dip = Dip(2500.0, 105.0, 60.0, 2560.0)
    load = watch.feed(Step(2560.0, 66.0, False), dip, True)
    assert load is not None
    assert load.at_s == 2500.0
    assert math.isinf(load.favours)
    assert load.waiting == 0


def test_a_mark_soon_after_the_rise_settles_it() -> None:
    watch = LoadWatch()
    warm_up(watch, done=True, until_s=900.0)
    load = watch.mark(900.0)
    assert load is not None
    assert abs(load.at_s - 600) <= 40
    assert load.waiting == 0
    dip = Dip(2000.0, 105.0, 80.0, 2060.0)
    assert watch.feed(Step(2060.0, 85.0, False), dip, True) is None


def test_a_late_mark_means_the_dip_before_it() -> None:
    watch = LoadWatch()
    warm_up(watch, done=True)
    watch.feed(Step(2560.0, 66.0, False), Dip(2500.0, 105.0, 60.0, 2560.0), True)
    load = watch.mark(2500.0 + 540)
    assert load is not None
    assert load.at_s == 2500.0


def test_a_mark_just_before_the_door_is_opened_means_that_dip() -> None:
    watch = LoadWatch()
    warm_up(watch, done=True, start_s=600.0, until_s=3600.0)
    watch.mark(3600.0)
    load = watch.feed(Step(3700.0, 66.0, False), Dip(3640.0, 105.0, 60.0, 3700.0), True)
    assert load is not None
    assert load.at_s == 3640.0


def test_a_mark_in_a_cold_oven_is_taken_at_its_word() -> None:
    watch = LoadWatch()
    watch.feed(Step(20.0, 21.0, False), None, True)
    assert watch.mark(25.0) == Load(25.0, 21.0, 1.5)


def test_an_unmarked_dip_favours_loading_the_more_the_deeper_it_is() -> None:
    def favours(lowest: float) -> float:
        watch = LoadWatch()
        warm_up(watch, done=True)
        load = watch.feed(Step(2560.0, lowest + 5, False), Dip(2500.0, 105.0, lowest, 2560.0), True)
        assert load is not None
        return load.favours

    assert favours(60.0) > favours(82.0) > favours(95.0) > 1


def test_a_log_that_begins_hot_and_rising_begins_with_the_loading() -> None:
    watch = LoadWatch()
    loads = [watch.feed(Step(20.0 * k, 60.0 + 3 * k, False), None, True) for k in range(1, 12)]
    (load,) = [load for load in loads if load is not None]
    assert load.at_s == 20.0


def test_a_log_that_begins_hot_and_stays_so_is_taken_as_loaded_after_long() -> None:
    watch = LoadWatch()
    loads = [watch.feed(Step(20.0 * k, 105.0, False), None, True) for k in range(1, 200)]
    (load,) = [load for load in loads if load is not None]
    assert load.at_s == 20.0
    assert loads.index(load) > 120
