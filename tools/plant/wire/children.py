"""The try-out's processes: started on a leash, in sessions of their own, ended in order and for certain."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Final

__all__ = ["Child", "Children"]

_LEASH: Final = Path(__file__).with_name("leash.py")
#: Real time that a process has for ending by itself [s].
_PATIENCE_S: Final = 6.0


class Child:
    """One process and everything it starts: a session of its own, so that Ctrl-C at a terminal does not reach it."""

    def __init__(
        self,
        name: str,
        command: Sequence[str],
        log: Path,
        env: Mapping[str, str],
        *,
        pipes: bool = False,
        folder: Path | None = None,
    ) -> None:
        self.name = name
        self.log = log
        with log.open("ab") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-I", "-S", str(_LEASH), str(os.getpid()), str(int(signal.SIGTERM)), *command],
                stdin=subprocess.PIPE if pipes else subprocess.DEVNULL,
                stdout=subprocess.PIPE if pipes else sink,
                stderr=sink,
                env=dict(env),
                cwd=folder,
                start_new_session=True,
            )

    @property
    def pid(self) -> int:
        """Its process number."""
        return self.process.pid

    @property
    def alive(self) -> bool:
        """Whether it still runs."""
        return self.process.poll() is None

    @property
    def stdin(self) -> IO[bytes]:
        """Its input, where it was started with pipes."""
        assert self.process.stdin is not None
        return self.process.stdin

    @property
    def stdout(self) -> IO[bytes]:
        """Its output, likewise."""
        assert self.process.stdout is not None
        return self.process.stdout

    def last_words(self, lines: int = 8) -> str:
        """The end of its log."""
        try:
            return "\n".join(self.log.read_text(encoding="utf-8", errors="replace").splitlines()[-lines:])
        except OSError:
            return ""

    def end(self, patience_s: float = _PATIENCE_S) -> int:
        """SIGTERM, and SIGKILL to its whole session when that was not enough; returns the exit code."""
        if self.alive:
            self.process.terminate()
            try:
                self.process.wait(patience_s)
            except subprocess.TimeoutExpired:
                pass
        # Also when it has ended: what it started may still be there.
        try:
            os.killpg(self.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            pass
        code = self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                try:
                    stream.close()
                except BrokenPipeError:
                    pass
        return code

    def cpu_s(self) -> float:
        """Processor time so far, user and system [s]; 0 once it is gone."""
        try:
            words = Path(f"/proc/{self.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
            return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")
        except (OSError, IndexError, ValueError):
            return 0.0


class Children:
    """All of them, by name, in the order of starting."""

    def __init__(self) -> None:
        self._all: dict[str, Child] = {}
        self.codes: dict[str, int] = {}

    def __getitem__(self, name: str) -> Child:
        return self._all[name]

    def __contains__(self, name: str) -> bool:
        return name in self._all

    def add(self, child: Child) -> Child:
        """Look after this one too."""
        self._all[child.name] = child
        return child

    def dead(self) -> list[Child]:
        """Those that have ended by themselves."""
        return [child for child in self._all.values() if not child.alive]

    def cpu_s(self) -> dict[str, float]:
        """Processor time of each [s]."""
        return {name: child.cpu_s() for name, child in self._all.items()}

    def end(self, *names: str) -> None:
        """End these, in this order; unknown names are passed over."""
        for name in names:
            child = self._all.pop(name, None)
            if child is not None:
                self.codes[name] = child.end()

    def end_all(self) -> None:
        """End all that are left, the last started first."""
        self.end(*reversed(list(self._all)))


def wait_until(condition: object, bound_s: float, children: Children | None = None, pause_s: float = 0.01) -> bool:
    """Wait in real time until `condition()` is true; False when it never was, or when a child has ended meanwhile."""
    assert callable(condition)
    end_s = time.monotonic() + bound_s
    while not condition():
        if time.monotonic() > end_s or (children is not None and children.dead()):
            return False
        time.sleep(pause_s)
    return True
