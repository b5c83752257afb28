"""What settings may be and a person should know all the same: said by `settings check`, and at every start."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from lastbubble.settings.contradictions import LOOPBACK
from lastbubble.settings.faults import Path, path_text
from lastbubble.settings.load import Loaded
from lastbubble.settings.models import Settings

__all__ = ["remarks"]

Remark = tuple[Path, str]


def remarks(loaded: Loaded) -> list[str]:
    """Each `file:line: key: what to know`, in the order of the file."""
    found = [remark for judge in _JUDGES for remark in judge(loaded.settings)]
    lines = [(loaded.source.line(path), path, text) for path, text in found]
    return [
        f"{loaded.source.name}:{line}: {path_text(path)}: {text}" if line else f"{loaded.source.name}: {text}"
        for line, path, text in sorted(lines, key=lambda one: one[0])
    ]


def _simulated(settings: Settings) -> Iterator[Remark]:
    if settings.simulated:
        yield (
            ("simulated",),
            "SIMULATED BENCH: sensors and relay may be replaced by a program; a real oven must never run with it",
        )


def _no_barometer(settings: Settings) -> Iterator[Remark]:
    if settings.barometer is None and settings.altitude is None and settings.chamber is not None:
        yield (
            ("barometer",),
            "neither barometer nor altitude is written, so the air counts as 1013.25 hPa; "
            "depths of vacuum are off by up to 4 % of an atmosphere, more in the mountains",
        )


def _name_that_changes(settings: Settings) -> Iterator[Remark]:
    gauge = settings.chamber.gauge if settings.chamber else None
    if gauge is not None and gauge.kind != "adc" and re.fullmatch(r"/dev/tty(USB|ACM)\d+", gauge.port):
        yield (
            ("chamber", "gauge", "port"),
            f"{gauge.port} may be another adapter after the next plug; take the name below /dev/serial/by-id/",
        )


#: Further above the cure than this, the limit protects the oven and not the pieces (common practice, no published
#: source) [K].
FAR_K: Final = 45.0


def _limit_far_above(settings: Settings) -> Iterator[Remark]:
    if settings.guard is not None and settings.guard.limit > settings.cure.target_core + FAR_K:
        room_k = settings.guard.limit - settings.cure.target_core
        yield (
            ("guard", "limit"),
            f"it is {room_k:.0f} K above cure.target_core; the lower it is, the sooner a runaway dial is noticed",
        )


def _password_in_the_open(settings: Settings) -> Iterator[Remark]:
    mqtt = settings.mqtt
    if mqtt is not None and mqtt.password is not None and not mqtt.tls and mqtt.host not in LOOPBACK:
        yield (("mqtt", "password"), "it crosses the network in the clear; set mqtt.tls: true")


_JUDGES: Final[list[Callable[[Settings], Iterator[Remark]]]] = [
    _simulated,
    _no_barometer,
    _name_that_changes,
    _limit_far_above,
    _password_in_the_open,
]
