"""`lastbubble plan`: when each moment that needs you comes, when to start, how much resin, what to prepare."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping
from typing import Any

from lastbubble.commands._book import ask_book, book_options

SUMMARY = "when each moment that needs you comes, when to start, how much resin, what to prepare"

_PIECE = (
    ("material", "as 'spalted maple'"),
    ("shape", "slab (the default), cylinder, sphere"),
    ("thickness", "of the thickest piece, as '22 mm'"),
    ("length", "of a piece"),
    ("width", "of a piece"),
    ("count", "how many"),
    ("porosity", "where it is known, as '60 %%'"),
    ("vessel-diameter", "what the resin stands in, inside: its diameter, as '24 cm'"),
    ("vessel-length", "or its length"),
    ("vessel-width", "and width"),
    ("vessel-height", "its height"),
    ("cover", "resin over the pieces, as '20 mm'"),
    ("soak", "as '8 h'; without it, the settings'"),
    ("hold", "as '45 min'"),
    ("target-core", "as '200 degF'"),
    ("start", "only for this start, as '08:30' or '2026-03-01 08:30'"),
    ("lot", "the resin lot; without it, the last batch's"),
)


def configure(parser: argparse.ArgumentParser) -> None:
    book_options(parser)
    for name, line in _PIECE:
        parser.add_argument(f"--{name}", help=line)
    parser.add_argument("--standing", action="store_true", help="the pieces stand on their ends")
    parser.add_argument("--keep", action="store_true", help="keep it: the batch is then shown against it as it runs")
    parser.epilog = (
        "Without pieces, those of the open batch count ('lastbubble batch piece'). All times are bands: one in ten "
        "comes before the first, one in ten after the last.\n\n"
        "examples:\n"
        "  lastbubble plan --material maple --thickness '22 mm' --length '120 mm' --width '80 mm' --count 4\n"
        "  lastbubble plan --vessel-diameter '24 cm' --vessel-height '30 cm'\n"
        "  lastbubble plan --start 07:30 --keep"
    )


def run(args: argparse.Namespace) -> int:
    request: dict[str, Any] = {"ask": "plan", "standing": args.standing, "keep": args.keep}
    request |= {name.replace("-", "_"): getattr(args, name.replace("-", "_")) for name, _ in _PIECE}
    answer = ask_book(args, request, _planner(args))
    print(json.dumps(answer, ensure_ascii=False) if args.json else "\n".join(plan_lines(answer)))
    return 0


def _planner(args: argparse.Namespace) -> Callable[[Any], Callable[[dict[str, Any]], dict[str, Any]]]:
    def make(ledger: Any) -> Callable[[dict[str, Any]], dict[str, Any]]:
        from lastbubble.book.keeper import Keeper
        from lastbubble.book.planner import Planner, PlanSettings
        from lastbubble.clock import RealClock
        from lastbubble.context import Context
        from lastbubble.errors import BadInput

        base, settings = Context(), PlanSettings()
        if args.settings is not None:
            from lastbubble.settings import load_settings

            loaded = load_settings(args.settings)
            base, settings = loaded.to_context(), loaded.to_plan()

        def open_batch() -> int:
            row = ledger.open_batch_row()
            if row is None:
                raise BadInput("no batch is open")
            return int(row.id)

        utc = RealClock().utc
        return Planner(ledger, utc, base, settings, open_batch, lots=Keeper(ledger, utc, open_batch).lot_states)

    return make


def plan_lines(plan: Mapping[str, Any]) -> list[str]:
    """The plan in lines for a terminal."""
    out = []
    if plan["progress"]:
        out.append("the open batch against its plan")
        out += [
            f"  {row['words']:<32} {row['planned']:<34} {row['happened']:<40} {row['off']}".rstrip()
            for row in plan["progress"]
        ]
    out += ["take care", *(f"  {text}" for text in plan["cautions"])]
    if plan["starts"]:
        out.append(
            f"when to start, so that you are awake ({plan['awake'][0]} to {plan['awake'][1]}) when you are needed"
        )
        for one in plan["starts"]:
            out.append(f"  {one['clock']:<10} {one['inside']:>4.0%} that nothing waits for you, "
                       f"on average {one['wait_s'] / 3600:.1f} h of waiting")  # fmt: skip
    out.append("moments, if started then" if not plan["told_start"] else "moments")
    for moment in plan["moments"]:
        first, middle, last = moment["clock"]
        needs = "you" if moment["person"] else ""
        band = middle if first == last else f"{middle}  ({first} to {last})"
        night = f"  {1 - moment['awake']:.0%} at night" if moment["person"] and moment["awake"] < 0.995 else ""
        out.append(f"  {needs:<4} {moment['words']:<32} {band}{night}")
    out += [f"  ! {text}" for text in plan["resin"]["remarks"]]
    out += ["to prepare", *(f"  - {text}" for text in plan["prepare"])]
    out += ["rests on", *(f"  {text}" for text in plan["basis"])]
    if plan.get("kept"):
        out.append(f"kept for {plan['kept']}")
    return out
