"""`lastbubble mark`: say what you just did at the bench."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from lastbubble.desk import ask_desk, check_mark
from lastbubble.errors import BadInput

SUMMARY = "say what you just did: rocked, vented, drained, oven_loaded, dial=260F ..."


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("mark", nargs="+", help="one or more of the log's marks")
    parser.add_argument("--socket", type=Path, default=None, help="the service's socket")
    parser.add_argument("--settings", type=Path, default=None, help="the station's settings (tell where the socket is)")
    parser.add_argument("--json", action="store_true", help="answer as JSON")
    parser.epilog = (
        "Marks are evidence, never commands, and never required.\n\n"
        "examples:\n  lastbubble mark vented\n  lastbubble mark dial=260F\n  lastbubble mark drained oven_loaded"
    )


def run(args: argparse.Namespace) -> int:
    for mark in args.mark:
        check_mark(mark)
    path = service_socket(args)
    for mark in args.mark:
        answer = ask_desk(path, {"ask": "mark", "mark": mark})
        print(json.dumps(answer) if args.json else f"noted: {mark}")
    return 0


def service_socket(args: argparse.Namespace) -> Path:
    """Where the service listens: --socket, else the settings' runtime folder, else the default one.

    Raises BadInput when the settings are broken.
    """
    if args.socket is not None:
        return Path(args.socket)
    if args.settings is not None:
        from lastbubble.settings import load_settings

        return Path(load_settings(args.settings).runtime_dir) / "service.sock"
    default = Path("/run/lastbubble/service.sock")
    if not default.exists():
        raise BadInput(
            f"{default} is not there: the service does not run, or it runs with other settings; "
            "give them with --settings FILE"
        )
    return default
