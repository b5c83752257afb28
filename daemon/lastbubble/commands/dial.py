"""`lastbubble dial`: which setting gives the wanted air, learnt from this oven's logs."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from lastbubble.dial import Answer, DialModel, Stretch, learn, stretches, to_unit
from lastbubble.errors import BadInput, SettingsError
from lastbubble.records import Sample
from lastbubble.units import Display

if TYPE_CHECKING:
    from lastbubble.settings import Settings
    from lastbubble.warming import Warming

SUMMARY = "learn this oven's dial from its logs"

_PLAIN = Display()
_HOW = {
    "cycles": "steady, whole cycles",
    "flat": "steady, flat",
    "levelling": "not yet steady, extrapolated",
    "at_least": "still rising: at least this",
}


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("logs", type=Path, nargs="*", metavar="LOG.csv", help="logs with dial= marks, one a session")
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="learn from the batches of this ledger too")
    parser.add_argument("--target-c", type=float, required=True, metavar="T", help="wanted mean air, degC")
    parser.add_argument("--limit-c", type=float, metavar="L", help="the guard's limit: never recommend beyond it, degC")
    parser.add_argument("--json", action="store_true", help='answer {"dial","low","high","unit"} only')
    parser.add_argument("--settings", type=Path, help="the station's settings: the words are in its units")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw it too: FILE ends in .png, .svg or .pdf")
    parser.epilog = (
        "examples:\n"
        "  lastbubble dial maple-1.csv maple-2.csv --target-c 105\n"
        "  lastbubble dial *.csv --target-c 105 --limit-c 120 --json\n"
        "  lastbubble dial --target-c 105                      (this station's ledger and limit, by its settings)\n"
        "  lastbubble dial --ledger /var/lib/lastbubble/ledger.db --target-c 105 --plot dial.png\n\n"
        "The mean is over whole thermostat cycles, as the thermocouple reads it; low..high is an 80 % band."
    )


def run(args: argparse.Namespace) -> int:
    if not 30 <= args.target_c <= 250:
        raise BadInput(f"--target-c is {args.target_c:g}; 30 to 250 degC is allowed")
    station = _station(args.settings, needed=not args.logs and args.ledger is None)
    ledger = args.ledger
    if not args.logs and ledger is None and station is not None:
        ledger = Path(station.ledger.path)
    found, warming = _found(args.logs, ledger)
    if not found:
        raise BadInput(
            "none of the sessions has a dial= mark with warm air after it; mark the setting when you turn "
            "the dial ('lastbubble mark dial=260F'), and let the oven run until its thermostat has switched twice"
        )
    model = learn(found)
    answer = model.answer(args.target_c)
    limit_c = args.limit_c
    if limit_c is None and ledger is not None and station is not None and station.guard is not None:
        limit_c = station.guard.limit
    if limit_c is not None:
        answer = _within(model, answer, args.target_c, limit_c)
    if args.json:
        print(json.dumps(json_answer(answer)))
    else:
        from lastbubble.edge import display_of

        print("\n".join(in_words(found, answer, args.target_c, display_of(args.settings))))
        if warming is not None:
            print("\n".join(warming.in_words()))
        _check_scale(answer, station)
    if args.plot is not None:
        from lastbubble.plot_dial import plot_dial

        plot_dial(model, args.target_c, args.plot)
        print(f"drawn: {args.plot}", file=sys.stderr)
    return 0


def _station(settings: Path | None, *, needed: bool) -> Settings | None:
    """The station's settings: those named, else the usual file where it can be read.

    Raises SettingsError for named settings that cannot be used, BadInput when there are none and they are needed.
    """
    from lastbubble.settings import DEFAULT_FILE, load_settings

    if settings is not None:
        return load_settings(settings)
    try:
        return load_settings(DEFAULT_FILE)
    except SettingsError as exc:
        if needed:
            raise BadInput(
                "no log to learn from: give logs with dial= marks, --ledger FILE, or --settings FILE of a station"
            ) from exc
        return None


def _check_scale(answer: Answer, station: Settings | None) -> None:
    scale = station.oven.dial if station is not None and station.oven is not None else None
    if scale is None:
        return
    low, high = to_unit(scale.low, answer.unit), to_unit(scale.high, answer.unit)
    if not low <= answer.dial <= high:
        print(
            f"{answer.dial:.0f} {answer.unit} is not on this oven's scale ({low:.0f} to {high:.0f} {answer.unit} by "
            "the settings): no setting gives that air",
            file=sys.stderr,
        )


def _found(logs: list[Path], ledger: Path | None) -> tuple[list[Stretch], Warming | None]:
    """The stretches of all logs and of a ledger's batches, each a session of its own; how fast the oven warmed."""
    from lastbubble.ledger.logfile import read_log
    from lastbubble.warming import usual_rate, warming_k_min

    found: list[Stretch] = []
    rates: list[float] = []

    def take(samples: Iterable[Sample], name: str) -> None:
        rows = list(samples)
        rate = warming_k_min(rows)
        if rate is not None:
            rates.append(rate)
        found.extend(stretches(rows, name))

    for path in logs:
        take(read_log(path), str(path))
    if ledger is not None:
        from lastbubble.ledger.reader import Reader

        reader = Reader(ledger)
        try:
            for row in reader.batches():
                take(reader.samples(row.id), f"batch {row.id} {row.name}".strip())
        finally:
            reader.close()
    return found, usual_rate(rates)


def _within(model: DialModel, answer: Answer, target_c: float, limit_c: float) -> Answer:
    """The answer, or the highest one that keeps mean and swing below the guard's limit."""
    room = limit_c - answer.swing_k - answer.mean_spread_k
    if target_c <= room:
        return answer
    print(
        f"a mean of {target_c:g} degC with a swing of {answer.swing_k:.0f} K and {answer.mean_spread_k:.0f} K of doubt "
        f"would pass the guard's limit of {limit_c:g} degC; the setting below is for {room:.0f} degC",
        file=sys.stderr,
    )
    return model.answer(room)


def json_answer(answer: Answer) -> dict[str, float | str]:
    """The stable answer: settings to a fifth of a mark's usual step, finer than a hand can set."""
    digits = 0 if answer.unit == "F" else 1
    return {
        "dial": round(answer.dial, digits),
        "low": round(answer.low, digits),
        "high": round(answer.high, digits),
        "unit": answer.unit,
    }


def in_words(found: list[Stretch], answer: Answer, target_c: float, display: Display = _PLAIN) -> list[str]:
    """What was learnt from which session, the setting, what to expect, and what to try next."""
    unit = answer.unit

    def air(celsius: float) -> str:
        return f"{display.temperature_value(celsius):.4g} {display.temperature}"

    def wide(kelvin: float) -> str:
        return f"{display.difference_value(kelvin):.0f} {'K' if display.temperature == 'degC' else 'degF'}"

    lines = ["what each session taught:"]
    for item in found:
        sign = ">=" if item.how == "at_least" else "  "
        lines.append(
            f"  {to_unit(item.dial_c, item.unit):5.0f} {item.unit} -> {sign}"
            f"{display.temperature_value(item.mean_c):6.1f} {display.temperature} "
            f"+- {display.difference_value(item.spread_k):.1f}  swing +- {wide(item.swing_k)}  "
            f"{_HOW[item.how]}  ({item.session})"
        )
    lines += [
        f"set the dial to {answer.dial:.0f} {unit} for {air(target_c)} mean air "
        f"(80 %: {answer.low:.0f} to {answer.high:.0f} {unit})",
        f"expect {display.temperature_value(answer.mean_c):.0f} {display.temperature} "
        f"+- {display.difference_value(1.28 * answer.mean_spread_k):.0f} (80 %), swinging +- {wide(answer.swing_k)}",
        f"trying {answer.next_dial:.0f} {unit} next would teach most",
    ]
    return lines
