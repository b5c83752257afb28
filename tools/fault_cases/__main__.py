"""python -m tools.fault_cases: see --help."""

from __future__ import annotations

import argparse
import fnmatch
import json
import os
import signal
import sys
import time
from dataclasses import asdict, fields
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "daemon"), str(ROOT)]

from tools.fault_cases.cases import CASES  # noqa: E402  # the path first
from tools.fault_cases.judge import run_case  # noqa: E402
from tools.fault_cases.plan import Case, Outcome  # noqa: E402
from tools.fault_cases.session import session  # noqa: E402
from tools.fault_cases.table import markdown  # noqa: E402


def _chosen(patterns: list[str], quick: bool) -> list[Case]:
    """Cases whose name, or a row of whom, matches one of the patterns."""
    return [
        case
        for case in CASES
        if (not quick or case.quick)
        and (
            not patterns
            or any(
                fnmatch.fnmatchcase(word, pattern) or pattern in word
                for pattern in patterns
                for word in (case.name, *case.rows)
            )
        )
    ]


def _line(case: Case, outcome: Outcome, took_s: float) -> str:
    after = "" if outcome.after_s is None else f"{outcome.after_s:.2f} s {outcome.clock}"
    recorded, told = "+".join(outcome.recorded) or "-", "+".join(outcome.told) or "-"
    text = (
        f"{'safe  ' if outcome.safe else 'UNSAFE'}  {case.name:<26} {outcome.reaction:<28} {after:>14}  "
        f"seen by {outcome.seen_by or '-'}; recorded {recorded}; told {told}   [{took_s:.0f} s]"
    )
    return text + (f"\n        {outcome.finding}" if outcome.finding else "")


def _seen(path: Path) -> dict[str, Outcome]:
    """The outcomes in the lines of --json; of a case that is there twice the later one counts."""
    names = {field.name for field in fields(Outcome)}
    outcomes: dict[str, Outcome] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        if "case" in row:
            outcomes[row["case"]] = Outcome(**{name: row[name] for name in names})
    return outcomes


def main(argv: list[str]) -> int:
    """Exit code 0 when all were safe, 1 when one was not, 2 for wrong use."""
    parser = argparse.ArgumentParser(
        prog="tools/faults",
        description="Starts the real guard, thermometer and service on the simulated bench, breaks something below "
        "them, and sees whether the heat goes off; and that it stays on where nothing is wrong.",
        epilog="examples:\n  ./tools/faults\n  ./tools/faults --only bus_ --only F-41\n"
        "  ./tools/faults --quick --json\n"
        "  ./tools/faults --vm          the same in a machine of its own, with a real systemd",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--only", action="append", default=[], metavar="PATTERN", help="names or row ids; may be repeated"
    )
    parser.add_argument("--quick", action="store_true", help="a few rows of each kind")
    parser.add_argument("--list", action="store_true", help="say what there is and do nothing")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="one object a line, the count last")
    how.add_argument("--markdown", action="store_true", help="the fault table of docs/safety.md")
    parser.add_argument("--seen", type=Path, metavar="FILE", help="no run: what an earlier one with --json has given")
    args = parser.parse_args(argv)
    cases = _chosen(args.only, args.quick)
    if not cases:
        print(f"no case matches {', '.join(args.only)}; --list names them", file=sys.stderr)
        return 2
    if args.list:
        for case in cases:
            print(f"{case.name:<28} {' '.join(case.rows):<18} {case.fault}")
        return 0
    outcomes: dict[str, Outcome] = {}
    if args.seen is not None:
        outcomes = _seen(args.seen)
        print(markdown(outcomes))
        return int(any(not outcome.safe for outcome in outcomes.values()))
    with session() as world:
        for case in cases:
            begun_s = time.monotonic()
            if case.needs_root and os.geteuid() != 0:
                print(f"not run: {case.name} puts a disk of its own somewhere, which takes root", file=sys.stderr)
                continue
            outcome = outcomes[case.name] = run_case(case, world)
            took_s = time.monotonic() - begun_s
            if args.json:
                print(
                    json.dumps({"case": case.name, "rows": case.rows, "fault": case.fault, **asdict(outcome)}),
                    flush=True,
                )
            else:
                print(_line(case, outcome, took_s), file=sys.stderr if args.markdown else sys.stdout, flush=True)
    unsafe = sum(not outcome.safe for outcome in outcomes.values())
    if args.markdown:
        print(markdown(outcomes))
    count = {"injected": len(outcomes), "safe": len(outcomes) - unsafe, "unsafe": unsafe}
    if args.json:
        print(json.dumps(count))
    else:
        text = f"{count['injected']} injected, {count['safe']} safe, {unsafe} unsafe"
        print(text, file=sys.stderr if args.markdown else sys.stdout)
    return 1 if unsafe else 0


if __name__ == "__main__":
    # Told to end, it takes its station down with it as after Ctrl-C.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
