"""Who keeps the isolation valve: shut whenever no running pump is known, open and shut as the schedule says."""

from __future__ import annotations

from gpiozero.pins.mock import MockFactory
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.pipeline.isolation_schedule import ScheduleSettings
from lastbubble.sensing.isolation_valve import IsolationValve
from lastbubble.valve_keeper import AWAY_S, ValveKeeper


def kept() -> tuple[ValveKeeper, IsolationValve]:
    valve = IsolationValve(23, MockFactory())
    return ValveKeeper(ScheduleSettings(), valve), valve


def test_it_opens_for_a_pump_that_is_told_and_isolates_now_and_then() -> None:
    keeper, valve = kept()
    assert keeper.step(0.0, (), degassing=False, chamber_pa=1e5, fine_gauge=True) is None
    assert not valve.open
    assert keeper.step(1.0, ("pump_on",), degassing=False, chamber_pa=1e5, fine_gauge=True) is False
    assert valve.open
    column = [keeper.step(2.0 + t, (), degassing=True, chamber_pa=30.0, fine_gauge=True) for t in range(4000)]
    starts = [t for t in range(1, 4000) if column[t] and not column[t - 1]]
    assert starts == [900, 1800, 2700, 3600]
    assert sum(1 for one in column[:1800] if one) == 120
    assert keeper.step(4100.0, ("pump_off",), degassing=True, chamber_pa=30.0, fine_gauge=True) is None
    assert not valve.open
    assert keeper.reason == "pump off"


def test_after_a_restart_the_batch_s_own_marks_count_but_not_after_a_long_time_away() -> None:
    for away_s, is_open in ((AWAY_S, True), (AWAY_S + 1, False)):
        keeper, valve = kept()
        keeper.hear(("vent_shut", "pump_on"))
        keeper.back_after(away_s)
        keeper.step(5000.0, (), degassing=True, chamber_pa=30.0, fine_gauge=False)
        assert valve.open is is_open


@given(
    st.lists(
        st.tuples(
            st.floats(0.1, 600.0),
            st.lists(st.sampled_from(["pump_on", "pump_off", "rocked", "isolated"]), max_size=2),
            st.booleans(),
            st.none() | st.floats(0.0, 1e5),
            st.booleans(),
        ),
        max_size=80,
    )
)
def test_open_means_that_the_last_word_on_the_pump_was_that_it_runs(
    steps: list[tuple[float, list[str], bool, float | None, bool]],
) -> None:
    keeper, valve = kept()
    time_s, last = 0.0, ""
    for gap_s, marks, degassing, chamber_pa, fine in steps:
        time_s += gap_s
        last = next((mark for mark in reversed(marks) if mark.startswith("pump_")), last)
        column = keeper.step(time_s, marks, degassing=degassing, chamber_pa=chamber_pa, fine_gauge=fine)
        assert not valve.open or last == "pump_on"
        assert column is (None if last != "pump_on" else not valve.open)
    keeper.close()
