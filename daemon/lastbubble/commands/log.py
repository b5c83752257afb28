"""`lastbubble log`: batches out of the ledger, logs in, also other people's."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from lastbubble.clock import RealClock
from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput, LogError
from lastbubble.records import Record, Sample

if TYPE_CHECKING:
    from lastbubble.ledger.logfile import Row

SUMMARY = "export a batch as a log, import a log (also other people's)"


def configure(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True, metavar="act")
    out = acts.add_parser("export", help="write a batch of the ledger as a log")
    out.add_argument("batch", type=int, help="the batch's number ('lastbubble batch list' shows them)")
    out.add_argument("-o", "--output", default="-", help="the log to write ('-': standard output)")
    out.add_argument("--records", type=Path, help="write the batch's record stream too, as JSON Lines")
    out.add_argument("--book", type=Path, help="write everything but the samples too, as JSON")
    _ledger_options(out)
    into = acts.add_parser("import", help="read a log into the ledger, or into a log of our form")
    into.add_argument("log", type=Path)
    into.add_argument("--map", type=Path, help="how a foreign log's columns, units and times become ours (YAML)")
    into.add_argument("-o", "--output", help="write a log of our form instead of importing into the ledger")
    into.add_argument("--name", default="", help="name of the new batch")
    into.add_argument("--without-records", action="store_true", help="keep the samples only, do not run the pipeline")
    _ledger_options(into)
    away = acts.add_parser("remove", help="take closed batches out of the ledger for good, and give their room back")
    away.add_argument("batch", type=int, nargs="+")
    away.add_argument("--yes", action="store_true", help="do not ask")
    _ledger_options(away)
    check = acts.add_parser("check", help="read a log to its end and say what is in it")
    check.add_argument("log", type=Path)
    check.add_argument("--json", action="store_true", help="answer as JSON")
    draft = acts.add_parser("map", help="draft a map for a foreign log")
    draft.add_argument("log", type=Path, nargs="?")
    draft.add_argument("--example", action="store_true", help="print a map with every key instead")
    parser.epilog = (
        "examples:\n"
        "  lastbubble log export 7 -o maple-blanks.csv --settings station.yaml\n"
        "  lastbubble log import maple-blanks.csv --ledger /var/lib/lastbubble/ledger.db\n"
        "  lastbubble log map theirs.csv > theirs.yaml\n"
        "  lastbubble log import theirs.csv --map theirs.yaml -o ours.csv\n"
        "  lastbubble log check ours.csv\n"
        "  lastbubble log remove 3 4 5 --settings station.yaml   (with the service stopped)"
    )


def _ledger_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--ledger", type=Path, help="the ledger's file")
    parser.add_argument("--settings", type=Path, help="the station's settings (tell where the ledger is)")
    parser.add_argument("--json", action="store_true", help="answer as JSON")


def run(args: argparse.Namespace) -> int:
    acts: dict[str, Callable[[argparse.Namespace], int]] = {
        "export": _export,
        "import": _import,
        "remove": _remove,
        "check": _check,
        "map": _map,
    }
    return acts[args.act](args)


def _ledger_path(args: argparse.Namespace) -> Path:
    if args.ledger is not None:
        return Path(args.ledger)
    if args.settings is not None:
        from lastbubble.settings import load_settings

        return Path(load_settings(args.settings).ledger.path)
    raise BadInput("say which ledger: --ledger FILE, or --settings FILE of the station")


def _export(args: argparse.Namespace) -> int:
    from lastbubble.ledger.exchange import batch_json, export_batch, export_records
    from lastbubble.ledger.reader import Reader

    reader = Reader(_ledger_path(args))
    try:
        told: dict[str, object] = {"batch": args.batch, "rows": export_batch(reader, args.batch, args.output)}
        told["log"] = args.output
        if args.records is not None:
            told["records"] = export_records(reader, args.batch, args.records)
        if args.book is not None:
            text = json.dumps(batch_json(reader, args.batch), ensure_ascii=False, indent=1)
            try:
                args.book.write_text(text + "\n", encoding="utf-8")
            except OSError as exc:
                raise LogError(
                    f"{args.book}: cannot be written ({exc.strerror}); check the folder and your rights"
                ) from exc
    finally:
        reader.close()
    if args.output == "-":
        return 0  # the log itself is the answer
    print(json.dumps(told) if args.json else f"batch {args.batch}: {told['rows']} rows in {args.output}")
    return 0


def _opened(args: argparse.Namespace) -> tuple[dict[str, str], Context, tuple[str, ...], Iterable[Row]]:
    """Head, context, names of foreign columns and rows of the log that is to come in."""
    if args.map is None:
        from lastbubble.ledger.logfile import read_log

        log = read_log(args.log)
        return log.header, log.context(), log.extra, log.rows()
    from lastbubble.ledger.foreign import read_foreign
    from lastbubble.ledger.log_map import load_map

    foreign = read_foreign(args.log, load_map(args.map))
    try:
        context = context_from_header(foreign.header)
    except BadInput as exc:
        raise LogError("\n".join(f"{args.map}: header: {line}" for line in str(exc).splitlines())) from exc
    return foreign.header, context, foreign.extra, foreign


def _import(args: argparse.Namespace) -> int:
    header, context, extra, rows = _opened(args)
    if args.output is not None:
        from lastbubble.ledger.logfile import write_rows

        count = write_rows(args.output, header, extra, rows)
        if args.output != "-":
            print(json.dumps({"log": args.output, "rows": count}) if args.json else f"{count} rows in {args.output}")
        return 0
    from lastbubble.ledger.exchange import import_rows
    from lastbubble.ledger.store import Ledger

    ledger = Ledger.open(_ledger_path(args))
    try:
        done = import_rows(
            ledger,
            context,
            header,
            extra,
            rows,
            now_utc=RealClock().utc(),
            name=args.name,
            records_of=_silent if args.without_records else _pipeline(context),
        )
        if not ledger.flush(120):
            raise BadInput(f"{ledger.path}: not everything is on the card: {ledger.health.text}")
        records = ledger.record_count(done.batch)
    finally:
        ledger.close()
    if args.json:
        told = {"batch": done.batch, "rows": done.rows, "records": records, "broken": str(done.broken or "")}
        print(json.dumps(told))
    else:
        print(f"batch {done.batch}: {done.rows} rows, {records} records")
    if done.broken is not None:
        print(f"{done.broken}\nthe rows before it are kept", file=sys.stderr)
        return 1
    return 0


def _silent(_: Sample) -> Sequence[Record]:
    return ()


def _pipeline(context: Context) -> Callable[[Sample], Sequence[Record]]:
    from lastbubble.pipeline.pipeline import Pipeline

    return Pipeline(context).feed


def _remove(args: argparse.Namespace) -> int:
    from lastbubble.ledger.card import compact
    from lastbubble.ledger.store import Ledger

    path = _ledger_path(args)
    if not path.is_file():
        raise BadInput(f"{path}: there is no ledger; check the settings' ledger path")
    ledger = Ledger.open(path)
    try:
        names = ", ".join(f"{batch} ({ledger.batch(batch).name or 'without a name'})" for batch in args.batch)
        if not args.yes and not _agreed(f"Remove batch {names} for good? Type yes: "):
            print("nothing was removed", file=sys.stderr)
            return 1
        for batch in args.batch:
            ledger.remove_batch(batch)
        if not ledger.flush(120):
            raise BadInput(f"{path}: not everything is on the card: {ledger.health.text}")
    finally:
        ledger.close()
    gained_b = compact(path)
    told = {"removed": args.batch, "gained_bytes": gained_b}
    print(json.dumps(told) if args.json else f"removed {names}; {gained_b / 1e6:.1f} MB given back")
    return 0


def _agreed(question: str) -> bool:
    print(question, end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() == "yes"


def _check(args: argparse.Namespace) -> int:
    from lastbubble.ledger.logfile import COLUMNS, read_log

    log = read_log(args.log)
    log.context()
    count, first_s, last_s, longest_s = 0, 0.0, 0.0, 0.0
    filled = dict.fromkeys(COLUMNS, 0)
    fields = {"mark": "marks"}
    for sample in log:
        first_s = first_s if count else sample.time_s
        longest_s = max(longest_s, sample.time_s - last_s) if count else 0.0
        last_s = sample.time_s
        count += 1
        for name in COLUMNS:
            filled[name] += getattr(sample, fields.get(name, name)) not in (None, (), "")
    told = {
        "rows": count,
        "first_s": first_s,
        "last_s": last_s,
        "longest_gap_s": longest_s,
        "filled": {name: number for name, number in filled.items() if number},
        "kept": list(log.extra),
        "header": log.header,
    }
    if args.json:
        print(json.dumps(told, ensure_ascii=False))
        return 0
    print(f"{count} rows from {first_s:g} to {last_s:g} s, the longest gap {longest_s:g} s")
    for name in COLUMNS:
        if name in log.columns:
            print(f"  {name:<12} {filled[name]} of {count}")
    for name in log.extra:
        print(f"  {name:<12} not ours; kept, otherwise ignored")
    return 0


def _map(args: argparse.Namespace) -> int:
    from lastbubble.ledger.foreign import draft_map
    from lastbubble.ledger.log_map import EXAMPLE

    if args.log is None and not args.example:
        raise BadInput("say for which log, or ask for --example")
    sys.stdout.write(EXAMPLE if args.example else draft_map(args.log))
    return 0
