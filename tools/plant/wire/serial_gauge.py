"""A pressure gauge that talks in lines of ASCII, streaming or when asked, with what goes wrong on such lines."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from lastbubble.units import UNITS
from tools.plant.wire.line import PtyLine, Responder

__all__ = ["AsciiGauge", "LineFault", "LineFormat"]


class LineFault(StrEnum):
    """What goes wrong on the line."""

    NONE = "none"
    #: Nothing comes.
    SILENT = "silent"
    #: Wrong baud, noise: bytes by chance instead of the line.
    GARBAGE = "garbage"
    #: The end of every line comes with the next one's beginning, a period later.
    SPLIT = "split"
    #: Lines are cut short and never ended.
    CUT = "cut"
    #: One byte at a time, a period apart.
    TRICKLE = "trickle"
    #: Everything that was asked comes back in front of the answer.
    ECHO = "echo"
    #: Ten lines at once.
    BURST = "burst"
    #: The unit button was pressed: another unit's number, and its word where the line has one.
    UNIT = "unit"
    #: A number that is none.
    NOT_A_NUMBER = "not_a_number"
    #: One byte in twenty is wrong.
    NOISE = "noise"


@dataclass(frozen=True, slots=True)
class LineFormat:
    """How the gauge writes.

    text : with {value} and {unit};  unit : of `lastbubble.units`;  digits : behind the point
    end : what ends a line;  query : what asks for one (without its end), or "" for a gauge that streams
    """

    text: str = "P= {value} {unit}"
    unit: str = "mbar"
    digits: int = 2
    end: str = "\r\n"
    query: str = ""

    def line(self, pressure_pa: float, unit: str = "") -> bytes:
        """One line, with its end."""
        word = unit or self.unit
        value = pressure_pa / UNITS["pressure"][word](1.0)
        return (self.text.format(value=f"{value:.{self.digits}f}", unit=word) + self.end).encode("ascii")


_OTHER_UNIT: Final = {"mbar": "Torr", "Torr": "mbar"}
_NO_NUMBERS: Final = ("nan", "inf", "1e400", "1_000", "--.--", "OVER")


class AsciiGauge:
    """The gauge on its line. A streaming one speaks when `tick` is called; one with a query when it is asked.

    shown_pa : what it shows now [Pa]
    """

    def __init__(self, line: PtyLine, layout: LineFormat, shown_pa: Callable[[], float], seed: int = 1) -> None:
        self._line = line
        self._layout = layout
        self._shown_pa = shown_pa
        self._random = random.Random(seed)
        self._fault = LineFault.NONE
        self._held = b""
        self._turn = 0
        self.lines = 0
        self._responder = Responder(line, self._answer) if layout.query else None

    def close(self) -> None:
        """Stop answering; the line is not ours to close."""
        if self._responder is not None:
            self._responder.close()

    def set_fault(self, fault: LineFault) -> None:
        """From now on, this goes wrong."""
        self._fault = fault
        self._held = b""

    def tick(self) -> None:
        """One period of a streaming gauge is over."""
        if self._layout.query:
            return
        self._line.send(self._spoilt(self._next_line()))

    def _next_line(self) -> bytes:
        self._turn += 1
        self.lines += 1
        unit = self._layout.unit
        if self._fault is LineFault.UNIT:
            unit = _OTHER_UNIT.get(unit, "Pa" if unit != "Pa" else "mbar")
        if self._fault is LineFault.NOT_A_NUMBER:
            word = _NO_NUMBERS[self._turn % len(_NO_NUMBERS)]
            return (self._layout.text.format(value=word, unit=unit) + self._layout.end).encode("ascii")
        return self._layout.line(self._shown_pa(), unit)

    def _spoilt(self, line: bytes) -> bytes:
        fault = self._fault
        if fault is LineFault.SILENT:
            return b""
        if fault is LineFault.GARBAGE:
            return self._random.randbytes(len(line))
        if fault is LineFault.SPLIT:
            out = self._held + line[: len(line) // 2]
            self._held = line[len(line) // 2 :]
            return out
        if fault is LineFault.CUT:
            return line[: max(1, len(line) // 2)]
        if fault is LineFault.TRICKLE:
            self._held = self._held or line
            out, self._held = self._held[:1], self._held[1:]
            return out
        if fault is LineFault.BURST:
            return line * 10
        if fault is LineFault.NOISE:
            return bytes(self._random.randrange(256) if self._random.random() < 0.05 else byte for byte in line)
        return line

    def _answer(self, asked: bytes) -> tuple[bytes, int]:
        query = (self._layout.query + self._layout.end).encode("ascii")
        at = asked.find(query)
        if at < 0:
            return b"", 0
        end = at + len(query)
        echo = asked[:end] if self._fault is LineFault.ECHO else b""
        return echo + self._spoilt(self._next_line()), end
