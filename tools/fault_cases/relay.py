"""Faults of the relay, its line and its board, and the heat that comes although nobody asked for it."""

from __future__ import annotations

import subprocess
import threading
import time
from typing import Any, Final

import yaml

from tools.fault_cases.judge import goes, opens
from tools.fault_cases.plan import NOTHING, Alarms, Case, Goes, Opens, Outcome, Refused, Setup
from tools.fault_cases.rig import COMMANDS, Rig
from tools.plant.wire.bench import LASTBUBBLE
from tools.plant.wire.station_file import RELAY_PIN

__all__ = ["CASES"]

_LIMITER: Final = "heat goes on: only the independent limiter (thermal fuse) in the oven's supply takes it away"
_FEEDBACK_PIN: Final = 23
_STOP_PIN: Final = 24
_PERMIT_PIN: Final = 25
_AGAIN: Final = ("heat_after_cut", "stays_hot")


def _weld(rig: Rig) -> None:
    rig.set(relay="welded")


def _weld_and_cut(rig: Rig) -> None:
    rig.set(relay="welded")
    rig.ask("cut", reason="the batch is done")


def _contact_follows(rig: Rig) -> None:
    """The auxiliary contact goes with the relay's armature, until that is welded."""
    ended = threading.Event()
    rig.welded = False  # type: ignore[attr-defined]  # this case's own

    def follow() -> None:
        while not ended.is_set():
            rig.pins.drive(_FEEDBACK_PIN, True if rig.welded else rig.pins.board_level(RELAY_PIN))  # type: ignore[attr-defined]
            time.sleep(0.001)

    thread = threading.Thread(target=follow, daemon=True)
    thread.start()

    def end() -> None:
        ended.set()
        thread.join(5)

    rig.undo(end)


def _contact_ready(rig: Rig) -> None:
    _contact_follows(rig)
    rig.permit()
    rig.later(2.0)


def _weld_contact(rig: Rig) -> None:
    rig.welded = True  # type: ignore[attr-defined]
    rig.set(relay="welded")
    rig.ask("cut", reason="the batch is done")


def _press(rig: Rig, pin: int, pattern_s: tuple[tuple[bool, float], ...]) -> None:
    for level, seconds in pattern_s:
        rig.bench.ask("drive", line=pin, level=level)
        rig.later(seconds)
    rig.bench.ask("drive", line=pin, level=False)


def _ghosts(rig: Rig) -> Outcome:
    """Presses of 0.1 to 1.2 s: none of them may permit."""
    rig.speed = 2.0
    _press(rig, _PERMIT_PIN, tuple((level, seconds) for seconds in (0.1, 0.3, 0.6, 1.2) for level in (True, False)))
    closed = rig.line() or rig.status().state != "withheld"
    return Outcome(
        not closed, "held-button filter", "no permit", finding="a spike has permitted heat" if closed else ""
    )


def _start_pressed(rig: Rig) -> None:
    rig.children.end("guard")
    rig.bench.ask("drive", line=_PERMIT_PIN, level=True)
    rig.start_again("guard")
    rig.later(3.0)


def _stuck_button(rig: Rig) -> Outcome:
    rig.later(10.0)
    closed = rig.line() or rig.status().state != "withheld"
    return Outcome(
        not closed, "held-button filter", "no permit", finding="a stuck button has permitted" if closed else ""
    )


def _closed_stop(rig: Rig) -> None:
    rig.bench.ask("drive", line=_STOP_PIN, level=True)
    rig.later(1.0)
    rig.permit()
    rig.later(3.0)


def _start_refused(rig: Rig, changes: dict[str, Any], word: str) -> Outcome:
    """A guard with settings that must not be: it refuses to start, says why, and the line never rises."""
    settings = yaml.safe_load(rig.bench.settings.read_text(encoding="utf-8"))
    settings["guard"].update(changes)
    path = rig.folder / "wrong.yaml"
    path.write_text(yaml.safe_dump(settings), encoding="utf-8")
    edges, line = rig.pins.edges(RELAY_PIN), rig.line()
    done = subprocess.run(
        [*LASTBUBBLE, *COMMANDS["guard"], "--settings", str(path)],
        env=rig.bench.env(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    wrong: list[str] = []
    if done.returncode == 0:
        wrong.append("it has started")
    if word not in done.stderr:
        wrong.append(f"it says {done.stderr.strip()[-200:]!r}, {word!r} was expected")
    if rig.line() != line or rig.pins.edges(RELAY_PIN) != edges:
        wrong.append("the line has moved")
    return Outcome(not wrong, "settings", "refuses to start", told=("bench",), finding="; ".join(wrong))


def _second_guard(rig: Rig) -> Outcome:
    outcome = _start_refused(rig, {}, f"pin {RELAY_PIN}")
    after = goes(rig, Goes(20.0))
    outcome.seen_by, outcome.reaction = "claim of the line", "the second refuses to start, heat goes on"
    outcome.safe = outcome.safe and after.safe
    outcome.finding = "; ".join(text for text in (outcome.finding, after.finding) if text)
    return outcome


def _chatter(rig: Rig) -> Outcome:
    """Cut and permit again at once, ten times: the contact rests for ten seconds between, cuts never wait."""
    opened = opens(rig, Opens(1.0, ("cut",), "withheld"))
    if not opened.safe:
        return opened
    closings = rig.status().counters.get("relay_closings", 0)
    begun_s = rig.now()
    for _ in range(10):
        rig.ask("permit")
        rig.later(1.5)
        rig.ask("cut", reason="again")
        rig.later(0.5)
    passed_s = rig.now() - begun_s
    more = rig.status().counters.get("relay_closings", 0) - closings
    # A closing each ten seconds at most, plus the one that was due at the start.
    allowed = int(passed_s / 10.0) + 1
    opened.safe = more <= allowed
    opened.seen_by, opened.reaction = "cut", f"opens at once, {more} closings in {passed_s:.0f} s"
    opened.finding = "" if opened.safe else f"{more} closings, at most {allowed} were allowed"
    return opened


CASES = (
    Case(
        "ssr_shorted_after_cut",
        ("F-30",),
        "solid-state relay fails closed as the heat is cut, the oven still warming",
        _weld_and_cut,
        Alarms(300.0, ("heat_after_cut",)),
        Setup(scene="cold", warm_s=40.0),
        covered=_LIMITER,
    ),
    Case(
        "relay_welded_at_plateau",
        ("F-31", "F-32"),
        "relay welds at the dial's plateau, then the heat is cut: nothing rises",
        _weld_and_cut,
        Alarms(2000.0, _AGAIN),
        covered=_LIMITER,
    ),
    Case(
        "relay_welded_idle",
        ("F-30", "F-129", "F-35"),
        "heat comes with none permitted: shorted relay, or the oven plugged into the wall",
        _weld,
        Alarms(900.0, _AGAIN),
        Setup(scene="cold", permit=False, warm_s=320.0),
        covered=_LIMITER,
    ),
    Case(
        "relay_welded_at_start",
        ("F-30", "F-31"),
        "the relay is welded already when the guard starts",
        _weld,
        Alarms(2000.0, _AGAIN),
        Setup(scene="cold", permit=False, warm_s=0.0),
        covered=_LIMITER,
    ),
    Case(
        "relay_welded_tripped",
        ("F-30",),
        "relay welds and the dial is wide open: tripped, and it heats on",
        lambda rig: rig.set(relay="welded", dial_c=200.0),
        Alarms(1500.0, (*_AGAIN, "over_temperature", "rising_fast")),
        covered=_LIMITER,
    ),
    Case(
        "relay_welded_with_contact",
        ("F-31", "F-37"),
        "relay welds, and its auxiliary contact is wired",
        _weld_contact,
        Alarms(3.0, ("contact",)),
        Setup(clock="real", permit=False, guard={"feedback_pin": _FEEDBACK_PIN}),
        before=_contact_ready,
        covered=_LIMITER,
    ),
    Case(
        "no_power_cold",
        ("F-33",),
        "relay never closes, fuse blown or dial off, from cold",
        lambda rig: rig.set(relay="dead"),
        Opens(360.0, ("heat_without_effect",)),
        Setup(scene="cold", warm_s=0.0, permit=False),
        before=lambda rig: (rig.set(relay="dead"), rig.permit()),
    ),
    Case(
        "no_power_hot",
        ("F-33", "F-128"),
        "no power any more at the plateau",
        lambda rig: rig.set(mains=False),
        Opens(4000.0, ("reading_fell",)),
    ),
    Case(
        "line_held_high",
        ("F-51", "F-35"),
        "another hand holds the line high with no heat permitted",
        lambda rig: rig.bench.ask("stick", line=RELAY_PIN, level=True),
        lambda rig: _line_trip(rig),
        Setup(permit=False),
        covered=_LIMITER,
    ),
    Case(
        "line_held_low",
        ("F-51",),
        "another hand holds the line low while heat is permitted",
        lambda rig: rig.bench.ask("stick", line=RELAY_PIN, level=False),
        Opens(1.0, ("relay_pin",)),
    ),
    Case(
        "pin_pulled_up",
        ("F-36",),
        "the relay on a pin that is pulled up until software runs",
        NOTHING,
        lambda rig: _start_refused(rig, {"relay_pin": 5}, "relay_pin"),
        Setup(parts=(), permit=False, warm_s=0.0),
        covered="pins 9 to 27 only, and the 10 kohm pull-down on the board",
    ),
    Case(
        "active_low",
        ("F-34",),
        "settings that ask for an active-low relay board",
        NOTHING,
        lambda rig: _start_refused(rig, {"active_low": True}, "active_low"),
        Setup(parts=(), permit=False, warm_s=0.0),
        covered="there is no such setting: such a board is not supported",
    ),
    Case(
        "limit_too_high",
        ("F-130",),
        "a limit of 200 degC: degF typed for degC, or checks tuned off",
        NOTHING,
        lambda rig: _start_refused(rig, {"limit": "200 degC"}, "150"),
        Setup(parts=(), permit=False, warm_s=0.0),
    ),
    Case(
        "limit_without_unit",
        ("F-130",),
        "a limit without its unit",
        NOTHING,
        lambda rig: _start_refused(rig, {"limit": "200"}, "unit"),
        Setup(parts=(), permit=False, warm_s=0.0),
    ),
    Case(
        "lamp_not_seen",
        ("F-35",),
        "nobody has seen a lamp follow the relay",
        NOTHING,
        Refused("lamp test"),
        Setup(permit=False, guard={"require_commissioning": True}),
    ),
    Case("second_guard", ("F-50",), "a second guard is started", NOTHING, _second_guard, kind="good"),
    Case(
        "contact_chatter",
        ("F-38",),
        "permit and cut, ten times in a row",
        lambda rig: rig.ask("cut", reason="first"),
        _chatter,
    ),
    Case(
        "ghost_press",
        ("F-40", "F-39"),
        "spikes of 0.1 to 1.2 s on the permit button's wire",
        NOTHING,
        _ghosts,
        Setup(permit=False, guard={"permit_pin": _PERMIT_PIN}),
    ),
    Case(
        "button_stuck",
        ("F-40",),
        "the permit button is stuck from the start",
        NOTHING,
        _stuck_button,
        Setup(permit=False, guard={"permit_pin": _PERMIT_PIN}, warm_s=0.0),
        before=_start_pressed,
    ),
    Case(
        "stop_wire_broken",
        ("F-40",),
        "the stop button's wire breaks",
        lambda rig: rig.bench.ask("drive", line=_STOP_PIN, level=None),
        Opens(0.4, ("stop_open",), "withheld"),
        Setup(permit=False, guard={"stop_pin": _STOP_PIN}),
        before=_closed_stop,
        quick=True,
    ),
)


def _line_trip(rig: Rig) -> Outcome:
    """The line is high against the guard's will: it trips and says so; the board is what heats on."""
    rig.later(3.0)
    status = rig.status()
    rig.wait_told(("latch", "ledger"), ("bench", "mqtt", "phone"), status)
    trip = status.trip
    safe = trip is not None and trip.cause == "relay_pin"
    return Outcome(
        safe,
        trip.cause if trip is not None else "",
        "trip, the line is not ours",
        None if trip is None else trip.time_s - rig.injected_s,
        recorded=rig.recorded(),
        told=rig.told(status),
        finding="" if safe else f"the guard is {status.state}",
    )
