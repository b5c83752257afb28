"""The bank of lags answers like the series it is made of, and the series like a body."""

from __future__ import annotations

import numpy as np
import pytest

from lastbubble.physics.conduction import (
    bank,
    biot,
    lumped_theta,
    modes,
    product_theta,
    radiative_h_w_m2k,
    semi_infinite_theta,
    series_theta,
)

INF = np.inf


def core_by_bank(shape: str, sizes: tuple[float, float, float], time_s: float, steps: int) -> float:
    """Fraction of the first difference left in the core after a step of the air, by the bank."""
    one = np.ones(1)
    lags = bank(
        shape,  # type: ignore[arg-type]
        size_m=sizes[0] * one,
        second_m=sizes[1] * one,
        third_m=sizes[2] * one,
        h_w_m2k=15.0 * one,
        k_w_mk=0.5 * one,
        diffusivity_m2_s=3e-7 * one,
    )
    z = np.zeros_like(lags.rate_1_s)
    share = -np.expm1(-lags.rate_1_s * time_s / steps)
    for _ in range(steps):
        z += share * (1.0 - z)
    return 1 - float((lags.core * z).sum())


@pytest.mark.parametrize("shape", ["slab", "cylinder", "sphere"])
@pytest.mark.parametrize("steps", [1, 7, 300])
def test_the_bank_is_the_series_whatever_the_step(shape: str, steps: int) -> None:
    time_s = 1200.0
    want = series_theta(shape, biot(15.0, 0.015, 0.5), 3e-7 * time_s / 0.015**2)  # type: ignore[arg-type]
    assert core_by_bank(shape, (0.030, INF, INF), time_s, steps) == pytest.approx(want, abs=3e-4)


def test_a_brick_is_the_product_of_three_slabs() -> None:
    time_s = 1500.0
    sides = (0.02, 0.05, 0.09)
    want = product_theta(*(series_theta("slab", biot(15.0, s / 2, 0.5), 3e-7 * time_s / (s / 2) ** 2) for s in sides))
    assert core_by_bank("slab", sides, time_s, 5) == pytest.approx(want, abs=1e-3)


def test_a_short_cylinder_is_the_product_of_cylinder_and_slab() -> None:
    time_s = 1500.0
    want = series_theta("cylinder", biot(15.0, 0.015, 0.5), 3e-7 * time_s / 0.015**2) * series_theta(
        "slab", biot(15.0, 0.03, 0.5), 3e-7 * time_s / 0.03**2
    )
    assert core_by_bank("cylinder", (0.03, 0.06, INF), time_s, 5) == pytest.approx(want, abs=1e-3)


def test_a_body_in_air_of_its_own_temperature_stays_there() -> None:
    n = np.ones(3)
    lags = bank(
        "slab",
        size_m=np.array([0.01, 0.03, 0.08]),
        second_m=0.06 * n,
        third_m=INF * n,
        h_w_m2k=12 * n,
        k_w_mk=0.3 * n,
        diffusivity_m2_s=2e-7 * n,
    )
    assert lags.core.sum(axis=1) == pytest.approx(1.0)
    assert lags.surface.sum(axis=1) == pytest.approx(1.0)
    assert (lags.rate_1_s > 0).all()


def test_small_bodies_have_one_temperature() -> None:
    for sides, shape in ((1, "slab"), (2, "cylinder"), (3, "sphere")):
        assert series_theta(shape, 0.002, 100.0) == pytest.approx(  # type: ignore[arg-type]
            lumped_theta(0.002, 100.0, sides),  # type: ignore[arg-type]
            abs=2e-3,
        )


def test_a_thick_slab_is_a_half_space_at_first() -> None:
    h, k, alpha, half = 20.0, 0.6, 4e-7, 0.2
    for time_s in (60.0, 600.0, 3600.0):
        found = modes("slab", biot(h, half, k), 100)
        face = float(np.sum(found.surface * np.exp(-(found.zeta**2) * alpha * time_s / half**2)))
        assert face == pytest.approx(semi_infinite_theta(0.0, time_s, h, k, alpha), abs=2e-3)


def test_the_half_space_holds_for_long_times_where_the_exponential_alone_overflows() -> None:
    left = semi_infinite_theta(0.01, 1e7, 1e4, 0.1, 1e-6)
    assert 0 <= left < 0.01
    assert semi_infinite_theta(0.05, 1.0, 10.0, 1.0, 1e-7) == pytest.approx(1.0)


def test_more_h_never_cools_the_core() -> None:
    left = [series_theta("sphere", bi, 0.4) for bi in (0.05, 0.1, 0.5, 1, 5, 20)]
    assert left == sorted(left, reverse=True)


def test_out_of_range_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="Biot number"):
        modes("slab", 0.0)
    with pytest.raises(ValueError, match="9 terms for a cylinder; allowed 1 to 8"):
        modes("cylinder", 1.0, 9)
    with pytest.raises(ValueError, match="Fourier"):
        series_theta("slab", 1.0, 0.0)
    with pytest.raises(ValueError, match="size_m must be above 0"):
        bank("slab", size_m=np.zeros(1), second_m=np.ones(1), third_m=np.ones(1), h_w_m2k=np.ones(1),
             k_w_mk=np.ones(1), diffusivity_m2_s=np.ones(1))  # fmt: skip
    with pytest.raises(ValueError, match="above 0"):
        semi_infinite_theta(-1, 1, 1, 1, 1)


def test_radiation_is_its_fourth_powers() -> None:
    want = 0.9 * 5.670374419e-8 * (368.15**4 - 333.15**4) / 35
    assert radiative_h_w_m2k(60.0, 95.0, 0.9) == pytest.approx(want)
