"""`lastbubble replay`: a log through the pipeline."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Final

from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput, LogError
from lastbubble.records import Caution, Event, Forecast, Record, Stage, Trip, record_line

SUMMARY = "run a log through the pipeline and print the record stream"

#: A stage that began so long before it was said is dated in words [s].
HINDSIGHT_S: Final = 300.0


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", type=Path, help="a log in the project's CSV form ('lastbubble log import' makes one)")
    parser.add_argument("--json", action="store_true", help="print the record stream as JSON Lines")
    parser.add_argument("--settings", type=Path, help="what the log's header does not tell is taken from here")
    parser.add_argument("--history", type=Path, metavar="LEDGER", help="use the station's earlier batches as a prior")
    parser.add_argument(
        "--plot", type=Path, metavar="FILE", help="draw the batch too: FILE ends in .png, .svg, .pdf or .html"
    )
    parser.epilog = (
        "examples:\n"
        "  lastbubble replay maple-blanks.csv\n"
        "  lastbubble replay maple-blanks.csv --json > stream.jsonl\n"
        "  lastbubble replay maple-blanks.csv --plot batch.png"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.ledger.logfile import read_log
    from lastbubble.replay import replay

    base = Context()
    if args.settings is not None:
        from lastbubble.settings import load_settings

        base = load_settings(args.settings).to_context()
    log = read_log(args.log)
    try:
        context = context_from_header(log.header, base)
    except BadInput as exc:
        raise LogError("\n".join(f"{args.log}: header: {line}" for line in str(exc).splitlines())) from exc
    if args.history is not None and not context.history:
        context = _with_history(context, args.history)
    write = sys.stdout.write
    for record in replay(context, log):
        write((record_line(record) if args.json else in_words(record)) + "\n")
    if args.plot is not None:
        from lastbubble.plot import plot_log

        plot_log(context, read_log(args.log), args.plot)
        print(f"drawn: {args.plot}", file=sys.stderr)
    return 0


def _with_history(context: Context, ledger: Path) -> Context:
    from dataclasses import replace

    from lastbubble.history import history_of
    from lastbubble.ledger.reader import Reader

    reader = Reader(ledger)
    try:
        return replace(context, history=history_of(reader, context))
    finally:
        reader.close()


def clock_text(time_s: float) -> str:
    """Seconds of the log as h:mm:ss."""
    sign = "-" if time_s < 0 else ""
    whole = round(abs(time_s))
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def in_words(record: Record) -> str:
    """One line for a person; times are h:mm:ss from the log's zero."""
    head = f"{clock_text(record.t):>9}  {record.kind:<8}  "
    match record:
        case Stage():
            name = head + record.stage.replace("_", " ")
            if record.since is None or record.t - record.since < HINDSIGHT_S:
                return name
            return f"{name} since {clock_text(record.since)}, as is seen only now"
        case Event():
            sure = "" if record.sure is None else f", {record.sure:.0%} sure"
            basis = f", by {record.basis}" if record.basis else ""
            return head + f"{record.name.replace('_', ' ')} at {clock_text(record.since)}{sure}{basis}"
        case Forecast():
            return head + (
                f"{record.target.replace('_', ' ')}: {clock_text(record.p50)} "
                f"(between {clock_text(record.p10)} and {clock_text(record.p90)})"
            )
        case Caution():
            return head + record.cause.replace("_", " ") + (f": {record.text}" if record.text else "")
        case Trip():
            return head + f"the guard has opened the relay: {record.cause.replace('_', ' ')}"
