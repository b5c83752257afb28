"""The far side of each wire, for the tests: a pty that can be unplugged, a Modbus RTU gauge, a converter's chip.

Written from the protocols (MODBUS over serial line V1.02, MCP3008 and MCP3208 datasheets), not from the daemon.
"""

from __future__ import annotations

import os
import select
import struct
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import crcmod.predefined
from gpiozero.pins.mock import MockFactory, MockSPIDevice

__all__ = ["Asked", "Converter", "Plug", "crc16", "modbus_reply"]

crc16: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("modbus")


class Plug:
    """A serial device under a name that stays: a symbolic link to a pty, as udev makes them."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._master = self._slave = -1
        self.plug()

    def plug(self) -> None:
        """Plug in: a new device, the same name."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Pull it out; may be called again."""
        if self._master >= 0:
            self.link.unlink(missing_ok=True)
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1

    def send(self, data: bytes) -> None:
        """The device talks."""
        os.write(self._master, data)

    def hear(self, bound_s: float = 5.0) -> bytes:
        """What the daemon said, at least a byte; b"" after `bound_s` of real time, or when unplugged."""
        try:
            if select.select([self._master], [], [], bound_s)[0]:
                return os.read(self._master, 4096)
        except (OSError, ValueError):
            pass  # unplugged meanwhile
        return b""


class Asked:
    """Answers on a plug, in a thread: `answer` is given everything unanswered, and yields what to send for it.

    `answer` returns (reply, bytes used); a reply of None waits for more.
    """

    def __init__(self, plug: Plug, answer: Callable[[bytes], tuple[bytes | None, int]]) -> None:
        self._plug = plug
        self._answer = answer
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)

    def _run(self) -> None:
        pending = b""
        while not self._stop.is_set():
            pending += self._plug.hear(0.02)
            while pending:
                reply, used = self._answer(pending)
                pending = pending[used:]
                if reply is None or not used:
                    break
                try:
                    self._plug.send(reply)
                except OSError:
                    break  # unplugged meanwhile


def modbus_reply(request: bytes, unit: int, registers: dict[tuple[int, int], int]) -> bytes | None:
    """What an RTU gauge answers to one request of 8 bytes; None: it is not meant, or cannot read it.

    registers : (function, address) -> word
    """
    if len(request) != 8 or crc16(request) != 0 or request[0] != unit:
        return None
    function, address, count = struct.unpack(">BHH", request[1:6])
    if function not in (3, 4):
        body = bytes([unit, function | 0x80, 1])
    else:
        try:
            words = [registers[function, address + at] for at in range(count)]
            body = bytes([unit, function, 2 * count]) + struct.pack(f">{count}H", *words)
        except KeyError:
            body = bytes([unit, function | 0x80, 2])
    return body + struct.pack("<H", crc16(body))


class Converter(MockSPIDevice):  # type: ignore[misc]  # gpiozero has no types
    """An MCP3004/3008/3204/3208 on mock pins: start bit, single-ended bit, three of channel, a pause, null bit, result.

    volts : of each input, at the chip;  stuck : None, or the level that its data line is stuck at
    """

    def __init__(self, factory: MockFactory, bits: int, pins: tuple[int, int, int, int], reference_v: float) -> None:
        super().__init__(*pins, pin_factory=factory)
        self.bits = bits
        self.reference_v = reference_v
        self.volts = [0.0] * 8
        self.conversions = 0
        #: Taken one after the other by the next conversions, for spikes; empty: `volts` count.
        self.spikes: Iterator[float] | None = None
        self.stuck: int | None = None
        self._heard: list[int] | None = None

    def on_start(self) -> None:
        super().on_start()
        self._heard = None

    def on_bit(self) -> None:
        bit = int(self.rx_buf[-1])
        if self._heard is None:
            if bit:
                self._heard = []
            return
        if len(self._heard) < 4:
            self._heard.append(bit)
            if len(self._heard) == 4:
                single, *address = self._heard
                assert single, "asked for a differential reading"
                self.tx_buf = [0, 0, *self._convert(address[0] * 4 + address[1] * 2 + address[2])]

    def _convert(self, channel: int) -> list[int]:
        self.conversions += 1
        if self.stuck is not None:
            return [self.stuck] * self.bits
        volts = self.volts[channel]
        if self.spikes is not None:
            volts = next(self.spikes, volts)
        full = (1 << self.bits) - 1
        counts = max(0, min(full, int(volts / self.reference_v * (full + 1))))
        return [counts >> at & 1 for at in reversed(range(self.bits))]


def converter(bits: int = 12, pins: tuple[int, int, int, int] = (21, 20, 19, 18)) -> tuple[MockFactory, Converter]:
    """A mock board and a converter on it: pins are clock, to the chip, from the chip, select."""
    factory: Any = MockFactory()
    return factory, Converter(factory, bits, pins, 3.3)
