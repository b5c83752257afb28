"""The bodies: an honest spread, steps that agree with a plain body, a filter that learns what it can."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lastbubble.context import Context
from lastbubble.physics.conduction import STEFAN_BOLTZMANN_W_M2K4
from lastbubble.pipeline.core import (
    DIMENSIONS,
    STEP_S,
    Anchor,
    Bodies,
    assimilate,
    draw,
    learnt_scores,
    learnt_text,
    standard_scores,
    weighted_quantiles,
)

SPHERE = Context(piece_thickness_mm=30.0, piece_shape="sphere", material="sandstone")


def test_the_scores_are_standard_and_fixed() -> None:
    z = standard_scores(400)
    assert z.shape == (400, len(DIMENSIONS))
    assert np.abs(z.mean(axis=0)).max() < 1e-12
    assert np.cov(z.T) == pytest.approx(np.eye(len(DIMENSIONS)), abs=1e-9)
    assert (standard_scores.__wrapped__(400) == z).all()


def test_what_is_told_narrows_what_is_drawn() -> None:
    z = standard_scores(400)
    vague, told = draw(Context(), z), draw(SPHERE, z)
    assert np.log(vague.size_m).std() > 5 * np.log(told.size_m).std()
    assert np.log(vague.k_w_mk).std() > 1.5 * np.log(told.k_w_mk).std()
    sides = draw(replace(SPHERE, piece_shape="slab", piece_width_mm=60.0, piece_length_mm=90.0), z)
    assert set(sides.width_m) == {0.060}
    assert set(sides.length_m) == {0.090}


def plain_sphere(bodies: Bodies, at: int, air_c: float, seconds: int) -> float:
    """The core of one body by finite volumes, explicit: nothing shared with the bank of lags."""
    d = bodies.draws
    cells = 12
    radius = float(d.size_m[at]) / 2
    edges = np.linspace(0, radius, cells + 1)
    volume, area = np.diff(edges**3) / 3, edges**2
    k = float(d.k_w_mk[at])
    capacity = k / float(d.diffusivity_m2_s[at])
    temperature, walls = np.full(cells, 21.0), 21.0
    air = air_c + float(d.couple_k[at]) + float(d.place[at]) * (air_c - 21.0)
    dt = 0.2
    for _ in range(int(seconds / dt)):
        loss = float(d.wall_loss[at]) * (air - 21.0)
        walls += dt / float(d.wall_lag_s[at]) * (air - loss - walls)
        # From the last cell's middle to the face is half a cell.
        face = temperature[-1]
        for _ in range(2):
            flux = float(d.h_c[at]) * (air - face) + float(d.emissivity[at]) * STEFAN_BOLTZMANN_W_M2K4 * (
                (walls + 273.15) ** 4 - (face + 273.15) ** 4
            )
            face = temperature[-1] + flux * (radius / cells / 2) / k
        flow = np.zeros(cells + 1)
        flow[1:-1] = k * area[1:-1] * np.diff(temperature) / (radius / cells)
        flow[-1] = flux * area[-1]
        temperature = temperature + dt * np.diff(flow) / (capacity * volume)
    return float(temperature[0])


@pytest.mark.parametrize("at", [0, 57, 211])
def test_a_body_agrees_with_finite_volumes_with_radiation_to_lagging_walls(at: int) -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    for k in range(90):
        bodies.step(105.0, (k + 1) * STEP_S)
    assert float(bodies.core_c[at]) == pytest.approx(plain_sphere(bodies, at, 105.0, 1800), abs=0.8)


def test_the_core_stays_between_its_start_and_the_hottest_air() -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    for k in range(500):
        bodies.step(105.0 if k < 250 else 40.0, (k + 1) * STEP_S)
        # A wall that loses less than nothing stands for a glowing element: a kelvin above the air at most.
        assert (bodies.core_c < bodies.air_at_piece_c(105.0) + 1.0).all()
        assert (bodies.core_c > 20.5).all()


def test_hotter_air_never_gives_a_cooler_core() -> None:
    one, two = (Bodies(SPHERE, standard_scores(400), 21.0) for _ in range(2))
    one.place(21.0, 0.0)
    two.place(21.0, 0.0)
    for k in range(200):
        air = 21 + min(84, k) + 3 * math.sin(k / 5)
        one.step(air, (k + 1) * STEP_S)
        two.step(air + (2.0 if k % 3 == 0 else 0.0), (k + 1) * STEP_S)
        # The cut-off series answers a step with a few hundredths of a kelvin of ringing at first.
        assert (two.core_c >= one.core_c - 0.03).all()


def test_the_hold_stands_below_the_target_less_two_and_never_resets() -> None:
    bodies = Bodies(SPHERE, np.zeros((1, len(DIMENSIONS))), 21.0)
    bodies.place(21.0, 0.0)
    held = []
    for k in range(1500):
        bodies.step(110.0 if k < 600 or k > 900 else 60.0, (k + 1) * STEP_S)
        held.append(float(bodies.held_s[0]))
    assert held == sorted(held)
    assert held[900] == held[870] > 0
    assert held[-1] > held[900]


def test_waiting_bodies_stay_cold_until_they_are_placed() -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    bodies.hold_back(0.5)
    for k in range(100):
        bodies.step(105.0, (k + 1) * STEP_S)
    assert bodies.waiting.mean() == pytest.approx(0.5, abs=0.02)
    assert bodies.core_c[bodies.waiting] == pytest.approx(21.0)
    assert (bodies.core_c[~bodies.waiting] > 60.0).all()
    bodies.believe_waiting(0.01)
    assert bodies.chance(bodies.waiting) < 0.02
    assert bodies.weight.sum() == pytest.approx(1.0)


def test_looking_ahead_agrees_with_what_comes() -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    for k in range(60):
        bodies.step(108.0, (k + 1) * STEP_S)
    bodies.unset = np.zeros(400)  # no resin left to set: looking ahead counts its heat, the state does not
    before = bodies.core_c.copy()
    reached, complete = bodies.ahead([np.full(400, 108.0)] * 200, [60.0] * 200, 60 * STEP_S)
    assert (bodies.core_c == before).all()
    for k in range(60, 600):
        bodies.step(108.0, (k + 1) * STEP_S)
    both = np.isfinite(reached) & ~np.isnan(bodies.crossed_s)
    assert both.sum() > 200
    assert np.abs(reached[both] - bodies.crossed_s[both]).max() < 45
    assert (complete[np.isfinite(complete)] >= reached[np.isfinite(complete)] + 1799).all()


def test_resin_that_still_has_to_set_brings_the_core_there_sooner() -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    for k in range(60):
        bodies.step(104.0, (k + 1) * STEP_S)
    air = [np.full(400, 104.0)] * 150
    with_heat, _ = bodies.ahead(air, [60.0] * 150, 1200.0)
    bodies.unset = np.zeros(400)
    without, _ = bodies.ahead(air, [60.0] * 150, 1200.0)
    assert (with_heat <= without).all()
    assert np.median(with_heat) < np.median(without) - 60


def test_an_anchor_moves_every_body_to_the_probe() -> None:
    bodies = Bodies(SPHERE, standard_scores(400), 21.0)
    bodies.place(21.0, 0.0)
    for k in range(60):
        bodies.step(108.0, (k + 1) * STEP_S)
    loose, _ = bodies.ahead([np.full(400, 108.0)] * 100, [60.0] * 100, 1200.0)
    tied, _ = bodies.ahead([np.full(400, 108.0)] * 100, [60.0] * 100, 1200.0, Anchor(90.0, None, 0.0, 0.0))
    wide = weighted_quantiles(loose, bodies.weight, (0.1, 0.9))
    narrow = weighted_quantiles(tied, bodies.weight, (0.1, 0.9))
    assert narrow[1] - narrow[0] < 0.5 * (wide[1] - wide[0])


def test_one_observation_moves_what_it_tells_of_and_leaves_the_rest() -> None:
    z = standard_scores(400)
    told = 50 + 5 * z[:, 0]
    after = assimilate(z, told, 57.0, 1.0)
    posterior = 25 / 26
    assert after[:, 0].mean() == pytest.approx(7 / 5 * posterior, abs=1e-6)
    assert after[:, 0].std(ddof=1) == pytest.approx(math.sqrt(1 / 26), rel=1e-3)
    assert after[:, 3] == pytest.approx(z[:, 3])


def test_what_was_learnt_comes_back_wider_and_in_place() -> None:
    z = standard_scores(400)
    taught = assimilate(z, z[:, DIMENSIONS.index("convection")], -1.5, 0.3)
    again = learnt_scores(z, learnt_text(taught, Context()), Context())
    at = DIMENSIONS.index("convection")
    assert again[:, at].mean() == pytest.approx(taught[:, at].mean(), abs=0.01)
    assert taught[:, at].std() < again[:, at].std() < 1
    piece = DIMENSIONS.index("conductivity")
    assert (again[:, piece] == z[:, piece]).all()


@pytest.mark.parametrize("now", [Context(oven_fan="yes"), Context(oven_grade="checked")])
def test_what_was_learnt_of_an_oven_told_otherwise_teaches_nothing(now: Context) -> None:
    """The same score of convection means another coefficient once somebody has told that there is a fan."""
    z = standard_scores(400)
    taught = assimilate(z, z[:, DIMENSIONS.index("convection")], -1.5, 0.3)
    assert (learnt_scores(z, learnt_text(taught, Context()), now) == z).all()
    assert (learnt_scores(z, learnt_text(taught, now), now) != z).any()


def test_weighted_quantiles() -> None:
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([0.25, 0.5, 0.25])
    assert weighted_quantiles(values, weight, (0.25, 0.99)) == [1.0, 3.0]
    assert weighted_quantiles(np.array([1.0, math.inf]), np.array([0.4, 0.6]), (0.9,)) == [math.inf]
