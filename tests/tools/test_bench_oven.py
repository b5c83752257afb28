"""The oven's bench: its cases are what they say, its tables can be made, its open records are followed to their end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tools.bench_oven import OPEN, calls_table, dial_session, follow, open_table, without_probe
from tools.oven_cases import Draw, draw, simulate


@pytest.mark.parametrize("number", [0, 1])
def test_a_case_is_the_same_every_time_and_ends_after_its_cure(number: int) -> None:
    drawn = replace(draw(number), plateau_c=112.0, mark_s=draw(number).on_s, period_s=30.0)
    one, two = simulate(drawn, probe=True), simulate(drawn, probe=True)
    assert one.samples == two.samples
    assert one.reached_s is not None
    assert one.complete_s is not None
    assert one.complete_s - one.reached_s >= drawn.hold_s - 5
    assert len(one.core_c) == len(one.samples)
    outcome, _ = follow(one, *without_probe(one))
    table = "\n".join(calls_table("one", [outcome]))
    assert "detected | 100% (1 of 1)" in table


def test_draws_differ_and_stay_in_their_ranges() -> None:
    drawn: list[Draw] = [draw(number) for number in range(60)]
    assert len({(item.told_m, item.stuff, item.h_w_m2k) for item in drawn}) == 60
    assert all(0.008 <= item.told_m <= 0.04 for item in drawn)
    assert any(item.load_s > 0 for item in drawn)
    assert any(item.load_s == 0 for item in drawn)


def test_a_dial_session_has_its_mark_and_settles_at_its_mean() -> None:
    import random

    log = dial_session(random.Random(1), 126.7, 100.0, 90, 3.0)
    assert log[0].marks == ("dial=260F",)
    tail = [sample.oven_c or 0 for sample in log[-400:]]
    assert 96 < sum(tail) / len(tail) < 104


def test_open_records_are_followed_to_their_end() -> None:
    rows = open_table((OPEN[0], OPEN[3]))
    assert sum(row.startswith("| ") for row in rows) == 2 + 1
