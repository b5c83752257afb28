"""Conduction against published values; the source of each table stands in its first lines."""

from __future__ import annotations

import numpy as np
import pytest
from ht.radiation import q_rad
from scipy import special

from lastbubble.physics.conduction import (
    bessel_j0_j1,
    lumped_theta,
    modes,
    radiative_h_w_m2k,
    semi_infinite_theta,
    series_theta,
)
from tests.published.reference import rows

SHAPES = ("slab", "cylinder", "sphere")


@pytest.mark.parametrize("shape", SHAPES)
def test_one_term_coefficients(shape: str) -> None:
    """Layout of Incropera table 5.1 / Cengel table 4-2, to the four printed decimals."""
    for row in rows("conduction_one_term"):
        bi = 1e6 if row["Bi"] == "infinity" else float(row["Bi"])
        found = modes(shape, bi, 1)  # type: ignore[arg-type]
        assert found.zeta[0] == pytest.approx(float(row[f"{shape}_zeta1"]), abs=6e-5), row
        assert found.core[0] == pytest.approx(float(row[f"{shape}_C1"]), abs=6e-5), row


def test_exact_series() -> None:
    """200 terms of the exact series (shared/reference/conduction_series.csv), core, face, mean and the first term."""
    count = 0
    for row in rows("conduction_series"):
        bi, fourier = float(row["Bi"]), float(row["Fo"])
        for where, column in (("core", "theta_centre"), ("surface", "theta_surface"), ("mean", "theta_mean")):
            got = series_theta(row["shape"], bi, fourier, where=where)  # type: ignore[arg-type]
            assert got == pytest.approx(float(row[column]), abs=1e-6), row
        one = series_theta(row["shape"], bi, fourier, terms=1)  # type: ignore[arg-type]
        assert one == pytest.approx(float(row["one_term_centre"]), abs=1e-6), row
        count += 1
    assert count > 100


def test_bessel_functions_against_scipy() -> None:
    """scipy.special (Cephes)."""
    x = np.linspace(-30, 30, 301)
    j0, j1 = bessel_j0_j1(x)
    assert j0 == pytest.approx(special.j0(x), abs=1e-12)
    assert j1 == pytest.approx(special.j1(x), abs=1e-12)


def test_roots_against_scipy() -> None:
    """At Bi = 1e6 the cylinder's roots are the zeros of J0 (scipy.special.jn_zeros)."""
    assert modes("cylinder", 1e6, 6).zeta == pytest.approx(special.jn_zeros(0, 6), rel=1e-5)


def test_half_space_against_scipy() -> None:
    """Incropera, semi-infinite solid, surface convection, with scipy's scaled complementary error function."""
    for depth, time, h, k, alpha in (
        (0.02, 900.0, 15.0, 0.5, 3e-7),
        (0.0, 60.0, 300.0, 0.2, 1e-7),
        (0.1, 9e4, 50, 1, 1e-6),
    ):
        root = (alpha * time) ** 0.5
        u, v = depth / (2 * root), h * root / k
        want = 1 - (special.erfc(u) - np.exp(-u * u) * special.erfcx(u + v))
        assert semi_infinite_theta(depth, time, h, k, alpha) == pytest.approx(want, abs=1e-12)


class TestTextbook:
    """Worked examples; answers from shared/reference/conduction_textbook.csv, inputs as told there."""

    def test_insulated_steel_wall(self) -> None:
        """Incropera 6th ed., example 5.4: Bi 0.313, Fo 5.64, insulated face 42.9 degC, flux -7400 W/m2."""
        alpha = 63.9 / (7832 * 434)
        bi, fourier = 500 * 0.040 / 63.9, alpha * 480 / 0.040**2
        assert (bi, fourier) == (pytest.approx(0.313, abs=5e-4), pytest.approx(5.64, abs=5e-3))
        core = 60 + (-20 - 60) * series_theta("slab", bi, fourier)
        assert core == pytest.approx(42.9, abs=0.15)
        face = 60 + (-20 - 60) * series_theta("slab", bi, fourier, where="surface")
        assert 500 * (face - 60) == pytest.approx(-7400, rel=0.015)

    def test_sphere_quenched(self) -> None:
        """Incropera 6th ed., example 5.5: air, lumped, 94 s; then water, centre 335 to 50 degC, 3.1 s (chart)."""
        alpha = 20 / (3000 * 1000)
        radius = 0.005
        bi = 10 * radius / 20
        assert pytest.approx(lumped_theta(bi, alpha * 94 / radius**2, 3), abs=2e-3) == (335 - 20) / (400 - 20)
        left = (50 - 20) / (335 - 20)
        found = modes("sphere", 6000 * radius / 20, 20)
        times = np.linspace(1.0, 6.0, 2001)
        thetas = (found.core * np.exp(-(found.zeta**2) * alpha * times[:, None] / radius**2)).sum(axis=1)
        assert times[np.argmin(np.abs(thetas - left))] == pytest.approx(3.1, abs=0.15)

    def test_egg(self) -> None:
        """Cengel example 4-3 (recalled): one term, zeta1 3.0754, C1 1.9958, 865 s."""
        bi = 1200 * 0.025 / 0.627
        found = modes("sphere", bi, 1)
        assert found.zeta[0] == pytest.approx(3.0754, abs=1e-3)
        assert found.core[0] == pytest.approx(1.9958, abs=1e-3)
        left = series_theta("sphere", bi, 0.151e-6 * 865 / 0.025**2, terms=1)
        assert 95 + (5 - 95) * left == pytest.approx(70.0, abs=0.25)

    def test_brass_plate(self) -> None:
        """Cengel example 4-4 (recalled): face after 7 min 282 degC by chart, 279.6 exact."""
        left = series_theta("slab", 120 * 0.02 / 110, 33.9e-6 * 420 / 0.02**2, where="surface")
        assert 500 + (20 - 500) * left == pytest.approx(279.6, abs=0.1)

    def test_steel_shaft(self) -> None:
        """Cengel example 4-5 (recalled): centre after 45 min 360 degC by chart, 364.3 exact; heat fraction 0.62."""
        fourier = 3.95e-6 * 2700 / 0.1**2
        left = series_theta("cylinder", 80 * 0.1 / 14.9, fourier)
        assert 200 + (600 - 200) * left == pytest.approx(364.3, abs=0.1)
        assert 1 - series_theta("cylinder", 80 * 0.1 / 14.9, fourier, where="mean") == pytest.approx(0.62, abs=0.02)


def test_radiation_against_the_table_and_a_library() -> None:
    """Computed rows of shared/reference/heat_transfer_coefficients.csv, and ht's grey-body flux."""
    want = {(0.9, 60): 8.823, (0.9, 25): 7.631, (0.3, 90): 3.327, (0.1, 25): 0.848}
    for (emissivity, surface), h in want.items():
        assert radiative_h_w_m2k(surface, 95.0, emissivity) == pytest.approx(h, abs=2e-3)
        flux = q_rad(emissivity=emissivity, T=95 + 273.15, T2=surface + 273.15)
        assert radiative_h_w_m2k(surface, 95.0, emissivity) * (95 - surface) == pytest.approx(
            flux, rel=5e-6
        )  # its sigma is CODATA 2010
