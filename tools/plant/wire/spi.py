"""A bus under the real thermocouple driver: what `busio.SPI` and `digitalio.DigitalInOut` offer it, and chips behind.

A chip converts for 100 ms, again and again, while its select line is high; a low select stops the conversion, and the
frame that is shifted out is the last one that was finished (MAX31855 datasheet; that a low select stops it is
how drivers treat it, not measured here). So whoever reads faster than the chip converts reads the same frame for ever.

Named in a bench's settings as `tools.plant.wire.spi:bench_bus`; the mapped file is found by LASTBUBBLE_BENCH_DIR.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from lastbubble.clock import Clock, clock_from_environment
from tools.plant.wire.frames import Fault, FaultKind, FrameFile

__all__ = ["BENCH_DIR_VARIABLE", "FRAMES_FILE", "BenchBus", "BenchSelect", "PinLibraryError", "bench_bus"]

#: Set only by a simulated bench; names the folder of its mapped files.
BENCH_DIR_VARIABLE: Final = "LASTBUBBLE_BENCH_DIR"
FRAMES_FILE: Final = "frames"
#: Longest conversion of thermocouple and cold junction together (MAX31855 datasheet: 100 ms) [s].
CONVERSION_S: Final = 0.1
_ALL_ONES: Final = 0xFFFFFFFF


class PinLibraryError(Exception):
    """As the pin library's own exception on a board: neither an OSError nor a RuntimeError."""


class BenchSelect:
    """The chip select of one chip, as `digitalio.DigitalInOut`."""

    def __init__(self, bus: BenchBus, slot: int) -> None:
        self._bus = bus
        self._slot = slot
        self._high = True
        self.direction = "input"

    def switch_to_output(self, value: bool = False, drive_mode: object = None) -> None:  # noqa: ARG002  # their API
        """Drive the line."""
        self.direction = "output"
        self.value = value

    @property
    def value(self) -> bool:
        """The line's level."""
        return self._high

    @value.setter
    def value(self, high: bool) -> None:
        if self.direction != "output":
            raise AttributeError("a select line has to be an output before it is driven")
        if not high and self._bus.fault_kind(self._slot) == FaultKind.SELECT_ERROR:
            self._bus.spend(self._slot)
            raise PinLibraryError("'GPIO not allocated'")
        if high != self._high:
            self._high = high
            self._bus.selected(self._slot, low=not high)

    def deinit(self) -> None:
        """Let the line go."""


class BenchBus:
    """The bus, as `busio.SPI`, and the chips on it.

    Raises ValueError when the file is not a bench's, LookupError for a select pin without a chip.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self._file = FrameFile(path)
        self._clock = clock
        self._locked = False
        self._slot: int | None = None
        count = self._file.count
        self._finished = [self._file.frame(slot) for slot in range(count)]
        self._high_since_s = [float("-inf")] * count
        self._frozen: list[bytes | None] = [None] * count
        self._noise = 0x9E3779B9
        self.baudrate = 0

    # -- what the driver uses --------------------------------------------------------------------------------------

    def chip_select(self, pin: int) -> BenchSelect:
        """The select line at GPIO `pin`."""
        return BenchSelect(self, self._file.slot_of(pin))

    def try_lock(self) -> bool:
        """Take the bus; False while somebody has it."""
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        """Give it back."""
        self._locked = False

    def configure(self, baudrate: int = 100_000, polarity: int = 0, phase: int = 0, bits: int = 8) -> None:
        """Set the clock; the chip wants mode 0 and at most 5 MHz."""
        if not self._locked:
            raise RuntimeError("first try_lock()")
        for slot in range(self._file.count):
            if self._file.kind(slot) == FaultKind.CONFIGURE_ERROR:
                self._file.spend(slot)
                raise OSError(5, "Input/output error")
        if (polarity, phase, bits) != (0, 0, 8) or not 0 < baudrate <= 5_000_000:
            raise ValueError(f"the chip cannot be read with mode ({polarity}, {phase}), {bits} bits, {baudrate} Hz")
        self.baudrate = baudrate

    def readinto(self, buf: bytearray, start: int = 0, end: int | None = None, write_value: int = 0) -> None:  # noqa: ARG002  # their API
        """Clock in as many bytes as the buffer has room for."""
        if not self._locked:
            raise RuntimeError("first try_lock()")
        stop = len(buf) if end is None else end
        buf[start:stop] = self._shift_out(stop - start)

    def write(self, buf: bytes, start: int = 0, end: int | None = None) -> None:  # noqa: ARG002  # their API
        """Clock bytes out; the chip does not listen."""
        if not self._locked:
            raise RuntimeError("first try_lock()")

    def deinit(self) -> None:
        """Close the bus."""
        self._file.close()

    def __iter__(self) -> Iterator[object]:
        """The bus and what gives its select lines, for whoever wants the two apart."""
        yield self
        yield self.chip_select

    # -- the chips -------------------------------------------------------------------------------------------------

    def fault_kind(self, slot: int) -> int:
        """The fault on that chip's line."""
        return self._file.kind(slot)

    def spend(self, slot: int) -> None:
        """One use of that fault."""
        self._file.spend(slot)

    def selected(self, slot: int, *, low: bool) -> None:
        """The chip's select line has moved."""
        now_s = self._clock.now()
        if low:
            self._slot = slot
            if now_s - self._high_since_s[slot] >= CONVERSION_S:
                self._finished[slot] = self._file.frame(slot)
        else:
            self._slot = None
            self._high_since_s[slot] = now_s

    def _shift_out(self, count: int) -> bytes:
        slot = self._slot
        if slot is None:
            return b"\xff" * count  # nobody drives the line; the board's pull-up does
        transfer = self._file.count_transfer(slot)
        frame = self._finished[slot]
        if self._file.kind(slot) != FaultKind.NONE:
            fault = self._file.fault(slot)
            if fault.period == 0 or transfer % fault.period < fault.on:
                frame = self._spoil(slot, frame, fault)
                self._file.spend(slot)
        else:
            self._frozen[slot] = None
        # More clocks than the frame has bits give zeros (the datasheet leaves it open).
        return (frame + bytes(count))[:count]

    def _spoil(self, slot: int, frame: bytes, fault: Fault) -> bytes:
        kind = fault.kind
        word = int.from_bytes(frame, "big")
        if kind is FaultKind.ZEROS:
            word = 0
        elif kind is FaultKind.ONES:
            word = _ALL_ONES
        elif kind is FaultKind.SLIP:
            fill = _ALL_ONES if fault.mask else 0
            word = (fill << 64 | word << 32 | fill) >> (32 - fault.number)
        elif kind is FaultKind.SET_BITS:
            word |= fault.mask
        elif kind is FaultKind.CLEAR_BITS:
            word &= ~fault.mask
        elif kind is FaultKind.RANDOM:
            word = self._by_chance()
        elif kind is FaultKind.FROZEN:
            if self._frozen[slot] is None:
                self._frozen[slot] = frame
            word = int.from_bytes(self._frozen[slot] or frame, "big")
        elif kind is FaultKind.IO_ERROR:
            self._file.spend(slot)
            raise OSError(5, "Input/output error")
        elif kind is FaultKind.OTHER_ERROR:
            self._file.spend(slot)
            raise PinLibraryError("'bad SPI handle'")
        elif kind is FaultKind.HANG:
            self._hang(slot)
        elif kind in (FaultKind.BOTH_LOW, FaultKind.BOTH_HIGH):
            other = int.from_bytes(self._file.frame(fault.number), "big")
            word = word & other if kind is FaultKind.BOTH_LOW else word | other
        return (word & _ALL_ONES).to_bytes(4, "big")

    def _by_chance(self) -> int:
        """The next of a fixed sequence of words (xorshift, 32 bits): the same in every run."""
        word = self._noise
        word ^= word << 13 & _ALL_ONES
        word ^= word >> 17
        word ^= word << 5 & _ALL_ONES
        self._noise = word
        return word

    def _hang(self, slot: int) -> None:
        """As a transfer that the kernel never finishes: signals stay pending until the fault is taken off."""
        old = signal.pthread_sigmask(signal.SIG_BLOCK, set(signal.Signals) - {signal.SIGKILL, signal.SIGSTOP})
        try:
            while self._file.kind(slot) == FaultKind.HANG:
                time.sleep(0.01)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, old)


def bench_bus() -> BenchBus:
    """The bus of the bench that has started this process.

    Raises RuntimeError outside a bench.
    """
    folder = os.environ.get(BENCH_DIR_VARIABLE)
    if not folder:
        raise RuntimeError(f"{BENCH_DIR_VARIABLE} is not set: this bus exists only on a simulated bench")
    return BenchBus(Path(folder) / FRAMES_FILE, clock_from_environment("bus"))
