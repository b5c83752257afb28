"""The guard's import budget, in a fresh interpreter: no network, bus, numbers, model or database library."""

from __future__ import annotations

import subprocess
import sys

NEVER = {
    "numpy", "scipy", "pydantic", "yaml", "sqlite3", "paho", "aiohttp", "asyncio", "ssl", "serial", "busio", "board",
    "apprise", "http.client", "urllib.request",
}  # fmt: skip
CODE = """
import sys
import lastbubble.guard.loop, lastbubble.guard.core, lastbubble.guard.startup, lastbubble.commands.guard
print("\\n".join(sys.modules))
"""


def test_the_guard_stays_lean() -> None:
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True, timeout=60)
    loaded = set(done.stdout.split())
    assert "lastbubble.guard.loop" in loaded
    assert loaded & NEVER == set()
    rooms = {name.split(".")[1] for name in loaded if name.startswith("lastbubble.")}
    assert not rooms & {"pipeline", "ledger", "outlets", "settings", "service"}
