"""The lines of the simulated board, in a file that the bench and the pins' owner both have mapped.

Level, function and pulls are in the mapping; who holds a line is a lock of the kernel's on that line's byte, taken by
the owner's open file. So it ends with the owner however the owner ends, and a second owner is refused, as with the
kernel's own lines. A line keeps its last level when its owner is killed, unless the board is `strict`.

Layout: 64 bytes of head (magic `LBPINS01`, u8 strict, u8 level of a floating line), then 28 lines of 32 bytes:
0 function (0 input, 1 output), 1 level, 2 own pull, 3 board's pull (0 none, 1 up, 2 down), 4 driven from outside (0 no,
1 low, 2 high), 5 stuck (likewise), 8 owner u32, 12 edges u32, 16 bench time of the last edge f64. At 1024: the
converter's eight input voltages, f64.
"""

from __future__ import annotations

import fcntl
import mmap
import os
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Final, Literal

__all__ = ["LINES", "LineBusy", "PinFile"]

MAGIC: Final = b"LBPINS01"
LINES: Final = 28
_HEAD_BYTES: Final = 64
_LINE_BYTES: Final = 32
_ADC_AT: Final = 1024
_FILE_BYTES: Final = _ADC_AT + 8 * 8
_LOCK: Final = struct.Struct("hhqqi4x")
_PULLS: Final = {"floating": 0, "up": 1, "down": 2}
_PULL_NAMES: Final = ("floating", "up", "down")

Pull = Literal["floating", "up", "down"]


class LineBusy(OSError):
    """Somebody else holds the line: the kernel's EBUSY."""


class PinFile:
    """The mapped file; `make` on the bench's side, the constructor on both."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        self._map = mmap.mmap(self._fd, 0)
        if self._map[:8] != MAGIC:
            os.close(self._fd)
            raise ValueError(f"{path}: not a bench's pins (starts with {self._map[:8]!r})")

    @classmethod
    def make(cls, path: Path, *, strict: bool, pulls: Mapping[int, Pull], floating_high: bool = False) -> PinFile:
        """A new board: every line an input.

        strict : a line whose owner is gone becomes an input again (`dtparam=strict_gpiod`)
        pulls : resistors on the board, by line;  floating_high : what a line reads that nothing pulls
        """
        content = bytearray(_FILE_BYTES)
        content[:8] = MAGIC
        content[8] = strict
        content[9] = floating_high
        for line, pull in pulls.items():
            content[_HEAD_BYTES + _LINE_BYTES * line + 3] = _PULLS[pull]
        path.write_bytes(content)
        return cls(path)

    def close(self) -> None:
        """Let go of the file and of every line that was claimed through it."""
        self._map.close()
        os.close(self._fd)

    # -- the owner's side ------------------------------------------------------------------------------------------

    def claim(self, line: int) -> None:
        """Take a line. Raises LineBusy while another open file holds it."""
        try:
            fcntl.fcntl(self._fd, fcntl.F_OFD_SETLK, _LOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, line, 1, 0))
        except BlockingIOError as exc:
            raise LineBusy(16, f"GPIO{line} busy: held by process {self._u32(line, 8)}") from exc
        struct.pack_into("<I", self._map, self._at(line) + 8, os.getpid())

    def release(self, line: int) -> None:
        """Give it back. What it last was stays, as in the kernel, unless it was made an input first."""
        fcntl.fcntl(self._fd, fcntl.F_OFD_SETLK, _LOCK.pack(fcntl.F_UNLCK, os.SEEK_SET, line, 1, 0))

    def set_function(self, line: int, output: bool, level: bool, now_s: float) -> None:
        """Make it an output at `level`, or an input."""
        before = self.level(line)
        at = self._at(line)
        if output:
            self._map[at + 1] = level
        self._map[at] = output
        self._note_edge(line, before, now_s)

    def is_output(self, line: int) -> bool:
        """Whether the line is driven by its owner (or left so by a dead one)."""
        return bool(self._map[self._at(line)])

    def write(self, line: int, level: bool, now_s: float) -> None:
        """Drive an output."""
        if self._map[self._at(line) + 1] == level:
            return
        before = self.level(line)
        self._map[self._at(line) + 1] = level
        self._note_edge(line, before, now_s)

    def set_own_pull(self, line: int, pull: Pull) -> None:
        """The owner's choice of the chip's own weak pull."""
        self._map[self._at(line) + 2] = _PULLS[pull]

    def own_pull(self, line: int) -> Pull:
        """Which one it chose."""
        return _PULL_NAMES[self._map[self._at(line) + 2]]  # type: ignore[return-value]  # the three names

    # -- both sides ------------------------------------------------------------------------------------------------

    def level(self, line: int) -> bool:
        """What a voltmeter at the line shows, high or low, whoever makes it so (a dead owner counts as an owner)."""
        return self._level(line, self._map[self._at(line)] == 1)

    def _level(self, line: int, output: bool) -> bool:
        at = self._at(line)
        stuck = self._map[at + 5]
        if stuck:
            return stuck == 2
        if output:
            return bool(self._map[at + 1])
        # A driver beats a resistor on the board, and that beats the chip's weak pull.
        for strength in (self._map[at + 4] and 3 - self._map[at + 4], self._map[at + 3], self._map[at + 2]):
            if strength:
                return strength == 1
        return bool(self._map[9])

    # -- the bench's side ------------------------------------------------------------------------------------------

    def board_level(self, line: int) -> bool:
        """What the board's electronics get. On a strict board a line without an owner is an input."""
        output = self._map[self._at(line)] == 1
        # The look for an owner is a system call, so it is made only where it can matter.
        if output and self._map[8] and self._map[self._at(line) + 1] and self.owner(line) is None:
            output = False
        return self._level(line, output)

    def owner(self, line: int) -> int | None:
        """The process that claimed the line, or None when nobody holds it (any more)."""
        asked = _LOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, line, 1, 0)
        (kind, *_) = _LOCK.unpack(fcntl.fcntl(self._fd, fcntl.F_OFD_GETLK, asked))
        return None if kind == fcntl.F_UNLCK else self._u32(line, 8)

    def set_strict(self, strict: bool) -> None:
        """Whether a line without an owner becomes an input."""
        self._map[8] = strict

    def set_board_pull(self, line: int, pull: Pull) -> None:
        """Solder a resistor, or take it off."""
        self._map[self._at(line) + 3] = _PULLS[pull]

    def drive(self, line: int, level: bool | None) -> None:
        """Drive a line from outside (a button, a contact); None lets go."""
        self._map[self._at(line) + 4] = 0 if level is None else 1 + level

    def stick(self, line: int, level: bool | None) -> None:
        """Hold a line whatever its owner writes (a short, another program's hand); None lets go."""
        self._map[self._at(line) + 5] = 0 if level is None else 1 + level

    def edges(self, line: int) -> int:
        """How often its owner has changed its level."""
        return self._u32(line, 12)

    def last_edge_s(self, line: int) -> float:
        """Bench time of the latest change [s]."""
        return float(struct.unpack_from("<d", self._map, self._at(line) + 16)[0])

    def set_volts(self, channel: int, volts: float) -> None:
        """Voltage at one input of the converter [V]."""
        struct.pack_into("<d", self._map, _ADC_AT + 8 * channel, volts)

    def volts(self, channel: int) -> float:
        """The same, read [V]."""
        return float(struct.unpack_from("<d", self._map, _ADC_AT + 8 * channel)[0])

    # -- inside ----------------------------------------------------------------------------------------------------

    @staticmethod
    def _at(line: int) -> int:
        if not 0 <= line < LINES:
            raise ValueError(f"line {line} does not exist; 0 to {LINES - 1}")
        return _HEAD_BYTES + _LINE_BYTES * line

    def _u32(self, line: int, offset: int) -> int:
        return int(struct.unpack_from("<I", self._map, self._at(line) + offset)[0])

    def _note_edge(self, line: int, before: bool, now_s: float) -> None:
        if self.level(line) != before:
            struct.pack_into("<I", self._map, self._at(line) + 12, (self.edges(line) + 1) & 0xFFFFFFFF)
            struct.pack_into("<d", self._map, self._at(line) + 16, now_s)
