"""`lastbubble doctor`: what is wrong, the most important first, and the mend."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from lastbubble.doctor import Finding

SUMMARY = "what is wrong with this station, the most important first, and the mend"


def configure(parser: argparse.ArgumentParser) -> None:
    from lastbubble.settings import DEFAULT_FILE

    parser.add_argument("--settings", type=Path, default=DEFAULT_FILE, help=f"default {DEFAULT_FILE}")
    parser.add_argument("--json", action="store_true", help="for scripts")
    parser.epilog = (
        "examples:\n"
        "  lastbubble doctor\n"
        "  lastbubble doctor --settings station.yaml --json\n\n"
        "It only asks, and changes nothing. Weights: danger (heat could stay on, or be judged wrongly), broken, poor,\n"
        "note.\n"
        "exit code: 0 nothing but notes, 1 something to mend, 2 wrong use"
    )


def run(args: argparse.Namespace) -> int:
    findings = _findings(args.settings)
    wrong = any(finding.weight != "note" for finding in findings)
    if args.json:
        print(
            json.dumps({"well": not wrong, "findings": [asdict(finding) for finding in findings]}, ensure_ascii=False)
        )
        return int(wrong)
    for finding in findings:
        print(f"{finding.weight:<7} {finding.about}: {finding.found}\n        mend: {finding.mend}")
    if not findings:
        print("nothing is wrong")
    elif wrong:
        print("the first of these comes first", file=sys.stderr)
    return int(wrong)


def _findings(path: Path) -> list[Finding]:
    from lastbubble.clock import clock_from_environment
    from lastbubble.doctor import Patient, examine
    from lastbubble.errors import SettingsError
    from lastbubble.machine import Machine
    from lastbubble.settings import load

    try:
        loaded = load(path)
    except SettingsError as exc:
        mend = "mend the file (lastbubble settings check), then ask again: the rest hangs on it"
        if not path.exists():
            mend = "copy an example out of config/ there, change what is different with you"
        return [Finding("broken", "settings", fault, mend) for fault in exc.faults]
    return examine(Patient(Machine(), loaded.settings, clock_from_environment("doctor")))
