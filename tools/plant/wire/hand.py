"""The simulated person's hand at the keyboard: runs the real `lastbubble` commands, without a new interpreter for each.

One line of JSON in, `{"id", "argv"}`; one line out, `{"id", "code", "out", "err"}`. `tap REQUEST` is no command but a
tap on the station page: it goes to the desk that the page asks too.
"""

from __future__ import annotations

import contextlib
import io
import json
import queue
import sys
import threading
from pathlib import Path
from typing import IO, Any, Final

__all__ = ["Hand", "main"]

_NO_ANSWER: Final = {"code": -1, "out": "", "err": "the hand is gone"}


class Hand:
    """The bench's side: `start` a command, look with `result` whether it has ended. Never waits."""

    def __init__(self, stdin: IO[bytes], stdout: IO[bytes]) -> None:
        self._stdin = stdin
        self._stdout = stdout
        self._answers: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._results: dict[int, dict[str, Any]] = {}
        self._count = 0
        self._gone = False
        threading.Thread(target=self._read, name="hand", daemon=True).start()

    def start(self, argv: list[str]) -> int:
        """Begin `lastbubble argv...`; returns its number."""
        self._count += 1
        try:
            self._stdin.write(json.dumps({"id": self._count, "argv": argv}).encode() + b"\n")
            self._stdin.flush()
        except OSError:
            self._gone = True
        return self._count

    def result(self, number: int) -> dict[str, Any] | None:
        """`{"code", "out", "err"}` once the command has ended, else None."""
        while not self._answers.empty():
            answer = self._answers.get()
            self._results[answer.pop("id")] = answer
        if number in self._results:
            return self._results.pop(number)
        return dict(_NO_ANSWER) if self._gone else None

    def _read(self) -> None:
        for line in self._stdout:
            self._answers.put(json.loads(line))
        self._gone = True


def _tap(argv: list[str]) -> int:
    from lastbubble.desk import ask_desk
    from lastbubble.errors import LastbubbleError
    from lastbubble.settings import load_settings

    _, request, _, settings = argv
    try:
        answer = ask_desk(Path(load_settings(Path(settings)).runtime_dir) / "service.sock", {"ask": request})
    except LastbubbleError as exc:
        print(exc, file=sys.stderr)
        return 1
    print(json.dumps(answer))
    return 0


def main() -> int:
    """Until the input ends."""
    from lastbubble.cli import main as lastbubble

    answers = sys.stdout
    for line in sys.stdin:
        asked = json.loads(line)
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = _tap(asked["argv"]) if asked["argv"][0] == "tap" else lastbubble(asked["argv"])
            except SystemExit as exc:  # the argument parser's way out
                code = exc.code if isinstance(exc.code, int) else 2
            except Exception as exc:  # noqa: BLE001  # a command that breaks is a finding, not the hand's end
                code = 70
                err.write(f"{type(exc).__name__}: {exc}")
        answer = {"id": asked["id"], "code": code, "out": out.getvalue(), "err": err.getvalue()}
        print(json.dumps(answer), file=answers, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
