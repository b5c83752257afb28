"""`lastbubble guard`: run it, or speak to it from the bench."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lastbubble.guard.protocol import GuardStatus
    from lastbubble.units import Display

SUMMARY = "own the relay's line: run it, or permit, withhold, reset, prove from the bench"

_DEFAULT_DIR: Final = Path("/run/lastbubble")

_ACTS: Final = {
    "run": "be the guard (started by systemd)",
    "status": "what it sees and does now",
    "permit": "let the oven have power; refused with the reasons while anything is wrong",
    "withhold": "take the heat away",
    "reset": "release a trip: only when the oven is cool and the sensors have been well for a minute",
    "prove": "the proof test: trip on a made-up reading and see the relay open (with the oven on)",
    "check": "hold a probe against something known: ice water, boiling water",
    "lamp": "after the lamp test: say whether the lamp was off with the relay open and on with it closed",
    "drawing": "the guard's states, as a Mermaid diagram",
    "rules": "every rule with its setting, range, reaction and reason",
}


def configure(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True, metavar="act")
    for name, line in _ACTS.items():
        act = acts.add_parser(name, help=line, description=line[0].upper() + line[1:] + ".")
        if name == "run":
            where = act.add_mutually_exclusive_group(required=True)
            where.add_argument("--settings", type=Path, help="the station's settings")
            where.add_argument("--config-json", type=Path, help="the guard's own settings as JSON")
            continue
        act.add_argument("--json", action="store_true", help="answer as JSON")
        if name in ("drawing", "rules"):
            continue
        act.add_argument(
            "--settings", type=Path, default=None, help="the station's settings (tell where the socket is)"
        )
        act.add_argument("--runtime-dir", type=Path, default=None, help="where the guard's sockets are")
        if name == "permit":
            act.add_argument("--hours", type=float, default=None, help="no longer than that")
        elif name == "withhold":
            act.add_argument("--reason", default="asked at the bench", help="for the record")
        elif name == "reset":
            act.add_argument("--false-alarm", action="store_true", help="nothing was wrong: counted, and shown")
        elif name == "check":
            act.add_argument("probe", choices=("oven", "oven2", "witness"))
            act.add_argument(
                "true_c", type=float, help="what it truly is, in degC: 0 in ice water, about 100 in boiling"
            )
        elif name == "lamp":
            act.add_argument("seen", choices=("yes", "no"), help="both seen?")
    parser.epilog = (
        "examples:\n  lastbubble guard status\n  lastbubble guard permit --hours 6\n"
        '  lastbubble guard withhold --reason "smells of resin"\n  lastbubble guard reset\n'
        "  lastbubble guard check oven 0\n  lastbubble guard rules\n  lastbubble guard prove\n"
        "  lastbubble guard lamp yes\n  lastbubble guard drawing > states.mmd\n"
        "  lastbubble guard run --settings /etc/lastbubble/station.yaml   (its unit does that)"
    )


def run(args: argparse.Namespace) -> int:
    match args.act:
        case "run":
            return _run_guard(args)
        case "drawing":
            return _drawing(args)
        case "rules":
            return _rules(args)
        case "status":
            return _status(args)
    requests: dict[str, Callable[[], dict[str, Any]]] = {
        "permit": lambda: {"ask": "permit"} | ({} if args.hours is None else {"hours": args.hours}),
        "withhold": lambda: {"ask": "cut", "reason": args.reason},
        "reset": lambda: {"ask": "reset", "false_alarm": args.false_alarm},
        "prove": lambda: {"ask": "prove"},
        "check": lambda: {"ask": "check_probe", "probe": args.probe, "true_c": args.true_c},
        "lamp": lambda: {"ask": "lamp_seen", "both": args.seen == "yes"},
    }
    return _ask(args, requests[args.act]())


def _run_guard(args: argparse.Namespace) -> int:
    from lastbubble.clock import clock_from_environment
    from lastbubble.guard.config import guard_settings_from_json
    from lastbubble.guard.loop import GuardLoop
    from lastbubble.guard.notify import Notifier
    from lastbubble.guard.quietlog import install
    from lastbubble.guard.settings_child import lean_settings

    text = args.config_json.read_text() if args.config_json else lean_settings("guard", args.settings)
    settings = guard_settings_from_json(text)
    quiet = install()
    if settings.simulated:
        print("guard: SIMULATED: this guard drives no oven", file=sys.stderr, flush=True)
    loop = GuardLoop(settings, clock_from_environment("guard"), Notifier())
    loop.handle_signals()
    code = loop.run()
    quiet.drain(0.5)
    # Past Python's own way out: its exit hooks would turn the relay's line into a floating input; the kernel instead
    # finds it driven low and, as the machine is set, keeps it low or gives it back to its pull-down.
    os._exit(code)


def _socket(args: argparse.Namespace, name: str) -> Path:
    folder = _DEFAULT_DIR
    if args.runtime_dir is not None:
        folder = args.runtime_dir
    elif args.settings is not None:
        from lastbubble.settings import load_settings

        folder = Path(load_settings(args.settings).runtime_dir)
    return folder / name


def _ask(args: argparse.Namespace, request: dict[str, Any]) -> int:
    from lastbubble.guard.client import ask_guard
    from lastbubble.guard.protocol import BENCH_SOCKET

    answer = ask_guard(_socket(args, BENCH_SOCKET), request)
    if args.json:
        print(json.dumps({"ask": answer.ask, "ok": answer.ok, "why": answer.why}))
    elif answer.ok:
        print(f"{args.act}: done")
    if answer.ok:
        return 0
    if not args.json:
        for line in answer.why.split("; "):
            print(f"{args.act}: no: {line}", file=sys.stderr)
    return 1


def _status(args: argparse.Namespace) -> int:
    from lastbubble.guard.client import read_status
    from lastbubble.guard.protocol import BENCH_SOCKET, status_line

    status = read_status(_socket(args, BENCH_SOCKET))
    if args.json:
        print(status_line(status).decode().rstrip("\n"))
        return 0
    from lastbubble.edge import display_of

    print("\n".join(_status_lines(status, display_of(args.settings))))
    return 0


def _status_lines(status: GuardStatus, display: Display) -> list[str]:
    lines = [f"state       {status.state}", f"relay       {'closed: HEAT' if status.relay_closed else 'open'}"]
    if status.alarm:
        lines.insert(0, f"ALARM       {status.alarm}")
    if status.simulated:
        lines.append("bench       simulated: no oven hangs on this guard")
    if status.trip is not None:
        lines.append(f"trip        {status.trip.cause} at {status.trip.utc or '?'}: {status.trip.text}")
    if status.lease_left_s is not None:
        lines.append(f"lease       {status.lease_left_s:.0f} s left; permitted for {status.permitted_s / 60:.0f} min")
    for probe in status.probes:
        value = display.temperature_text(probe.value_c)
        why = "" if probe.quality == "good" else f" ({probe.cause}) {probe.detail}"
        lines.append(f"{probe.name:<11} {value}{why}".rstrip())
    lines += [f"no permit   {text}" for text in status.hindrances]
    lines += [f"caution     {text}" for text in status.cautions]
    counters = status.counters
    lines.append(
        f"life        {counters.get('life_closings', 0)} closings, {counters.get('life_trips', 0)} trips, "
        f"{counters.get('false_trips', 0)} of them called false"
    )
    lines.append(f"watchdog    {'petted' if status.watchdog else 'nobody watches the guard'}")
    return lines


def _drawing(args: argparse.Namespace) -> int:
    from lastbubble.guard.states import TRANSITIONS, drawing

    print(json.dumps(TRANSITIONS) if args.json else drawing(), end="" if not args.json else "\n")
    return 0


def _rules(args: argparse.Namespace) -> int:
    from lastbubble.guard.rules import RULES

    if args.json:
        rows = [
            {
                "name": rule.name,
                "setting": rule.setting.name,
                "default": rule.setting.default,
                "allowed": rule.setting.allowed,
                "unit": rule.setting.unit,
                "reaction": rule.reaction,
                "idle": rule.idle,
                "needs": rule.needs,
                "reason": rule.reason,
                "source": rule.source,
                "covers": rule.covers,
            }
            for rule in RULES
        ]
        print(json.dumps(rows, ensure_ascii=False))
        return 0
    for rule in RULES:
        low, high = rule.setting.allowed
        number = f"{rule.setting.name} {rule.setting.default:g} ({low:g}..{high:g}) {rule.setting.unit}"
        print(f"{rule.name}: {rule.reaction}, idle {rule.idle}; {number if rule.setting.name else 'no setting'}")
        print(f"    {rule.needs}. Why: {rule.reason}. Source: {rule.source}")
    return 0
