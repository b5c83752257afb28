"""From what was expected of a case to what came of it."""

from __future__ import annotations

import time
from typing import Final

from lastbubble.guard.protocol import GuardStatus
from tools.fault_cases.plan import Alarms, Case, Expect, Goes, Opens, Outcome, Refused
from tools.fault_cases.rig import Rig, Stuck, World

__all__ = ["run_case"]

#: How long it is looked at whether an open relay stays open [s of the station's time].
_STAYS_S: Final = 15.0


def run_case(case: Case, world: World) -> Outcome:
    """Bring the station up, do the harm, see what comes of it. What breaks on the way is unsafe, and says why."""
    try:
        with Rig(case.name, case.setup, world) as rig:
            case.before(rig)
            rig.strike(case.inject)
            outcome = case.expect(rig) if callable(case.expect) else _judge(rig, case.expect)
            if not outcome.safe:
                outcome.finding += _background(rig)
    except (Stuck, TimeoutError, ValueError, OSError) as exc:
        outcome = Outcome(False, finding=f"the case could not be run: {type(exc).__name__}: {exc}")
    outcome.clock = case.setup.clock
    return outcome


def _judge(rig: Rig, expect: Expect) -> Outcome:
    match expect:
        case Opens():
            return opens(rig, expect)
        case Goes():
            return goes(rig, expect)
        case Alarms():
            return alarms(rig, expect)
        case Refused():
            return refused(rig, expect)


def opens(rig: Rig, expect: Opens) -> Outcome:
    """See `plan.Opens`. A trip has to be in the latch and the ledger and at the phone as well."""
    after_s = rig.wait_open(expect.within_s)
    if after_s is None:
        status = rig.status_or_none()
        return Outcome(
            False, ", ".join(rig.causes(status)), "none", finding=f"the relay is closed after {expect.within_s:g} s"
        )
    stays = rig.line
    rig.later(_STAYS_S if rig.setup.clock == "bench" else 1.0, lambda: not stays())
    status = rig.status_or_none()
    service = "service" in rig.setup.parts and rig.children["service"].alive and not _is_stopped(rig, "service")
    if expect.state == "tripped":
        recorded = ("latch", "ledger") if service else ("latch",)
        told = tuple(
            name
            for name, there in (
                ("bench", True),
                ("mqtt", service and rig.setup.broker == "well"),
                ("phone", service and rig.setup.phone == "well"),
            )
            if there
        )
    else:
        recorded = ()
        told = ("bench", "mqtt") if service and rig.setup.broker == "well" and expect.state else ()
    rig.wait_told(recorded, told, status)
    return _opened(rig, expect, after_s, status, recorded, told)


def _opened(
    rig: Rig,
    expect: Opens,
    after_s: float,
    status: GuardStatus | None,
    recorded: tuple[str, ...],
    told: tuple[str, ...],
) -> Outcome:
    causes = rig.causes(status)
    named = [cause for cause in causes if cause in expect.by]
    wrong: list[str] = []
    if rig.line():
        wrong.append("the relay has closed again")
    if "" not in expect.by and not named:
        wrong.append(f"seen by {', '.join(causes) or 'nobody'}; one of {', '.join(expect.by)} was expected")
    if expect.state and (status is None or status.state != expect.state):
        wrong.append(f"the guard is {'gone' if status is None else status.state}, not {expect.state}")
    has, hears = rig.recorded(), rig.told(status)
    wrong += [f"not in the {place}" for place in recorded if place not in has]
    wrong += [f"not told at the {place}" for place in told if place not in hears]
    reaction = {"tripped": "trip", "withheld": "hold", "": "line falls"}[expect.state]
    seen = ", ".join(named) or ("nobody" if not causes else ", ".join(causes))
    return Outcome(not wrong, seen, reaction, after_s, recorded=has, told=hears, finding="; ".join(wrong))


def goes(rig: Rig, expect: Goes) -> Outcome:
    """See `plan.Goes`."""
    warned: set[str] = set()
    next_look_s = 0.0

    def on() -> bool:
        nonlocal next_look_s
        if expect.caution and time.monotonic() > next_look_s:
            status = rig.status_or_none()
            warned.update(text.split(":")[0] for text in (status.cautions if status is not None else ()))
            next_look_s = time.monotonic() + 0.2
        return rig.line()

    rig.later(expect.for_s, on)
    status = rig.status()
    warned.update(text.split(":")[0] for text in status.cautions)
    wrong: list[str] = []
    if not rig.line() or status.state != "permitted":
        wrong.append(f"heat went off, the guard is {status.state}: {', '.join(rig.causes(status)) or 'no cause'}")
    if status.counters.get("trips", 0) or status.counters.get("holds", 0):
        wrong.append(f"{status.counters.get('trips', 0)} trips, {status.counters.get('holds', 0)} holds")
    if expect.caution and expect.caution not in warned:
        wrong.append(f"{expect.caution} did not warn")
    seen = expect.caution if expect.caution in warned else ""
    return Outcome(not wrong, seen, "warns, heat goes on" if seen else "heat goes on", finding="; ".join(wrong))


def alarms(rig: Rig, expect: Alarms) -> Outcome:
    """See `plan.Alarms`: software can open no relay that does not open, so the alarm is what is judged."""
    found: list[GuardStatus] = []

    def quiet() -> bool:
        status = rig.status_or_none()
        if status is not None and status.alarm:
            found.append(status)
        return not found

    rig.later(expect.within_s, quiet)
    if quiet():
        return Outcome(False, reaction="none", finding=f"no alarm within {expect.within_s:g} s")
    status = found[0]
    told = ("bench", "mqtt", "phone")
    rig.wait_told(("latch", "ledger"), told, status)
    causes, has, hears = rig.causes(status), rig.recorded(), rig.told(status)
    named = [cause for cause in causes if cause in expect.by]
    wrong = [f"not in the {place}" for place in ("latch", "ledger") if place not in has]
    wrong += [f"not told at the {place}" for place in told if place not in hears]
    if not named:
        wrong.append(f"seen by {', '.join(causes) or 'nobody'}; one of {', '.join(expect.by)} was expected")
    if rig.pins.level(17):
        wrong.append("the line itself is high")
    return Outcome(
        not wrong,
        ", ".join(named or causes),
        'trip, alarm "pull the plug"',
        status.time_s - rig.injected_s,
        recorded=has,
        told=hears,
        finding="; ".join(wrong),
    )


def refused(rig: Rig, expect: Refused) -> Outcome:
    """See `plan.Refused`."""
    rig.later(3.0)
    answer = rig.ask("permit")
    rig.later(3.0)
    wrong: list[str] = []
    if answer.ok:
        wrong.append("heat was permitted")
    if expect.why not in answer.why:
        wrong.append(f"refused for another reason: {answer.why}")
    if rig.line():
        wrong.append("the relay is closed")
    seen = expect.why if expect.why in answer.why else ""
    return Outcome(not wrong, seen.split(":")[0], "no permit", None, told=("bench",), finding="; ".join(wrong))


def _background(rig: Rig) -> str:
    """What else there is to know of a case that went wrong."""
    status = rig.status_or_none()
    trip = "" if status is None or status.trip is None else f"; trip: {status.trip.text}"
    rig.bench.state()
    return trip + "".join(f"; {report}" for report in rig.bench.reports)


def _is_stopped(rig: Rig, name: str) -> bool:
    try:
        with open(f"/proc/{rig.children[name].pid}/stat", encoding="ascii") as file:
            return file.read().rpartition(")")[2].split()[0] == "T"
    except OSError:
        return False
