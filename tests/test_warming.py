"""The rate at which the oven warms from cold, and what is made of several."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from lastbubble.records import Sample
from lastbubble.warming import usual_rate, warming_k_min


def heating(rate_k_min: float, *, start_c: float = 22.0, on_s: float = 60.0, seconds: int = 900) -> Iterator[Sample]:
    for t in range(0, seconds, 5):
        warm = max(0.0, t - on_s)
        yield Sample(float(t), oven_c=start_c + rate_k_min * warm / 60, heat=t >= on_s)


def test_the_rate_is_the_first_five_minutes_of_heat() -> None:
    assert warming_k_min(heating(8.0)) == pytest.approx(8.0)
    assert warming_k_min(heating(8.0, on_s=0.0)) == pytest.approx(8.0)


def test_a_warm_start_a_broken_heat_and_an_oven_that_is_off_tell_nothing() -> None:
    assert warming_k_min(heating(8.0, start_c=60.0)) is None
    assert warming_k_min(heating(8.0, seconds=300)) is None
    assert warming_k_min(heating(0.1)) is None
    broken = [Sample(s.time_s, oven_c=s.oven_c, heat=s.heat and s.time_s % 200 != 0) for s in heating(8.0)]
    assert warming_k_min(broken) is None
    assert warming_k_min([Sample(0.0, oven_c=22.0), Sample(400.0, oven_c=90.0)]) is None


def test_an_oven_switched_on_minutes_after_the_permit_counts_from_its_own_start() -> None:
    log = list(heating(0.0, seconds=420, on_s=0.0))
    log += [Sample(s.time_s + 420, oven_c=s.oven_c, heat=True) for s in heating(6.0, on_s=0.0, seconds=900)]
    rate = warming_k_min(log)
    assert rate is not None
    assert 3.0 < rate <= 6.0


def test_even_sessions_become_a_setting_and_uneven_ones_do_not() -> None:
    one = usual_rate([7.0])
    assert one is not None
    assert len(one.in_words()) == 1
    even = usual_rate([7.0, 7.4, 6.8])
    assert even is not None
    assert even.in_words()[-1] == 'for the guard\'s settings: expected_rate: "7.0 K/min"'
    uneven = usual_rate([7.0, 2.0, 20.0])
    assert uneven is not None
    assert "leave it at 0" in uneven.in_words()[-1]
    assert usual_rate([]) is None
