"""One serial port that comes and goes: opened when there is something to open, with patience when there is not.

An adapter that is unplugged shows as one of several exceptions (SerialException, plain OSError, termios.error), and
`is_open` stays True; it may come back under another kernel name, so every opening goes through the stable name of the
settings. Openings are tried after 1, 2, 4 .. 30 s of bench time.
"""

from __future__ import annotations

import errno
import logging
import os
import select
import termios
from dataclasses import dataclass
from typing import Final

import serial

from lastbubble.sensing.gauge import Fault

__all__ = ["GONE", "Port", "PortSettings", "take", "wait_for_bytes"]

log = logging.getLogger("lastbubble.sensing")

#: What a vanished port raises; termios.error is no OSError.
GONE: Final = (OSError, termios.error)

_FIRST_RETRY_S: Final = 1.0
_LONGEST_RETRY_S: Final = 30.0
_MOST_BYTES: Final = 1 << 20
_PARITY: Final = {"N": serial.PARITY_NONE, "E": serial.PARITY_EVEN, "O": serial.PARITY_ODD}


@dataclass(frozen=True, slots=True)
class PortSettings:
    """path : a name that stays (below /dev/serial/by-id/);  baud : bit/s;  frame : data bits, parity, stop bits"""

    path: str
    baud: int = 9600
    frame: str = "8N1"

    def __post_init__(self) -> None:
        frame = self.frame
        if len(frame) != 3 or frame[0] not in "5678" or frame[1] not in _PARITY or frame[2] not in "12":
            raise ValueError(f"frame is {frame!r}; allowed: data bits 5 to 8, N, E or O, stop bits 1 or 2, such as 8N1")
        if not 50 <= self.baud <= 4_000_000:
            raise ValueError(f"baud is {self.baud}; allowed 50 to 4000000")


class Port:
    """The port, open or not.

    `line` is the open port (reads never wait, writes at most a second) or None. `fault` says why it is not open.
    """

    def __init__(self, settings: PortSettings) -> None:
        self._settings = settings
        self.line: serial.Serial | None = None
        self.fault: Fault | None = None
        #: Times it was opened.
        self.openings = 0
        self._retry_s = 0.0
        self._next_s = float("-inf")

    def ready(self, now_s: float) -> serial.Serial | None:
        """The open port; opens it when that is due. `now_s` : bench time [s]"""
        if self.line is None and now_s >= self._next_s:
            self._open(now_s)
        return self.line

    def lost(self, now_s: float, exc: BaseException) -> None:
        """The port failed while in use: let it go, try again in a second."""
        self.shut()
        self.fault = Fault("port", f"{self._settings.path} is gone ({_words(exc)}); plug the gauge's adapter in again")
        log.warning("event=gauge_port_lost port=%s error=%r", self._settings.path, str(exc))
        self._later(now_s)

    def reopen(self, now_s: float) -> None:
        """Let a port go that is open and of no use, and open it anew when that is due."""
        if self.line is not None:
            self.shut()
            self._later(now_s)

    def well(self) -> None:
        """Something usable came: the next loss is a first one."""
        self._retry_s = 0.0

    def shut(self) -> None:
        """Let the port go; may be called again."""
        line, self.line = self.line, None
        if line is not None:
            try:
                line.close()
            except GONE as exc:
                # It is gone already; there is nothing left to let go of.
                log.debug("event=gauge_port_close error=%r", str(exc))

    def _open(self, now_s: float) -> None:
        settings = self._settings
        # A pseudo-terminal (a gauge behind a network converter) has neither parity nor stop bits, and refuses them.
        frame = "8N1" if os.path.realpath(settings.path).startswith("/dev/pts/") else settings.frame
        try:
            self.line = serial.Serial(
                settings.path,
                settings.baud,
                bytesize=int(frame[0]),
                parity=_PARITY[frame[1]],
                stopbits=int(frame[2]),
                timeout=0,
                write_timeout=1.0,
                exclusive=True,
            )
        except (*GONE, ValueError) as exc:
            first = self.fault is None
            self.fault = Fault("port", _why(settings.path, exc))
            if first:
                log.warning("event=gauge_port_shut port=%s error=%r", settings.path, str(exc))
            self._later(now_s)
            return
        self.openings += 1
        self.fault = None
        log.info("event=gauge_port_open port=%s", settings.path)

    def _later(self, now_s: float) -> None:
        self._retry_s = min(_LONGEST_RETRY_S, self._retry_s * 2 if self._retry_s else _FIRST_RETRY_S)
        self._next_s = now_s + self._retry_s


def _words(exc: BaseException) -> str:
    # termios.error prints itself as a pair.
    return str(exc.args[-1]) if isinstance(exc, termios.error) and exc.args else str(exc)


def take(line: serial.Serial) -> bytes:
    """Everything that has come, up to a megabyte; never waits. Raises one of GONE."""
    data = b""
    while len(data) < _MOST_BYTES:
        chunk: bytes = line.read(65536)
        if not chunk:
            break
        data += chunk
    return data


def wait_for_bytes(line: serial.Serial, longest_s: float) -> bytes:
    """What comes within so much real time, as soon as anything comes. Raises one of GONE."""
    ready, _, _ = select.select([line], [], [], max(0.0, longest_s))
    return take(line) if ready else b""


def _why(path: str, exc: BaseException) -> str:
    number = getattr(exc, "errno", None)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return f"{path} is not there; plug the gauge's adapter in, or take its name from /dev/serial/by-id/"
    if number in (errno.EACCES, errno.EPERM):
        return f"{path} may not be opened; add the service's user to the group dialout"
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(exc):
        return f"{path} is in use by another program; stop that one (a modem manager probes ports for some seconds)"
    return f"{path} cannot be opened ({_words(exc)}); check that it is a serial port"
