"""The phone's outlet on a scripted far side: what leaves, when, how often; outages, restarts, quiet hours."""

from __future__ import annotations

import inspect
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from lastbubble.context import Context
from lastbubble.desk import ask_desk
from lastbubble.ledger.store import Ledger
from lastbubble.outlets import phone as phone_module
from lastbubble.outlets.phone import Phone, PhoneHealth, PhoneSettings, minute_of_day
from lastbubble.outlets.sender import Answer, Outcome
from lastbubble.records import Caution, Event, Forecast, Outlook, Record, Sample, Stage, Trip
from tests.ledger.conftest import SMALL
from tests.outlets.brokers import wait_for

BEGAN = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
A, B = "json://a.invalid/secret-a", "json://b.invalid/secret-b"


class HandClock:
    """Time that stands until it is put on."""

    def __init__(self) -> None:
        self.now_s = 5000.0
        self.wall = BEGAN

    def now(self) -> float:
        return self.now_s

    def utc(self) -> datetime:
        return self.wall

    def sleep(self, duration_s: float) -> None:
        raise NotImplementedError

    def sleep_until(self, wake_s: float) -> None:
        raise NotImplementedError


class Script:
    """In the place of the sending process: `answers` per address, "sent" where none is given."""

    def __init__(self) -> None:
        self.left: list[tuple[str, str, str]] = []
        self.tried: list[str] = []
        self.answers: dict[str, Outcome] = {}
        self.gate = threading.Event()
        self.gate.set()

    def send(self, url: str, title: str, body: str, _kind: str) -> Answer:
        self.tried.append(url)
        assert self.gate.wait(20)
        outcome = self.answers.get(url, "sent")
        if outcome in ("sent", "unknown"):
            self.left.append((url, title, body))
        return Answer(outcome, "" if outcome == "sent" else "scripted")

    def check(self, url: str) -> Answer:
        outcome = self.answers.get(url, "sent")
        return Answer(
            outcome if outcome in ("bad_url", "missing") else "sent", "" if outcome == "sent" else "no address"
        )

    def rest(self) -> None: ...

    close = rest

    def titles(self, url: str = A) -> list[str]:
        return [title for to, title, _ in self.left if to == url]


class Bench:
    """A ledger, a clock, a script, and the phone's outlet on them."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._path = path
        self._rows = 0.0
        self.clock = HandClock()
        self.script = Script()
        self.healths: list[PhoneHealth] = []
        monkeypatch.setattr(phone_module, "Sender", lambda _: self.script)
        self.ledger = Ledger.open(path, SMALL)
        self.batch = self.ledger.open_batch(Context(), opened_utc=BEGAN, name="maple")
        self.settings = PhoneSettings(urls=(A,), zone=UTC)
        self.phone: Phone | None = None

    def start(self, **more: object) -> Phone:
        if more:
            self.settings = PhoneSettings(**{"urls": (A,), "zone": UTC, **more})  # type: ignore[arg-type]
        self.phone = Phone(self.settings, self.ledger, self.clock, on_health=self.healths.append)
        self.phone.start()
        return self.phone

    def restart(self) -> None:
        assert self.phone is not None
        self.phone.close()
        self.ledger.close()
        self.ledger = Ledger.open(self._path, SMALL)
        self.start()

    def say(self, *records: Record) -> None:
        self._rows += 1e-6
        self.ledger.append(self.batch, Sample(self.at() + self._rows), records)

    def hold(self, held_s: float) -> None:
        """A sample by which so much of the hold is done."""
        self._rows += 1e-6
        at_s = self.at() + self._rows
        self.ledger.append(self.batch, Sample(at_s), (), Outlook(time_s=at_s, stage="curing", held_s=held_s))

    def later(self, seconds: float) -> None:
        """Put time on; a sample without news follows, as from a service."""
        self.clock.now_s += seconds
        self.clock.wall += timedelta(seconds=seconds)
        self.say()

    def at(self) -> float:
        return self.clock.now_s - 5000.0

    def settled(self) -> None:
        """Wait until the outlet has looked at everything, twice."""
        for _ in range(2):
            self.say_nothing()

    def say_nothing(self) -> None:
        assert self.phone is not None
        done = threading.Event()
        real = self.phone._send_due

        def once() -> None:
            real()
            done.set()

        self.phone._send_due = once  # type: ignore[method-assign]
        self.ledger.nudge()
        assert done.wait(20)
        self.phone._send_due = real  # type: ignore[method-assign]

    def close(self) -> None:
        self.script.gate.set()
        if self.phone is not None:
            self.phone.close()
        self.ledger.close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db", monkeypatch)
    yield made
    made.close()


def stopped(bench: Bench) -> Event:
    return Event(bench.at(), "bubbles_stopped", since=bench.at() - 720)


def test_a_notice_leaves_once_on_every_channel(bench: Bench) -> None:
    bench.start(urls=(A, B))
    bench.later(7200)
    bench.say(Stage(bench.at(), "still"), stopped(bench), Forecast(bench.at(), "cure_complete", 1.0, 2.0, 3.0))
    wait_for(lambda: len(bench.script.left) == 2)
    bench.later(3600)
    bench.settled()
    assert bench.script.left == [
        (
            url,
            "Bubbles have stopped",
            "Bubbles stopped at 13:48, twelve minutes ago. Rock the chamber, then vent slowly with the pump running."
            "\n(no. 1)",
        )
        for url in (A, B)
    ]


def test_an_alarm_comes_again_until_it_is_acknowledged(bench: Bench) -> None:
    phone = bench.start()
    bench.later(600)
    bench.say(Caution(bench.at(), "vacuum_lost", "Air is coming in. Look at the lid."))
    wait_for(lambda: len(bench.script.left) == 1)
    for count in (2, 3):
        bench.later(299)
        bench.settled()
        assert len(bench.script.left) == count - 1
        bench.later(1)
        wait_for(lambda count=count: len(bench.script.left) == count)  # type: ignore[misc]
    assert bench.script.titles() == ["Vacuum is being lost", *["Again: Vacuum is being lost"] * 2]
    assert "until it is acknowledged" in bench.script.left[0][2]
    assert "ten minutes ago. Look at the lid." in bench.script.left[-1][2]
    (sounding,) = phone.sounding()
    assert sounding["title"] == "Vacuum is being lost"
    assert phone.acknowledge([99]) == []
    assert phone.acknowledge([int(sounding["notice"])]) == [1]
    assert phone.sounding() == []
    bench.later(7200)
    bench.settled()
    assert len(bench.script.left) == 3
    assert bench.ledger.flush()
    assert bench.ledger.query("SELECT state FROM notices") == [("done",)]


def test_an_alarm_that_nobody_sees_ends_after_half_a_day(bench: Bench) -> None:
    bench.start()
    bench.say(Trip(bench.at(), "over_temperature"))
    wait_for(lambda: len(bench.script.left) == 1)
    sent = 1
    for _ in range(60):
        bench.later(900)
        bench.settled()
    sent = len(bench.script.left)
    assert 45 <= sent <= 49, "every quarter of an hour, for twelve hours"
    bench.later(86400)
    bench.settled()
    assert len(bench.script.left) == sent


def test_an_outage_of_hours_loses_nothing_and_tells_no_old_news(bench: Bench) -> None:
    bench.start()
    bench.script.answers[A] = "failed"
    bench.later(3600)
    bench.say(stopped(bench))
    wait_for(lambda: len(bench.script.tried) == 1)
    bench.later(1800)
    bench.say(Event(bench.at(), "soak_complete", since=bench.at()))
    for _ in range(60):
        bench.later(120)
        bench.settled()
    assert 4 <= len(bench.script.tried) <= 8, "growing pauses"
    assert [health.cause for health in bench.healths] == ["unreachable"]
    assert "secret" not in bench.healths[0].text
    bench.script.answers.clear()
    bench.later(1800)
    bench.say(Event(bench.at(), "cure_complete", since=bench.at()))
    wait_for(lambda: len(bench.script.left) >= 2)
    bench.settled()
    assert bench.script.titles() == ["Earlier at the bench", "The cure is complete"]
    old = bench.script.left[0][2]
    assert old.index("Bubbles stopped") < old.index("The soak was long enough")
    assert "Rock the chamber" not in old, "no advice that came too late"
    assert bench.healths[-1] == PhoneHealth()


def test_an_alarm_does_not_wait_out_the_pause_of_a_notice(bench: Bench) -> None:
    bench.start()
    bench.script.answers[A] = "failed"
    for _ in range(8):
        bench.say(stopped(bench))
        bench.later(900)
        bench.settled()
    bench.script.answers.clear()
    bench.say(Trip(bench.at(), "over_temperature"))
    wait_for(lambda: bench.script.titles()[:1] == ["The oven's heat was cut"])


def test_one_dead_channel_of_two_does_not_double_the_other(bench: Bench) -> None:
    bench.start(urls=(A, B))
    bench.script.answers[B] = "failed"
    bench.say(stopped(bench))
    for _ in range(10):
        bench.later(60)
        bench.settled()
    assert bench.script.titles(A) == ["Bubbles have stopped"]
    bench.script.answers.clear()
    bench.later(1800)
    wait_for(lambda: len(bench.script.titles(B)) == 1)
    assert len(bench.script.titles(A)) == 1


def test_attempts_that_may_have_arrived_are_not_repeated_for_ever(bench: Bench) -> None:
    bench.start()
    bench.script.answers[A] = "unknown"
    bench.say(stopped(bench))
    for _ in range(40):
        bench.later(600)
        bench.settled()
    assert len(bench.script.left) == 3


def test_a_restart_doubles_nothing_and_forgets_nothing(bench: Bench) -> None:
    bench.start(urls=(A, B))
    bench.script.answers[B] = "failed"
    bench.say(stopped(bench))
    wait_for(lambda: len(bench.script.left) == 1 and B in bench.script.tried)
    bench.restart()
    bench.say(Event(bench.at(), "soak_complete", since=bench.at()))
    bench.script.answers.clear()
    wait_for(lambda: len(bench.script.titles(A)) == 2)
    bench.later(300)
    wait_for(lambda: len(bench.script.titles(B)) == 2)
    bench.settled()
    assert bench.script.titles(A) == bench.script.titles(B) == ["Bubbles have stopped", "The soak is over"]


def test_what_was_on_its_way_when_the_power_went_leaves_again(bench: Bench) -> None:
    bench.start()
    bench.script.gate.clear()
    bench.say(stopped(bench))
    wait_for(lambda: len(bench.script.tried) == 1)
    wait_for(lambda: bench.ledger.query("SELECT state FROM deliveries") == [("sending",)], "noted before it leaves")
    again = Phone(bench.settings, bench.ledger, bench.clock)
    (notice,) = again._outbox.open.values()
    (delivery,) = notice.deliveries.values()
    assert (delivery.state, delivery.unknown) == ("waiting", 1)


def test_an_alarm_is_not_sounded_by_a_restart_alone(bench: Bench) -> None:
    bench.start()
    bench.say(Trip(bench.at(), "over_temperature"))
    wait_for(lambda: len(bench.script.left) == 1)
    bench.settled()
    bench.restart()
    bench.settled()
    assert len(bench.script.left) == 1
    bench.later(300)
    wait_for(lambda: len(bench.script.left) == 2)


def test_notices_wait_through_quiet_hours_and_alarms_do_not(bench: Bench) -> None:
    bench.start(quiet_from=minute_of_day("22:00"), quiet_to=minute_of_day("06:30"))
    bench.later(10 * 3600)
    assert bench.clock.wall.hour == 22
    bench.say(stopped(bench))
    bench.later(1200)
    bench.say(Event(bench.at(), "soak_complete", since=bench.at()))
    bench.settled()
    assert bench.script.left == []
    bench.say(Caution(bench.at(), "pump_stopped", "The pump has stopped. Start it again."))
    wait_for(lambda: bench.script.titles() == ["The pump has stopped"])
    assert bench.phone is not None
    bench.phone.acknowledge()
    bench.later(7 * 3600 + 2400)
    bench.settled()
    assert len(bench.script.left) == 1, "05:00"
    bench.later(3600 + 1800)
    wait_for(lambda: len(bench.script.left) == 2, "06:30")
    assert bench.script.titles()[-1] == "Earlier at the bench"
    assert "22:20 on Sunday: The soak was long enough." in bench.script.left[-1][2]


def test_a_flapping_cause_is_told_once_an_hour(bench: Bench) -> None:
    bench.start()
    for _ in range(30):
        bench.later(240)
        bench.say(Caution(bench.at(), "base_pressure_high", "The chamber stands at 3000 Pa. Check the lid."))
        bench.settled()
    wait_for(lambda: len(bench.script.left) == 2)
    bench.settled()
    assert len(bench.script.left) == 2
    for _ in range(3):
        bench.later(1)
        bench.say(Trip(bench.at(), "stale"))
    wait_for(lambda: bench.script.titles().count("The oven's heat was cut") == 3, "trips always")


def test_what_is_taken_back_before_it_left_is_not_told(bench: Bench) -> None:
    bench.start()
    bench.script.answers[A] = "failed"
    bench.say(stopped(bench))
    wait_for(lambda: len(bench.script.tried) == 1)
    bench.later(30)
    bench.say(Stage(bench.at(), "degassing"))
    bench.settled()
    bench.script.answers.clear()
    bench.later(600)
    wait_for(lambda: bench.script.titles() == ["Bubbles are coming again"])
    bench.later(600)
    bench.say(stopped(bench))
    wait_for(lambda: bench.script.titles()[-1] == "Bubbles have stopped")


def cure_ends(bench: Bench, after_s: float) -> Forecast:
    at = bench.at()
    return Forecast(at, "cure_complete", at + after_s - 300, at + after_s, at + after_s + 300)


def test_a_cure_that_takes_longer_is_told_also_over_a_restart(bench: Bench) -> None:
    bench.start()
    bench.say(Event(bench.at(), "cure_temperature_reached", since=bench.at()))
    bench.later(600)
    bench.say(cure_ends(bench, 1800))
    bench.settled()
    bench.restart()
    bench.later(600)
    bench.say(cure_ends(bench, 1200))
    bench.settled()
    assert bench.script.titles() == ["The core is hot enough"], "it goes as it was told"
    bench.later(600)
    bench.say(cure_ends(bench, 4800))
    wait_for(lambda: len(bench.script.left) == 2, "the delay")
    title, body = bench.script.left[-1][1:]
    assert title == "The cure takes longer"
    assert "was told before. Leave the oven shut." in body
    bench.restart()
    bench.later(60)
    bench.say(cure_ends(bench, 4750))
    bench.settled()
    assert len(bench.script.left) == 2, "and once"


def test_a_dip_at_night_waits_and_is_taken_back_when_the_cure_goes_on(bench: Bench) -> None:
    """Nobody is woken for a hold that stands still, and nobody reads in the morning of one that went on by itself."""
    clock = bench.clock.wall
    minute = clock.hour * 60 + clock.minute
    bench.start(quiet_from=minute, quiet_to=(minute + 120) % 1440)
    bench.say(Event(bench.at(), "cure_temperature_reached", since=bench.at()))
    bench.later(600)
    bench.say(cure_ends(bench, 1800))
    bench.say(Caution(bench.at(), "cure_interrupted", "The core has been below 91 degC for ten minutes. Look."))
    bench.settled()
    assert bench.script.left == []
    bench.hold(600.0)
    bench.settled()
    bench.restart()
    bench.hold(600.0)
    bench.settled()
    bench.later(1200)
    bench.say(cure_ends(bench, 1800))
    bench.hold(700.0)
    bench.settled()
    bench.restart()
    bench.hold(700.0)
    bench.settled()
    bench.hold(800.0)
    bench.settled()
    bench.restart()
    bench.hold(800.0)
    bench.settled()
    bench.hold(900.0)
    bench.settled()
    bench.later(7200)
    bench.settled()
    wait_for(lambda: bool(bench.script.left), "the morning's message")
    told = "\n".join(body for _, _, body in bench.script.left)
    assert told.count("The hold went on") == 1
    assert "below" not in told


def test_bad_addresses_and_a_missing_library_are_told_at_once(bench: Bench) -> None:
    bench.script.answers[B] = "bad_url"
    bench.start(urls=(A, B))
    wait_for(lambda: [health.cause for health in bench.healths] == ["bad_url"])
    assert bench.healths[0].text.startswith("channel 2 (json): no address; mend phone.urls")
    bench.say(stopped(bench))
    wait_for(lambda: bench.script.titles(A) == ["Bubbles have stopped"])
    assert B not in bench.script.tried


def test_others_may_tell_too_and_the_same_only_once(bench: Bench) -> None:
    phone = bench.start()
    for _ in range(3):
        phone.tell("ledger 2026-03-01", "The card is full", "The card is full", "Delete old files.")
    wait_for(lambda: len(bench.script.left) == 1)
    bench.settled()
    assert bench.script.left[0][2].startswith("The card is full at 12:00, just now. Delete old files.")
    assert len(bench.script.left) == 1


def test_a_test_message_goes_past_everything(bench: Bench) -> None:
    phone = bench.start(urls=(A, B), quiet_from=0, quiet_to=1439)
    bench.script.answers[B] = "failed"
    assert phone.test() == [
        {"channel": "channel 1 (json)", "outcome": "sent", "why": ""},
        {"channel": "channel 2 (json)", "outcome": "failed", "why": "scripted"},
    ]
    assert bench.script.titles() == ["Test from the bench"]


def test_silent_far_sides_hold_a_test_message_up_together_not_one_after_the_other(bench: Bench) -> None:
    """Both are being tried at once: neither waits for the other's end."""
    phone = bench.start(urls=(A, B))
    bench.script.gate.clear()
    told: list[list[dict[str, str]]] = []
    asking = threading.Thread(target=lambda: told.append(phone.test()))
    asking.start()
    wait_for(lambda: set(bench.script.tried) == {A, B}, "both are tried while neither has answered")
    bench.script.gate.set()
    asking.join(20)
    assert [one["channel"] for one in told[0]] == ["channel 1 (json)", "channel 2 (json)"]


def test_a_test_message_ends_before_its_asker_gives_up() -> None:
    patience_s = inspect.signature(ask_desk).parameters["timeout_s"].default
    assert patience_s > phone_module._TEST_S + 5, "with the time that a sending process takes to start"


def test_of_two_alarms_the_higher_goes_first(bench: Bench) -> None:
    bench.start()
    bench.script.gate.clear()
    bench.say(stopped(bench))
    wait_for(lambda: len(bench.script.tried) == 1, "the channel is busy")
    bench.say(Caution(bench.at(), "vacuum_lost", "Air is coming in. Look at the lid."))
    bench.say(Caution(bench.at(), "pump_stopped", "The pump has stopped. Let air in now."))
    bench.script.gate.set()
    wait_for(lambda: len(bench.script.left) == 3)
    assert bench.script.titles() == ["Bubbles have stopped", "The pump has stopped", "Vacuum is being lost"]


def test_what_was_before_the_phone_is_no_news(bench: Bench) -> None:
    bench.say(stopped(bench))
    bench.start()
    bench.later(10)
    bench.say(Event(bench.at(), "soak_complete", since=bench.at()))
    wait_for(lambda: bench.script.titles() == ["The soak is over"])


def test_a_fault_inside_does_not_end_the_outlet(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = iter([ValueError("first"), OSError("second")])
    real: Callable[..., object] = phone_module.message_of

    def sometimes(*args: object, **more: object) -> object:
        for fault in faults:
            raise fault
        return real(*args, **more)

    monkeypatch.setattr(phone_module, "message_of", sometimes)
    monkeypatch.setattr(phone_module, "_STUMBLE_S", 0.01)
    bench.start()
    bench.say(stopped(bench))
    wait_for(lambda: bench.script.titles() == ["Bubbles have stopped"])
    assert [health.cause for health in bench.healths] == ["error", ""]


@pytest.mark.parametrize("text", ["", "24:00", "12:60", "7", "7:xx", "-1:00", "22.30"])
def test_a_time_of_day_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no time of day"):
        minute_of_day(text)
