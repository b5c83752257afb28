"""The relay, proved: the lamp test, and the guard's own proof test. Everything goes through the guard."""

from __future__ import annotations

from typing import Final

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later
from lastbubble.progress import progress

__all__ = ["lamp_test", "proof_test"]

WAIT_S: Final = 60

_LAMP: Final = (
    ("open", "Lamp in the oven's socket, computer running, heat withheld: is the lamp dark?"),
    ("unplugged", "Pull the computer's own supply for ten seconds, then give it back: was the lamp dark all along?"),
    (
        "closed",
        "Take the signal wire off the relay's pin and touch its end to 3.3 V (never to 5 V): does the lamp burn?",
    ),
    ("back", "Put the wire back on the relay's pin: is the lamp dark again?"),
    ("stop", "With the wire at 3.3 V once more, press the emergency stop: does the lamp go out? Then wire back."),
)


def lamp_test(bench: Bench) -> Found:
    """Ask what the lamp did, and tell the guard. Raises GuardGone when the guard does not answer."""
    answers: dict[str, bool] = {}
    try:
        for name, question in _LAMP:
            answers[name] = bench.person.yes(question)
            if not answers[name]:
                break
    except Later:
        return Found("begun", f"{len(answers)} of {len(_LAMP)} looks were taken", {"answers": answers})
    both = len(answers) == len(_LAMP) and all(answers.values())
    answer = bench.ask_guard({"ask": "lamp_seen", "both": both})
    found = {"answers": answers}
    if not answer.ok:
        return Found("failed", f"the guard says no: {answer.why}", found)
    if both:
        return Found("done", "dark with the relay open and with the computer away, lit only when it is closed", found)
    seen = next(name for name, yes in answers.items() if not yes)
    mend = (
        "the driver does not pull in at 3.3 V, or the chain is broken behind it"
        if seen == "closed"
        else "pull the plug and do not use the station: the driver or the contactor does not open"
    )
    return Found("failed", f"the look {seen!r} was a no: {mend}", found)


def proof_test(bench: Bench) -> Found:
    """Have the guard trip on made-up readings, and see that it did. Raises GuardGone when the guard does not answer."""
    status = bench.guard()
    if status.state == "tripped":
        cause = "" if status.trip is None else status.trip.cause
        return Found("begun", f"the guard is tripped ({cause}); reset it first: lastbubble guard reset")
    if status.state != "permitted":
        for text in status.hindrances:
            bench.person.say(f"  in the way: {text}")
        return Found("begun", "heat has to be permitted for this: lastbubble guard permit --hours 0.5, then again")
    try:
        if not bench.person.yes(
            "Is the oven empty, its thermostat calling for heat, the witness lamp lit, you beside it?"
        ):
            return Found("begun", "heat was not on yet")
    except Later:
        return Found("begun", "not begun at the bench yet")
    before = bench.guard()
    answer = bench.ask_guard({"ask": "prove"})
    if not answer.ok:
        return Found("failed", f"the guard says no: {answer.why}")
    told = ""
    with progress(WAIT_S, "waiting for the trip") as show:
        for second in range(WAIT_S):
            status = bench.guard()
            news = [one for one in status.events if one.time_s >= before.time_s]
            told = next((one.text for one in news if one.name in ("proved", "not_proved")), "")
            if any(one.name == "not_proved" for one in news):
                return Found("failed", f"another rule tripped first: {told}", {"trip": _cause(status.trip)})
            if told and status.state == "tripped" and not status.relay_closed:
                break
            show(second, "")
            bench.clock.sleep(1.0)
        else:
            return Found("failed", "the relay was not seen open within a minute: pull the oven's plug, then look")
    found: dict[str, object] = {"guard": told, "trip": _cause(status.trip)}
    bench.person.say(f"  {told}. Now look at the oven itself.")
    try:
        found["lamp_went_out"] = bench.person.yes("Did the witness lamp go out?")
    except Later:
        return Found("begun", f"{told}; whether the lamp went out was not said", found)
    if not found["lamp_went_out"]:
        return Found(
            "failed", "the guard opened and power stayed on: pull the plug; the contactor may be welded", found
        )
    return Found("done", f"{told}; the lamp went out. Release it: lastbubble guard reset", found)


def _cause(trip: object) -> str:
    return str(getattr(trip, "cause", "")) if trip is not None else ""
