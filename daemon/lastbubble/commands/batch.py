"""`lastbubble batch`: open, close and list batches; their pieces, notes, photos and report; everything out and in."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from lastbubble.book.begin import BEGIN_FIELDS
from lastbubble.book.begin import header_of as told_header
from lastbubble.commands._book import ask_book, book_options, ledger_path, who
from lastbubble.commands.mark import service_socket
from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput

SUMMARY = "open, close and list batches; their pieces, notes, photos, report; everything out and in"

#: The name that a line of a refusal begins with.
_FIELD: Final = re.compile(rf"^(?:{'|'.join(BEGIN_FIELDS)})\b")
_PIECE = (
    ("count", "how many are weighed together"),
    ("material", "as 'spalted maple'; without it, the batch's"),
    ("shape", "slab, cylinder, sphere or lump"),
    ("thickness", "of one, as '22 mm'; the diameter of a cylinder or sphere"),
    ("length", "of one"),
    ("width", "of one"),
    ("volume", "bulk volume of all by displacement, as '84 ml'"),
    ("solid", "volume that all displace once their pores are full, as '31 ml'"),
    ("dry", "mass of all before, as '412.3 g' (its last digit, or '+- 0.5 g', tells how well it is known)"),
    ("wet", "mass of all after the soak, drained"),
    ("cured", "mass of all after the cure"),
    ("porosity", "where it is known, as '22 +- 3 %%'"),
    ("grain", "density of the solid, as '2.71 g/ml'"),
    ("note", "anything else"),
)


def configure(parser: argparse.ArgumentParser) -> None:
    common = book_options()
    acts = parser.add_subparsers(dest="act", required=True, metavar="act")
    begin = acts.add_parser("open", help="begin a batch (the open one is closed)", parents=[common])
    begin.add_argument("name", nargs="?", default="")
    begin.add_argument("--material", help="a name of the materials table, as 'maple'")
    begin.add_argument("--thickness", help="of the thickest piece, with its unit, as '22 mm' or '0.875 in'")
    begin.add_argument("--length", help="the piece's length, with its unit")
    begin.add_argument("--width", help="the piece's width, with its unit")
    begin.add_argument("--shape", choices=("slab", "cylinder", "sphere"))
    begin.add_argument("--target-core", help="core temperature to reach, with its unit, as '200 degF'")
    begin.add_argument("--hold", help="time at the core's target, as '30 min'")
    begin.add_argument("--soak", help="time under the resin after venting, as '2 h'")
    begin.add_argument("--witness", choices=("slowest", "other"), help="which piece the witness probe is in")
    begin.add_argument("--notes", default="")
    acts.add_parser("close", help="close the open batch", parents=[common])
    acts.add_parser("list", help="all batches of the ledger", parents=[common])
    piece = acts.add_parser("piece", help="keep a piece, or what has become known of it", parents=[common])
    piece.add_argument("label", help="its name in the batch, as '1' or 'A3'")
    for name, line in _PIECE:
        piece.add_argument(f"--{name}", help=line)
    piece.add_argument("--remove", action="store_true", help="take it out of the book")
    note = acts.add_parser("note", help="write a note into the book", parents=[common])
    note.add_argument("text")
    photo = acts.add_parser("photo", help="keep where a photo is; the file stays where it is", parents=[common])
    photo.add_argument("path", type=Path)
    photo.add_argument("--note", default="")
    for act in (piece, note, photo):
        act.add_argument("--batch", type=int, help="its number; without it, the open batch")
        act.add_argument("--who", default=who(), help="who tells it")
    show = acts.add_parser("show", help="pieces, uptake, earlier batches of the same material", parents=[common])
    show.add_argument("batch", type=int, nargs="?")
    report = acts.add_parser("report", help="one page about a batch, for the screen and for paper", parents=[common])
    report.add_argument("batch", type=int)
    report.add_argument("-o", "--output", type=Path, required=True, help="the page to write, as report.html")
    out = acts.add_parser("export", help="everything as CSV and JSON, into a folder", parents=[common])
    out.add_argument("batch", type=int, nargs="*", help="only these batches")
    out.add_argument("-o", "--output", type=Path, required=True, help="a new or empty folder")
    into = acts.add_parser("import", help="an exported folder into a ledger, without loss", parents=[common])
    into.add_argument("folder", type=Path)
    parser.epilog = (
        "examples:\n"
        "  lastbubble batch open 'maple blanks 7' --material maple --thickness '22 mm' --shape slab --hold '40 min'\n"
        "  lastbubble batch piece 1 --shape slab --thickness '22 mm' --length '120 mm' --width '80 mm' --dry '95.2 g'\n"
        "  lastbubble batch piece 1 --wet '215.1 g'\n"
        "  lastbubble batch note 'resin ran cloudy'\n"
        "  lastbubble batch photo before.jpg --note 'before the resin'\n"
        "  lastbubble batch show\n"
        "  lastbubble batch close\n"
        "  lastbubble batch list --settings station.yaml\n"
        "  lastbubble batch report 7 -o report.html --settings station.yaml\n"
        "  lastbubble batch export -o everything --settings station.yaml\n"
        "  lastbubble batch import everything --ledger new.db"
    )


def header_of(args: argparse.Namespace) -> dict[str, str]:
    """The header keys that the options tell, checked. Raises BadInput naming each wrong one."""
    try:
        return told_header({name: getattr(args, name) for name in BEGIN_FIELDS})
    except BadInput as exc:
        faults = [_FIELD.sub(lambda found: f"--{found[0].replace('_', '-')}", line) for line in str(exc).split("\n")]
        raise BadInput("\n".join(faults)) from exc


def run(args: argparse.Namespace) -> int:
    acts: dict[str, Callable[[argparse.Namespace], int]] = {
        "open": _open,
        "close": _close,
        "list": _list,
        "piece": _piece,
        "note": _note,
        "photo": _photo,
        "show": _show,
        "report": _report,
        "export": _export,
        "import": _import,
    }
    return acts[args.act](args)


def _open(args: argparse.Namespace) -> int:
    request = {"ask": "batch_open", "name": args.name, "header": header_of(args), "notes": args.notes}
    answer = ask_desk(service_socket(args), request)
    print(json.dumps(answer) if args.json else f"batch {answer['batch']} is open")
    return 0


def _close(args: argparse.Namespace) -> int:
    answer = ask_desk(service_socket(args), {"ask": "batch_close"})
    print(json.dumps(answer) if args.json else f"batch {answer['batch']} is closed")
    return 0


def _list(args: argparse.Namespace) -> int:
    from lastbubble.ledger.store import read_batches

    rows = read_batches(ledger_path(args))
    if args.json:
        print(json.dumps(rows))
        return 0
    for row in rows:
        print(f"{row['id']:>5}  {row['opened_utc'][:16]:<16}  {row['closed_utc'][:16] or 'open':<16}  {row['name']}")
    return 0


def _told(args: argparse.Namespace, answer: dict[str, Any], line: str) -> int:
    print(json.dumps(answer, ensure_ascii=False) if args.json else line)
    return 0


def _piece(args: argparse.Namespace) -> int:
    from lastbubble.book.story import summary_lines

    names = ("label", "batch", "who", "remove", *(name for name, _ in _PIECE))
    answer = ask_book(args, {"ask": "batch_piece", **{name: getattr(args, name) for name in names}})
    return _told(args, answer, "\n".join(summary_lines(answer)))


def _note(args: argparse.Namespace) -> int:
    answer = ask_book(args, {"ask": "batch_note", "batch": args.batch, "text": args.text, "who": args.who})
    return _told(args, answer, f"noted in batch {answer['batch']}")


def _photo(args: argparse.Namespace) -> int:
    import hashlib

    path = args.path.absolute()
    try:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as exc:
        raise BadInput(f"{path}: cannot be read ({exc.strerror}); check the path and your rights") from exc
    request = {"ask": "batch_photo", "batch": args.batch, "path": str(path), "sha256": digest, "note": args.note,
               "who": args.who}  # fmt: skip
    answer = ask_book(args, request)
    return _told(args, answer, f"batch {answer['batch']} has {answer['photos']} photos; keep the file where it is")


def _show(args: argparse.Namespace) -> int:
    from lastbubble.book.story import batch_book, summary_lines
    from lastbubble.ledger.reader import Reader

    if args.batch is not None and (args.ledger is not None or args.settings is not None):
        reader = Reader(ledger_path(args))
        try:
            answer = batch_book(reader, args.batch)
        finally:
            reader.close()
    else:
        answer = ask_book(args, {"ask": "batch_show", "batch": args.batch})
    return _told(args, answer, "\n".join(summary_lines(answer)))


def _report(args: argparse.Namespace) -> int:
    from lastbubble.book.report import report_html
    from lastbubble.ledger.reader import Reader
    from lastbubble.units import Display

    display = Display()
    if args.settings is not None:
        from lastbubble.settings import load_settings

        display = load_settings(args.settings).to_display()
    reader = Reader(ledger_path(args))
    try:
        page = report_html(reader, args.batch, display, photos=True)
    finally:
        reader.close()
    try:
        args.output.write_text(page, encoding="utf-8")
    except OSError as exc:
        raise BadInput(f"{args.output}: cannot be written ({exc.strerror}); check the folder and your rights") from exc
    told = {"batch": args.batch, "report": str(args.output), "bytes": len(page.encode())}
    return _told(args, told, f"report of batch {args.batch}: {args.output}")


def _export(args: argparse.Namespace) -> int:
    from lastbubble.book.transfer import export_everything
    from lastbubble.ledger.reader import Reader

    reader = Reader(ledger_path(args))
    try:
        told = export_everything(reader, args.output, args.batch or None)
    finally:
        reader.close()
    return _told(args, told, f"{told['batches']} batches, {told['samples']} samples, {told['records']} records, "
                             f"{told['lots']} resin lots in {args.output}")  # fmt: skip


def _import(args: argparse.Namespace) -> int:
    from lastbubble.book.transfer import import_everything
    from lastbubble.ledger.store import Ledger

    ledger = Ledger.open(ledger_path(args))
    try:
        told = import_everything(ledger, args.folder)
        if not ledger.flush(600):
            raise BadInput(f"{ledger.path}: not everything is on the card: {ledger.health.text}")
    finally:
        ledger.close()
    numbers = ", ".join(f"{old} as {new}" if old != new else f"{new}" for old, new in told["batches"].items())
    return _told(args, told, f"batches {numbers or 'none'}; {told['samples']} samples, {told['records']} records, "
                             f"{told['lots']} resin lots")  # fmt: skip
