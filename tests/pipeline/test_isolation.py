"""Rises while shut off from the pump, against rises that are written down here."""

from __future__ import annotations

import math
import random

import pytest

from lastbubble.pipeline.isolation import Rise, RiseRecorder, fit_rise, short_rise


def rise(
    pace_pa_s: float, bend_pa: float = 0.0, seconds: float = 130.0, noise_pa: float = 0.3, seed: int = 1
) -> Rise | None:
    rng = random.Random(seed)
    times = [10.0 * i for i in range(int(seconds / 10))]
    values = [40 + pace_pa_s * t - bend_pa * math.expm1(-t / 30.0) + rng.gauss(0, noise_pa) for t in times]
    return fit_rise(times, values, noise_pa)


def test_a_straight_rise_is_straight_both_ways() -> None:
    fit = rise(0.2)
    assert fit is not None
    assert fit.vapour_pa == 0
    assert fit.slope_pa_s == fit.mean_pa_s == pytest.approx(0.2, abs=0.02)
    assert fit.variance == fit.mean_variance


def test_vapour_is_told_from_what_is_straight() -> None:
    fit = rise(0.2, bend_pa=30.0, seconds=300.0)
    assert fit is not None
    assert fit.slope_pa_s == pytest.approx(0.2, abs=0.05)
    assert fit.vapour_pa == pytest.approx(30.0, rel=0.3)
    assert fit.mean_pa_s > fit.slope_pa_s


def test_rises_compare_by_their_mean_whether_or_not_the_bend_showed() -> None:
    """The same rise with other noise: sometimes the bend is found and sometimes not, and only the mean stands still."""
    fits = [rise(0.15, bend_pa=6.0, noise_pa=0.8, seed=seed) for seed in range(40)]
    found = [fit for fit in fits if fit is not None]
    assert 0 < sum(fit.vapour_pa > 0 for fit in found) < len(found)
    means = [fit.mean_pa_s for fit in found]
    middle = sum(means) / len(means)
    assert max(abs(mean - middle) for mean in means) < 5 * math.sqrt(found[0].mean_variance)
    assert max(fit.slope_pa_s for fit in found) - min(fit.slope_pa_s for fit in found) > max(means) - min(means)


def test_too_little_of_it_is_no_fit() -> None:
    assert fit_rise([], [], 1.0) is None
    assert fit_rise([0.0, 10.0, 20.0], [1.0, 2.0, 3.0], 1.0) is None
    recorder = RiseRecorder()
    recorder.add(0.0, 1.0)
    assert recorder.fit(1.0) is None


def test_a_rise_that_was_ended_at_once_still_says_how_steep_it_was() -> None:
    fit = short_rise(100.0, 106.0, 30.0, 930.0)
    assert fit.mean_pa_s == pytest.approx(150.0)
    assert 0.2 < math.sqrt(fit.mean_variance) / fit.mean_pa_s < 0.5


def test_a_long_rise_is_kept_in_bounded_memory() -> None:
    recorder = RiseRecorder(most=100)
    for i in range(5000):
        recorder.add(10.0 * i, 50 + 0.02 * 10.0 * i)
    assert len(recorder) <= 100
    fit = recorder.fit(0.1)
    assert fit is not None
    assert fit.mean_pa_s == pytest.approx(0.02, rel=1e-3)
