"""A stand-in for systemd where none runs: the watchdog and the restart of one unit, with the numbers of its file.

It speaks sd_notify(3)'s datagrams. What it cannot stand in for (the sandbox, ExecStopPost, the kernel's own watchdog)
is tried in a machine of its own: `./tools/faults --vm`.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from tools.plant.wire.bench import ROOT
from tools.plant.wire.children import Child

__all__ = ["Supervisor", "unit_seconds"]

_LOOK_S: Final = 0.02


def unit_seconds(key: str, unit: str = "lastbubble-guard.service") -> float:
    """A time out of a unit file, in seconds. Raises LookupError when the unit does not give it."""
    text = (ROOT / "systemd" / unit).read_text(encoding="utf-8")
    found = re.search(rf"^{key}=(\d+(?:\.\d+)?)s?$", text, re.MULTILINE)
    if found is None:
        raise LookupError(f"{unit} has no {key}")
    return float(found.group(1))


class Supervisor:
    """Watches one process: a missed watchdog means SIGABRT, then SIGKILL, then a fresh start.

    start : starts the process with this environment added;  restart : whether a process that ended is started again
    """

    def __init__(self, folder: Path, start: Callable[[dict[str, str]], Child], *, restart: bool = True) -> None:
        self._path = folder / "notify.sock"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(os.fspath(self._path))
        self._socket.settimeout(_LOOK_S)
        self._start = start
        self._restart = restart
        self._watchdog_s = unit_seconds("WatchdogSec")
        self._abort_s = unit_seconds("TimeoutAbortSec")
        self._restart_s = unit_seconds("RestartSec")
        self._last_pet_s: float | None = None
        self._ended = threading.Event()
        #: What it did, in order.
        self.deeds: list[str] = []
        self.child = self._begin()
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Watch no more; the process is left as it is."""
        self._ended.set()
        self._thread.join(10)
        self._socket.close()

    def _begin(self) -> Child:
        self._last_pet_s = None
        return self._start(
            {"NOTIFY_SOCKET": os.fspath(self._path), "WATCHDOG_USEC": str(round(self._watchdog_s * 1e6))}
        )

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                message = self._socket.recv(4096)
            except TimeoutError:
                message = b""
            except OSError:
                return
            now_s = time.monotonic()
            if b"WATCHDOG=1" in message or b"READY=1" in message:
                self._last_pet_s = now_s
            if not self.child.alive:
                self._again()
            elif self._last_pet_s is not None and now_s - self._last_pet_s > self._watchdog_s:
                self._kill()
                self._again()

    def _kill(self) -> None:
        self.deeds.append("watchdog missed: SIGABRT")
        self.child.process.send_signal(signal.SIGABRT)
        end_s = time.monotonic() + self._abort_s
        while self.child.alive and time.monotonic() < end_s and not self._ended.is_set():
            time.sleep(_LOOK_S)
        if self.child.alive:
            self.deeds.append("SIGKILL")
            self.child.process.kill()
            self.child.process.wait()

    def _again(self) -> None:
        if not self._restart:
            self._ended.set()
            return
        self._ended.wait(self._restart_s)
        if not self._ended.is_set():
            self.deeds.append("started again")
            self.child = self._begin()
