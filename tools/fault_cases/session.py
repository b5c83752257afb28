"""What all cases of a run share: a broker in a process of its own, and a subscriber that hears everything."""

from __future__ import annotations

import os
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tools.fault_cases.rig import World, free_port
from tools.plant.wire.bench import ROOT
from tools.plant.wire.children import Child
from tools.tryout.subscriber import Subscriber

__all__ = ["session"]

_START_S: Final = 60.0


@contextmanager
def session() -> Iterator[World]:
    """Raises TimeoutError when the broker does not come up."""
    folder = Path(tempfile.mkdtemp(prefix="lbf-"))
    address = ("127.0.0.1", free_port())
    env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'daemon'}", "PYTHONUNBUFFERED": "1"}
    broker = Child(
        "broker",
        [sys.executable, "-m", "tools.tryout.broker", str(address[1])],
        folder / "broker.log",
        env,
        folder=ROOT,
    )
    subscriber: Subscriber | None = None
    try:
        end_s = time.monotonic() + _START_S
        while not _listens(address):
            if time.monotonic() > end_s or not broker.alive:
                raise TimeoutError(f"the broker does not listen: {broker.last_words()}")
            time.sleep(0.05)
        subscriber = Subscriber(*address, folder / "received.jsonl")
        heard = subscriber.latest
        yield World(address, lambda topic: heard.get(topic, ""))
    finally:
        if subscriber is not None:
            subscriber.close()
        broker.end()
        shutil.rmtree(folder, ignore_errors=True)


def _listens(address: tuple[str, int]) -> bool:
    try:
        socket.create_connection(address, timeout=0.5).close()
    except OSError:
        return False
    return True
