"""The pores: gas is conserved, ends end, fading fades, counts are Poisson, and the two words about stopping hold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tools.plant.chance import Chance
from tools.plant.release import ENDS, LAWS, Law, PoreParts, Pores, safe_of, stop_of

CALM = PoreParts(span_s=3000.0, unrest=0.0, trapped=0.0, spread=0.1)


def released(parts: PoreParts, seconds: int, seed: int = 1, pressure_pa: float = 0.0) -> tuple[Pores, float]:
    pores = Pores(parts, Chance(seed, "pores"))
    return pores, sum(pores.step(1.0, pressure_pa) for _ in range(seconds))


@pytest.mark.parametrize("law", LAWS)
def test_all_the_gas_comes_and_no_more(law: Law) -> None:
    pores, gas = released(replace(CALM, law=law), 9000)
    assert gas == pytest.approx(CALM.gas_pa_m3, rel=0.01)
    assert pores.left == pytest.approx(0.0, abs=1e-3)
    assert pores.released_pa_m3 == pytest.approx(gas)


@pytest.mark.parametrize("law", ENDS)
def test_what_ends_truly_leaves_no_bubble_after_its_span(law: Law) -> None:
    pores, _ = released(replace(CALM, law=law), 4000)
    assert pores.times[-1][0] <= CALM.span_s + 5
    stop = stop_of(pores.times)
    assert stop is not None
    assert 0.6 * CALM.span_s < stop <= CALM.span_s + 5


@pytest.mark.parametrize("law", ["mixture", "single", "tail"])
def test_what_fades_stops_somewhere_about_its_span(law: Law) -> None:
    pores, _ = released(replace(CALM, law=law), 12_000)
    stop = stop_of(pores.times)
    assert stop is not None
    assert 0.6 * CALM.span_s < stop < 2.2 * CALM.span_s


@pytest.mark.parametrize("law", ["mixture", "single", "tail"])
def test_what_fades_is_a_hundredth_of_its_flow_long_before_it_stops(law: Law) -> None:
    pores, _ = released(replace(CALM, law=law), 12_000)
    counts = np.zeros(12_001)
    for at_s, count in pores.times:
        counts[int(at_s)] = count
    smooth = np.convolve(counts, np.ones(120) / 120, mode="same")
    weak_s = np.nonzero(smooth > 0.01 * smooth[:600].max())[0][-1]
    stop = stop_of(pores.times)
    assert stop is not None
    assert weak_s < 0.6 * stop


def test_counts_are_poisson_and_sizes_spread() -> None:
    parts = replace(CALM, law="single", gas_pa_m3=2.4e-5 * 2e5, span_s=80_000.0)
    pores = Pores(parts, Chance(3, "pores"))
    counts, gas = [], []
    for _ in range(3000):
        before = pores.bubbles
        gas.append(pores.step(1.0, 0.0))
        counts.append(pores.bubbles - before)
    pairs = np.diff(counts) / math.sqrt(2)
    assert np.var(pairs) == pytest.approx(np.mean(counts), rel=0.12)
    per_bubble = np.array(gas) / np.maximum(counts, 1)
    assert per_bubble[np.array(counts) > 0].mean() == pytest.approx(parts.bubble_pa_m3, rel=0.02)


def test_pressure_slows_the_release_and_stops_it_above_where_pores_open() -> None:
    parts = replace(CALM, law="single", opens_pa=10_000.0)
    deep, _ = released(parts, 100)
    half, _ = released(parts, 100, pressure_pa=5000.0)
    shut, gas = released(parts, 100, pressure_pa=10_500.0)
    assert half.bubbles == pytest.approx(0.5 * deep.bubbles, rel=0.15)
    assert (shut.bubbles, gas) == (0, 0.0)


def test_unrest_makes_trains_of_bubbles_but_no_more_gas() -> None:
    rough, gas = released(replace(CALM, unrest=0.5), 9000)
    calm, _ = released(CALM, 9000)
    assert gas == pytest.approx(CALM.gas_pa_m3, rel=0.01)

    def roughness(pores: Pores) -> float:
        counts = np.array([count for at_s, count in pores.times if at_s < 1500], dtype=float)
        minutes = counts[: len(counts) // 60 * 60].reshape(-1, 60).mean(axis=1)
        return float(np.std(np.diff(np.log(minutes))))

    assert roughness(rough) > 2 * roughness(calm)


def test_rocking_frees_half_of_what_is_trapped_and_does_not_count_as_coming_by_itself() -> None:
    pores, _ = released(replace(CALM, trapped=0.02), 4000)
    times = list(pores.times)
    pores.rock()
    freed = sum(pores.step(1.0, 0.0) for _ in range(1500))
    assert freed == pytest.approx(0.5 * 0.02 * CALM.gas_pa_m3, rel=0.05)
    assert pores.times == times
    pores.rock()
    assert sum(pores.step(1.0, 0.0) for _ in range(1500)) == pytest.approx(0.5 * freed, rel=0.1)


def test_the_stop_is_the_first_quarter_of_an_hour_with_at_most_one() -> None:
    assert stop_of([(0, 5), (100, 1), (300, 1), (1500, 1)]) == 101
    assert stop_of([(0, 5), (100, 2), (1500, 1)]) == 101
    assert stop_of([(0, 1), (1000, 1)]) is None
    assert stop_of([]) is None


def test_both_words_agree_with_counting_second_by_second() -> None:
    rng = np.random.default_rng(7)
    for _ in range(25):
        times = [(int(t), int(rng.integers(1, 9))) for t in sorted(set((rng.exponential(900, 60)).astype(int)))]
        counts = np.zeros(times[-1][0] + 2000, dtype=int)
        for at_s, count in times:
            counts[at_s] = count
        ahead = np.concatenate([[0], np.cumsum(counts)])
        last = times[-1][0] + 2
        window = [ahead[min(t + 900, len(counts))] - ahead[t] for t in range(last)]
        busy = [t for t in range(last) if window[t] > 1]
        stop = stop_of(times)
        assert stop == (busy[-1] + 1 if busy else None)
        whole = int(ahead[-1]) * 3
        early = [t for t in range(last) if window[t] > 30 or ahead[-1] - ahead[t] > 0.01 * whole]
        assert safe_of(times, whole) == (early[-1] + 1 if early else 0)
