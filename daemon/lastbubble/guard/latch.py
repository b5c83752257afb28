"""The trip on the card: written whole or not at all, read back or taken as a trip.

A missing file means no trip, which is safe because a permit is never stored: after every start heat is withheld. A file
that is there and cannot be understood means tripped.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any, Final

from lastbubble.guard.protocol import TripStatus

__all__ = ["LATCH_FILE", "atomic_write", "load_latch", "store_latch"]

LATCH_FILE: Final = "trip.json"
_MAX_BYTES: Final = 65536


def atomic_write(path: Path, data: bytes) -> None:
    """Replace `path` by `data`: after a power cut it holds the old bytes or the new ones, and both are on the card.

    Raises OSError when any step fails; the old file is then still whole.
    """
    side = path.with_name(path.name + ".new")
    descriptor = os.open(side, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
    try:
        left = memoryview(data)
        while left:
            left = left[os.write(descriptor, left) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.rename(side, path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def store_latch(folder: Path, trip: TripStatus | None) -> None:
    """Latch a trip, or with None say that there is none any more. Raises OSError when it is not safely on the card."""
    record: dict[str, Any] = {"tripped": trip is not None}
    if trip is not None:
        record |= {
            "cause": trip.cause,
            "time_s": trip.time_s,
            "utc": trip.utc,
            "reading": trip.reading,
            "source": trip.source,
            "text": trip.text,
        }
    atomic_write(folder / LATCH_FILE, json.dumps(record, ensure_ascii=False, allow_nan=False).encode() + b"\n")


def load_latch(folder: Path) -> TripStatus | None:
    """The latched trip, or None when there is none. A file that cannot be read or understood is a trip of its own."""
    path = folder / LATCH_FILE
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as exc:
        return _unreadable(path, str(exc))
    try:
        if len(data) > _MAX_BYTES:
            raise ValueError("it is longer than any latch")
        record = json.loads(data)
        if record["tripped"] is False and len(record) == 1:
            return None
        if record["tripped"] is not True:
            raise ValueError(f"tripped is {record['tripped']!r}")
        reading = record["reading"]
        trip = TripStatus(
            str(record["cause"]),
            float(record["time_s"]),
            str(record["utc"]),
            None if reading is None else float(reading),
            str(record["source"]),
            str(record["text"]),
            stored=True,
        )
        if not math.isfinite(trip.time_s) or not math.isfinite(trip.reading or 0.0):
            raise ValueError("a number is not finite")
    except (ValueError, KeyError, TypeError, RecursionError) as exc:
        return _unreadable(path, str(exc))
    return trip


def _unreadable(path: Path, why: str) -> TripStatus:
    return TripStatus(
        "latch_unreadable",
        0.0,
        text=f"{path} cannot be understood ({why}); taken as a trip. Look at the oven and at the card, then reset",
        stored=True,
    )
