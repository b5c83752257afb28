"""`lastbubble batch`: open, close, list and describe batches."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from lastbubble.commands.mark import service_socket
from lastbubble.context import context_from_header
from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput
from lastbubble.units import parse

SUMMARY = "open, close, list and describe batches"


def configure(parser: argparse.ArgumentParser) -> None:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--settings", type=Path, default=None, help="the station's settings")
    common.add_argument("--socket", type=Path, default=None, help="the service's socket")
    common.add_argument("--json", action="store_true", help="answer as JSON")
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
    parser.epilog = (
        "examples:\n"
        "  lastbubble batch open 'maple blanks 7' --material maple --thickness '22 mm' --shape slab --hold '40 min'\n"
        "  lastbubble batch close\n"
        "  lastbubble batch list --settings station.yaml"
    )


_QUANTITIES = (
    ("thickness", "piece_thickness_mm", "length", 1e3),
    ("length", "piece_length_mm", "length", 1e3),
    ("width", "piece_width_mm", "length", 1e3),
    ("target_core", "target_core_c", "temperature", 1.0),
    ("hold", "hold_min", "duration", 1 / 60),
    ("soak", "soak_min", "duration", 1 / 60),
)


def header_of(args: argparse.Namespace) -> dict[str, str]:
    """The header keys that the options tell, checked. Raises BadInput naming each wrong one."""
    header: dict[str, str] = {}
    faults: list[str] = []
    for option, key, kind, factor in _QUANTITIES:
        text = getattr(args, option)
        if text is None:
            continue
        try:
            header[key] = repr(round(parse(text, kind) * factor, 6))  # type: ignore[arg-type]  # rows name kinds
        except ValueError as exc:
            faults.append(f"--{option.replace('_', '-')}: {exc}")
    for option, key in (("material", "material"), ("shape", "piece_shape"), ("witness", "witness")):
        if getattr(args, option):
            header[key] = getattr(args, option)
    if not faults:
        try:
            context_from_header(header)
        except BadInput as exc:
            faults += str(exc).splitlines()
    if faults:
        raise BadInput("\n".join(faults))
    return header


def run(args: argparse.Namespace) -> int:
    if args.act == "list":
        return _list(args)
    if args.act == "open":
        request = {"ask": "batch_open", "name": args.name, "header": header_of(args), "notes": args.notes}
    else:
        request = {"ask": "batch_close"}
    answer = ask_desk(service_socket(args), request)
    if args.json:
        print(json.dumps(answer))
    elif args.act == "open":
        print(f"batch {answer['batch']} is open")
    else:
        print(f"batch {answer['batch']} is closed")
    return 0


def _list(args: argparse.Namespace) -> int:
    if args.settings is None:
        raise BadInput("say whose batches with --settings FILE (or '--settings' of the service)")
    from lastbubble.ledger.store import read_batches
    from lastbubble.settings import load_settings

    rows = read_batches(Path(load_settings(args.settings).ledger.path))
    if args.json:
        print(json.dumps(rows))
        return 0
    for row in rows:
        print(f"{row['id']:>5}  {row['opened_utc'][:16]:<16}  {row['closed_utc'][:16] or 'open':<16}  {row['name']}")
    return 0
