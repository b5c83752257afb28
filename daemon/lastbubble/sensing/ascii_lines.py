"""Bytes of a gauge that talks in lines of ASCII -> numbers in Pa, or why not. Pure, no port, no clock.

Only a line that ends with its terminator counts: half a line parses as a valid number that is wrong by powers of ten.
Numbers follow a grammar of our own: the language's `float` also takes nan, inf, underscores and foreign digits.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite
from typing import Final

from lastbubble.sensing.gauge import Fault
from lastbubble.units import pa_from

__all__ = ["DEFAULT_PATTERN", "LineFormat", "LineSplitter"]

DEFAULT_PATTERN: Final = r"(?P<value>[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)"

_NUMBER: Final = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?", re.ASCII)
_ENDS: Final = {"CRLF": b"\r\n", "LF": b"\n", "CR": b"\r"}


class LineSplitter:
    """Cuts a stream of bytes into lines, however it arrives: fed whole or byte by byte, the same lines come out.

    end : what ends a line;  longest : bytes of the longest line, without its end
    """

    def __init__(self, end: bytes, longest: int = 256) -> None:
        if not end or longest < 1:
            raise ValueError(f"a line's end is {end!r} and its longest {longest}; allowed: an end, and at least 1")
        self._end = end
        self._longest = longest
        self._buffer = bytearray()
        self._skipping = False

    def resync(self) -> None:
        """Forget what is here; what comes up to the next end is the rest of a line whose beginning was missed."""
        self._buffer.clear()
        self._skipping = True

    def clear(self) -> None:
        """Forget what is here; a new line begins."""
        self._buffer.clear()
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """The lines that end in `data`, without their ends; None stands for one that was too long."""
        lines: list[bytes | None] = []
        self._buffer += data
        while (at := self._buffer.find(self._end)) >= 0:
            if self._skipping:
                self._skipping = False
            else:
                lines.append(bytes(self._buffer[:at]) if at <= self._longest else None)
            del self._buffer[: at + len(self._end)]
        kept = len(self._end) - 1
        if not self._skipping and len(self._buffer) > self._longest + kept:
            lines.append(None)
            self._skipping = True
        if self._skipping and len(self._buffer) > kept:
            # Of a line nobody wants, only what may be the beginning of its end is worth keeping.
            del self._buffer[: len(self._buffer) - kept]
        return lines


@dataclass(frozen=True, slots=True)
class LineFormat:
    """How one gauge writes.

    unit : a unit of pressure (`lastbubble.units`)
    pattern : regular expression of the whole line, blanks at its ends taken off, with one group named `value` and,
        where the line tells its unit, one named `unit`
    line_end : "CRLF", "LF" or "CR"

    Raises ValueError for a pattern that is none, or names other groups.
    """

    unit: str
    pattern: str = DEFAULT_PATTERN
    line_end: str = "CRLF"

    def __post_init__(self) -> None:
        pa_from(1.0, self.unit)
        if self.line_end not in _ENDS:
            raise ValueError(f"line_end is {self.line_end!r}; allowed: {', '.join(_ENDS)}")
        try:
            groups = re.compile(self.pattern, re.ASCII).groupindex
        except (re.error, RecursionError, OverflowError) as exc:
            raise ValueError(f"pattern {self.pattern!r} is no regular expression: {exc}") from exc
        if set(groups) - {"unit"} != {"value"}:
            raise ValueError(
                f"pattern {self.pattern!r} names {', '.join(groups) or 'no group'}; allowed: one group `value`, and "
                "one `unit` where the line tells its unit"
            )

    @property
    def end(self) -> bytes:
        """What ends a line."""
        return _ENDS[self.line_end]

    def shown_pa(self, line: bytes | None) -> float | Fault:
        """What the gauge shows [Pa] by this line (None: one that was too long), or why it is no reading.

        Never raises.
        """
        if line is None:
            return Fault(
                "garbled", f"lines come without the end {self.line_end}; check line_end and baud in the settings"
            )
        try:
            text = line.decode("ascii").strip(" \t\r\n\0")
        except UnicodeDecodeError:
            return Fault(
                "garbled", f"the gauge sent {_short(line)}, which is no text; check baud and frame, and the cable"
            )
        found = re.compile(self.pattern, re.ASCII).fullmatch(text)
        if found is None:
            return Fault("garbled", f"the gauge sent {_short(line)}, which the pattern {self.pattern!r} does not fit")
        number = found["value"]
        if number is None or _NUMBER.fullmatch(number) is None:
            return Fault("garbled", f"the gauge sent {_short(line)}; {number!r} is no number")
        token = found["unit"] if "unit" in found.re.groupindex else None
        if token is not None:
            wrong = self._wrong_unit(token)
            if wrong:
                return Fault("unit", wrong)
        value = pa_from(float(number), self.unit)
        if not isfinite(value):
            return Fault("garbled", f"the gauge sent {_short(line)}; {number!r} is too large for a number")
        return value

    def _wrong_unit(self, token: str) -> str:
        try:
            same = pa_from(1.0, token.strip()) == pa_from(1.0, self.unit)
        except ValueError:
            # A word of the maker's own is fine as long as it is the one in the settings, whatever its case.
            same = token.strip().casefold() == self.unit.casefold()
        if same:
            return ""
        return f"the gauge tells {token!r} and the settings say {self.unit}; set the gauge back, or change unit"


def _short(line: bytes) -> str:
    shown = repr(line[:40])[1:]
    return shown + (" ..." if len(line) > 40 else "")
