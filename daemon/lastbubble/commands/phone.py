"""`lastbubble phone`: a test message to every channel."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from lastbubble.commands.mark import service_socket

SUMMARY = "send a test message to the phone, and say for each channel whether it left"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("act", choices=("test",), help="send the test message, past quiet hours and outbox")
    parser.add_argument("--socket", type=Path, default=None, help="the service's socket")
    parser.add_argument("--settings", type=Path, default=None, help="the station's settings (tell where the socket is)")
    parser.add_argument("--json", action="store_true", help="the answer as JSON")
    parser.epilog = (
        "Exit code 1 when a channel did not take it. The lamp at the bench is the alarm; the phone is comfort.\n\n"
        "examples:\n  lastbubble phone test\n  lastbubble phone test --json"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.desk import ask_desk

    channels = ask_desk(service_socket(args), {"ask": "phone_test"})["channels"]
    if args.json:
        print(json.dumps(channels))
    else:
        for one in channels:
            print(f"{one['channel']}: {one['outcome']}{' (' + one['why'] + ')' if one['why'] else ''}")
    return 0 if all(one["outcome"] == "sent" for one in channels) else 1
