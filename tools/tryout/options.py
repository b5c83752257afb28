"""The try-out's options."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["Options", "parse"]


WORLD: Final = "tools.plant.wire.world:make"


@dataclass(frozen=True, slots=True)
class Options:
    """once : end after the batch;  quiet : no live view, the summary on stderr only if something is wrong
    speed : at most so many bench seconds a real second, None: as fast as it goes;  seed : of the plant
    folder : where log and streams are left;  keep : leave the bench's own folder too
    broker : host and port of a broker that runs, None: an embedded one;  witness : with a probe inside a piece
    page : serve the station page;  limit_s : real time after which it is given up               [s]
    """

    once: bool = False
    quiet: bool = False
    speed: float | None = None
    seed: int = 1
    folder: Path = Path("tryout")
    keep: bool = False
    broker: tuple[str, int] | None = None
    scenario: str = "short_day"
    gauge: str = "serial"
    witness: bool = False
    page: bool = True
    limit_s: float = 600.0
    world: str = WORLD


def _host_port(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise argparse.ArgumentTypeError(f"{text!r} is not HOST:PORT, as localhost:1883")
    return host, int(port)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.1 <= speed <= 1e6:
        raise argparse.ArgumentTypeError(f"{text!r} is no speed; allowed: 0.1 to 1000000 (1 is real time)")
    return speed


def parse(argv: Sequence[str]) -> Options:
    """The options of a command line; exits with 2 on wrong use."""
    parser = argparse.ArgumentParser(
        prog="./tools/try",
        description=(
            "Runs one accelerated batch on the simulated bench, through the real processes, from wire to phone. "
            "An invented two-person workshop stabilises chalk turquoise slabs and spalted maple blanks."
        ),
        epilog=(
            "It leaves in the folder: batch.csv (the log), batch.jsonl (the record stream as it was said live), "
            "received.jsonl (what a subscriber got from the broker), notices.jsonl (what the phone got), bench.json "
            "(what was truly so), and the processes' logs. Exit code 0 only if the batch completed and nothing was "
            "lost."
        ),
    )
    parser.add_argument("--once", action="store_true", help="end after the batch, do not serve the page on")
    parser.add_argument("--quiet", action="store_true", help="no live view; one line at the end, more if it went wrong")
    parser.add_argument("--speed", type=_speed, help="at most so many times real time (default: as fast as it goes)")
    parser.add_argument("--seed", type=int, default=1, help="of everything that is by chance on the bench (default 1)")
    parser.add_argument("--scenario", default="short_day", help="of the simulated bench (default short_day)")
    parser.add_argument("--gauge", choices=("serial", "asked", "modbus"), default="serial", help="how the gauge speaks")
    parser.add_argument("--witness", action="store_true", help="with a second probe, inside a piece")
    parser.add_argument("--broker", type=_host_port, metavar="HOST:PORT", help="use this broker, not an embedded one")
    parser.add_argument("--dir", type=Path, default=Path("tryout"), dest="folder", help="where to leave the files")
    parser.add_argument("--keep", action="store_true", help="leave the bench's own folder too (ledger, settings)")
    parser.add_argument("--no-page", action="store_false", dest="page", help="without the station page")
    parser.add_argument("--limit", type=float, default=600.0, dest="limit_s", help="give up after so many real seconds")
    # For tests of the try-out itself, on another plant.
    parser.add_argument("--world", default=WORLD, help=argparse.SUPPRESS)
    return Options(**vars(parser.parse_args(argv)))
