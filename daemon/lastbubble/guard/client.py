"""How the service and the bench's commands speak to the guard.

`GuardClient` is the service's: never blocks, never raises, connects again after the guard was restarted. `ask_guard`
is for a command: one request, one answer.
"""

from __future__ import annotations

import json
import logging
import os
import socket
from pathlib import Path
from typing import Any, Final

from lastbubble.clock import Clock
from lastbubble.errors import LastbubbleError
from lastbubble.guard.protocol import MAX_LINE_BYTES, Answer, GuardStatus, message_from

__all__ = ["GuardClient", "GuardGone", "ask_guard", "read_status"]

log = logging.getLogger("lastbubble.guard.client")

_RETRY_S: Final = 1.0


class GuardGone(LastbubbleError):
    """The guard does not answer; its text says where it was looked for and what to do."""


class GuardClient:
    """One listener of the guard's `guard.sock`.

    path : the socket;  clock : for the pause between attempts to connect
    every_s : how often the guard shall tell its status when nothing changes                               [s]

    `last_refusal` is the guard's latest "no" to one of our requests, or "".
    """

    def __init__(self, path: Path, clock: Clock, every_s: float = 1.0) -> None:
        self._path = path
        self._clock = clock
        self._every_s = every_s
        self._socket: socket.socket | None = None
        self._buffer = b""
        self._next_try_s = float("-inf")
        self._told_gone = False
        self.last_refusal = ""

    @property
    def connected(self) -> bool:
        return self._socket is not None

    def poll(self) -> GuardStatus | None:
        """The latest status that has come since the last call, or None when none has. Never blocks, never raises."""
        if self._socket is None and not self._connect():
            return None
        latest: GuardStatus | None = None
        while self._socket is not None:
            try:
                piece = self._socket.recv(MAX_LINE_BYTES)
            except BlockingIOError:
                break
            except OSError as exc:
                self._drop(str(exc))
                break
            if not piece:
                self._drop("closed by the guard")
                break
            *lines, self._buffer = (self._buffer + piece).split(b"\n")
            for line in lines:
                try:
                    message = message_from(line)
                except ValueError as exc:
                    log.warning("event=guard_line_refused text=%r", str(exc))
                    continue
                if isinstance(message, GuardStatus):
                    latest = message
                elif not message.ok:
                    self.last_refusal = f"{message.ask}: {message.why}"
            if len(self._buffer) > MAX_LINE_BYTES:
                self._drop("a line without an end")
        return latest

    def renew_lease(self) -> None:
        """Ask for the lease of a standing permit to begin anew. Call it only after a fresh sample went all the way."""
        self._send({"ask": "renew_lease"})

    def cut(self, reason: str) -> None:
        """Ask for less heat: relay open, permission gone."""
        self._send({"ask": "cut", "reason": reason[:200]})

    def close(self) -> None:
        """Hang up; twice is fine."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self._buffer = b""

    def _connect(self) -> bool:
        now_s = self._clock.now()
        if now_s < self._next_try_s:
            return False
        self._next_try_s = now_s + _RETRY_S
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.setblocking(False)
        try:
            link.connect(os.fspath(self._path))
        except OSError as exc:
            link.close()
            if not self._told_gone:
                log.warning("event=guard_gone socket=%s text=%r", self._path, str(exc))
                self._told_gone = True
            return False
        self._socket = link
        self._buffer = b""
        if self._told_gone:
            log.info("event=guard_back socket=%s", self._path)
        self._told_gone = False
        self._send({"ask": "listen", "every_s": self._every_s})
        return True

    def _send(self, request: dict[str, Any]) -> None:
        if self._socket is None and not self._connect():
            return
        line = json.dumps(request, ensure_ascii=False).encode() + b"\n"
        try:
            if self._socket is not None and self._socket.send(line) != len(line):
                self._drop("the guard does not read")
        except OSError as exc:
            self._drop(str(exc))

    def _drop(self, why: str) -> None:
        if not self._told_gone:
            log.warning("event=guard_gone socket=%s text=%r", self._path, why)
            self._told_gone = True
        self.close()


def ask_guard(path: Path, request: dict[str, Any], timeout_s: float = 5.0) -> Answer:
    """One request at one of the guard's sockets, and its answer.

    Raises GuardGone when nobody listens there, we may not connect, or no answer comes within `timeout_s` real seconds.
    """
    for message in _conversation(path, request, timeout_s):
        if isinstance(message, Answer):
            return message
    raise GuardGone(f"{path}: the guard closed the connection without an answer")


def read_status(path: Path, timeout_s: float = 5.0) -> GuardStatus:
    """The guard's status now. Raises GuardGone as `ask_guard` does."""
    for message in _conversation(path, {"ask": "listen", "every_s": 1.0}, timeout_s):
        if isinstance(message, GuardStatus):
            return message
    raise GuardGone(f"{path}: the guard closed the connection without a status")


def _conversation(path: Path, request: dict[str, Any], timeout_s: float) -> Any:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(timeout_s)
        try:
            link.connect(os.fspath(path))
            link.sendall(json.dumps(request).encode() + b"\n")
            with link.makefile("rb") as lines:
                for line in lines:
                    yield message_from(line)
        except ValueError as exc:
            raise GuardGone(f"{path}: {exc}; another program listens there, or a guard of another version") from exc
        except FileNotFoundError as exc:
            raise GuardGone(
                f"{path} is not there: the guard does not run, or it runs with other settings; "
                "give them with --settings FILE"
            ) from exc
        except PermissionError as exc:
            raise GuardGone(f"{path}: you may not speak to the guard here; your user has to be in its group") from exc
        except TimeoutError as exc:
            raise GuardGone(f"{path}: the guard has not answered within {timeout_s:g} s") from exc
        except ConnectionError as exc:
            raise GuardGone(f"{path}: nobody answers ({exc}); is the guard running?") from exc
