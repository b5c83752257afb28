"""The settings of a lean process: a short-lived child reads the YAML, checks it, prints canonical JSON and is gone.

So neither the guard nor the thermometer ever holds a parser of YAML or a checker of models in its memory. It runs
before the relay's line is claimed: a child never inherits it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Final, Literal

from lastbubble.errors import SettingsError

__all__ = ["lean_settings"]

_MOST_BYTES: Final = 1 << 20


def lean_settings(room: Literal["guard", "thermometer"], file: Path) -> str:
    """The room's settings as JSON. Raises SettingsError with every fault that the child found, one a line."""
    out_read, out_write = os.pipe()
    error_read, error_write = os.pipe()
    child = os.posix_spawn(
        sys.executable,
        [sys.executable, "-m", "lastbubble.settings", room, os.fspath(file)],
        os.environ,
        file_actions=[
            (os.POSIX_SPAWN_DUP2, out_write, 1),
            (os.POSIX_SPAWN_DUP2, error_write, 2),
        ],
    )
    os.close(out_write)
    os.close(error_write)
    # A child that fails says little on stderr and nothing on stdout, so reading one after the other cannot lock up.
    text = _read_all(out_read)
    faults = _read_all(error_read)
    _pid, status = os.waitpid(child, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SettingsError(faults.strip().splitlines() or [f"{file}: the settings could not be read"])
    return text


def _read_all(descriptor: int) -> str:
    pieces: list[bytes] = []
    with os.fdopen(descriptor, "rb") as pipe:
        while len(piece := pipe.read(65536)) and sum(map(len, pieces)) < _MOST_BYTES:
            pieces.append(piece)
    return b"".join(pieces).decode(errors="replace")
