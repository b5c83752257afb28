"""How much chance the random tests take: a smaller amount by default, all of it with LASTBUBBLE_LONG=1."""

from __future__ import annotations

import os

__all__ = ["LONG", "RANDOM_BYTES", "RANDOM_FRAMES"]

LONG = os.environ.get("LASTBUBBLE_LONG") == "1"
#: Random thermocouple frames, and random bytes for each decoder of lines.
RANDOM_FRAMES = 1_000_000 if LONG else 30_000
RANDOM_BYTES = 10_000_000 if LONG else 2_000_000
