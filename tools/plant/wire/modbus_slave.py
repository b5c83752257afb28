"""A pressure gauge as a Modbus RTU server: functions 3 and 4, exceptions, and what goes wrong on such lines.

Frames as in the public protocol (examples: shared/reference/modbus_rtu_frames.csv), and not taken from the daemon's
client.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from lastbubble.units import UNITS
from tools.plant.wire.line import PtyLine, Responder

__all__ = ["ModbusFault", "ModbusGauge", "RegisterMap", "crc16"]

_REQUEST_BYTES: Final = 8


def crc16(data: bytes) -> int:
    """The check of a frame: polynomial 0xA001 reflected, start 0xFFFF, sent low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


class ModbusFault(StrEnum):
    """What goes wrong."""

    NONE = "none"
    SILENT = "silent"
    #: The answer comes `delay_s` of real time later than it was asked.
    LATE = "late"
    #: A bit of the answer is wrong.
    CRC = "crc"
    #: The request comes back in front of the answer (a transceiver that hears itself).
    ECHO = "echo"
    #: A stray zero byte in front (a line without bias).
    STRAY_BEFORE = "stray_before"
    #: Exception 4: the server's device has failed;  6: it is busy.
    FAILURE = "failure"
    BUSY = "busy"
    #: The number that stands for "no measurement".
    SENTINEL = "sentinel"
    #: Another device answers.
    WRONG_DEVICE = "wrong_device"
    #: Half the answer.
    CUT = "cut"
    GARBAGE = "garbage"


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """Where and how the pressure stands: as in the settings of a Modbus gauge.

    kind : u16, s16, u32, s32 or f32;  high_first : order of the two words
    scale, offset : shown = register * scale + offset, in `unit`
    """

    device: int = 1
    function: int = 3
    address: int = 0
    kind: str = "f32"
    high_first: bool = True
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "Pa"

    def words(self, pressure_pa: float) -> list[int]:
        """The registers' content for this pressure; integers are held at the ends of their range."""
        number = (pressure_pa / UNITS["pressure"][self.unit](1.0) - self.offset) / self.scale
        if self.kind == "f32":
            packed = struct.pack(">f", number)
        else:
            bits = int(self.kind[1:])
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if self.kind[0] == "s" else (0, (1 << bits) - 1)
            packed = max(low, min(high, round(number))).to_bytes(bits // 8, "big", signed=self.kind[0] == "s")
        return self._ordered(packed)

    def sentinel(self) -> list[int]:
        """What such devices send for "no measurement": every bit 1 (a NaN for floats)."""
        return self._ordered(b"\xff" * (2 if self.kind.endswith("16") else 4))

    def _ordered(self, packed: bytes) -> list[int]:
        words = [int.from_bytes(packed[at : at + 2], "big") for at in range(0, len(packed), 2)]
        return words if self.high_first else words[::-1]


class ModbusGauge:
    """The gauge on its line, answering in a thread.

    shown_pa : what it shows now [Pa]
    """

    def __init__(self, line: PtyLine, registers: RegisterMap, shown_pa: Callable[[], float]) -> None:
        self._line = line
        self._registers = registers
        self._shown_pa = shown_pa
        self._fault = ModbusFault.NONE
        self.delay_s = 0.0
        self.answers = 0
        self._responder = Responder(line, self._answer)

    def close(self) -> None:
        """Stop answering; the line is not ours to close."""
        self._responder.close()

    def set_fault(self, fault: ModbusFault, delay_s: float = 0.0) -> None:
        """From now on, this goes wrong."""
        self._fault = fault
        self.delay_s = delay_s

    def _answer(self, asked: bytes) -> tuple[bytes, int]:
        """The answer to the first whole request; bytes that are none are passed over."""
        for at in range(len(asked) - _REQUEST_BYTES + 1):
            frame = asked[at : at + _REQUEST_BYTES]
            if crc16(frame[:6]) == int.from_bytes(frame[6:], "little"):
                return self._reply(frame), at + _REQUEST_BYTES
        return b"", 0

    def _reply(self, frame: bytes) -> bytes:
        device, function, address, count = struct.unpack(">BBHH", frame[:6])
        mine = self._registers
        if device != mine.device or self._fault is ModbusFault.SILENT:
            return b""
        self.answers += 1
        words = mine.sentinel() if self._fault is ModbusFault.SENTINEL else mine.words(self._shown_pa())
        if self._fault is ModbusFault.FAILURE:
            body = bytes([device, function | 0x80, 4])
        elif self._fault is ModbusFault.BUSY:
            body = bytes([device, function | 0x80, 6])
        elif function != mine.function:
            body = bytes([device, function | 0x80, 1])
        elif not 1 <= count <= 125:
            body = bytes([device, function | 0x80, 3])
        elif not (mine.address <= address and address + count <= mine.address + len(words)):
            body = bytes([device, function | 0x80, 2])
        else:
            wanted = words[address - mine.address :][:count]
            body = bytes([device, function, 2 * count]) + b"".join(word.to_bytes(2, "big") for word in wanted)
        return self._spoilt(frame, body)

    def _spoilt(self, frame: bytes, body: bytes) -> bytes:
        fault = self._fault
        if fault is ModbusFault.WRONG_DEVICE:
            body = bytes([body[0] % 247 + 1]) + body[1:]
        reply = body + crc16(body).to_bytes(2, "little")
        if fault is ModbusFault.LATE:
            # From a thread of its own, so that the next request is answered in its own time too.
            timer = threading.Timer(self.delay_s, self._line.send, (reply,))
            timer.daemon = True
            timer.start()
            return b""
        if fault is ModbusFault.CRC:
            return reply[:3] + bytes([reply[3] ^ 0x10]) + reply[4:] if len(reply) > 4 else reply
        if fault is ModbusFault.ECHO:
            return frame + reply
        if fault is ModbusFault.STRAY_BEFORE:
            return b"\x00" + reply
        if fault is ModbusFault.CUT:
            return reply[: len(reply) // 2]
        if fault is ModbusFault.GARBAGE:
            return bytes((byte * 167 + 13) % 256 for byte in reply)
        return reply
