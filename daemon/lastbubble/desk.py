"""The service's desk: what may be asked of it, and the local socket on which the commands ask.

A request is one JSON object on one line, `{"ask": ..., ...}`; the answer is one line, `{"ok": true, ...}` or
`{"ok": false, "why": ...}`. Each request is a row of `REQUESTS`: its fields, what each must be, whether the page may
ask it too. None touches the relay but `cut`, which the guard may always be asked for.

The socket is for the machine's own people (file mode and group decide); the page calls `Desk.ask` in the process.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import os
import re
import selectors
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from lastbubble.book.asks import BOOK_ASKS
from lastbubble.book.begin import BEGIN_FIELDS
from lastbubble.errors import BadInput, faults_of
from lastbubble.records import MARKS

__all__ = [
    "REQUESTS",
    "Answerer",
    "Desk",
    "DeskGone",
    "DeskSocket",
    "Request",
    "ask_desk",
    "check_mark",
    "checked",
]

log = logging.getLogger("lastbubble.desk")

#: Longest request line; longer ones are refused and the caller is dropped.
MAX_LINE: Final = 65536
MAX_CALLERS: Final = 32

Json = dict[str, Any]
Check = Callable[[Any], str]

_NUMBERS: Final = re.compile(r"(?:\d{1,15}(?:,\d{1,15}){0,199})?", re.ASCII)
_DIAL: Final = re.compile(r"dial=(\d{1,3}(?:\.\d+)?)([FC])")


def check_mark(value: Any) -> str:
    """The mark itself when it is one of the log's, else BadInput saying which are."""
    if isinstance(value, str):
        if value in MARKS:
            return value
        dial = _DIAL.fullmatch(value)
        if dial and 0 < float(dial[1]) <= (600 if dial[2] == "F" else 320):
            return value
        if value.startswith("dial="):
            raise BadInput(f"dial is {value[5:]!r:.40}; a number to 600 with F, or to 320 with C, is allowed, as 260F")
    raise BadInput(f"mark is {value!r}; allowed: {', '.join(MARKS)}, dial=<number>F or dial=<number>C (as dial=260F)")


def _text(limit: int) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if not isinstance(value, str) or len(value) > limit or any(ord(char) < 32 for char in value):
            raise BadInput(f"is {value!r:.60}; a text of at most {limit} characters is wanted")
        return value.strip()

    return check


def _number(low: float, high: float) -> Callable[[Any], float]:
    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise BadInput(f"is {value!r:.60}; a number from {low:g} to {high:g} is wanted")
        if not low <= value <= high:
            raise BadInput(f"is {value:g}; {low:g} to {high:g} is allowed")
        return float(value)

    return check


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise BadInput(f"is {value!r:.60}; true or false is wanted")
    return value


def _notice(value: Any) -> int:
    number = _number(0, 2**53)(value)
    if number != int(number):
        raise BadInput(f"is {value!r:.60}; a whole number is wanted")
    return int(number)


def _notices(value: Any) -> list[int]:
    """Numbers with commas between them; "" is none."""
    if not isinstance(value, str) or _NUMBERS.fullmatch(value) is None:
        raise BadInput(f"is {value!r:.60}; at most 200 whole numbers with commas between them are wanted")
    return [int(part) for part in value.split(",") if part]


def _header(value: Any) -> dict[str, str]:
    """Header keys of the new batch; the context's own check judges the values."""
    if not isinstance(value, dict) or not all(isinstance(k, str) and isinstance(v, str) for k, v in value.items()):
        raise BadInput("must be an object of texts, as {'material': 'maple', 'piece_thickness_mm': '22'}")
    return dict(value)


def _commissioned(value: Any) -> Json:
    """A record of commissioning; its date is the service's own."""
    from lastbubble.commissioning.steps import record_from

    try:
        record_from({**value, "utc": ""} if isinstance(value, dict) else value)
    except ValueError as exc:
        raise BadInput(str(exc)) from exc
    return dict(value)


def _list(value: Any) -> list[Json]:
    if not isinstance(value, list) or len(value) > 200 or not all(isinstance(item, dict) for item in value):
        raise BadInput("must be a list of at most 200 objects")
    return value


@dataclass(frozen=True, slots=True)
class Request:
    """One row: the fields that may come (name -> check), which of them must, and whether the page may ask it."""

    does: str
    fields: Mapping[str, Callable[[Any], Any]] = field(default_factory=dict)
    must: tuple[str, ...] = ()
    page: bool = True


def _batch(value: Any) -> int | None:
    """A batch by its number; "" or none is the open one."""
    if value is None or value == "":
        return None
    if isinstance(value, str) and value.isascii() and value.isdigit() and len(value) < 12:
        return int(value)
    return _notice(value)


def _ticked(value: Any) -> bool:
    """A flag, also as a form sends it."""
    return value == "on" if value in ("on", "") else _flag(value)


def _book_rows() -> dict[str, Request]:
    kinds: dict[str, Callable[[Any], Any]] = {"text": _text(200), "long": _text(4000), "flag": _ticked, "batch": _batch}
    return {
        name: Request(ask.does, {key: kinds[kind] for key, kind in ask.fields.items()}, ask.must, ask.page)
        for name, ask in BOOK_ASKS.items()
    }


REQUESTS: Final[Mapping[str, Request]] = {
    **_book_rows(),
    "status": Request("what the bench is doing"),
    "mark": Request("say what a person just did", {"mark": check_mark, "held": _flag, "who": _text(40)}, ("mark",)),
    "mark_undo": Request("take the newest mark back while it is held"),
    "batch_open": Request(
        "begin a new batch; the open one is closed",
        {"name": _text(120), "header": _header, "pieces": _list, "notes": _text(4000)},
    ),
    "batch_begin": Request(
        "begin a new batch, told in texts with units; the open one is closed",
        {"name": _text(120), "notes": _text(4000), **dict.fromkeys(BEGIN_FIELDS, _text(200))},
    ),
    "batch_close": Request("close the open batch"),
    "cut": Request("open the oven's relay and withdraw the permit", {"reason": _text(200)}),
    "acknowledge": Request("an alarm has been seen", {"notice": _notice, "notices": _notices}),
    "phone_test": Request("send a test message to the phone"),
    "commission": Request("what is on record of the station's commissioning"),
    "commission_keep": Request("keep a step of commissioning", {"record": _commissioned}, ("record",), page=False),
}


def checked(request: Any, *, page: bool = False) -> tuple[str, Json]:
    """The request's name and its checked fields.

    Raises BadInput naming the field, what was found and what is allowed.
    """
    if not isinstance(request, dict):
        raise BadInput("a request is a JSON object, as {'ask': 'status'}")
    name = request.get("ask")
    row = REQUESTS.get(name) if isinstance(name, str) else None
    if row is None or (page and not row.page):
        raise BadInput(f"ask is {name!r:.60}; allowed: {', '.join(REQUESTS)}")
    out: Json = {}
    for key, value in request.items():
        if key == "ask":
            continue
        if key not in row.fields:
            allowed = ", ".join(row.fields) or "no field"
            raise BadInput(f"{name} has no field {key!r:.60}; allowed: {allowed}")
        try:
            out[key] = row.fields[key](value)
        except BadInput as exc:
            text = str(exc)
            raise BadInput(f"{name}: {key} {text}" if text.startswith(("is ", "must ")) else text) from exc
    missing = [key for key in row.must if key not in out]
    if missing:
        raise BadInput(f"{name} needs {', '.join(missing)}")
    return str(name), out


Answerer = Callable[[str, Json], Json]


class Desk:
    """Checks a request and has it answered; the same for the socket and the page.

    answer : called with the checked request; returns the answer's fields, raises BadInput to refuse
    """

    def __init__(self, answer: Answerer) -> None:
        self._answer = answer

    def ask(self, request: Any, *, page: bool = False) -> Json:
        """The answer; never raises for what a caller can get wrong."""
        try:
            name, fields = checked(request, page=page)
            return {"ok": True, **self._answer(name, fields)}
        except BadInput as exc:
            names = [str(name) for name in request] if isinstance(request, dict) else []
            faults = faults_of(str(exc), names)
            return {"ok": False, "why": str(exc), **({"fields": faults} if faults else {})}


class _Caller:
    __slots__ = ("inbox", "link", "outbox")

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        self.inbox = bytearray()
        self.outbox = bytearray()


class DeskSocket:
    """The Unix socket: one thread, non-blocking, bounded callers, lines and answers.

    Raises OSError when the socket cannot be made (the folder is missing or not ours).
    """

    def __init__(self, path: Path, desk: Desk, mode: int = 0o660) -> None:
        self._path = path
        self._desk = desk
        path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        old = os.umask(0o777 & ~mode)
        try:
            self._listener.bind(str(path))
        finally:
            os.umask(old)
        self._listener.listen(16)
        self._listener.setblocking(False)
        self._wake_out, self._wake_in = socket.socketpair()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._wake_out, selectors.EVENT_READ)
        self._callers: dict[int, _Caller] = {}
        self._thread = threading.Thread(target=self._run, name="desk", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop answering and remove the socket; closing twice is fine."""
        if self._thread.is_alive():
            self._wake_in.send(b"x")
            self._thread.join(5)
        self._path.unlink(missing_ok=True)

    def _run(self) -> None:
        while True:
            for key, events in self._selector.select():
                if key.fileobj is self._wake_out:
                    self._shut()
                    return
                if key.fileobj is self._listener:
                    self._accept()
                else:
                    self._serve(key.data, events)

    def _shut(self) -> None:
        for caller in list(self._callers.values()):
            self._drop(caller)
        self._selector.close()
        for link in (self._listener, self._wake_out, self._wake_in):
            link.close()

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError, ConnectionError):
            link, _ = self._listener.accept()
            if len(self._callers) >= MAX_CALLERS:
                link.close()
                return
            link.setblocking(False)
            caller = _Caller(link)
            self._callers[link.fileno()] = caller
            self._selector.register(link, selectors.EVENT_READ, caller)

    def _drop(self, caller: _Caller) -> None:
        self._callers.pop(caller.link.fileno(), None)
        self._selector.unregister(caller.link)
        caller.link.close()

    def _serve(self, caller: _Caller, events: int) -> None:
        try:
            if events & selectors.EVENT_READ:
                data = caller.link.recv(MAX_LINE)
                if not data:
                    self._drop(caller)
                    return
                caller.inbox += data
                self._take(caller)
            if caller.outbox:
                sent = caller.link.send(caller.outbox)
                del caller.outbox[:sent]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(caller)
            return
        if len(caller.outbox) > 16 * MAX_LINE or len(caller.inbox) > MAX_LINE:
            log.warning("event=desk_caller_dropped reason=too_long")
            self._drop(caller)
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if caller.outbox else 0)
        self._selector.modify(caller.link, wanted, caller)

    def _take(self, caller: _Caller) -> None:
        while (end := caller.inbox.find(b"\n")) >= 0:
            line = bytes(caller.inbox[:end])
            del caller.inbox[: end + 1]
            try:
                request = json.loads(line)
            except (ValueError, RecursionError):
                answer: Json = {
                    "ok": False,
                    "why": "not a line of JSON; a request is {'ask': 'status'} with double quotes",
                }
            else:
                answer = self._desk.ask(request)
            caller.outbox += json.dumps(answer, separators=(",", ":")).encode() + b"\n"


class DeskGone(BadInput):
    """Nobody answers at the desk; its text says where it was looked for and how to start the service."""


def ask_desk(path: Path, request: Json, timeout_s: float = 20.0) -> Json:
    """Ask the running service; for the commands.

    Raises DeskGone when nobody answers, BadInput when the answer is a refusal.
    """
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(timeout_s)
            link.connect(str(path))
            link.sendall(json.dumps(request).encode() + b"\n")
            reply = b""
            while not reply.endswith(b"\n"):
                more = link.recv(65536)
                if not more:
                    break
                reply += more
    except OSError as exc:
        raise DeskGone(
            f"{path}: the service does not answer ({exc.strerror or exc}); start it with 'lastbubble serve', "
            "or check that you are in its group"
        ) from exc
    try:
        answer = json.loads(reply)
    except ValueError as exc:
        raise BadInput(f"{path}: the service's answer is cut short ({len(reply)} bytes); ask again") from exc
    if not isinstance(answer, dict) or not answer.get("ok"):
        raise BadInput(str(answer.get("why", answer)) if isinstance(answer, dict) else str(answer))
    return answer
