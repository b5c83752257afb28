"""`lastbubble commission leak`: the empty, dry chamber shut off from the pump and left alone, live or from a log."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from lastbubble.errors import BadInput
from lastbubble.pipeline.leak_meaning import LeakMeaning, meaning_of
from lastbubble.pipeline.leak_test import LEAST_S, LeakVerdict, judge_leak, leak_of_log

if TYPE_CHECKING:
    from lastbubble.clock import Clock
    from lastbubble.commissioning.bench import Bench
    from lastbubble.commissioning.steps import Outcome
    from lastbubble.settings import Settings

SUMMARY = "leak test of the empty, dry chamber"

EVERY_S = 2.0
#: Kinds of verdict that give a figure to keep for the station.
_KEPT = ("tight", "straight", "bends over")


def configure(parser: argparse.ArgumentParser) -> None:
    from lastbubble.settings import DEFAULT_FILE

    parser.description = (
        "Pump the empty, dry chamber down for half an hour, shut the valve towards the pump, and wait. The rise of the "
        "pressure is the most that can leak (pressure-rise principle, EN 1779)."
    )
    parser.add_argument("--log", type=Path, help="judge the isolations of a log instead of watching the chamber")
    parser.add_argument("--minutes", type=float, default=10.0, help="how long to watch (default 10, 2 at least)")
    parser.add_argument("--volume", type=float, metavar="L", help="litres of the empty chamber, over settings and log")
    parser.add_argument("--settings", type=Path, default=DEFAULT_FILE, help=f"default {DEFAULT_FILE}")
    parser.add_argument("--json", action="store_true", help="answer as JSON")
    parser.epilog = (
        "examples:\n"
        "  lastbubble commission leak\n"
        "  lastbubble commission leak --minutes 20\n"
        "  lastbubble commission leak --log dry-run.csv --volume 8.5 --json\n\n"
        "exit code: 0 judged and nothing to mend, 1 something to mend or not done, 2 wrong use"
    )


def run(args: argparse.Namespace) -> int:
    if args.volume is not None and not 0.05 <= args.volume <= 1000:
        raise BadInput(f"--volume is {args.volume:g}; allowed 0.05 to 1000 litres")
    if not LEAST_S / 60 <= args.minutes <= 24 * 60:
        raise BadInput(f"--minutes is {args.minutes:g}; allowed {LEAST_S / 60:g} to 1440")
    return _of_log(args) if args.log is not None else _live(args)


def _of_log(args: argparse.Namespace) -> int:
    from lastbubble.context import context_from_header
    from lastbubble.ledger.logfile import read_log

    log = read_log(args.log)
    context = context_from_header(log.header)
    volume_l = args.volume or context.chamber_volume_l
    speed = None if context.pump_l_min is None else context.pump_l_min / 60e3
    try:
        verdicts = leak_of_log(log, volume_l)
    except BadInput as exc:
        raise BadInput(f"{args.log}: {exc}") from exc
    for number, verdict in enumerate(verdicts, 1):
        _tell(verdict, _meaning(verdict, volume_l, speed), args.json, f"isolation {number}: ")
    return int(any(_poor(verdict) for verdict in verdicts))


def _live(args: argparse.Namespace) -> int:
    from lastbubble.clock import clock_from_environment
    from lastbubble.commissioning.bench import Bench
    from lastbubble.commissioning.book import keep
    from lastbubble.commissioning.person import Later, Person
    from lastbubble.commissioning.steps import step
    from lastbubble.settings import load_settings

    settings, clock = load_settings(args.settings), clock_from_environment("commission")
    person = Person.at_the_terminal()
    row = step("leak")
    person.say(f"{row.title}: {row.why}.")
    person.caution(row.cautions)
    try:
        if not person.yes("Is the chamber empty, clean and dry, and has it been pumped for half an hour?"):
            return _leave(settings, clock, "the chamber was not ready yet")
        person.ready("Shut the valve between chamber and pump, leave the pump running, then press Enter.")
    except Later:
        return _leave(settings, clock, "not begun at the bench yet")
    times, pressures = watch(Bench(settings, clock, person), args.minutes)
    context = settings.to_context()
    volume_l = args.volume or context.chamber_volume_l
    verdict = judge_leak(times, pressures, volume_l)
    meaning = _meaning(verdict, volume_l, None if context.pump_l_min is None else context.pump_l_min / 60e3)
    values = {"leak_pa_s": round(max(verdict.rise_pa_s, 0.0), 6)} if verdict.kind in _KEPT else {}
    outcome: Outcome = "failed" if _poor(verdict) else "done" if verdict.kind in _KEPT else "begun"
    keep(settings, clock, "leak", outcome, verdict.text, values)
    _tell(verdict, meaning, args.json)
    person.say("Open the valve towards the running pump again; let air in before you stop the pump.")
    return 0 if outcome == "done" else 1


def watch(bench: Bench, minutes: float) -> tuple[list[float], list[float]]:
    """The shut chamber's pressure for so long: seconds since the start, Pa."""
    from lastbubble.progress import progress

    times: list[float] = []
    pressures: list[float] = []
    began = bench.clock.now()
    with progress(minutes * 60, "shut off") as show:
        while (gone := bench.clock.now() - began) <= minutes * 60:
            value = bench.chamber_pa()
            times.append(gone)
            pressures.append(value)
            show(gone, bench.display.pressure_text(value))
            bench.clock.sleep(EVERY_S)
    return times, pressures


def _leave(settings: Settings, clock: Clock, text: str) -> int:
    from lastbubble.commissioning.book import keep

    keep(settings, clock, "leak", "begun", text, {})
    print(f"leak: begun: {text}")
    return 1


def _meaning(verdict: LeakVerdict, volume_l: float | None, speed_m3_s: float | None) -> LeakMeaning | None:
    if verdict.rate_pa_m3_s is None or volume_l is None or verdict.kind not in ("straight", "bends over", "comes late"):
        return None
    return meaning_of(max(verdict.rate_pa_m3_s, 0.0), volume_l / 1e3, speed_m3_s)


def _poor(verdict: LeakVerdict) -> bool:
    from lastbubble.pipeline.leak_test import POOR_PA_M3_S

    rate = verdict.rate_pa_m3_s
    return verdict.kind == "straight" and rate is not None and rate > POOR_PA_M3_S


def _tell(verdict: LeakVerdict, meaning: LeakMeaning | None, as_json: bool, before: str = "") -> None:
    if as_json:
        print(json.dumps({**asdict(verdict), "meaning": None if meaning is None else asdict(meaning)}))
        return
    print(f"{before}{verdict.kind}: {verdict.text}")
    if meaning is not None:
        print(f"  {meaning.text}")
    elif verdict.rate_pa_m3_s is None:
        print("  Tell the chamber's volume (--volume, or chamber.volume in the settings) for Pa m3/s and mbar l/s.")
