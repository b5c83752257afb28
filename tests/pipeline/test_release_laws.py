"""The table of the laws of release: each a share of gas that only grows, and a flow that belongs to it."""

from __future__ import annotations

import numpy as np
import pytest

from lastbubble.pipeline.release_laws import DRAWS, ENDS_SHARE, GRID_SCALE, Laws, laws


def test_every_draw_is_there_and_their_chances_add_up() -> None:
    table = laws()
    assert len(table.log_prior) == len(table.gas) == sum(DRAWS.values())
    chance = np.exp(table.log_prior)
    assert chance.sum() == pytest.approx(1.0)
    assert chance[table.ends].sum() == pytest.approx(ENDS_SHARE)


def test_gas_only_comes_and_all_of_it_comes() -> None:
    table = laws()
    assert (np.diff(table.gas, axis=1) >= -1e-6).all()
    assert table.gas[:, -1] == pytest.approx(1.0, abs=1e-5)
    assert (table.flow >= 0).all()


def test_the_flow_is_the_slope_of_the_gas() -> None:
    table = laws()
    slope = np.diff(table.gas.astype(float), axis=1) / np.diff(table.x)
    between = 0.5 * (table.flow[:, 1:] + table.flow[:, :-1])
    assert np.abs(slope - between).max() < 0.02 * table.flow.max()


def test_what_ends_has_ended_at_one_and_what_fades_has_not() -> None:
    table = laws()
    after = table.x > 1.01
    assert (table.flow[np.ix_(table.ends, after)] == 0).all()
    assert (table.flow[np.ix_(~table.ends, (table.x > 0.98) & (table.x < 1.02))] > 0).all()


def test_the_largest_flow_ahead_never_grows() -> None:
    table = laws()
    assert (np.diff(table.most_ahead, axis=1) <= 1e-12).all()
    assert (table.most_ahead >= table.flow * (1 - 1e-6)).all()


def test_almost_all_has_come_when_it_says() -> None:
    table = laws()
    for row in range(0, len(table.almost), 17):
        assert np.interp(table.almost[row], table.x, table.gas[row]) == pytest.approx(0.99, abs=1e-4)


def test_a_place_on_the_grid_is_found_again() -> None:
    table = laws()
    x = np.array([0.0, GRID_SCALE, 0.3, 0.999, 1.7])
    index, share = Laws.place(x)
    back = table.x[index] + share * (table.x[index + 1] - table.x[index])
    assert back == pytest.approx(x, abs=1e-6)


def test_the_table_is_always_the_same() -> None:
    first = laws()
    laws.cache_clear()
    again = laws()
    assert (first.gas == again.gas).all()
