"""A pressure gauge that is asked over Modbus RTU.

The frames and their check are minimalmodbus's, on a port of our own; what the registers mean is `decode_registers`,
pure.

A reply that comes after its time-out has a valid check and is taken for the next one's answer by whoever asks again at
once, and then every answer is one question old. So after a time-out nothing is asked until the line has been quiet for
`quiet_s`, and the time-out grows to three times the slowest reply seen.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final, Literal

import minimalmodbus
import serial

from lastbubble.clock import RealClock
from lastbubble.records import Reading
from lastbubble.sensing.gauge import Fault, GaugeScale, Silence
from lastbubble.sensing.port import GONE, Port, PortSettings, wait_for_bytes
from lastbubble.units import pa_from

__all__ = ["ModbusGauge", "ModbusGaugeSettings", "RegisterMap", "RegisterType", "WordOrder", "decode_registers"]

log = logging.getLogger("lastbubble.sensing")

RegisterType = Literal["u16", "s16", "u32", "s32", "f32"]
WordOrder = Literal["high first", "low first"]

_LAYOUT: Final[dict[RegisterType, str]] = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
#: What makers send for "no value": the ends of the range (a habit of the trade, no published source).
_SENTINELS: Final[dict[RegisterType, tuple[int, ...]]] = {
    "u16": (0xFFFF,),
    "s16": (0x7FFF, 0x8000),
    "u32": (0xFFFFFFFF,),
    "s32": (0x7FFFFFFF, 0x80000000),
    "f32": (),
}
_LONGEST_ANSWER_S: Final = 2.0
#: Silence after an answer that could not be used, before the next question: several characters at 1200 bit/s.
_SHORT_QUIET_S: Final = 0.05
#: So many echoes in a row, and the adapter hears itself.
_ECHOES: Final = 3


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """Where the number stands, and what it is.

    function : 3 (holding registers) or 4 (input registers)
    address : of the first register, on the wire, counted from 0
    type : "u16", "s16", or over two registers "u32", "s32", "f32";  words : which of the two comes first
    scale, offset : number = raw * scale + offset, in `unit` (of `lastbubble.units`)
    sentinels : raw words that mean "no value"; None: the ends of the type's range
    """

    function: int = 3
    address: int = 0
    type: RegisterType = "u16"
    words: WordOrder = "high first"
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "Pa"
    sentinels: tuple[int, ...] | None = None

    def __post_init__(self) -> None:
        pa_from(1.0, self.unit)
        if self.function not in (3, 4):
            raise ValueError(f"function is {self.function}; allowed: 3, 4")
        if not 0 <= self.address <= 65535:
            raise ValueError(f"address is {self.address}; allowed 0 to 65535, counted from 0")
        if self.type not in _LAYOUT:
            raise ValueError(f"type is {self.type!r}; allowed: {', '.join(_LAYOUT)}")
        if self.words not in ("high first", "low first"):
            raise ValueError(f"words is {self.words!r}; allowed: high first, low first")
        if not (isfinite(self.scale) and self.scale != 0 and isfinite(self.offset)):
            raise ValueError(f"scale is {self.scale} and offset {self.offset}; allowed: finite, scale not 0")

    @property
    def count(self) -> int:
        """Registers to read."""
        return 1 if self.type in ("u16", "s16") else 2


def decode_registers(words: Sequence[int], where: RegisterMap) -> float | Fault:
    """What the gauge shows [Pa], out of the registers' 16-bit words in the order they came, or why it is no reading.

    ValueError for a wrong number of words or a word that is none; nothing else.
    """
    if len(words) != where.count or not all(0 <= word <= 0xFFFF for word in words):
        raise ValueError(f"registers are {list(words)}; {where.type} needs {where.count} of 0 to 65535")
    ordered = tuple(words) if where.words == "high first" else tuple(reversed(words))
    raw = 0
    for word in ordered:
        raw = raw << 16 | word
    sentinels = _SENTINELS[where.type] if where.sentinels is None else where.sentinels
    shown = " ".join(f"{word:04X}" for word in words)
    if raw in sentinels:
        return Fault("sentinel", f"the gauge says it has no value (registers {shown}); check its sensor")
    number = struct.unpack(_LAYOUT[where.type], raw.to_bytes(2 * where.count, "big"))[0]
    value = pa_from(number * where.scale + where.offset, where.unit)
    if not isfinite(value):
        return Fault("garbled", f"registers {shown} hold no finite number; check type and words in the settings")
    return value


@dataclass(frozen=True, slots=True)
class ModbusGaugeSettings:
    """The gauge and its port.

    port, baud, frame : see `port.PortSettings`;  device : the gauge's unit id, 1..247;  where : the register
    every_s : time between readings                                                          [s of bench time]
    answer_s : wait for an answer at first, at least 0.3; grows with what is seen             [s of real time]
    quiet_s : how quiet the line must be after a time-out before the next question            [s of real time]
    silence_s : without a usable answer for so long is a fault; None: five readings, at least 10 s  [s of bench time]
    """

    port: str
    where: RegisterMap
    baud: int = 19200
    frame: str = "8E1"
    device: int = 1
    every_s: float = 1.0
    answer_s: float = 0.5
    quiet_s: float = 1.5
    silence_s: float | None = None

    def __post_init__(self) -> None:
        PortSettings(self.port, self.baud, self.frame)
        if not 1 <= self.device <= 247:
            raise ValueError(f"device is {self.device}; allowed 1 to 247")
        if not 0.05 <= self.every_s <= 60:
            raise ValueError(f"every is {self.every_s} s; allowed 0.05 to 60 s")
        if not 0.3 <= self.answer_s <= _LONGEST_ANSWER_S:
            raise ValueError(f"answer_s is {self.answer_s} s; allowed 0.3 to {_LONGEST_ANSWER_S:g} s")


class _Tap:
    """The port as minimalmodbus uses it, remembering the last question and what came back."""

    def __init__(self, line: serial.Serial) -> None:
        self._line = line
        self.asked = b""
        self.heard = b""

    def __getattr__(self, name: str) -> Any:
        return getattr(self._line, name)

    def write(self, data: bytes) -> int | None:
        self.asked, self.heard = bytes(data), b""
        return self._line.write(data)

    def read(self, size: int = 1) -> bytes:
        data: bytes = self._line.read(size)
        self.heard += data
        return data


class ModbusGauge:
    """Polled source (`pressure.Polled`) of a gauge on Modbus RTU; wrap it in `pressure.Unhurried`."""

    def __init__(self, settings: ModbusGaugeSettings, scale: GaugeScale) -> None:
        self._settings = settings
        self._scale = scale
        self._port = Port(PortSettings(settings.port, settings.baud, settings.frame))
        silence_s = max(10.0, 5 * settings.every_s) if settings.silence_s is None else settings.silence_s
        self._silence = Silence(silence_s, f"the gauge at {settings.port}, unit id {settings.device},")
        self._real = RealClock()
        self._answer_s = settings.answer_s
        self._instrument: Any = None
        self._tap: _Tap | None = None
        self._opened = 0
        self._asked_s = float("-inf")
        self._quiet_s = 0.0
        self._late = False
        self._echoes = 0
        self._echo = False
        #: Answers used, answers that could not be, questions without an answer.
        self.used = self.dropped = self.timeouts = 0

    @property
    def answer_s(self) -> float:
        """How long an answer is waited for now                                              [s of real time]"""
        return self._answer_s

    def poll(self, now_s: float) -> Reading | None:
        """See `pressure.Polled`. Waits only for an answer; raises nothing."""
        self._silence.since_s(now_s)
        line = self._port.ready(now_s)
        if line is None:
            self._silence.fail(self._port.fault or Fault("port", f"{self._settings.port} is being opened again"))
            return self._silence.verdict(now_s)
        # A caller's period jitters by a little; without the margin every second question would be late by a whole one.
        if now_s - self._asked_s < 0.9 * self._settings.every_s:
            return self._silence.verdict(now_s)
        self._asked_s = now_s
        try:
            if self._opened != self._port.openings or self._tap is None:
                self._opened = self._port.openings
                self._take_up(line)
                self._silence.good(now_s)
            self._wait_quiet(line)
            shown = self._ask()
        except minimalmodbus.ModbusException as exc:
            # These are OSErrors too, and the port is fine: the far side said something, or nothing.
            self._refused(exc)
            return self._silence.verdict(now_s)
        except GONE as exc:
            self._tap = None
            self._port.lost(now_s, exc)
            if self._port.fault is not None:
                self._silence.fail(self._port.fault)
            return self._silence.verdict(now_s)
        if isinstance(shown, Fault):
            self.dropped += 1
            self._silence.drop(shown)
            return self._silence.verdict(now_s)
        self.used += 1
        self._silence.good(now_s)
        self._port.well()
        return self._scale.reading(shown, now_s)

    def close(self) -> None:
        """Let the port go; may be called again."""
        self._tap = None
        self._port.shut()

    def _take_up(self, line: serial.Serial) -> None:
        self._tap = _Tap(line)
        self._instrument = minimalmodbus.Instrument(self._tap, self._settings.device)
        self._instrument.handle_local_echo = self._echo
        self._quiet_s = 0.0

    def _ask(self) -> float | Fault:
        where = self._settings.where
        assert self._tap is not None
        self._tap._line.timeout = self._answer_s
        words = self._instrument.read_registers(where.address, where.count, where.function)
        seen_s = self._instrument.roundtrip_time
        if seen_s is not None and 3 * seen_s > self._answer_s:
            self._answer_s = min(_LONGEST_ANSWER_S, 3 * seen_s)
        self._echoes = 0
        return decode_registers(words, where)

    def _wait_quiet(self, line: serial.Serial) -> None:
        """Listen until the line has been quiet, so that no late answer is taken for the next one's."""
        if self._quiet_s <= 0:
            return
        line.timeout = 0
        began_s = self._real.now()
        limit_s = began_s + 5 * self._quiet_s
        while self._real.now() < limit_s and wait_for_bytes(line, self._quiet_s):
            if self._late:
                # The answer did come, after its time-out: wait longer for the next.
                late_s = self._answer_s + self._real.now() - began_s
                self._answer_s = min(_LONGEST_ANSWER_S, max(self._answer_s, 1.5 * late_s))
        self._quiet_s = 0.0

    def _refused(self, exc: Exception) -> None:
        assert self._tap is not None
        settings = self._settings
        heard, asked = self._tap.heard, self._tap.asked
        # A whole answer that is wrong was noise; of less than one, the rest may still be on its way.
        whole = len(heard) >= 5 + 2 * settings.where.count or isinstance(exc, minimalmodbus.SlaveReportedException)
        self._quiet_s = _SHORT_QUIET_S if whole else settings.quiet_s
        self._late = not whole
        if isinstance(exc, minimalmodbus.NoResponseError):
            self.timeouts += 1
            return
        self.dropped += 1
        if len(heard) >= 4 and heard == asked[: len(heard)] and not self._echo:
            self._echoes += 1
            self._quiet_s, self._late = settings.quiet_s, False
            self._silence.drop(
                Fault("echo", "the adapter echoes what is sent; switch its echo off, or its receiver while it sends")
            )
            if self._echoes >= _ECHOES:
                log.warning("event=gauge_echo port=%s", settings.port)
                self._echo = self._instrument.handle_local_echo = True
            return
        if isinstance(exc, minimalmodbus.LocalEchoError):
            self._echo = self._instrument.handle_local_echo = False
            self._echoes = 0
        if isinstance(exc, minimalmodbus.SlaveDeviceBusyError):
            self._silence.drop(
                Fault("refused", "the gauge says it is busy; ask it less often (`every` in the settings)")
            )
            return
        if isinstance(exc, minimalmodbus.SlaveReportedException):
            self._silence.fail(
                Fault(
                    "refused",
                    f"the gauge refuses the question ({exc}); check function {settings.where.function}, address "
                    f"{settings.where.address} and type in the settings",
                )
            )
            return
        self._silence.drop(
            Fault(
                "garbled",
                f"the gauge's answer cannot be used ({heard.hex(' ') or 'nothing'}: {_first_line(exc)}); check baud, "
                "frame, and the bus's bias and termination",
            )
        )


def _first_line(exc: Exception) -> str:
    return (str(exc).splitlines() or [""])[0][:80]
