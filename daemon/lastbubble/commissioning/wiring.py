"""The wiring, looked at part by part: what a machine can see by itself, and what only a person can.

Answers that were given are kept: the step goes on where it was left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later

if TYPE_CHECKING:
    from lastbubble.settings import Settings

__all__ = ["ITEMS", "Item", "check_wiring", "items"]


@dataclass(frozen=True, slots=True)
class Item:
    """name : kept with the answer;  question : a plain yes is well;  mend : what a no asks for"""

    name: str
    question: str
    mend: str
    needs: Callable[[Settings], bool]


def _heat(settings: Settings) -> bool:
    return settings.guard is not None


def _chamber(settings: Settings) -> bool:
    return settings.chamber is not None


def _stop(settings: Settings) -> bool:
    return settings.guard is not None and settings.guard.stop_pin is not None


def _feedback(settings: Settings) -> bool:
    return settings.guard is not None and settings.guard.feedback_pin is not None


def _switched(settings: Settings) -> bool:
    return settings.guard is not None and settings.guard.drive == "steady"


ITEMS: Final[tuple[Item, ...]] = (
    Item(
        "qualified",
        "Was the mains side wired, enclosed, fused and earthed by a qualified person, to your local code?",
        "have it done, or looked over, before anything is plugged in",
        _heat,
    ),
    Item(
        "limiter",
        "Is there an independent thermal fuse or limiter in the oven's supply that works with the computer unplugged?",
        "fit one (docs/wiring.md, the parts); nothing in this program replaces it",
        _heat,
    ),
    Item(
        "contactor",
        "Does a listed, enclosed contactor switch all live poles, with no solid-state relay in front of its coil?",
        "see docs/wiring.md: what leaks through a solid-state relay can hold a contactor in",
        _heat,
    ),
    Item(
        "stop",
        "Does the emergency stop latch, and does pressing it drop the contactor with the computer running?",
        "its contacts belong into the coil's own circuit (ISO 13850)",
        _heat,
    ),
    Item("lamp", "Is a witness lamp on the oven's side of the contactor?", "fit one: it shows true power", _heat),
    Item(
        "active_high",
        "Is the relay's driver active high, and does it drop out when its input wire is pulled off?",
        "use another driver: a pin that nobody drives has to mean off",
        _heat,
    ),
    Item(
        "pull_down",
        "Is there a resistor of about 10 kohm from the relay's line to ground, close to the driver?",
        "solder one in; it holds the line low while the computer starts",
        _switched,
    ),
    Item(
        "stop_heard", "Does the guard see the stop button pressed (lastbubble guard status)?", "check stop_pin", _stop
    ),
    Item(
        "feedback",
        "Does the contactor's auxiliary contact read low while the contactor is open?",
        "check feedback_pin and which contact was used",
        _feedback,
    ),
    Item(
        "probe",
        "Does the oven's probe hang in the air beside the pieces, fastened, away from element and wall?",
        "fasten it: a probe that has fallen out reads the room while the heat is on",
        _heat,
    ),
    Item(
        "low_voltage",
        "Does nothing but low voltage reach the computer, its box away from warmth and wet?",
        "move it, or have the qualified person put in an insulated module",
        lambda _: True,
    ),
    Item(
        "chamber",
        "Is the chamber rated for vacuum, without scratch or crazing, behind a guard, its exhaust led outdoors?",
        "do not pump it down before it is",
        _chamber,
    ),
    Item(
        "trap",
        "Does the gauge's port point upwards, with a trap or filter before it?",
        "turn it: resin that creeps in makes a gauge that stands still",
        _chamber,
    ),
)


def items(settings: Settings) -> list[Item]:
    """The questions that this station's parts ask for."""
    return [item for item in ITEMS if item.needs(settings)]


#: Checks of the doctor that look at how the machine is wired and set.
_MACHINE: Final = ("relay line", "watchdog", "thermocouple bus", "gauge", "simulation")


def _seen(bench: Bench) -> list[str]:
    from lastbubble.doctor import CHECKS, Patient

    patient = Patient(bench.machine, bench.settings, bench.clock)
    found = [one for row in CHECKS if row.about in _MACHINE for one in row.judge(patient)]
    return [f"{one.about}: {one.found}; {one.mend}" for one in found if one.weight in ("danger", "broken")]


def check_wiring(bench: Bench, *, again: bool = False) -> Found:
    """Ask what has not been answered yes yet (`again`: everything), and look at the machine."""
    answers: dict[str, Any] = {}
    if not again and bench.records and bench.records[-1].outcome != "done":
        answers = {name: True for name, yes in dict(bench.records[-1].found.get("answers", {})).items() if yes is True}
    left = 0
    wrong: list[str] = []
    wanted = items(bench.settings)
    try:
        for number, item in enumerate(wanted, 1):
            if answers.get(item.name) is True:
                continue
            answers[item.name] = bench.person.yes(f"{number}/{len(wanted)} {item.question}")
            if answers[item.name] is False:
                bench.person.say(f"  mend: {item.mend}")
    except Later:
        left = sum(1 for item in wanted if item.name not in answers)
    wrong += [f"{item.name}: {item.mend}" for item in wanted if answers.get(item.name) is False]
    machine = _seen(bench)
    values = {"answers": answers, "machine": machine}
    if wrong or machine:
        return Found("failed", "; ".join([*wrong, *machine]), values)
    if left:
        return Found("begun", f"{left} of {len(wanted)} questions are open", values)
    return Found("done", f"{len(wanted)} points are well", values)
