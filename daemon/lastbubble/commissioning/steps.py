"""The steps of commissioning as a table, the record of one, and what is due. Pure; reads no clock.

A step is done, dated and kept with the station; it can be taken again at any time, and a newer record stands above the
older ones, which stay. The order of the table is the order in which a new station is walked through, and it is also
the order of importance: nothing further down makes up for something further up.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, Literal

if TYPE_CHECKING:
    from lastbubble.settings import Settings

__all__ = [
    "KEPT_MOST",
    "STEPS",
    "Due",
    "Step",
    "StepRecord",
    "due",
    "record_from",
    "records_json",
    "records_of",
    "step",
    "wanted",
]

#: Older records of one step than that are let go.
KEPT_MOST: Final = 50
#: A record is a line of a person's book, not a log.
MAX_CHARS: Final = 16000

Outcome = Literal["done", "begun", "failed"]
OUTCOMES: Final[tuple[Outcome, ...]] = ("done", "begun", "failed")
#: What it means for a station when the step was never taken, as the doctor weighs it.
Weight = Literal["broken", "poor", "note"]


@dataclass(frozen=True, slots=True)
class Step:
    """One row.

    name : as it is asked for;  title : for the person;  why : what it is good for, one sentence
    needs : whether this station has what the step is about
    weight : how much it matters that it was never done;  due_days : after that many days again, None = never by itself
    again : what else makes it due, in words;  cautions : where the work can hurt, shown before it
    """

    name: str
    title: str
    why: str
    needs: Callable[[Settings], bool]
    weight: Weight
    due_days: int | None
    again: str
    cautions: tuple[str, ...] = ()


def _always(_: Settings) -> bool:
    return True


def _oven(settings: Settings) -> bool:
    return settings.oven is not None


def _heat(settings: Settings) -> bool:
    return settings.guard is not None and settings.oven is not None


def _chamber(settings: Settings) -> bool:
    return settings.chamber is not None


def _phone(settings: Settings) -> bool:
    return settings.phone is not None


#: Intervals are common practice, no published source, but where the guard has a number of its own (proof: 30 days).
STEPS: Final[tuple[Step, ...]] = (
    Step(
        "wiring",
        "wiring, looked at part by part",
        "every link of the chain from mains to oven opens, and nothing but low voltage reaches the computer",
        _always,
        "broken",
        365,
        "after any change of the wiring",
        (
            "Mains kills. The oven's plug is out, and the contactor's box is opened only by a qualified person.",
            "Your local code and licensed practice stand above every line here.",
            "A chamber under vacuum can implode: look it over for scratches and crazing before it is ever pumped down.",
        ),
    ),
    Step(
        "sensors",
        "sensors, plausible against each other",
        "a swapped, mis-wired or mis-scaled sensor shows itself while everything stands cold and open",
        _always,
        "broken",
        180,
        "after a new sensor, converter or cable",
        ("The oven is cold and unplugged, the chamber open, the pump off.",),
    ),
    Step(
        "points",
        "oven probes at ice and steam point",
        "a thermocouple of the wrong type reads plausibly and wrong; two known temperatures tell",
        _heat,
        "broken",
        180,
        "after a new probe, wire or converter",
        (
            "Steam and boiling water scald: tongs, dry gloves, the probe's wire away from the flame.",
            "The oven is cold and unplugged; the probe is drawn out of it.",
            "Keep the converter and the computer dry.",
        ),
    ),
    Step(
        "lamp",
        "lamp test: the oven's socket is dead when it has to be",
        "only a lamp in the socket shows that an open relay means no power, also with the computer unplugged",
        _heat,
        "broken",
        30,
        "after any change of relay, driver or contactor",
        (
            "The oven is unplugged; a listed lamp with a plug of its own goes into its socket. Touch nothing inside.",
            "If the lamp burns with the relay open or the computer unplugged: pull the plug, do not use the station, "
            "and let a qualified person look.",
        ),
    ),
    Step(
        "proof",
        "proof test: the guard trips and the relay opens",
        "the whole way from a reading that is too high to an open relay, tried for real and timed",
        _heat,
        "broken",
        30,
        "after a change of the guard's settings",
        (
            "Heat is on for this: the oven empty, you beside it, nothing that burns near it.",
            "If the oven goes on heating after the trip: pull its plug. The contactor may be welded.",
        ),
    ),
    Step(
        "base",
        "base pressure of the empty, dry chamber",
        "what the pump reaches with nothing in the chamber tells leak, oil and wetness from a batch's own gas",
        _chamber,
        "poor",
        180,
        "after every oil change, new seal, hose or pump",
        (
            "Glass and acrylic implode: a chamber rated for vacuum, behind its guard, eye protection on.",
            "Exhaust goes outdoors. Let air in before the pump is stopped: oil is drawn back otherwise.",
        ),
    ),
    Step(
        "leak",
        "leak test: shut off and left alone",
        "the rise of the empty, shut chamber is the most that can leak; a batch's gas is read against it",
        _chamber,
        "poor",
        180,
        "after every new seal, hose, valve or lid",
        (
            "Glass and acrylic implode: a chamber rated for vacuum, behind its guard, eye protection on.",
            "Shut the valve towards the pump first, and let air in before the pump is stopped.",
        ),
    ),
    Step(
        "dial",
        "first survey of the oven's dial",
        "a dial may be tens of kelvin off; one hour with the oven empty tells how far",
        _oven,
        "note",
        None,
        "after a repair of the oven or its thermostat",
        (
            "The oven is hot: empty, ventilated, you beside it the first time.",
            "Begin with a setting well below the guard's limit.",
        ),
    ),
    Step(
        "survey",
        "survey of the oven's places",
        "the places of a small oven differ by kelvins; where it is coolest the slowest piece must not lie",
        _oven,
        "note",
        None,
        "after the rack, the tray or the oven's own thermocouple was moved",
        (
            "The oven is hot: gloves, and no longer with its door open than laying the probe takes.",
            "Begin with a setting well below the guard's limit.",
        ),
    ),
    Step(
        "phone",
        "a message reaches the phone",
        "an alarm that nobody hears is none",
        _phone,
        "poor",
        90,
        "after a new phone, number or address",
        (),
    ),
)


def step(name: str) -> Step:
    """The row of that name. Raises ValueError naming those that there are."""
    for row in STEPS:
        if row.name == name:
            return row
    raise ValueError(f"step is {name!r:.60}; allowed: {', '.join(row.name for row in STEPS)}")


def wanted(settings: Settings) -> list[Step]:
    """The steps that this station has the parts for, in order."""
    return [row for row in STEPS if row.needs(settings)]


@dataclass(frozen=True, slots=True)
class StepRecord:
    """What came of a step.

    outcome : done, begun (to be gone on with) or failed;  utc : when, ISO 8601, a label;  text : for the person
    found : what was measured or answered, JSON values, names end in units
    """

    step: str
    outcome: Outcome
    utc: str
    text: str
    found: Mapping[str, Any] = field(default_factory=dict)


def record_from(value: Any) -> StepRecord:
    """A record out of JSON values. Raises ValueError naming the finding."""
    if not isinstance(value, dict):
        raise ValueError("a record is an object with step, outcome, utc, text and found")
    row = step(str(value.get("step")))
    outcome, utc, text, found = (value.get(name) for name in ("outcome", "utc", "text", "found"))
    if outcome not in OUTCOMES:
        raise ValueError(f"outcome is {outcome!r:.60}; allowed: {', '.join(OUTCOMES)}")
    if not isinstance(text, str) or not isinstance(utc, str) or not isinstance(found, dict):
        raise ValueError("a record's utc and text are texts, its found is an object")
    if len(json.dumps([text, found])) > MAX_CHARS:
        raise ValueError(f"a record has more than {MAX_CHARS} characters")
    return StepRecord(row.name, outcome, utc, text, found)


def records_of(text: str) -> list[StepRecord]:
    """The records of one step as they are kept, oldest first; what cannot be read is left out."""
    try:
        values = json.loads(text) if text else []
    except (ValueError, RecursionError):
        return []
    out = []
    for value in values if isinstance(values, list) else []:
        try:
            out.append(record_from(value))
        except ValueError:
            continue
    return out


def records_json(records: Sequence[StepRecord]) -> str:
    """The text in which the newest records of one step are kept."""
    rows = [
        {"step": one.step, "outcome": one.outcome, "utc": one.utc, "text": one.text, "found": dict(one.found)}
        for one in records[-KEPT_MOST:]
    ]
    return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Due:
    """A step that wants doing. state : never | begun | failed | overdue;  text : what is known of it"""

    step: Step
    state: Literal["never", "begun", "failed", "overdue"]
    text: str


def due(steps: Sequence[Step], records: Mapping[str, Sequence[StepRecord]], now_utc: datetime) -> Iterator[Due]:
    """The steps that want doing, the most important first. A clock that stands before a record makes nothing overdue.

    records : step -> its records, oldest first;  now_utc : aware
    """
    for row in steps:
        kept = list(records.get(row.name, ()))
        if not kept:
            yield Due(row, "never", "was never done")
            continue
        last = kept[-1]
        if last.outcome == "failed":
            yield Due(row, "failed", f"failed on {last.utc[:10]}: {last.text}")
            continue
        done = next((one for one in reversed(kept) if one.outcome == "done"), None)
        if last.outcome == "begun" and (done is None or last.utc >= done.utc):
            yield Due(row, "begun", f"was begun on {last.utc[:10]} and not finished: {last.text}")
            continue
        if row.due_days is not None and done is not None:
            day = _moment(done.utc)
            if day is not None and now_utc - day > timedelta(days=row.due_days):
                yield Due(row, "overdue", f"was last done on {done.utc[:10]}; it is due every {row.due_days} days")


def _moment(utc: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(utc)
    except ValueError:
        return None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
