"""Sends one message after the other in a process of its own, which can be ended when a far server holds it.

The notification library blocks: it waits for slow servers, sleeps between two messages to the same service, and a
server that trickles its answer can hold it far beyond its own time-outs. So it lives in a child that is spoken to in
lines of JSON over its standard input (addresses carry secrets, and a command line can be read by everybody), is killed
at a hard limit, and ends by itself when its input closes.

This module is both ends: `Sender` for the service, `python -m lastbubble.outlets.sender` for the child.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import Any, Final, Literal

from lastbubble.clock import RealClock

__all__ = ["Answer", "Kind", "Sender"]

Outcome = Literal["sent", "failed", "unknown", "bad_url", "missing"]
Kind = Literal["info", "success", "warning", "failure"]

#: A failure that took this long may have been delivered all the same: the answer only came too late [s].
_SLOW_S: Final = 3.5


@dataclass(frozen=True, slots=True)
class Answer:
    """outcome : sent; failed = it certainly did not leave; unknown = it may have; bad_url = never will;
    missing = the library is not installed.  why : a few words
    """

    outcome: Outcome
    why: str = ""


class Sender:
    """One child, started when needed. Calls are answered one at a time; `close` ends it."""

    def __init__(self, limit_s: float = 30.0) -> None:
        self._limit_s = limit_s
        self._real = RealClock()
        self._lock = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None

    def send(self, url: str, title: str, body: str, kind: Kind) -> Answer:
        """Send one message to one address; answers within the limit, whatever the far side does."""
        return self._ask({"url": url, "title": title, "body": body, "kind": kind})

    def check(self, url: str) -> Answer:
        """Whether the library understands this address; nothing is sent."""
        return self._ask({"url": url})

    def rest(self) -> None:
        """Let the child go until it is needed again."""
        with self._lock:
            self._end(kill=False)

    close = rest

    def _ask(self, request: dict[str, Any]) -> Answer:
        with self._lock:
            began_s = self._real.now()
            try:
                answer = self._exchange(request)
            except OSError as exc:
                self._end(kill=True)
                return Answer("failed", f"the sending process cannot be used ({exc.strerror or exc})")
            if answer is None:
                self._end(kill=True)
                return Answer("unknown", f"no answer within {self._limit_s:g} s")
            if answer.outcome == "failed" and self._real.now() - began_s > _SLOW_S:
                return Answer("unknown", f"{answer.why}, after {self._real.now() - began_s:.0f} s")
            return answer

    def _exchange(self, request: dict[str, Any]) -> Answer | None:
        if self._child is None or self._child.poll() is not None:
            self._end(kill=True)
            self._child = subprocess.Popen(
                [sys.executable, "-m", "lastbubble.outlets.sender"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
                start_new_session=True,
            )
        child = self._child
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdin.write(json.dumps(request).encode() + b"\n")
        child.stdin.flush()
        until_s = self._real.now() + self._limit_s
        line = b""
        while not line.endswith(b"\n"):
            left_s = until_s - self._real.now()
            if left_s <= 0 or not select.select([child.stdout], [], [], left_s)[0]:
                return None
            more = os.read(child.stdout.fileno(), 65536)
            if not more:
                return Answer("failed", "the sending process ended")
            line += more
        told = json.loads(line)
        return Answer(told["outcome"], told["why"])

    def _end(self, *, kill: bool) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.close()
        except OSError:
            pass  # it has gone already, with our last words unread
        if kill:
            child.kill()
        try:
            child.wait(5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        child.stdout.close()


# -- the child ----------------------------------------------------------------------------------------------------


def _answer(request: dict[str, Any]) -> Answer:
    try:
        import apprise
    except ImportError:
        return Answer("missing", "the phone needs apprise: pip install 'lastbubble[phone]'")
    # One object an address: with several in one, a partial failure would repeat the message where it had arrived.
    told = apprise.Apprise()
    if not told.add(request["url"]):
        return Answer("bad_url", "not an address of the notification library")
    if "body" not in request:
        return Answer("sent")
    done = told.notify(body=request["body"], title=request["title"], notify_type=request["kind"])
    return Answer("sent") if done else Answer("failed", "the far side did not take it")


def main() -> int:
    """Answer requests until standard input closes."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints must not stand between our lines
    for line in sys.stdin:
        try:
            answer = _answer(json.loads(line))
        except Exception as exc:  # noqa: BLE001  # a plugin's fault is an answer too; the next message may go elsewhere
            answer = Answer("failed", type(exc).__name__)
        answers.write(json.dumps({"outcome": answer.outcome, "why": answer.why}) + "\n")
        answers.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
