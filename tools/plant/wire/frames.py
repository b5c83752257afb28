"""The frames that the simulated chips hold, in a file that bench and bus both have mapped.

The bench writes what each chip has measured; the bus on the other side reads it. Faults live here too: they are set by
the bench and worked by the bus, bit by bit, below the driver. No message and no system call is needed for a transfer.

Layout, little-endian: 16 bytes of head (magic `LBFRAMES`, u32 number of slots), then slots of 64 bytes:
0 select pin i32, 4 frame 4 bytes as on the wire, 8 fault u8, 10 period u16, 12 mask u32, 16 left i32, 20 on u16,
24 transfers u32 (counted by the bus), 28 number i32.
"""

from __future__ import annotations

import mmap
import struct
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Final

from tools.plant.wire.chip import frame_of

__all__ = ["SLOT_BYTES", "Fault", "FaultKind", "FrameFile"]

MAGIC: Final = b"LBFRAMES"
HEAD_BYTES: Final = 16
SLOT_BYTES: Final = 64
_PIN: Final = struct.Struct("<i")
_FAULT: Final = struct.Struct("<BxHIiH")
_NUMBER: Final = struct.Struct("<i")
_TRANSFERS: Final = struct.Struct("<I")


class FaultKind(IntEnum):
    """What goes wrong between the thermocouple and the driver."""

    NONE = 0
    #: No power, dead chip, line held low: every bit 0.
    ZEROS = 1
    #: Line held high or floating: every bit 1.
    ONES = 2
    #: Clock edges lost: everything arrives `number` bits too early (>0) or too late (<0); `mask` 1 fills with ones.
    SLIP = 3
    #: Bits that are always 1 / always 0: `mask`.
    SET_BITS = 4
    CLEAR_BITS = 5
    #: Every bit by chance.
    RANDOM = 6
    #: The last frame before the fault again and again.
    FROZEN = 7
    #: The transfer fails with an OSError.
    IO_ERROR = 8
    #: It fails with an exception that is no OSError, as the pin library's own.
    OTHER_ERROR = 9
    #: It never comes back, and no signal reaches the process.
    HANG = 10
    #: The bus cannot be set up: raised once the lock is held.
    CONFIGURE_ERROR = 11
    #: The chip select cannot be driven: raised once the lock is held.
    SELECT_ERROR = 12
    #: A second chip answers at the same time and pulls low / high: the two frames ANDed / ORed with slot `number`.
    BOTH_LOW = 13
    BOTH_HIGH = 14


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one chip's line.

    kind : what;  number, mask : see `FaultKind`
    left : for so many transfers, -1 for ever
    on, period : only in the first `on` of every `period` transfers; period 0: in all
    """

    kind: FaultKind
    number: int = 0
    mask: int = 0
    left: int = -1
    on: int = 0
    period: int = 0


class FrameFile:
    """The mapped file. `make` on the bench's side, the constructor on the bus's."""

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 0)
        if self._map[:8] != MAGIC:
            raise ValueError(f"{path}: not a bench's frames (starts with {self._map[:8]!r})")
        (self.count,) = struct.unpack_from("<I", self._map, 8)

    @classmethod
    def make(cls, path: Path, select_pins: list[int]) -> FrameFile:
        """A new file with a chip at each of these select pins; each holds 25 degC."""
        head = struct.pack("<8sI4x", MAGIC, len(select_pins))
        slots = b"".join(
            _PIN.pack(pin) + frame_of(25.0, 25.0) + bytes(SLOT_BYTES - _PIN.size - 4) for pin in select_pins
        )
        path.write_bytes(head + slots)
        return cls(path)

    def close(self) -> None:
        self._map.close()

    def slot_of(self, select_pin: int) -> int:
        """The chip at that select pin. Raises LookupError, naming those there are."""
        pins = [_PIN.unpack_from(self._map, HEAD_BYTES + SLOT_BYTES * slot)[0] for slot in range(self.count)]
        if select_pin not in pins:
            raise LookupError(f"no chip is wired to select pin {select_pin}; there are chips at {pins}")
        return pins.index(select_pin)

    def publish(self, slot: int, frame: bytes) -> None:
        """What the chip measures now."""
        at = HEAD_BYTES + SLOT_BYTES * slot + 4
        self._map[at : at + 4] = frame

    def frame(self, slot: int) -> bytes:
        """What the chip measures now."""
        at = HEAD_BYTES + SLOT_BYTES * slot + 4
        return self._map[at : at + 4]

    def set_fault(self, slot: int, fault: Fault) -> None:
        """Put a fault on the chip's line (FaultKind.NONE takes it off)."""
        at = HEAD_BYTES + SLOT_BYTES * slot + 8
        # The kind comes last: the bus must not work a fault whose other numbers are still the old ones.
        self._map[at] = FaultKind.NONE
        mask = fault.mask & 0xFFFFFFFF
        _FAULT.pack_into(self._map, at, FaultKind.NONE, fault.period, mask, fault.left, fault.on)
        _NUMBER.pack_into(self._map, at + 20, fault.number)
        self._map[at] = fault.kind

    def kind(self, slot: int) -> int:
        """The kind of the fault that is on; one byte, cheap."""
        return self._map[HEAD_BYTES + SLOT_BYTES * slot + 8]

    def fault(self, slot: int) -> Fault:
        """The fault that is on."""
        at = HEAD_BYTES + SLOT_BYTES * slot + 8
        kind, period, mask, left, on = _FAULT.unpack_from(self._map, at)
        (number,) = _NUMBER.unpack_from(self._map, at + 20)
        return Fault(FaultKind(kind), number, mask, left, on, period)

    def spend(self, slot: int) -> None:
        """One transfer of a fault that lasts for some; the bus's side."""
        at = HEAD_BYTES + SLOT_BYTES * slot + 16
        (left,) = struct.unpack_from("<i", self._map, at)
        if left > 0:
            struct.pack_into("<i", self._map, at, left - 1)
            if left == 1:
                self._map[HEAD_BYTES + SLOT_BYTES * slot + 8] = FaultKind.NONE

    def transfers(self, slot: int) -> int:
        """How many transfers the bus has made with this chip."""
        return int(_TRANSFERS.unpack_from(self._map, HEAD_BYTES + SLOT_BYTES * slot + 24)[0])

    def count_transfer(self, slot: int) -> int:
        """One more; the bus's side. Returns the new count."""
        count = (self.transfers(slot) + 1) & 0xFFFFFFFF
        _TRANSFERS.pack_into(self._map, HEAD_BYTES + SLOT_BYTES * slot + 24, count)
        return count
