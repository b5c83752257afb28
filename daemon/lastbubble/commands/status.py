"""`lastbubble status`: what the bench is doing now, and what comes next."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

SUMMARY = "what the bench is doing now, and what comes next"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, default=None, help="the station's settings")
    parser.add_argument("--socket", type=Path, default=None, help="the service's socket")
    parser.add_argument("--json", action="store_true", help="everything, as JSON")
    parser.epilog = "example:\n  lastbubble status --settings /etc/lastbubble/station.yaml"


def run(args: argparse.Namespace) -> int:
    from lastbubble.commands.mark import service_socket
    from lastbubble.desk import ask_desk

    answer = ask_desk(service_socket(args), {"ask": "status"})
    answer.pop("ok", None)
    if args.json:
        print(json.dumps(answer))
        return 0
    from lastbubble.edge import display_of
    from lastbubble.outlets.page.view import texts

    display = display_of(args.settings)
    words = texts(answer, display)
    for label, name in (
        ("stage", "stage"), ("", "since"), ("next", "next"), ("chamber", "chamber"), ("oven air", "oven"),
        ("", "oven_trust"), ("core", "core"), ("", "band"), ("witness", "witness"), ("", "witness_trust"),
        ("held", "hold"), ("heat", "heat"), ("forecast", "forecast"),
        ("caution", "cautions"), ("alarm", "alarms"), ("health", "health"),
    ):  # fmt: skip
        if name == "witness" and answer.get("witness_c") is None and "witness" not in answer.get("faults", {}):
            continue  # a station without one
        for line in words[name].splitlines():
            print(f"{label:<10}{line}")
    return 0
