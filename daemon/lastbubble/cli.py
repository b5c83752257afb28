"""The `lastbubble` command: finds the thing asked for and hands over.

`lastbubble <thing> ...` imports only `lastbubble.commands.<thing>` (dashes become underscores), so that a guard starts
without what the page needs. A command module has `SUMMARY` (one line), `configure(parser)` and `run(args) -> int`.
Exit codes: 0 done, 1 no (and why, on stderr), 2 wrong use, 130 stopped by the person.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys
from collections.abc import Iterator, Sequence
from types import ModuleType
from typing import Final

from lastbubble import __version__
from lastbubble.errors import LastbubbleError

__all__ = ["COMMANDS", "EXIT_CODES", "command_parser", "leaves", "main", "whole_parser"]

#: Every command, in the order in which help shows them, with its one line.
COMMANDS: Final[dict[str, str]] = {
    "serve": "read the sensors, follow the batch, keep the ledger, tell broker, phone and page",
    "guard": "own the relay's line: run it, or permit, withhold, reset, prove from the bench",
    "thermometer": "own the thermocouple bus: read raw frames and hand them on",
    "batch": "open, close and list batches; their pieces, notes, photos, report; everything out and in",
    "resin": "lots of resin: opened, topped up, warm or cold, how old, contaminated",
    "plan": "when each moment that needs you comes, when to start, how much resin, what to prepare",
    "mark": "say what you just did: rocked, vented, drained, oven_loaded, dial=260F ...",
    "status": "what the bench is doing now, and what comes next",
    "replay": "run a log through the pipeline and print the record stream",
    "dial": "learn this oven's dial from its logs",
    "probe": "check a probe in ice and steam, survey the oven for its coolest place",
    "log": "export a batch as a log, import a log (also other people's)",
    "settings": "check a settings file, print the schema",
    "page": "make the password under which the page may be opened beyond this machine",
    "phone": "send a test message to the phone, and say for each channel whether it left",
    "commission": "put the station into service step by step, and keep the dated record",
    "doctor": "what is wrong with this station, the most important first, and the mend",
    "install": "put in units, users, folders and device rules (--dry-run shows what)",
    "uninstall": "take out units and rules again; ledger, settings and users stay",
    "completion": "the script that lets a shell complete commands, options and files",
}
EXIT_CODES: Final = "exit code: 0 done, 1 no and why (on standard error), 2 wrong use, 130 stopped by you"


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"lastbubble.commands.{name.replace('-', '_')}")


def leaves(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    """The parser itself and everything below it, each once."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in dict.fromkeys(action.choices.values()):
                yield from leaves(inner)


def _finish(name: str, command: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Give every act its own of the command's examples, and tell exit codes where they are not told."""
    lines = (command.epilog or "").splitlines()
    for inner in leaves(command):
        inner.formatter_class = argparse.RawDescriptionHelpFormatter
        if inner is not command and not inner.epilog:
            act = re.escape(inner.prog[inner.prog.index(f"lastbubble {name}") :])
            own = [line for line in lines if re.match(rf"\s+(?:sudo |.*\| )?{act}(?:\s|$)", line)]
            inner.epilog = "\n".join(["examples:", *own]) if own else None
        if "exit code" not in (inner.epilog or ""):
            inner.epilog = f"{inner.epilog or ''}\n\n{EXIT_CODES}".strip()
    return command


def command_parser(name: str) -> argparse.ArgumentParser:
    """The parser of one command, whole: options, acts, examples, exit codes."""
    command = argparse.ArgumentParser(
        prog=f"lastbubble {name}", description=COMMANDS[name][0].upper() + COMMANDS[name][1:] + "."
    )
    _module(name).configure(command)
    return _finish(name, command)


def whole_parser() -> argparse.ArgumentParser:
    """Every command in one parser; for completion, never for running (it imports everything)."""
    parser = argparse.ArgumentParser(prog="lastbubble")
    parser.add_argument("--version", action="store_true", help="the version")
    things = parser.add_subparsers(dest="thing")
    for name, line in COMMANDS.items():
        one = things.add_parser(name, help=line)
        _module(name).configure(one)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line; returns its exit code."""
    # The models' matrices are small: threads of the linear algebra would only take the cores that the guard may need.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="lastbubble",
        description="Watches vacuum stabilising and the oven cure, and cuts the heat at hard limits.",
        epilog="things:\n"
        + "\n".join(f"  {name:<12} {line}" for name, line in COMMANDS.items())
        + "\n\nexamples:\n  lastbubble status\n  lastbubble doctor\n  lastbubble batch open --help\n\n"
        + EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"lastbubble {__version__}")
    parser.add_argument("thing", choices=list(COMMANDS), metavar="thing", help="one of the things below")
    parser.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    args = parser.parse_args(words)
    command = command_parser(args.thing)
    try:
        code = int(_module(args.thing).run(command.parse_args(args.rest)))
        sys.stdout.flush()
    except LastbubbleError as exc:
        print(exc, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has gone; nothing is left to say, and the interpreter must not say it again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return code
