"""When the cure will be complete: told anew only when the night has to be planned anew."""

from __future__ import annotations

from lastbubble.outlets.delays import GOES_ON, LATER, CureTimes
from lastbubble.outlets.wording import Message
from lastbubble.records import Caution, Event, Forecast, Record, Stage


def clock(time_s: float) -> str:
    return f"{int(time_s) // 3600:02d}:{int(time_s) // 60 % 60:02d}"


def fed(*records: Record) -> list[Message]:
    times = CureTimes(clock)
    return [message for record in records if (message := times.feed(record)) is not None]


def ends(t: float, p50: float, spread: float = 600.0) -> Forecast:
    return Forecast(t, "cure_complete", p50 - spread, p50, p50 + spread)


REACHED = Event(3600.0, "cure_temperature_reached", since=3590.0)


def test_a_cure_that_goes_as_told_says_nothing() -> None:
    assert fed(REACHED, *(ends(3900.0 + 60 * n, 5400.0 + 9.0 * n) for n in range(60))) == []


def test_before_the_hold_and_in_its_first_minutes_nothing_was_promised() -> None:
    assert fed(ends(1000.0, 9000.0), ends(2000.0, 20000.0)) == []
    assert fed(REACHED, ends(3660.0, 5400.0), ends(3720.0, 15000.0), ends(3960.0, 15000.0)) == []


def test_a_later_end_is_told_once_with_both_times() -> None:
    (told,) = fed(REACHED, ends(3960.0, 5400.0), ends(4800.0, 7300.0), ends(4860.0, 7400.0), ends(4920.0, 7500.0))
    assert (told.key, told.urgency, told.since_s) == (LATER, "notice", 4800.0)
    assert told.action == (
        "It will be complete about 02:01, between 01:51 and 02:11; 01:30 was told before. Leave the oven shut."
    )


def test_within_the_band_or_by_less_than_half_an_hour_is_no_news() -> None:
    assert fed(REACHED, ends(3960.0, 5400.0, 3000.0), ends(4800.0, 8300.0)) == []
    assert fed(REACHED, ends(3960.0, 5400.0, 60.0), ends(4800.0, 7100.0)) == []


def test_each_further_delay_is_measured_from_what_was_told_last() -> None:
    told = fed(REACHED, ends(3960.0, 5400.0), ends(4800.0, 7300.0), ends(5400.0, 9200.0), ends(5460.0, 9300.0))
    assert [message.since_s for message in told] == [4800.0, 5400.0]
    assert "02:01 was told before" in told[1].action


def test_a_hold_that_stood_still_is_told_to_go_on_and_until_when() -> None:
    times = CureTimes(clock)
    stood = Caution(5000.0, "cure_interrupted", "The core has been below.")
    for record in (REACHED, ends(3960.0, 5400.0), stood, ends(5060.0, 20000.0)):
        assert times.feed(record) is None, "while it stands still, an end is a guess"
    assert times.stood_s == 5000.0
    assert times.look(5100.0, 900.0) is None
    assert times.look(8000.0, 950.0) is None, "not yet a whole minute more"
    assert times.feed(ends(9000.0, 11000.0)) is None
    told = times.look(9060.0, 970.0)
    assert told is not None
    assert (told.key, told.urgency, told.since_s) == (GOES_ON, "notice", 9060.0)
    assert told.action == "The cure will be complete about 03:03, between 02:53 and 03:13. Leave the oven shut."
    assert times.look(9120.0, 1030.0) is None, "once"
    assert times.feed(ends(9200.0, 11100.0)) is None
    later = times.feed(ends(9300.0, 15000.0))
    assert later is not None
    assert "03:03 was told before" in later.action


def test_without_a_fresh_forecast_no_end_is_made_up() -> None:
    times = CureTimes(clock)
    for record in (REACHED, ends(3960.0, 5400.0), Caution(5000.0, "cure_interrupted", "Cold.")):
        times.feed(record)
    times.look(5100.0, 900.0)
    told = times.look(9060.0, 990.0)
    assert told is not None
    assert told.action == "Leave the oven shut."


def test_what_is_over_is_forgotten() -> None:
    done = Event(5400.0, "cure_complete", since=5400.0)
    assert fed(REACHED, ends(3960.0, 5400.0), done, ends(5460.0, 9000.0)) == []
    assert fed(REACHED, ends(3960.0, 5400.0), Stage(5000.0, "pump_down"), ends(5460.0, 9000.0)) == []
    assert fed(REACHED, Caution(4000.0, "sensor_oven_open"), Forecast(4100.0, "soak_complete", 1.0, 2.0, 3.0)) == []
