"""The spread of convection that the bodies are drawn from, against correlations for free convection in a library."""

from __future__ import annotations

from itertools import product

import numpy as np
from ht import Nu_horizontal_cylinder_Churchill_Chu, Nu_sphere_Churchill, Nu_vertical_plate_Churchill

from lastbubble.context import Context
from lastbubble.pipeline.core import BODIES, DIMENSIONS, draw, standard_scores

#: Air at about 65 degC film temperature (dry-air tables, from memory; the answer moves by 2 % for 20 K).
K_W_MK, NU_M2_S, PRANDTL, KELVIN = 0.0288, 1.9e-5, 0.70, 338.0


def free_convection_w_m2k(length_m: float, difference_k: float) -> list[float]:
    """Churchill's correlations for a vertical plate, a sphere and a horizontal cylinder of this size."""
    grashof = 9.81 / KELVIN * difference_k * length_m**3 / NU_M2_S**2
    found = (Nu_vertical_plate_Churchill, Nu_sphere_Churchill, Nu_horizontal_cylinder_Churchill_Chu)
    return [nusselt(PRANDTL, grashof) * K_W_MK / length_m for nusselt in found]


def test_still_ovens_lie_inside_the_correlations() -> None:
    """Pieces of 20 to 100 mm, 3 to 70 K cooler than the air (the whole way up); ht, after Churchill 1977, 1983."""
    scores = standard_scores(BODIES)
    convection = scores[:, DIMENSIONS.index("convection")]
    flat = scores.copy()
    flat[:, DIMENSIONS.index("lying")] = 0.0
    still = draw(Context(), flat).h_c[convection < 0.84] / 0.95
    every = [
        h for size, apart in product((0.02, 0.05, 0.1), (3, 10, 30, 70)) for h in free_convection_w_m2k(size, apart)
    ]
    low, high = np.quantile(still, (0.1, 0.9))
    assert min(every) < low
    assert high < max(every)
    usual = np.median([h for apart in (10, 30, 70) for h in free_convection_w_m2k(0.05, apart)])
    assert abs(np.median(still) / usual - 1) < 0.15


def test_a_fan_is_the_rest_and_bounded() -> None:
    """Forced convection in gases begins at about 10 and is 25 and more in a blast (textbook bands, from memory)."""
    scores = standard_scores(BODIES)
    flat = scores.copy()
    flat[:, DIMENSIONS.index("lying")] = 0.0
    h_c = draw(Context(), flat).h_c / 0.95
    fan = h_c[scores[:, DIMENSIONS.index("convection")] >= 0.84]
    assert 0.15 < len(fan) / BODIES < 0.25
    assert fan.min() >= 10.0 - 1e-9
    assert fan.max() <= 25.0 + 1e-9


def test_who_tells_of_the_fan_has_one_kind_of_oven_only() -> None:
    """The same bands; the spread of each is a fifth less at least than that of both together."""

    def spread(told: str) -> tuple[float, float, float]:
        h_c = draw(Context(oven_fan=told), standard_scores(BODIES)).h_c
        low, high = np.quantile(h_c, (0.1, 0.9))
        return float(low), float(high), float(np.std(np.log(h_c)))

    both, still, fan = spread(""), spread("no"), spread("yes")
    assert 3.5 < still[0] < still[1] < 9.5
    assert 9.0 < fan[0] < fan[1] < 25.0
    assert max(still[2], fan[2]) < 0.8 * both[2]
