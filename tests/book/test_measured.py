"""Numbers as they were written, and how well they are known."""

from __future__ import annotations

import math

import pytest

from lastbubble.book.measured import Measured, density, lognormal_band, quantity, share


def test_the_last_digit_tells_how_well_it_is_known() -> None:
    """One digit either way, spread evenly: a / sqrt(3), JCGM 100:2008, 4.3.7."""
    assert quantity("412.3 g", "mass").sd == pytest.approx(1e-4 / math.sqrt(3))
    assert quantity("412 g", "mass").sd == pytest.approx(1e-3 / math.sqrt(3))
    assert quantity("0.875 in", "length").sd == pytest.approx(25.4e-6 / math.sqrt(3))
    assert quantity("1.2e2 g", "mass").sd == pytest.approx(1e-2 / math.sqrt(3))


@pytest.mark.parametrize("text", ["12.1 mm +- 0.2 mm", "12.1 +- 0.2 mm", "12.1 mm ± 0.02 cm", "12.1±0.2 mm"])
def test_said_outright(text: str) -> None:
    found = quantity(text, "length")
    assert (found.value, found.sd) == pytest.approx((0.0121, 0.0002))


@pytest.mark.parametrize("text", ["", "g", "12", "12 s", "-3 g", "0 g", "1 +- 2 +- 3 g", "1 g +- x", "nan g"])
def test_what_is_no_mass_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        quantity(text, "mass")


def test_shares_and_densities() -> None:
    assert share("22 +- 3 %").value == pytest.approx(0.22)
    assert share("22 +- 3 %").sd == pytest.approx(0.03)
    assert share("0.22").sd == pytest.approx(0.01 / math.sqrt(3))
    assert density("1.07 g/ml").value == pytest.approx(1070)
    for wrong in ("120 %", "-1 %", "22 percent"):
        with pytest.raises(ValueError, match=r"share|range"):
            share(wrong)
    for wrong in ("1.07", "1.07 g", "50 g/ml"):
        with pytest.raises(ValueError, match=r"density|range"):
            density(wrong)


def test_spreads_are_carried_on_to_first_order() -> None:
    """The example of JCGM 100:2008, 5.1.6: relative variances add in a product."""
    product = Measured(3.0, 0.3).times(Measured(2.0, 0.1)).over(Measured(4.0, 0.2))
    assert product.value == pytest.approx(1.5)
    assert product.sd / product.value == pytest.approx(math.sqrt(0.1**2 + 0.05**2 + 0.05**2))
    low, high = lognormal_band(Measured(1.0, 0.1))
    assert (low * high, low) == pytest.approx((1.0, math.exp(-0.128155)), rel=1e-4)
