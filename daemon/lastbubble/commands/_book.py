"""What the commands of the batch book share: asking the running service, or the ledger itself while it is stopped."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from lastbubble.clock import RealClock
from lastbubble.commands.mark import service_socket
from lastbubble.desk import ask_desk, checked
from lastbubble.errors import BadInput

__all__ = ["ask_book", "book_options", "ledger_path", "who"]


def book_options(parser: argparse.ArgumentParser | None = None) -> argparse.ArgumentParser:
    """The options that every act of the book has: given to this parser, else as a parent of others."""
    common = argparse.ArgumentParser(add_help=False) if parser is None else parser
    common.add_argument("--settings", type=Path, default=None, help="the station's settings")
    common.add_argument("--socket", type=Path, default=None, help="the service's socket")
    common.add_argument(
        "--ledger", type=Path, default=None, help="this ledger, without the service (it must be stopped)"
    )
    common.add_argument("--json", action="store_true", help="answer as JSON")
    return common


def ledger_path(args: argparse.Namespace) -> Path:
    """--ledger, else the settings'. Raises BadInput when neither is told."""
    if args.ledger is not None:
        return Path(args.ledger)
    if args.settings is not None:
        from lastbubble.settings import load_settings

        return Path(load_settings(args.settings).ledger.path)
    raise BadInput("say which ledger: --settings FILE of the station, or --ledger FILE")


def who() -> str:
    """Who sits at this terminal: the login's name, "" when there is none."""
    return os.environ.get("SUDO_USER") or os.environ.get("USER") or ""


def ask_book(
    args: argparse.Namespace,
    request: dict[str, Any],
    planner: Callable[[Any], Callable[[dict[str, Any]], dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """The answer of the running service; with --ledger, of the ledger itself.

    planner : makes the answerer of `plan` out of an open ledger
    Raises BadInput for a refusal, and when nobody answers; LastbubbleError for a ledger that cannot be opened.
    """
    request = {key: value for key, value in request.items() if value not in (None, "", False)}
    if args.ledger is None:
        return ask_desk(service_socket(args), request)
    from lastbubble.book.keeper import Keeper
    from lastbubble.ledger.store import Ledger

    if not args.ledger.is_file():
        raise BadInput(f"{args.ledger}: there is no ledger; check the path")
    name, fields = checked(request)
    ledger = Ledger.open(args.ledger)
    try:

        def open_batch() -> int:
            row = ledger.open_batch_row()
            if row is None:
                raise BadInput("no batch is open; say which one with its number")
            return row.id

        keeper = Keeper(ledger, RealClock().utc, open_batch, planner(ledger) if planner is not None else None)
        return {"ok": True, **keeper.answer(name, fields, "bench")}
    finally:
        ledger.close()
