"""Ten-second bins: maxima by age, slopes, and what a long gap leaves."""

from __future__ import annotations

import pytest

from lastbubble.guard.history import BIN_S, SPAN_S, BinnedHistory


def test_the_largest_before_an_age_is_exact_to_one_bin() -> None:
    history = BinnedHistory((60.0,))
    for second in range(200):
        history.add(float(second), 50.0 if second == 100 else 20.0)
        spike_is_old = second >= 100 + 60 + 2 * BIN_S
        spike_is_young = second < 100 + 60
        if spike_is_old:
            assert history.max_before(60.0) == 50.0
        if spike_is_young:
            assert history.max_before(60.0) in (None, 20.0)


def test_a_ramp_has_its_slope_once_half_the_span_is_seen() -> None:
    history = BinnedHistory(rate_span_s=120.0)
    for tenth in range(3000):
        history.add(tenth / 10, tenth / 10 * 0.05)
        if tenth / 10 < 60:
            assert history.rate_per_s is None
    assert history.rate_per_s == pytest.approx(0.05, rel=0.01)


@pytest.mark.parametrize("gap_s", [SPAN_S / 2, SPAN_S + 1, SPAN_S + BIN_S + 1, 10 * SPAN_S])
def test_a_gap_longer_than_what_is_remembered_leaves_nothing_and_goes_on(gap_s: float) -> None:
    history = BinnedHistory((60.0,), rate_span_s=120.0)
    for second in range(300):
        history.add(float(second), 90.0)
    later_s = 300.0 + gap_s
    for second in range(301):
        history.add(later_s + second, 20.0)
    assert history.rate_per_s == pytest.approx(0.0, abs=1e-9)
    assert history.max_before(60.0) == (90.0 if gap_s + 301 < SPAN_S else 20.0)
