"""`lastbubble commission`: put the station into service, step by step, and keep the dated record."""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from lastbubble.commissioning.steps import STEPS, StepRecord, due, step, wanted

if TYPE_CHECKING:
    from lastbubble.clock import Clock
    from lastbubble.commissioning.bench import Bench, Found
    from lastbubble.settings import Settings

SUMMARY = "put the station into service step by step, and keep the dated record"

#: A step that has a command file of its own: `configure(parser)` and `run(args)`, as every command.
_OWN = {"leak": "lastbubble.commands.commission_leak"}


def configure(parser: argparse.ArgumentParser) -> None:
    from lastbubble.settings import DEFAULT_FILE

    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--settings", type=Path, default=DEFAULT_FILE, help=f"default {DEFAULT_FILE}")
    common.add_argument("--json", action="store_true", help="answer as JSON")
    acts = parser.add_subparsers(dest="act", required=True, metavar="step")
    acts.add_parser("list", help="every step: when it was done, what is due", parents=[common])
    acts.add_parser("record", help="everything on record, with dates and figures", parents=[common])
    walk = acts.add_parser("walk", help="one due step after the other, from where you left", parents=[common])
    walk.add_argument("--all", action="store_true", help="also what is not due")
    _barometer(walk)
    for row in STEPS:
        own = _OWN.get(row.name)
        if own is not None:
            if importlib.util.find_spec(own) is not None:
                one = acts.add_parser(row.name, help=row.title, formatter_class=argparse.RawDescriptionHelpFormatter)
                importlib.import_module(own).configure(one)
            continue
        one = acts.add_parser(
            row.name,
            help=row.title,
            parents=[common],
            description="\n".join([f"{row.title}: {row.why}.", "", *(f"CAUTION  {line}" for line in row.cautions)]),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if row.name == "wiring":
            one.add_argument("--again", action="store_true", help="ask everything, also what was answered yes")
        elif row.name == "points":
            _barometer(one)
        elif row.name == "base":
            one.add_argument("--minutes", type=float, default=90.0, help="the longest to wait (default 90)")
            one.add_argument("--log", type=Path, help="judge a log of such a pump-down instead of watching one")
    parser.epilog = (
        "examples:\n"
        "  lastbubble commission list\n"
        "  lastbubble commission walk\n"
        "  lastbubble commission wiring\n"
        "  lastbubble commission sensors\n"
        "  lastbubble commission points --barometer '985 mbar'\n"
        "  lastbubble commission lamp\n"
        "  lastbubble commission proof\n"
        "  lastbubble commission base --minutes 60\n"
        "  lastbubble commission dial\n"
        "  lastbubble commission survey\n"
        "  lastbubble commission phone --json\n"
        "  lastbubble commission record --json\n\n"
        "Every step can be left (answer `later`), gone on with, and taken again; the record keeps all of them.\n"
        "exit code: 0 done (list: nothing is due), 1 not done and why, 2 wrong use"
    )


def _barometer(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--barometer", metavar="P", help="pressure at the bench today, not reduced to sea level: '985 mbar'"
    )


def run(args: argparse.Namespace) -> int:
    if args.act in _OWN:
        return int(importlib.import_module(_OWN[args.act]).run(args))
    from lastbubble.clock import clock_from_environment
    from lastbubble.settings import load_settings

    settings, clock = load_settings(args.settings), clock_from_environment("commission")
    if args.act == "list":
        return _list(args, settings, clock)
    if args.act == "record":
        return _record(args, settings)
    if args.act == "walk":
        return _walk(args, settings, clock)
    return _take(args, settings, clock, args.act)


def _records(settings: Settings) -> dict[str, list[StepRecord]]:
    """What is on record; nothing where there is neither service nor ledger yet."""
    from lastbubble.commissioning.book import read

    if not Path(settings.ledger.path).exists() and not (Path(settings.runtime_dir) / "service.sock").exists():
        return {}
    return read(settings)


def _list(args: argparse.Namespace, settings: Settings, clock: Clock) -> int:
    records = _records(settings)
    steps = wanted(settings)
    open_ = {one.step.name: one for one in due(steps, records, clock.utc())}
    rows = []
    for row in steps:
        last = records[row.name][-1] if records.get(row.name) else None
        state = open_[row.name].state if row.name in open_ else "done"
        rows.append(
            {
                "step": row.name,
                "title": row.title,
                "state": state,
                "utc": last.utc if last else "",
                "text": last.text if last else "",
                "due_days": row.due_days,
                "again": row.again,
            }
        )
    if args.json:
        print(json.dumps({"due": list(open_), "steps": rows}, ensure_ascii=False))
        return int(bool(open_))
    for told in rows:
        print(f"{told['state']:<8} {str(told['utc'])[:10]:<10}  {told['step']:<8} {told['title']}")
        if told["state"] in ("failed", "begun") and told["text"]:
            print(f"{'':<30}{told['text']}")
    if open_:
        print(f"next: lastbubble commission {next(iter(open_))}", file=sys.stderr)
    return int(bool(open_))


def _record(args: argparse.Namespace, settings: Settings) -> int:
    from lastbubble.commissioning.book import values

    kept = sorted((one for records in _records(settings).values() for one in records), key=lambda one: one.utc)
    if args.json:
        print(json.dumps([values(one) for one in kept], ensure_ascii=False))
        return 0
    for one in kept:
        print(f"{one.utc:<20}  {one.step:<8} {one.outcome:<7} {one.text}")
        for name, value in one.found.items():
            if isinstance(value, int | float | str) and not isinstance(value, bool):
                print(f"{'':<22}{name} = {value}")
    if not kept:
        print("nothing is on record yet: lastbubble commission walk", file=sys.stderr)
    return 0


def _walk(args: argparse.Namespace, settings: Settings, clock: Clock) -> int:
    """One step after the other, until one is not done: what comes after hangs on it."""
    steps = wanted(settings)
    if not args.all:
        steps = [one.step for one in due(steps, _records(settings), clock.utc())]
    for row in steps:
        if row.name in _OWN:
            print(f"{row.name}: on its own: lastbubble commission {row.name} --help", file=sys.stderr)
            return 1
        code = _take(args, settings, clock, row.name)
        if code != 0:
            return code
    if not steps:
        print("nothing is due", file=sys.stderr)
    return 0


def _take(args: argparse.Namespace, settings: Settings, clock: Clock, name: str) -> int:
    from lastbubble.commissioning.bench import Bench
    from lastbubble.commissioning.book import keep, values
    from lastbubble.commissioning.person import Person
    from lastbubble.errors import BadInput

    row = step(name)
    if row not in wanted(settings):
        raise BadInput(f"this station has nothing that {name!r} is about; lastbubble commission list shows its steps")
    person = Person.at_the_terminal()
    person.say(f"{row.title}: {row.why}.")
    person.caution(row.cautions)
    bench = Bench(settings, clock, person, tuple(_records(settings).get(name, ())))
    found = _steps(args)[name](bench)
    kept = keep(settings, clock, name, found.outcome, found.text, found.values)
    if args.json:
        print(json.dumps(values(kept), ensure_ascii=False))
    else:
        print(f"{name}: {kept.outcome} on {kept.utc}: {kept.text}")
    return 0 if kept.outcome == "done" else 1


def _steps(args: argparse.Namespace) -> dict[str, Callable[[Bench], Found]]:
    from lastbubble.commissioning import heat, others, points, sensors, wiring

    return {
        "wiring": lambda bench: wiring.check_wiring(bench, again=getattr(args, "again", False)),
        "sensors": sensors.check_sensors,
        "points": lambda bench: points.check_points(bench, _pressure_pa(args, bench.settings)),
        "lamp": heat.lamp_test,
        "proof": heat.proof_test,
        "base": lambda bench: _base(args, bench),
        "dial": others.dial_survey,
        "survey": others.places_survey,
        "phone": others.phone_test,
    }


def _pressure_pa(args: argparse.Namespace, settings: Settings) -> float:
    """The barometer's own word, else what the settings tell. Raises BadInput when neither does."""
    from lastbubble.errors import BadInput
    from lastbubble.units import parse

    text = getattr(args, "barometer", None)
    if text is not None:
        try:
            return parse(text, "pressure")
        except ValueError as exc:
            raise BadInput(f"--barometer: {exc}") from exc
    if settings.barometer is None and settings.altitude is None:
        raise BadInput(
            "the steam point moves with the pressure of the air: give --barometer '985 mbar', or barometer or altitude "
            "in the settings"
        )
    return settings.barometer_pa


def _base(args: argparse.Namespace, bench: Bench) -> Found:
    from lastbubble.commissioning.base import judge_base, measure_base, said

    if getattr(args, "log", None) is None:
        return measure_base(bench, getattr(args, "minutes", 90.0))
    from lastbubble.ledger.logfile import read_log

    rows = [(one.time_s, one.chamber_pa) for one in read_log(args.log) if one.chamber_pa is not None]
    times, pressures = [t for t, _ in rows], [p for _, p in rows]
    found = judge_base(times, pressures)
    return said(found, bench.display.pressure_text, times[-1] - times[0])
