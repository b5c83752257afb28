"""`lastbubble settings`: check a file, show what was understood, print the schema."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

SUMMARY = "check a settings file, print the schema"


def configure(parser: argparse.ArgumentParser) -> None:
    from lastbubble.settings import DEFAULT_FILE

    parser.epilog = (
        "examples:\n"
        "  lastbubble settings check station.yaml\n"
        "  lastbubble settings show station.yaml\n"
        "  lastbubble settings schema > settings.schema.json\n"
        "  lastbubble settings reference > docs/settings.md\n\n"
        "exit code: 0 the settings can be used, 1 they cannot (every fault on stderr), 2 wrong use"
    )
    what = parser.add_subparsers(dest="what", required=True, metavar="what")
    for name, line in (
        ("check", "name every fault of a settings file: line, key, finding, what is allowed, the mend"),
        ("show", "every value as it was understood, in SI, and where it came from"),
    ):
        one = what.add_parser(name, help=line, description=line[0].upper() + line[1:] + ".")
        one.add_argument("file", type=Path, nargs="?", default=DEFAULT_FILE, help=f"default {DEFAULT_FILE}")
        one.add_argument("--json", action="store_true", help="for scripts")
    line = "a JSON Schema of the file, for editors that check while you write"
    what.add_parser("schema", help=line, description=line[0].upper() + line[1:] + ".")
    line = "the settings page of the documentation, from the models"
    what.add_parser("reference", help=line, description=line[0].upper() + line[1:] + ".")


def run(args: argparse.Namespace) -> int:
    if args.what == "schema":
        from lastbubble.settings.schema import json_schema

        print(json.dumps(json_schema(), indent=2, ensure_ascii=False))
        return 0
    if args.what == "reference":
        from lastbubble.settings.reference import markdown

        sys.stdout.write(markdown())
        return 0
    return _show(args) if args.what == "show" else _check(args)


def _check(args: argparse.Namespace) -> int:
    from lastbubble.errors import SettingsError
    from lastbubble.settings import load
    from lastbubble.settings.remarks import remarks

    try:
        loaded = load(args.file)
        # The rooms judge once more what they are given; nothing is started to find out.
        loaded.settings.to_context()
        loaded.settings.to_gauge_scale()
        if loaded.settings.oven is not None:
            loaded.settings.to_guard()
            loaded.settings.to_thermometer()
    except SettingsError as exc:
        if args.json:
            print(json.dumps({"ok": False, "faults": list(exc.faults), "remarks": []}, ensure_ascii=False))
        else:
            print(exc, file=sys.stderr)
            count = len(exc.faults)
            print(f"{count} fault{'s' if count > 1 else ''}; nothing was started with these settings", file=sys.stderr)
        return 1
    said = remarks(loaded)
    if args.json:
        print(json.dumps({"ok": True, "faults": [], "remarks": said}, ensure_ascii=False))
        return 0
    for remark in said:
        print(remark, file=sys.stderr)
    print(f"{args.file}: good")
    return 0


def _show(args: argparse.Namespace) -> int:
    from lastbubble.settings import load
    from lastbubble.settings.show import rows_json, rows_text

    loaded = load(args.file)
    print(json.dumps(rows_json(loaded), ensure_ascii=False) if args.json else rows_text(loaded))
    return 0
