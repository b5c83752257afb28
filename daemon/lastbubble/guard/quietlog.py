"""Logging that the loop never waits for: records go into a bounded row, a thread writes them to stderr.

When the row is full the oldest go and are counted; when stderr is closed nothing happens at all.
"""

from __future__ import annotations

import logging
import os
import threading
from collections import deque
from typing import Final

__all__ = ["QuietHandler", "install"]

_ROW: Final = 500
_STDERR: Final = 2


class QuietHandler(logging.Handler):
    """One line a record, `level=... logger=... message`."""

    def __init__(self, descriptor: int = _STDERR) -> None:
        super().__init__()
        self._descriptor = descriptor
        self._row: deque[str] = deque()
        self._lost = 0
        self._some = threading.Semaphore(0)
        self._thread = threading.Thread(target=self._work, name="log", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        text = f"level={record.levelname.lower()} {record.getMessage()}"
        if record.exc_info and record.exc_info[1] is not None:
            text += f" error={type(record.exc_info[1]).__name__}: {record.exc_info[1]}"
        self._row.append(text.replace("\n", " "))
        if len(self._row) > _ROW:
            self._row.popleft()
            self._lost += 1
        self._some.release()

    def drain(self, timeout_s: float) -> None:
        """Give the thread at most `timeout_s` real seconds to write what waits."""
        self._row.append("")
        self._some.release()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while True:
            self._some.acquire()
            if not self._row:
                continue
            line = self._row.popleft()
            if not line:
                return
            if self._lost:
                line += f" lines_lost={self._lost}"
                self._lost = 0
            try:
                os.write(self._descriptor, line.encode(errors="replace") + b"\n")
            except OSError:
                continue


def install(level: int = logging.INFO) -> QuietHandler:
    """Make it the only handler of the process."""
    handler = QuietHandler()
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    return handler
