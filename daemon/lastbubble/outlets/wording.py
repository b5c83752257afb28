"""Plain sentences for the phone: what happened, when, how long ago, and what to do. Pure.

Which record is worth a message, and how urgent it is, is a row of `MESSAGES`. Two urgencies: a *notice* may wait
through quiet hours and is sent once; an *alarm* needs a person soon, is never held back and comes again until it is
acknowledged. Priorities follow IEC 62682 (an alarm needs a timely action, else it is an event): high = minutes count,
medium = act within the hour. Which cause is which is our own judgement, no published source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final, Literal

from lastbubble.records import Caution, Event, Forecast, Record, Stage, Trip
from lastbubble.units import Display

__all__ = [
    "MESSAGES",
    "Message",
    "Priority",
    "Urgency",
    "ago",
    "clock_time",
    "in_units",
    "message_of",
    "sentence",
    "summary",
]

Urgency = Literal["alarm", "notice"]
Priority = Literal["high", "medium", "low"]

#: Advice older than this may no longer fit; the fact alone is told [s].
ADVICE_LASTS_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Message:
    """What can be said of a record before it is known when it will be read.

    key : what makes two messages the same matter ("warning vacuum_lost")
    title : a few words;  fact : half a sentence without its full stop, the time follows;  action : what to do
    since_s : when it happened, batch time [s]
    """

    key: str
    urgency: Urgency
    priority: Priority
    title: str
    fact: str
    action: str = ""
    since_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Row:
    urgency: Urgency
    priority: Priority
    title: str
    fact: str = ""
    action: str = ""


#: "kind name" -> how it is told. A record without a row is not told; "warning sensor_" stands for all of them.
MESSAGES: Final[Mapping[str, _Row]] = {
    "event bubbles_stopped": _Row(
        "notice",
        "low",
        "Bubbles have stopped",
        "Bubbles stopped",
        "Rock the chamber, then vent slowly with the pump running.",
    ),
    "event soak_complete": _Row(
        "notice",
        "low",
        "The soak is over",
        "The soak was long enough",
        "Drain the resin, wrap the pieces, load the oven.",
    ),
    "event cure_temperature_reached": _Row(
        "notice",
        "low",
        "The core is hot enough",
        "The core reached cure temperature",
        "Nothing to do: the hold has begun.",
    ),
    "event cure_complete": _Row(
        "notice",
        "low",
        "The cure is complete",
        "The cure was complete",
        "The station has asked for the cut: see that the heat is off. Leave the oven shut until the pieces cool.",
    ),
    "event vented": _Row(
        "notice",
        "low",
        "Back at atmosphere",
        "The chamber was back at atmosphere",
        "Stop the pump now if it still runs. The soak has begun.",
    ),
    "stage degassing again": _Row(
        "notice", "low", "Bubbles are coming again", "Bubbles came again", "Do not vent yet; you will be told."
    ),
    "stage finished": _Row(
        "notice",
        "low",
        "The pieces can be handled",
        "The pieces were cool enough to handle",
        "Unload the oven and weigh the pieces.",
    ),
    "warning pump_stopped": _Row("alarm", "high", "The pump has stopped"),
    "warning vent_before_pump_off": _Row("alarm", "high", "Let air in now"),
    "warning vacuum_lost": _Row("alarm", "medium", "Vacuum is being lost"),
    "warning core_will_not_reach": _Row("alarm", "medium", "The oven is set too low"),
    # The hold adds up and goes on when it is warm again: nothing is lost that is worth a night's sleep.
    "warning cure_interrupted": _Row("notice", "low", "The cure stands still"),
    "warning core_stalls": _Row("notice", "low", "Water still leaves the piece"),
    "warning core_above_air": _Row("notice", "low", "The resin gives off heat"),
    "warning oven_runs_hotter": _Row("alarm", "medium", "The oven runs hotter than before"),
    "warning base_pressure_high": _Row("notice", "low", "The vacuum is poor"),
    "warning gauge_too_coarse": _Row("notice", "low", "The gauge is too coarse"),
    "warning vented_fast": _Row("notice", "low", "Air came in fast"),
    "warning sensor_oven": _Row("alarm", "medium", "The oven's sensor does not read"),
    "warning sensor_": _Row("notice", "low", "A sensor does not read"),
    "trip": _Row("alarm", "high", "The oven's heat was cut"),
}

#: Trips after which the relay itself is in doubt.
_PULL_THE_PLUG: Final = frozenset({"heat_after_cut", "stays_hot", "relay_pin", "contact", "rising_fast"})


def message_of(record: Record, *, stopped_before: bool = False) -> Message | None:
    """What to tell of this record, or None.

    stopped_before : the bubbles of this pump-down had been said to have stopped
    """
    match record:
        case Event():
            return _told(f"event {record.name}", record.since)
        case Stage():
            if record.stage == "degassing" and stopped_before:
                return _told("stage degassing again", record.t if record.since is None else record.since)
            return _told(f"stage {record.stage}", record.t if record.since is None else record.since)
        case Caution():
            return _warning(record)
        case Trip():
            row = MESSAGES["trip"]
            pull = (
                "Pull the oven's plug first: its relay may not have opened. " if record.cause in _PULL_THE_PLUG else ""
            )
            fact = f"The guard cut the oven's heat ({record.cause.replace('_', ' ')})"
            action = f"{pull}Look at the oven; it is reset at the bench only."
            return Message(f"trip {record.cause}", row.urgency, row.priority, row.title, fact, action, record.t)
        case Forecast():
            return None


def _told(key: str, since_s: float) -> Message | None:
    row = MESSAGES.get(key)
    if row is None:
        return None
    return Message(key, row.urgency, row.priority, row.title, row.fact, row.action, since_s)


def _warning(record: Caution) -> Message:
    key = f"warning {record.cause}"
    family = "warning sensor_oven" if record.cause.startswith("sensor_oven") else "warning sensor_"
    row = MESSAGES.get(key) or (
        MESSAGES[family]
        if record.cause.startswith("sensor_")
        else _Row("notice", "low", record.cause.replace("_", " ").capitalize())
    )
    # The pipeline's own text is the finding and the mend; where it begins is where the advice begins.
    fact, _, action = record.text.partition(". ")
    fact = fact.rstrip(". ") or record.cause.replace("_", " ").capitalize()
    return Message(key, row.urgency, row.priority, row.title, fact, action, record.t)


# -- times --------------------------------------------------------------------------------------------------------

_NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


def _count(number: int, unit: str) -> str:
    word = _NUMBERS[number] if number < len(_NUMBERS) else str(number)
    return f"{word} {unit}{'' if number == 1 else 's'}"


def ago(age_s: float) -> str:
    """How long ago in words, as "twelve minutes ago"; "just now" below a minute and a half."""
    if age_s < 90:
        return "just now"
    minutes = round(age_s / 60)
    if minutes < 60:
        return f"{_count(minutes, 'minute')} ago"
    halves = round(age_s / 1800)
    if halves < 48:
        hours, half = divmod(halves, 2)
        if half:
            return f"{_NUMBERS[hours] if hours < len(_NUMBERS) else hours} and a half hours ago"
        return f"{_count(hours, 'hour')} ago"
    return f"{_count(round(age_s / 86400), 'day')} ago"


def clock_time(moment: datetime, now: datetime, zone: tzinfo | None = None) -> str:
    """The time of day in the station's zone (None: the machine's), with the weekday when it was another day."""
    local, today = moment.astimezone(zone), now.astimezone(zone)
    return f"{local:%H:%M}" if local.date() == today.date() else f"{local:%H:%M on %A}"


def sentence(message: Message, age_s: float, now: datetime, zone: tzinfo | None = None) -> str:
    """The whole text as it is true at `now`: fact, time, age, and the advice while it may still fit.

    >>> from datetime import UTC
    >>> told = Message("event bubbles_stopped", "notice", "low", "", "Bubbles stopped", "Rock the chamber.")
    >>> sentence(told, 720.0, datetime(2026, 3, 1, 14, 44, tzinfo=UTC), UTC)
    'Bubbles stopped at 14:32, twelve minutes ago. Rock the chamber.'
    """
    when = clock_time(now - timedelta(seconds=round(age_s)), now, zone)
    told = f"{message.fact} at {when}, {ago(age_s)}."
    keep = message.urgency == "alarm" or age_s <= ADVICE_LASTS_S
    if message.action and keep:
        told += f" {message.action}"
    elif message.action:
        told += " Look at the page for what is to be done now."
    return told


def summary(rows: list[tuple[Message, float]], now: datetime, zone: tzinfo | None = None) -> str:
    """Several that could not be told in time, as one text, oldest first; rows of (message, age [s])."""
    lines = [
        f"{clock_time(now - timedelta(seconds=round(age_s)), now, zone)}: {message.fact}."
        for message, age_s in sorted(rows, key=lambda row: -row[1])
    ]
    return "Meanwhile at the bench:\n" + "\n".join(lines) + "\nLook at the page for what is to be done now."


# -- units --------------------------------------------------------------------------------------------------------

_CELSIUS: Final = re.compile(r"(-?\d+(?:\.(\d+))?) ?(?:degC|°C)\b")
#: Only where a level is told: steps and rates cannot be turned into a depth of vacuum.
_LEVEL: Final = re.compile(r"(?<=stands at )(-?\d+(?:\.\d+)?) Pa\b")


def in_units(text: str, display: Display) -> str:
    """The text with its temperatures and pressure levels in the station's units."""
    text = _CELSIUS.sub(lambda found: display.temperature_text(float(found[1]), len(found[2] or "")), text)
    return _LEVEL.sub(lambda found: display.pressure_text(float(found[1])), text)
