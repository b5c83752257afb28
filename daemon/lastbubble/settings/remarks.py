"""What settings may be and a person should know all the same: said by `settings check`, and at every start."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

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


_JUDGES: Final[list[Callable[[Settings], Iterator[Remark]]]] = [_simulated, _no_barometer]
