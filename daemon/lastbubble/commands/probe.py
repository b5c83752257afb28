"""`lastbubble probe`: check a probe in ice and steam; survey the oven for its coolest place."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from lastbubble.errors import BadInput
from lastbubble.physics.fixed_points import CHECK_DUE_DAYS, steam_point_c, two_points

if TYPE_CHECKING:
    from lastbubble.survey import SurveyMap
    from lastbubble.units import Kind

SUMMARY = "check a probe in ice and steam, survey the oven for its coolest place"


def configure(parser: argparse.ArgumentParser) -> None:
    acts = parser.add_subparsers(dest="act", required=True, metavar="act")
    check = acts.add_parser("check", help="judge a probe's readings in stirred ice water and in steam")
    check.add_argument("--ice", required=True, metavar="SHOWN", help="reading in stirred ice water, as '0.6 degC'")
    check.add_argument("--steam", required=True, metavar="SHOWN", help="reading in the steam over boiling water")
    where = check.add_mutually_exclusive_group(required=True)
    where.add_argument("--barometer", metavar="P", help="pressure at the bench, not reduced to sea level: '985 mbar'")
    where.add_argument("--altitude", metavar="H", help="height of the bench above the sea: '600 m'")
    check.add_argument("--json", action="store_true", help="for machines")
    walk = acts.add_parser("survey", help="map the oven: one log for each place at which the second probe lay")
    walk.add_argument("runs", nargs="+", metavar="PLACE=LOG.csv", help="a place's name and its log")
    walk.add_argument("--json", action="store_true", help="the map as it is kept with the station")
    walk.add_argument(
        "--keep", action="store_true", help="keep the map with the station, dated (see commission record)"
    )
    walk.add_argument("--settings", type=Path, help="the station's settings, for --keep")
    parser.epilog = (
        "examples:\n"
        "  lastbubble probe check --ice '0.6 degC' --steam '98.9 degC' --barometer '985 mbar'\n"
        "  lastbubble probe survey front=front.csv rear=rear.csv middle=middle.csv\n"
        "  lastbubble probe survey front=front.csv rear=rear.csv --keep --settings station.yaml"
    )


def run(args: argparse.Namespace) -> int:
    return _check(args) if args.act == "check" else _survey(args)


def _quantity(option: str, text: str, kind: Kind) -> float:
    from lastbubble.units import parse

    try:
        return parse(text, kind)
    except ValueError as exc:
        raise BadInput(f"--{option}: {exc}") from exc


def _check(args: argparse.Namespace) -> int:
    from lastbubble.physics.atmosphere import standard_pressure_pa

    ice, steam = _quantity("ice", args.ice, "temperature"), _quantity("steam", args.steam, "temperature")
    try:
        if args.barometer is not None:
            pressure = _quantity("barometer", args.barometer, "pressure")
        else:
            pressure = standard_pressure_pa(_quantity("altitude", args.altitude, "length"))
        found = two_points(ice, steam, pressure)
    except ValueError as exc:
        raise BadInput(str(exc)) from exc
    if args.json:
        print(json.dumps(asdict(found)))
        return 0 if found.good else 1
    print(found.text)
    if found.good:
        print("for the probe's settings:\n  calibration:")
        for shown, actual in found.points:
            print(f'    - {{shown: "{shown:g} degC", actual: "{actual:g} degC"}}')
        print(f"check it again in {CHECK_DUE_DAYS} days, and after any work on the probe")
        if args.altitude is not None:
            print(f"by altitude alone the steam point ({steam_point_c(pressure):.1f} degC) is good to +-0.6 K")
    return 0 if found.good else 1


def _survey(args: argparse.Namespace) -> int:
    from lastbubble.ledger.logfile import read_log
    from lastbubble.survey import survey

    runs = {}
    for text in args.runs:
        place, equals, path = text.partition("=")
        if not (equals and place and path):
            raise BadInput(f"{text!r} is not PLACE=LOG.csv, as rear=rear.csv")
        if place in runs:
            raise BadInput(f"place {place!r} comes twice; give each place one log")
        runs[place] = read_log(Path(path))
    try:
        found = survey(runs)
    except BadInput:
        raise
    except ValueError as exc:
        raise BadInput(str(exc)) from exc
    print(found.to_json() if args.json else "\n".join(found.in_words()))
    if args.keep:
        _keep(found, args.settings)
    return 0


def _keep(found: SurveyMap, settings: Path | None) -> None:
    from lastbubble.clock import clock_from_environment
    from lastbubble.commissioning.book import keep
    from lastbubble.commissioning.others import survey_values
    from lastbubble.settings import DEFAULT_FILE, load_settings

    station = load_settings(settings or DEFAULT_FILE)
    text = found.in_words()[len(found.places)]
    record = keep(station, clock_from_environment("probe"), "survey", "done", text, survey_values(found))
    print(f"kept with the station on {record.utc}", file=sys.stderr)
