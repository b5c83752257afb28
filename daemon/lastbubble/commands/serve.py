"""`lastbubble serve`: the service."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from pathlib import Path
from types import FrameType

SUMMARY = "read the sensors, follow the batch, keep the ledger, tell broker, phone and page"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, help="the station's settings")
    parser.epilog = "example:\n  lastbubble serve --settings /etc/lastbubble/station.yaml"


def run(args: argparse.Namespace) -> int:
    from lastbubble.clock import ClockGone, clock_from_environment
    from lastbubble.guard.notify import Notifier
    from lastbubble.settings import load_settings
    from lastbubble.station import Station

    settings = load_settings(args.settings)
    logging.basicConfig(
        stream=sys.stderr,
        level=settings.log_level.upper(),
        format="level=%(levelname)s source=%(name)s %(message)s",
    )
    stop = threading.Event()
    failed: list[str] = []

    def told(signum: int, frame: FrameType | None) -> None:
        del signum, frame
        stop.set()

    def thread_died(what: threading.ExceptHookArgs) -> None:
        # A service that has lost a thread must not look alive: it ends, and is started afresh.
        name = what.thread.name if what.thread is not None else "?"
        logging.getLogger("lastbubble").critical("event=thread_died thread=%s", name, exc_info=what.exc_value)
        failed.append(name)
        stop.set()

    for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(signum, told)
    threading.excepthook = thread_died
    station = Station(settings, clock_from_environment("service"))
    notifier = Notifier()
    station.open()
    try:
        notifier.ready("following the batch")
        station.service.run(stop, notifier.pet)
    except ClockGone as exc:
        print(exc, file=sys.stderr)
        return 1
    finally:
        notifier.stopping()
        station.close()
    if failed:
        print(f"the thread {failed[0]} of the service died; its traceback is in the log above", file=sys.stderr)
        return 1
    return 0
