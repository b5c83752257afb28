"""`lastbubble thermometer`: read the thermocouples' raw frames and hand them to the guard."""

from __future__ import annotations

import argparse
import signal
from pathlib import Path

SUMMARY = "own the thermocouple bus: read raw frames and hand them on"


def configure(parser: argparse.ArgumentParser) -> None:
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--settings", type=Path, help="the station's settings")
    where.add_argument(
        "--config-json", type=Path, help="the thermometer's own settings as JSON (what the settings say)"
    )
    parser.epilog = "example:\n  lastbubble thermometer --settings /etc/lastbubble/station.yaml"


def run(args: argparse.Namespace) -> int:
    from lastbubble.clock import clock_from_environment
    from lastbubble.guard.notify import Notifier
    from lastbubble.guard.quietlog import install
    from lastbubble.guard.settings_child import lean_settings
    from lastbubble.thermometer import Thermometer, open_sources, settings_from_json

    text = args.config_json.read_text() if args.config_json else lean_settings("thermometer", args.settings)
    settings = settings_from_json(text)
    quiet = install()
    thermometer = Thermometer(settings, clock_from_environment("thermometer"), open_sources(settings), Notifier())
    for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(signum, thermometer.stop)
    try:
        return thermometer.run()
    finally:
        quiet.drain(0.5)
