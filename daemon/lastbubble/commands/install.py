"""`lastbubble install`: units, users, folders, device rules; shows or does it."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

SUMMARY = "put in units, users, folders and device rules (--dry-run shows what)"


def configure(parser: argparse.ArgumentParser) -> None:
    from lastbubble.settings import DEFAULT_FILE

    parser.add_argument("--dry-run", action="store_true", help="show every step, do none")
    parser.add_argument("--json", action="store_true", help="the steps as JSON")
    parser.add_argument(
        "--boot",
        action="store_true",
        help="also write the relay pin's lines into the Raspberry Pi's config.txt (a restart is needed then)",
    )
    parser.add_argument("--settings", type=Path, default=DEFAULT_FILE, help=f"default {DEFAULT_FILE}")
    parser.add_argument("--no-start", action="store_true", help="put everything in; start and restart nothing")
    parser.epilog = (
        "examples:\n"
        "  lastbubble install --dry-run\n"
        "  sudo lastbubble install --boot\n\n"
        "Doing it again is an upgrade: what runs is restarted, which opens the relay until heat is permitted again.\n"
        "Ledger, settings and the guard's latch are never touched.\n"
        "exit code: 0 done, 1 not done and why, 2 wrong use"
    )


def run(args: argparse.Namespace) -> int:
    from lastbubble.doctor import CONFIG_TXT
    from lastbubble.errors import BadInput, SettingsError
    from lastbubble.installation import Block, boot_lines, do, install_steps, package_folder, say, this_command
    from lastbubble.settings import load_settings

    if not args.dry_run and os.geteuid() != 0:
        raise BadInput("this writes to /etc and makes users; run it as root (sudo), or look first with --dry-run")
    faults: tuple[str, ...] = ()
    settings = None
    try:
        settings = load_settings(args.settings)
    except SettingsError as exc:
        faults = exc.faults
    steps = install_steps(package_folder(), this_command(), start=settings is not None and not args.no_start)
    if args.boot:
        if settings is None or settings.guard is None:
            raise BadInput("--boot needs to know the relay's pin: write settings with a guard first")
        place = next((path for path in CONFIG_TXT if Path(path).exists()), CONFIG_TXT[0])
        steps.insert(0, Block(place, boot_lines(settings.guard.relay_pin)))
    if not args.dry_run:
        do(steps, told=_silent if args.json else print)
    elif not args.json:
        for step in steps:
            print(say(step))
    if args.json:
        print(json.dumps({"done": not args.dry_run, "steps": [say(step) for step in steps]}))
    if faults:
        print("\n".join(faults), file=sys.stderr)
        print(
            f"nothing is started before {args.settings} can be used: copy an example of config/ there, check it with "
            "lastbubble settings check, then install again",
            file=sys.stderr,
        )
        return 0 if args.dry_run or args.no_start else 1
    if args.boot and not args.dry_run:
        print("restart the machine, then: lastbubble doctor", file=sys.stderr)
    return 0


def _silent(text: str) -> None:
    del text
