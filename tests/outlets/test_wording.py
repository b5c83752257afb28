"""Sentences for the phone: what, when, how long ago, what to do; in the station's units."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from lastbubble.outlets.wording import MESSAGES, Message, ago, clock_time, in_units, message_of, sentence, summary
from lastbubble.records import CAUTION_CAUSES, EVENT_NAMES, STAGES, Caution, Event, Forecast, Stage, Trip
from lastbubble.units import Display

NOW = datetime(2026, 3, 1, 14, 44, tzinfo=UTC)


def test_the_sentence_of_the_design() -> None:
    message = message_of(Event(7200.0, "bubbles_stopped", since=6480.0))
    assert message is not None
    assert sentence(message, 720.0, NOW, UTC) == (
        "Bubbles stopped at 14:32, twelve minutes ago. Rock the chamber, then vent slowly with the pump running."
    )
    assert (message.urgency, message.since_s) == ("notice", 6480.0)


@pytest.mark.parametrize(
    ("age_s", "words"),
    [
        (0, "just now"),
        (89, "just now"),
        (90, "two minutes ago"),
        (720, "twelve minutes ago"),
        (13 * 60, "13 minutes ago"),
        (59 * 60, "59 minutes ago"),
        (3590, "one hour ago"),
        (5400, "one and a half hours ago"),
        (7300, "two hours ago"),
        (14 * 3600 + 1800, "14 and a half hours ago"),
        (24 * 3600, "one day ago"),
        (50 * 3600, "two days ago"),
    ],
)
def test_ages_are_told_in_words(age_s: float, words: str) -> None:
    assert ago(age_s) == words


def test_times_are_the_stations_and_name_another_day() -> None:
    zone = ZoneInfo("America/Denver")
    assert clock_time(NOW, NOW, zone) == "07:44"
    assert clock_time(NOW - timedelta(hours=9), NOW, zone) == "22:44 on Saturday"


def test_advice_that_may_no_longer_fit_is_left_out_but_for_alarms() -> None:
    notice = message_of(Event(0.0, "bubbles_stopped", since=0.0))
    alarm = message_of(
        Caution(0.0, "vacuum_lost", "Air is coming into the chamber: look at the lid. Then at the hose.")
    )
    assert notice is not None
    assert alarm is not None
    assert sentence(notice, 7200.0, NOW, UTC) == (
        "Bubbles stopped at 12:44, two hours ago. Look at the page for what is to be done now."
    )
    assert sentence(alarm, 7200.0, NOW, UTC) == (
        "Air is coming into the chamber: look at the lid at 12:44, two hours ago. Then at the hose."
    )


def test_a_trip_tells_to_pull_the_plug_where_the_relay_is_in_doubt() -> None:
    plain = message_of(Trip(0.0, "over_temperature"))
    doubt = message_of(Trip(0.0, "heat_after_cut"))
    assert plain is not None
    assert doubt is not None
    assert plain.fact == "The guard cut the oven's heat (over temperature)"
    assert plain.action == "Look at the oven; it is reset at the bench only."
    assert doubt.action.startswith("Pull the oven's plug first")
    assert {plain.urgency, doubt.urgency, plain.priority} == {"alarm", "high"}


def test_bubbles_that_come_again_are_told_only_after_they_had_stopped() -> None:
    again = Stage(900.0, "degassing", since=880.0)
    assert message_of(again) is None
    message = message_of(again, stopped_before=True)
    assert message is not None
    assert (message.fact, message.since_s) == ("Bubbles came again", 880.0)


def test_every_record_has_a_decision() -> None:
    told = {key for key in MESSAGES if key.startswith("event ")}
    assert told == {f"event {name}" for name in EVENT_NAMES}
    assert [stage for stage in STAGES if message_of(Stage(0.0, stage))] == ["finished"]
    assert message_of(Forecast(0.0, "cure_complete", 1.0, 2.0, 3.0)) is None
    for cause in (*CAUTION_CAUSES[:-1], "sensor_oven_open", "sensor_chamber_silent", "of_a_later_version"):
        message = message_of(Caution(5.0, cause))
        assert message is not None
        assert message.title
        assert message.fact
    assert {cause for cause in CAUTION_CAUSES if message_of(Caution(0.0, cause)).urgency == "alarm"} == {  # type: ignore[union-attr]
        "pump_stopped", "vent_before_pump_off", "vacuum_lost", "core_will_not_reach",
        "oven_runs_hotter",
    }  # fmt: skip
    assert message_of(Caution(0.0, "sensor_oven_open")).urgency == "alarm"  # type: ignore[union-attr]
    assert message_of(Caution(0.0, "sensor_witness_open")).urgency == "notice"  # type: ignore[union-attr]


def test_the_pipelines_own_text_is_finding_and_mend() -> None:
    text = (
        "The air averages 88 degC and the core will settle near 84 degC. "
        "Turn the dial up until the air averages 99 degC."
    )
    message = message_of(Caution(60.0, "core_will_not_reach", text))
    assert message is not None
    assert message.fact == "The air averages 88 degC and the core will settle near 84 degC"
    assert message.action == "Turn the dial up until the air averages 99 degC."


def test_several_are_one_text_oldest_first() -> None:
    rows = [
        (Message("a", "notice", "low", "", "The soak was long enough"), 3600.0),
        (Message("b", "notice", "low", "", "Bubbles stopped"), 7920.0),
    ]
    assert summary(rows, NOW, UTC) == (
        "Meanwhile at the bench:\n12:32: Bubbles stopped.\n13:44: The soak was long enough.\n"
        "Look at the page for what is to be done now."
    )


def test_numbers_are_in_the_stations_units() -> None:
    """93 degC = 199.4 degF; 3000 Pa below 101325 Pa = 98325 / 3386.389 = 29.04 inHg (shared/reference)."""
    imperial = Display("degF", "inHg vacuum", 101325.0)
    assert in_units("near 93 degC, below 93.5 °C.", imperial) == "near 199 °F, below 200.3 °F."
    assert (
        in_units("the chamber stands at 3000 Pa. Check", imperial) == "the chamber stands at 29.04 inHg vacuum. Check"
    )
    assert in_units("faster than 2 kPa a second; steps of 300 Pa; fit a 0-10 kPa gauge", imperial) == (
        "faster than 2 kPa a second; steps of 300 Pa; fit a 0-10 kPa gauge"
    ), "steps and rates have no depth"
    assert in_units("near 93 degC", Display()) == "near 93 °C"


def test_an_alarm_asks_for_somebody_soon_and_a_notice_does_not() -> None:
    """IEC 62682: an alarm needs a timely action of a person; what needs none is an event, and has no priority."""
    for key, row in MESSAGES.items():
        if row.urgency == "alarm":
            assert row.priority in ("high", "medium"), key
        else:
            assert row.priority == "low", key
    high = {key for key, row in MESSAGES.items() if row.priority == "high"}
    assert high == {"warning pump_stopped", "warning vent_before_pump_off", "trip"}, "where minutes count"
    for cause in ("over_temperature", "stale", "relay_pin"):
        told = message_of(Trip(5.0, cause))
        assert told is not None
        assert told.action, "an alarm without something to do is none"


def test_a_complete_cure_does_not_ask_for_what_the_station_does_itself() -> None:
    told = message_of(Event(5.0, "cure_complete", since=4.0))
    assert told is not None
    assert "Withhold" not in told.action
    assert "see that the heat is off" in told.action
