"""`lastbubble uninstall`: takes out what `install` put in; the data stays."""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

SUMMARY = "take out units and rules again; ledger, settings and users stay"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--dry-run", action="store_true", help="show every step, do none")
    parser.add_argument("--json", action="store_true", help="the steps as JSON")
    parser.epilog = (
        "examples:\n"
        "  lastbubble uninstall --dry-run\n"
        "  sudo lastbubble uninstall\n\n"
        "exit code: 0 done, 1 not done and why, 2 wrong use"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.doctor import CONFIG_TXT
    from lastbubble.errors import BadInput
    from lastbubble.installation import do, package_folder, say, uninstall_steps

    if not args.dry_run and os.geteuid() != 0:
        raise BadInput("this removes files in /etc; run it as root (sudo), or look first with --dry-run")
    boot = next((path for path in CONFIG_TXT if Path(path).exists()), None)
    steps = uninstall_steps(package_folder(), boot)
    if not args.dry_run:
        do(steps, told=_silent if args.json else print)
    elif not args.json:
        for step in steps:
            print(say(step))
    if args.json:
        print(json.dumps({"done": not args.dry_run, "steps": [say(step) for step in steps]}))
    if args.dry_run or args.json:
        return 0
    print("left as they are: /etc/lastbubble, /var/lib/lastbubble, /var/lib/lastbubble-guard, and the users")
    return 0


def _silent(text: str) -> None:
    del text
