"""The gauge: every error it has, at the size that was asked for, and none besides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tools.plant.chance import Chance
from tools.plant.gauge import CLASSES, Gauge, GaugeParts

EXACT = GaugeParts(step_pa=0.01, noise_pa=0.0, slow_pa=0.0, zero_pa=0.0, drift_pa_h=0.0)


def readings(parts: GaugeParts, pressure_pa: float = 50.0, count: int = 4000, room_pa: float = 99_000.0) -> np.ndarray:
    gauge = Gauge(parts, Chance(1, "gauge"))
    return np.array([gauge.read(pressure_pa, room_pa, float(second)) for second in range(count)])


def test_without_errors_it_reads_the_truth() -> None:
    assert readings(EXACT, 50.0, 3).tolist() == [50.0] * 3


def test_each_error_has_its_size() -> None:
    assert readings(replace(EXACT, zero_pa=-30.0)).mean() == pytest.approx(20.0)
    assert readings(replace(EXACT, gain=1.01), 1000.0).mean() == pytest.approx(1010.0)
    drifting = readings(replace(EXACT, drift_pa_h=7.2))
    assert drifting[3600] - drifting[0] == pytest.approx(7.2, abs=0.02)
    assert readings(replace(EXACT, noise_pa=3.0)).std() == pytest.approx(3.0, rel=0.05)
    steps = readings(replace(EXACT, step_pa=8.0, noise_pa=5.0))
    assert np.allclose(steps / 8.0, np.round(steps / 8.0))


def test_slow_noise_is_not_white() -> None:
    slow, white = readings(replace(EXACT, slow_pa=1.0)), readings(replace(EXACT, noise_pa=1.0))

    def averaged(values: np.ndarray) -> float:
        return float(values.reshape(-1, 100).mean(axis=1).std() / values.std())

    assert averaged(white) < 0.15
    assert averaged(slow) > 0.6


def test_a_relative_gauge_moves_with_the_barometer_and_an_absolute_one_does_not() -> None:
    relative = replace(EXACT, relative=True, assumed_pa=100_000.0)
    assert readings(relative, 50.0, 2, room_pa=99_000.0)[-1] == pytest.approx(1050.0)
    assert readings(relative, 50.0, 2, room_pa=99_300.0)[-1] == pytest.approx(750.0)
    assert readings(EXACT, 50.0, 2, room_pa=99_300.0)[-1] == pytest.approx(50.0)


def test_it_lags_tops_out_and_goes_wild_as_often_as_told() -> None:
    gauge = Gauge(replace(EXACT, lag_s=10.0), Chance(1, "gauge"))
    gauge.read(0.0, 99_000.0, 0.0)
    assert gauge.read(100.0, 99_000.0, 10.0) == pytest.approx(63.2, abs=0.1)
    assert readings(CLASSES["narrow"], 99_000.0, 3).tolist() == [10_300.0] * 3
    wild = readings(replace(EXACT, glitch=0.02))
    assert np.mean(np.abs(wild - 50.0) > 1) == pytest.approx(0.02, abs=0.008)
    silent = Gauge(replace(EXACT, missing=0.1), Chance(1, "gauge"))
    assert np.mean([not silent.comes() for _ in range(4000)]) == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize(("kind", "least"), [("fine", 0.7), ("medium", 3.0), ("coarse", 30.0), ("relative", 4.0)])
def test_classes_are_as_fine_as_their_names(kind: str, least: float) -> None:
    noise = readings(CLASSES[kind], 53.7).std()
    assert least < noise < 4 * least or kind == "coarse"
    if kind == "coarse":
        # Three pascals, the last hour of bubbling, are nothing to it.
        change = readings(CLASSES[kind], 50.0, 300).mean() - readings(CLASSES[kind], 53.0, 300).mean()
        assert abs(change) < 3.5 < CLASSES[kind].step_pa / 50
