"""The fit of the laws: its arithmetic against plain computations of the same thing, and what it finds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from lastbubble.pipeline.release_fit import (
    MISFIT,
    MISFIT_SHARE,
    NOISES,
    Level,
    NoiseSearch,
    Rise,
    _Problem,
    _thinned,
    falling,
    fit,
)
from lastbubble.pipeline.release_laws import laws


def front(
    end_s: float, *, first_pa: float = 20.0, base_pa: float = 12.0, until_s: float, noise: int = 3
) -> list[Level]:
    """Levels of one front that ends, two minutes each, with a tenth of a pascal of noise."""
    rng = np.random.default_rng(noise)
    out = []
    for from_s in np.arange(400.0, until_s, 120.0):
        times = np.linspace(from_s, from_s + 110.0, 20)
        flow = np.where(times - 20.0 < end_s, np.sqrt(460.0 / (times + 60.0)), 0.0).mean()
        out.append(Level(from_s, from_s + 110.0, base_pa + first_pa * flow + 0.1 * rng.standard_normal(), 0.01))
    return out


@given(
    st.lists(st.tuples(st.floats(-100, 100), st.floats(0.1, 10)), min_size=1, max_size=30),
)
def test_falling_is_isotonic_regression(pairs: list[tuple[float, float]]) -> None:
    # scipy.optimize.isotonic_regression (SciPy reference, 1.12 on): the same least-squares problem.
    values, weights = (np.array(column) for column in zip(*pairs, strict=True))
    expected = optimize.isotonic_regression(values, weights=weights, increasing=False).x
    assert falling(values, weights) == pytest.approx(expected, abs=1e-7)


def test_the_likelihood_of_one_hypothesis_is_the_gaussian_one() -> None:
    """Against scipy's multivariate normal with the amplitude integrated numerically."""
    levels = front(4000.0, until_s=3000.0)
    problem = _Problem(levels, [], 20.0, False, None, 3000.0)
    noise = NOISES[26]
    column = 40
    group = problem.groups[0]
    log_likelihood, _, _ = problem.score(noise, np.array([column, column + 1]))
    values = problem.pa - problem.pa[-3:].mean()
    cov = (
        problem._common
        + (noise.wander * problem.wander_pa) ** 2 * problem._wander
        + np.diag(noise.extra * problem.variance)
        + np.outer(group.left_pa, group.left_pa)
        * (
            (MISFIT**2 + (MISFIT_SHARE * noise.uneven) ** 2) * problem._misfit
            + noise.uneven**2 * problem._uneven[noise.uneven_s]
        )
    )
    background = stats.multivariate_normal(np.zeros(len(values)), cov, allow_singular=True)
    width = 0.6 * group.first_pa + 1.0

    def logs(place: int) -> float:
        shape = group.shape[:, place].astype(float)
        amplitudes = np.linspace(0.0, group.first_pa + 8 * width, 6001)
        prior = stats.norm(group.first_pa, width)
        dense = np.array([background.logpdf(values - a * shape) for a in amplitudes]) + prior.logpdf(amplitudes)
        top = dense.max()
        integral = top + math.log(np.trapezoid(np.exp(dense - top), amplitudes))
        return integral - prior.logsf(0.0)

    # The normal distribution's tail is taken in its logistic form, which is good to a few hundredths.
    assert log_likelihood[0, 0] - log_likelihood[0, 1] == pytest.approx(logs(column) - logs(column + 1), abs=0.08)


def test_an_end_that_is_seen_is_found_where_it_was() -> None:
    fits = fit(front(4000.0, until_s=5200.0), [], lag_s=20.0, leak_pa_s=None, now_s=5200.0, search=NoiseSearch())
    weights = np.exp(fits.log_weight)
    weights /= weights.sum()
    ended = laws().ends[fits.law] & (fits.span_s <= 5200.0)
    assert weights[ended].sum() > 0.95
    order = np.argsort(fits.span_s)
    middle = fits.span_s[order][np.searchsorted(np.cumsum(weights[order]), 0.5)]
    assert middle == pytest.approx(4000.0, abs=240.0)


def test_before_the_end_nothing_is_made_up() -> None:
    fits = fit(front(9000.0, until_s=5200.0), [], lag_s=20.0, leak_pa_s=None, now_s=5200.0, search=NoiseSearch())
    weights = np.exp(fits.log_weight)
    ended = laws().ends[fits.law] & (fits.span_s <= 5200.0)
    assert weights[ended].sum() / weights.sum() < 0.3


def test_rises_that_fall_to_the_leak_speak_for_the_end() -> None:
    levels = front(9000.0, first_pa=0.0, until_s=5200.0)
    ended = [Rise(t, 0.5 if t < 3500 else 0.02, 1e-4) for t in np.arange(900.0, 5200.0, 400.0)]
    going = [Rise(t, 0.5 * math.sqrt(900.0 / t), 1e-4) for t in np.arange(900.0, 5200.0, 400.0)]
    shares = []
    for rises in (ended, going):
        fits = fit(levels, rises, lag_s=20.0, leak_pa_s=0.02, now_s=5200.0, search=NoiseSearch())
        weights = np.exp(fits.log_weight)
        over = laws().ends[fits.law] & (fits.span_s <= 5200.0)
        shares.append(weights[over].sum() / weights.sum())
    assert shares[0] > 0.75
    assert shares[1] < 0.5


def test_the_noise_search_tries_everything_first_and_then_neighbours() -> None:
    search = NoiseSearch()
    assert sorted(search.candidates()) == list(range(len(NOISES)))
    near = search.candidates()
    assert near[0] == search.best
    assert 4 < len(near) < 12


@given(st.lists(st.floats(-30, 0), min_size=1, max_size=400), st.integers(1, 60))
def test_thinning_keeps_the_weight_of_every_stretch_of_rows(log_weights: list[float], count: int) -> None:
    values = np.array(log_weights)
    chosen, new = _thinned(values, count)
    assert len(chosen) <= count + 1
    assert list(chosen) == sorted(set(chosen.tolist()))
    weights = np.exp(values)
    kept = np.zeros(len(values))
    kept[chosen] = np.exp(new)
    # Up to any row, what was kept weighs as much as what was there, to within one light row.
    assert np.abs(np.cumsum(kept) - np.cumsum(weights)).max() <= weights.sum() / count * (1 + 1e-9)
