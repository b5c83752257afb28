"""Curves on their way to a chart: extremes stay, gaps stay gaps, two batches meet at their pump-downs."""

from __future__ import annotations

import pytest

from lastbubble.outlets.page.compare import moments, pump_down_of, render_compare
from lastbubble.outlets.page.curves import chart_rows, joined, overlay_rows
from lastbubble.outlets.page.view import bands, texts
from lastbubble.units import Display

GAPPED = [(0.0, 10.0), (10.0, 20.0), (15.0, None), (20.0, 40.0), (30.0, 0.0)]


def test_between_its_points_a_curve_is_straight_and_a_gap_stays_one() -> None:
    assert joined(GAPPED, [-1, 0, 5, 10, 12, 15, 18, 20, 25, 30, 31]) == [
        None, 10.0, 15.0, 20.0, None, None, None, 40.0, 20.0, 0.0, None,
    ]  # fmt: skip
    assert joined([], [0.0, 1.0]) == [None, None]


def test_a_curve_with_times_of_its_own_does_not_break_the_other() -> None:
    """Oven and core are thinned each at its own times: every row has both, and each keeps its peak."""
    oven = [(0.0, 20.0), (100.0, 140.0), (200.0, 90.0)]
    core = [(0.0, 20.0), (150.0, 95.5), (200.0, 60.0)]
    rows = chart_rows({"oven_c": oven, "core_c": core, "core_low_c": core, "core_high_c": core}, Display())[
        "temperature"
    ]
    assert [row[0] for row in rows] == [0.0, round(100 / 3600, 5), round(150 / 3600, 5), round(200 / 3600, 5)]
    assert all(None not in cell for row in rows for cell in row[1:])
    assert max(row[1][1] for row in rows) == 140.0
    assert max(row[2][1] for row in rows) == 95.5


def test_a_core_without_a_band_is_drawn_all_the_same() -> None:
    rows = chart_rows({"oven_c": [], "core_c": [(0.0, 0.0), (60.0, 50.0)]}, Display())["temperature"]
    assert [row[2] for row in rows] == [[0.0, 0.0, 0.0], [50.0, 50.0, 50.0]]


def test_what_a_chart_shows_is_said_for_whom_it_is_read_out() -> None:
    told = chart_rows({"chamber_pa": [(0.0, 99000.0), (3600.0, 250.0), (7200.0, 300.0)]}, Display())
    assert told["pressure_said"] == "Chamber pressure. chamber: 2.50 mbar to 990 mbar over 2.0 h, last 3.00 mbar."
    assert told["temperature_said"] == "Temperature. oven air: no readings; core: no readings."


def test_two_batches_lie_over_each_other_from_their_pump_downs() -> None:
    first = ("batch 1", {"chamber_pa": [(-60.0, 99000.0), (0.0, 98000.0), (3600.0, 300.0)]})
    second = ("batch 2", {"chamber_pa": [(0.0, 97000.0), (1800.0, 400.0)]})
    told = overlay_rows(first, second, Display(pressure="Pa"))
    assert told["pressure_names"] == ["batch 1", "batch 2"]
    at_zero = next(row for row in told["pressure"] if row[0] == 0)
    assert at_zero == [0.0, 98000.0, 97000.0]
    assert told["pressure"][-1] == [1.0, 300.0, None], "the shorter one ends where it ends"
    assert overlay_rows(first, first, Display())["pressure_names"] == ["batch 1", "batch 1 again"]


STORY = [
    {"t": 0.0, "kind": "stage", "stage": "idle"},
    {"t": 130.0, "kind": "stage", "stage": "pump_down", "since": 100.0},
    {"t": 5000.0, "kind": "event", "name": "bubbles_stopped", "since": 4100.0},
    {"t": 6000.0, "kind": "stage", "stage": "degassing"},
    {"t": 9000.0, "kind": "event", "name": "bubbles_stopped", "since": 8100.0},
    {"t": 9100.0, "kind": "stage", "stage": "pump_down"},
]


def test_moments_are_counted_from_the_first_pump_down_and_the_last_call_counts() -> None:
    assert pump_down_of(STORY) == 100.0
    told = moments(STORY)
    assert told["bubbles_stopped"] == 8000.0
    assert told["pump_down"] == 0.0
    assert pump_down_of([]) is None


def test_the_table_says_which_came_later() -> None:
    other = [{**record, "since": record.get("since", record["t"]) + (1800.0 if record["kind"] == "event" else 0.0)}
             for record in STORY]  # fmt: skip
    rows = [{"id": 2, "name": "b"}, {"id": 1, "name": "<i>a"}]
    both = [{"id": 1, "name": "<i>a", "story": STORY}, {"id": 2, "name": "b", "story": other}]
    page = render_compare("bench", rows, both, charts=True)
    assert "30 min later" in page
    assert "2 h 13 min" in page
    assert "<i>" not in page
    assert "No batch yet" in render_compare("bench", [], [], charts=True)


@pytest.mark.parametrize(
    ("p10", "p50", "p90", "low", "between"),
    [(2000.0, 4000.0, 6000.0, 20.0, "between"), (500.0, 800.0, 6000.0, 0.0, "any moment, by")],
)
def test_a_band_runs_from_now_to_the_latest_end(p10: float, p50: float, p90: float, low: float, between: str) -> None:
    snapshot = {
        "time_s": 1000.0,
        "utc": "2026-03-14T10:00:00Z",
        "forecasts": [{"target": "bubbles_stopped", "p10": p10, "p50": p50, "p90": p90}],
    }
    (told,) = bands(snapshot)
    assert float(told["low"]) == low
    assert float(told["high"]) == 100.0
    assert told["between"].startswith(between)
    assert bands({**snapshot, "time_s": 7000.0}) == [], "what lies behind is no forecast"


def test_an_old_sample_is_said_to_be_old() -> None:
    assert texts({"sample_age_s": 4.0}, Display())["age"] == ""
    assert texts({"sample_age_s": 44.0}, Display())["age"] == "The station has taken no sample for 44 s"


def test_the_next_thing_has_its_time_of_day_and_says_when_it_is_late() -> None:
    snapshot = {"utc": "2026-03-14T10:00:00Z", "time_s": 5000.0, "next_action": "Drain the resin."}
    assert "in 25 min" in texts({**snapshot, "next_at_s": 6500.0}, Display())["when"]
    assert texts({**snapshot, "next_at_s": 6500.0}, Display())["when"].startswith("at ")
    assert texts({**snapshot, "next_at_s": 3500.0}, Display())["when"].startswith("since ")
    assert texts(snapshot, Display())["when"] == ""
