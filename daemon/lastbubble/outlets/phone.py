"""The phone's outlet: what a person away from the bench is told, at least once, and never as news when it is none.

One thread reads the record stream by a stored cursor, notes what is worth a message in the outbox, and sends what is
due on each channel. A channel that fails is left alone for growing times. What could not be told for long is merged
into one message. Notices wait through quiet hours; alarms never do, and come again until somebody acknowledges them.
The lamp and the buzzer at the bench are the alarm; the phone is comfort.

Durations are bench time (monotonic); the wall clock only labels and decides about quiet hours.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import timedelta, tzinfo
from typing import Any, Final

from lastbubble.clock import Clock, RealClock
from lastbubble.ledger.rows import utc_text
from lastbubble.ledger.store import Ledger, StoredRecord
from lastbubble.outlets.delays import GOES_ON, LATER, CureTimes
from lastbubble.outlets.outbox import Delivery, Notice, Outbox
from lastbubble.outlets.sender import Answer, Kind, Sender
from lastbubble.outlets.wording import Message, Priority, Urgency, in_units, message_of, sentence, summary
from lastbubble.records import Event, Stage
from lastbubble.units import Display

__all__ = ["Phone", "PhoneHealth", "PhoneSettings", "minute_of_day"]

log = logging.getLogger("lastbubble.phone")

OUTLET: Final = "phone"
#: A matter of the same key is told again only after this [s].
_FLOOR_S: Final = {"warning": 3600.0, "event": 600.0, "stage": 600.0, "trip": 0.0, "forecast": 1800.0}
#: A channel that failed is left alone, by the number of failures in a row: with an alarm waiting, and without [s].
_ALARM_WAITS_S: Final = (20.0, 60.0, 120.0, 300.0)
_NOTICE_WAITS_S: Final = (60.0, 300.0, 1800.0)
#: An attempt of unknown outcome may have arrived; more than this many would only repeat it.
_UNKNOWN_TRIES: Final = 3
#: Real time that a test message may take: all channels at once, and less than who asks for it waits [s].
_TEST_S: Final = 12.0
#: Real time after which an idle sending process is let go [s].
_IDLE_S: Final = 60.0
#: Real time between two tries after a fault of our own [s].
_STUMBLE_S: Final = 1.0
#: What makes an earlier matter that is still waiting pointless.
_TAKES_BACK: Final[Mapping[str, tuple[str, ...]]] = {
    "stage degassing again": ("event bubbles_stopped",),
    "event bubbles_stopped": ("stage degassing again",),
    GOES_ON: ("warning cure_interrupted", LATER),
    LATER: (LATER, GOES_ON),
    "warning cure_interrupted": (GOES_ON,),
    "event cure_complete": ("warning cure_interrupted", LATER, GOES_ON),
}
_ORDER: Final = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class PhoneSettings:
    """urls : addresses of the notification library, each a channel of its own
    quiet_from, quiet_to : minutes of the local day between which notices wait, None = never
    repeat_s, repeat_late_s, late_s : an alarm comes again so often, and so often after `late_s`  [s]
    stale_s : notices older than this are merged;  give_up_s : and given up after this  [s]
    limit_s : real time that one sending may take [s];  zone : None = the machine's
    """

    urls: tuple[str, ...] = ()
    quiet_from: int | None = None
    quiet_to: int | None = None
    repeat_s: float = 300.0
    repeat_late_s: float = 900.0
    late_s: float = 3600.0
    stale_s: float = 1800.0
    give_up_s: float = 43200.0
    limit_s: float = 30.0
    zone: tzinfo | None = None


@dataclass(frozen=True, slots=True)
class PhoneHealth:
    """cause : "" = well, else unreachable | bad_url | missing | error;  text : for the person, with the mend"""

    cause: str = ""
    text: str = ""

    @property
    def well(self) -> bool:
        return self.cause == ""


def minute_of_day(text: str) -> int:
    """Minutes since midnight of "22:30". Raises ValueError for another text."""
    hours, _, minutes = text.partition(":")
    if not (hours.isdecimal() and minutes.isdecimal() and int(hours) < 24 and int(minutes) < 60):
        raise ValueError(f"{text!r} is no time of day; allowed: 00:00 to 23:59")
    return int(hours) * 60 + int(minutes)


@dataclass(slots=True)
class _Channel:
    name: str
    url: str
    label: str
    failures: int = 0
    due_s: float = 0.0
    dead: str = ""
    why: str = ""


def _channel(number: int, url: str) -> _Channel:
    # The name in the ledger must not give the secret away, and must not change with the order of the settings.
    name = hashlib.sha256(url.encode()).hexdigest()[:16]
    return _Channel(name, url, f"channel {number} ({url.partition('://')[0]})")


class Phone:
    """`start()`, and `close()` at the end; all other methods may be called from any thread.

    display : the station's units;  on_health : told every change, from the outlet's thread
    """

    def __init__(
        self,
        settings: PhoneSettings,
        ledger: Ledger,
        clock: Clock,
        display: Display | None = None,
        *,
        on_health: Callable[[PhoneHealth], None] | None = None,
    ) -> None:
        self._settings = settings
        self._ledger = ledger
        self._clock = clock
        self._display = display or Display()
        self._on_health = on_health
        self._health = PhoneHealth()
        self._channels = [_channel(number, url) for number, url in enumerate(settings.urls, 1)]
        self._lock = threading.RLock()
        self._outbox = Outbox(ledger)
        self._sender = Sender(settings.limit_s)
        self._real = RealClock()
        self._sent_at_s: float | None = None
        self._told_t: dict[tuple[int, str], float] = {}
        self._stopped: dict[int, bool] = {}
        self._times: dict[int, CureTimes] = {}
        self._pointless: set[int] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="phone", daemon=True)
        now_s = clock.now()
        for notice in self._outbox.open.values():
            for delivery in notice.deliveries.values():
                if delivery.state == "sent":
                    delivery.due_s = now_s + settings.repeat_s  # a restart alone is no reason to sound again

    @property
    def health(self) -> PhoneHealth:
        return self._health

    def start(self) -> None:
        if self._ledger.cursor(OUTLET) == 0:
            self._ledger.set_cursor(OUTLET, self._ledger.last_seq())  # what was before the phone is no news
        self._thread.start()

    def close(self, drain_s: float = 2.0) -> None:
        """Note what is left to note; what is left to send is sent by the next start."""
        self._stop.set()
        self._ledger.nudge()
        if self._thread.ident is not None:
            self._thread.join(drain_s + self._settings.limit_s)
        self._sender.close()

    # -- asked by others -----------------------------------------------------------------------------------------

    def acknowledge(self, notices: Collection[int] | None = None) -> list[int]:
        """These alarms (None: every one) have been seen; returns the numbers of those that now fall silent."""
        now = utc_text(self._clock.utc())
        with self._lock:
            chosen = [
                one for one in self._outbox.open.values() if one.sounding and (notices is None or one.id in notices)
            ]
            for one in chosen:
                one.acknowledged_utc = now
                for delivery in one.deliveries.values():
                    if delivery.state == "waiting":
                        self._give_up(one, delivery, "acknowledged before it left")
                self._outbox.keep(one)
        return [one.id for one in chosen]

    def sounding(self) -> list[dict[str, Any]]:
        """The alarms that nobody has acknowledged, oldest first: number, title, text as of now."""
        with self._lock:
            return [
                {"notice": one.id, "title": one.message.title, "text": self._text(one)}
                for one in self._outbox.open.values()
                if one.sounding
            ]

    def tell(
        self,
        key: str,
        title: str,
        fact: str,
        action: str = "",
        *,
        urgency: Urgency = "notice",
        priority: Priority = "low",
    ) -> int | None:
        """A matter that no record tells (the broker, the card); the same `key` is told once. Returns its number."""
        with self._lock:
            message = Message(key, urgency, priority, title, fact, action)
            added = self._outbox.add(f"told:{key}", 0, message, self._clock.utc(), self._names())
            return None if added is None else added.id

    def test(self) -> list[dict[str, str]]:
        """Send a test message on every channel now, past outbox and quiet hours; the outcome of each, in their order.

        All at once, each in a process of its own: a far side that is silent holds up neither the others nor the asker.
        """
        text = "This is a test: messages from the bench arrive here."

        def one(channel: _Channel) -> dict[str, str]:
            sender = Sender(min(self._settings.limit_s, _TEST_S))
            try:
                answer = sender.send(channel.url, "Test from the bench", text, "info")
            finally:
                sender.close()
            return {"channel": channel.label, "outcome": answer.outcome, "why": answer.why}

        if not self._channels:
            return []
        with ThreadPoolExecutor(len(self._channels), thread_name_prefix="phone-test") as pool:
            return list(pool.map(one, self._channels))

    # -- the thread --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        self._check_channels()
        seen = -1
        while not self._stop.is_set():
            try:
                with self._lock:
                    self._take_records()
                    self._look_at_the_hold()
                self._send_due()
            except Exception as exc:  # a card, a clock, a broken row: the next round may do better
                log.exception("event=phone_error")
                self._tell_health("error", f"the phone's outlet stumbled ({exc}); it goes on")
                self._stop.wait(_STUMBLE_S)
            if self._sent_at_s is not None and self._real.now() - self._sent_at_s > _IDLE_S:
                self._sender.rest()
                self._sent_at_s = None
            seen = self._ledger.wait_for_news(seen, 0.5)
        with self._lock:
            self._take_records()

    def _check_channels(self) -> None:
        for channel in self._channels:
            if self._stop.is_set():
                return
            self._judge(channel, self._sender.check(channel.url))
        self._sent_at_s = self._real.now()

    def _names(self) -> list[str]:
        return [channel.name for channel in self._channels if not channel.dead]

    # -- taking in ---------------------------------------------------------------------------------------------

    def _take_records(self) -> None:
        place = self._ledger.cursor(OUTLET)
        while found := self._ledger.records_after(place):
            for stored in found:
                self._take(stored)
                place = stored.seq
            self._ledger.set_cursor(OUTLET, place)

    def _take(self, stored: StoredRecord) -> None:
        record = stored.record
        stopped = self._stopped_before(stored)
        message = self._times_of(stored.batch, stored.seq).feed(record) or message_of(record, stopped_before=stopped)
        self._stopped[stored.batch] = _still(record, stopped)
        if message is None:
            return
        floor_s = _FLOOR_S[message.key.partition(" ")[0]]
        told_t = self._told_t.get((stored.batch, message.key))
        if told_t is not None and record.t - told_t < floor_s:
            log.info("event=phone_not_repeated key=%r t=%s", message.key, record.t)
            return
        self._told_t[stored.batch, message.key] = record.t
        message = replace(
            message, fact=in_units(message.fact, self._display), action=in_units(message.action, self._display)
        )
        self._take_back(stored.batch, _TAKES_BACK.get(message.key, ()))
        happened = self._ledger.batch(stored.batch).opened_utc + timedelta(seconds=message.since_s)
        self._outbox.add(f"record:{stored.seq}", stored.batch, message, happened, self._names())

    def _stopped_before(self, stored: StoredRecord) -> bool:
        if stored.batch not in self._stopped:
            stopped = False
            for earlier in self._ledger.records(stored.batch):
                if earlier.seq >= stored.seq:
                    break
                stopped = _still(earlier.record, stopped)
            self._stopped = {stored.batch: stopped}
        return self._stopped[stored.batch]

    def _look_at_the_hold(self) -> None:
        """Whether a hold that stood still adds up again: no record says so, the latest outlook does."""
        latest = self._ledger.latest
        if latest is None or latest[2] is None:
            return
        batch, _, outlook = latest
        # Up to what was taken in: what comes after is fed as it is taken.
        times = self._times_of(batch, self._ledger.cursor(OUTLET) + 1)
        if outlook is None or times.stood_s is None:
            return
        stood_s = times.stood_s
        message = times.look(outlook.time_s, outlook.held_s)
        if message is not None:
            self._take_back(batch, _TAKES_BACK[message.key])
            happened = self._ledger.batch(batch).opened_utc + timedelta(seconds=message.since_s)
            # Named after the standstill, so that a restart tells it once too.
            self._outbox.add(f"goes_on:{batch}:{stood_s}", batch, message, happened, self._names())

    def _times_of(self, batch: int, before: int) -> CureTimes:
        """What the batch's cure was told to take; after a restart it is found again from what was said before."""
        if batch not in self._times:
            opened, zone = self._ledger.batch(batch).opened_utc, self._settings.zone

            def clock(time_s: float) -> str:
                return f"{(opened + timedelta(seconds=time_s)).astimezone(zone):%H:%M}"

            times = CureTimes(clock)
            for earlier in self._ledger.records(batch):
                if earlier.seq >= before:
                    break
                times.feed(earlier.record)
            self._times = {batch: times}
        return self._times[batch]

    def _take_back(self, batch: int, keys: Collection[str]) -> None:
        for notice in self._outbox.open.values():
            if notice.batch == batch and notice.message.key in keys:
                self._pointless.add(notice.id)

    # -- sending -------------------------------------------------------------------------------------------------

    def _send_due(self) -> None:
        for channel in self._channels:
            while not self._stop.is_set():
                with self._lock:
                    due = self._next(channel)
                    if due is None:
                        break
                    title, body, kind = self._letter(due, channel)
                    self._mark(due, channel, "sending")
                # The mark must be on the card before anything leaves; a sick card must not keep an alarm in.
                self._noted()
                answer = self._sender.send(channel.url, title, body, kind)
                self._sent_at_s = self._real.now()
                with self._lock:
                    self._settle(channel, due, answer)
                self._noted()

    def _noted(self) -> None:
        if self._ledger.health.well:
            self._ledger.flush(2.0)

    def _next(self, channel: _Channel) -> list[Notice] | None:
        """What is to be sent now as one message: an alarm, a fresh notice, or all stale notices together."""
        now_s = self._clock.now()
        waiting = [one for one in list(self._outbox.open.values()) if self._is_due(one, channel, now_s)]
        alarms = sorted(
            (one for one in waiting if one.sounding), key=lambda one: (_ORDER[one.message.priority], one.id)
        )
        if channel.dead or (not alarms and now_s < channel.due_s):
            return None
        if alarms:
            # An alarm that has just come in does not wait out the pause of a notice that failed.
            pause_s = min(channel.due_s, now_s + _ALARM_WAITS_S[-1])
            fresh = any(one.deliveries[channel.name].tries == 0 for one in alarms)
            return [alarms[0]] if fresh or now_s >= pause_s else None
        if self._quiet():
            return None
        stale = [one for one in waiting if self._age_s(one) > self._settings.stale_s]
        return stale or waiting[:1] or None

    def _is_due(self, notice: Notice, channel: _Channel, now_s: float) -> bool:
        delivery = notice.deliveries.get(channel.name)
        if delivery is None or delivery.state == "given_up":
            return False
        if delivery.state == "sent" and not notice.sounding:
            return False
        why = ""
        if notice.alarm and not notice.sounding:
            why = "acknowledged before it left"
        elif notice.id in self._pointless:
            why = "taken back before it left"
        elif self._age_s(notice) > self._settings.give_up_s:
            why = f"older than {self._settings.give_up_s / 3600:.0f} hours"
        if why:
            self._give_up(notice, delivery, why)
            self._outbox.keep(notice)
            return False
        return now_s >= delivery.due_s

    def _letter(self, notices: list[Notice], channel: _Channel) -> tuple[str, str, Kind]:
        now = self._clock.utc()
        if len(notices) > 1 or (not notices[0].alarm and self._age_s(notices[0]) > self._settings.stale_s):
            rows = [(one.message, self._age_s(one)) for one in notices]
            numbers = ", ".join(str(one.id) for one in notices)
            return "Earlier at the bench", f"{summary(rows, now, self._settings.zone)}\n(no. {numbers})", "info"
        (one,) = notices
        again = one.deliveries[channel.name].sent > 0
        kind: Kind = {"high": "failure", "medium": "warning", "low": "info"}[one.message.priority]  # type: ignore[assignment]
        body = self._text(one)
        if one.alarm:
            body += " This comes again until it is acknowledged on the page."
        return f"{'Again: ' if again else ''}{one.message.title}", f"{body}\n(no. {one.id})", kind

    def _text(self, notice: Notice) -> str:
        return sentence(notice.message, self._age_s(notice), self._clock.utc(), self._settings.zone)

    def _age_s(self, notice: Notice) -> float:
        """By the batch's own time where it goes on; else by the wall clock, which is all there is."""
        latest = self._ledger.latest
        if latest is not None and latest[0] == notice.batch:
            return max(0.0, latest[1].time_s - notice.message.since_s)
        return max(0.0, (self._clock.utc() - notice.happened).total_seconds())

    def _quiet(self) -> bool:
        begin, end = self._settings.quiet_from, self._settings.quiet_to
        if begin is None or end is None or begin == end:
            return False
        local = self._clock.utc().astimezone(self._settings.zone)
        minute = local.hour * 60 + local.minute
        return begin <= minute < end if begin < end else minute >= begin or minute < end

    def _mark(self, notices: list[Notice], channel: _Channel, state: Any) -> None:
        for notice in notices:
            delivery = notice.deliveries[channel.name]
            delivery.state = state
            delivery.last_utc = utc_text(self._clock.utc())
            self._outbox.keep_delivery(notice, delivery)

    def _settle(self, channel: _Channel, notices: list[Notice], answer: Answer) -> None:
        self._judge(channel, answer)
        now_s = self._clock.now()
        alarm = any(one.alarm for one in notices)
        if answer.outcome == "sent":
            channel.failures = 0
            channel.due_s = now_s
        else:
            waits_s = _ALARM_WAITS_S if alarm else _NOTICE_WAITS_S
            channel.due_s = now_s + waits_s[min(channel.failures, len(waits_s) - 1)]
            channel.failures += 1
        for notice in notices:
            delivery = notice.deliveries[channel.name]
            delivery.tries += 1
            delivery.unknown += answer.outcome == "unknown"
            delivery.why = answer.why
            if answer.outcome == "sent" or (answer.outcome == "unknown" and delivery.unknown >= _UNKNOWN_TRIES):
                late = self._age_s(notice) > self._settings.late_s
                delivery.state, delivery.tries, delivery.unknown = "sent", 0, 0
                delivery.sent += 1
                delivery.due_s = now_s + (self._settings.repeat_late_s if late else self._settings.repeat_s)
                if answer.outcome == "unknown":
                    log.warning("event=phone_taken_as_sent notice=%d channel=%s", notice.id, channel.label)
            elif channel.dead:
                self._give_up(notice, delivery, channel.dead)
            else:
                delivery.state = "waiting"
                delivery.due_s = channel.due_s
            self._outbox.keep_delivery(notice, delivery)
            self._outbox.keep(notice)

    def _give_up(self, notice: Notice, delivery: Delivery, why: str) -> None:
        log.warning("event=phone_given_up notice=%d why=%r", notice.id, why)
        delivery.state, delivery.why = "given_up", why
        self._outbox.keep_delivery(notice, delivery)

    # -- health --------------------------------------------------------------------------------------------------

    def _judge(self, channel: _Channel, answer: Answer) -> None:
        if answer.outcome in ("bad_url", "missing"):
            channel.dead = answer.why
        channel.why = "" if answer.outcome == "sent" else answer.why
        dead = [one for one in self._channels if one.dead]
        ill = [one for one in self._channels if one.why]
        if dead:
            cause = "missing" if "apprise" in dead[0].dead else "bad_url"
            text = "; ".join(f"{one.label}: {one.dead}" for one in dead)
            self._tell_health(cause, f"{text}; mend phone.urls in the settings")
        elif ill:
            text = "; ".join(f"{one.label}: {one.why}" for one in ill)
            self._tell_health("unreachable", f"{text}; it is tried again, the lamp at the bench is the alarm")
        else:
            self._tell_health("", "")

    def _tell_health(self, cause: str, text: str) -> None:
        if cause == self._health.cause:
            return
        self._health = PhoneHealth(cause, text)
        if cause:
            log.warning("event=phone_unwell cause=%s finding=%r", cause, text)
        if self._on_health is not None:
            try:
                self._on_health(self._health)
            except Exception:  # a listener's fault must not silence the phone
                log.exception("event=phone_health_listener")


def _still(record: object, before: bool) -> bool:
    """Whether the bubbles of this pump-down are said to have stopped, after this record."""
    if isinstance(record, Event) and record.name == "bubbles_stopped":
        return True
    if isinstance(record, Stage) and record.stage in ("degassing", "pump_down"):
        return False
    return before
