"""Modbus RTU frames and checks of the public specification, against our reader and the library beneath it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import crcmod.predefined
import minimalmodbus
import pytest

from lastbubble.records import Quality, Reading
from lastbubble.sensing.gauge import GaugeScale
from lastbubble.sensing.modbus_gauge import ModbusGauge, ModbusGaugeSettings, RegisterMap
from tests.published.reference import rows
from tests.sensing.wires import Plug, modbus_reply

FRAMES = rows("modbus_rtu_frames")
TIMING = rows("modbus_rtu_timing")
BY_CASE = {row["case"]: bytes.fromhex(row["frame_on_the_wire"]) for row in FRAMES}
crc: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("modbus")


@pytest.mark.parametrize("row", FRAMES, ids=[row["case"][:40] for row in FRAMES])
def test_every_check_by_three_hands(row: dict[str, str]) -> None:
    """The table, the library that we frame with, and crcmod."""
    body, wire = bytes.fromhex(row["frame_without_crc"]), bytes.fromhex(row["frame_on_the_wire"])
    value = int(row["crc_value"], 16)
    low_first = value.to_bytes(2, "little")
    assert body + low_first == wire
    assert crc(body) == value
    assert minimalmodbus._calculate_crc(body) == low_first
    assert crc(wire) == 0


def test_the_catalogues_check_value() -> None:
    assert minimalmodbus._calculate_crc(b"123456789") == (0x4B37).to_bytes(2, "little")


class Wire:
    """A serial port that hears one request and says one reply."""

    def __init__(self, reply: bytes) -> None:
        self.reply = reply
        self.heard = b""
        self.is_open = True
        self.port = "wire"
        self.baudrate = 19200
        self.timeout = 1.0

    def open(self) -> None: ...
    def close(self) -> None: ...
    def reset_input_buffer(self) -> None: ...
    def reset_output_buffer(self) -> None: ...

    def write(self, data: bytes) -> int:
        self.heard += data
        return len(data)

    def read(self, size: int) -> bytes:
        out, self.reply = self.reply[:size], self.reply[size:]
        return out


@pytest.mark.parametrize(
    ("unit", "request_case", "response_case"),
    [
        (17, "application spec FC03 example request (unit 17)", "application spec FC03 example response"),
        (1, "same, unit 1", "same, unit 1, response"),
    ],
)
def test_the_specifications_three_registers(unit: int, request_case: str, response_case: str) -> None:
    wire = Wire(BY_CASE[response_case])
    words: Any = minimalmodbus.Instrument(wire, unit).read_registers(107, 3, 3)
    assert wire.heard == BY_CASE[request_case]
    assert words == [555, 0, 100]


def ask(tmp_path: Path, device: int, where: RegisterMap, reply: bytes) -> tuple[bytes, Reading | None]:
    """Our reader's question as it is on the wire, and what it makes of the reply."""
    plug = Plug(tmp_path / "gauge")
    heard = b""

    def far() -> None:
        nonlocal heard
        while len(heard) < 8:
            heard += plug.hear()
        plug.send(reply)

    thread = threading.Thread(target=far, daemon=True)
    thread.start()
    gauge = ModbusGauge(ModbusGaugeSettings(str(plug.link), where, device=device, answer_s=0.6), GaugeScale())
    reading = gauge.poll(0.0)
    thread.join(10)
    gauge.close()
    plug.unplug()
    return heard, reading


def test_our_reader_asks_and_understands_the_specifications_input_register(tmp_path: Path) -> None:
    """Read input register 9 (address 8): 10."""
    heard, reading = ask(
        tmp_path, 17, RegisterMap(function=4, address=8, unit="kPa"), BY_CASE["application spec FC04 example response"]
    )
    assert heard == BY_CASE["application spec FC04 example request (unit 17)"]
    assert reading is not None
    assert reading.value == 10e3


@pytest.mark.parametrize(
    ("case", "function", "told"),
    [
        ("exception, illegal function, unit 17, FC03", 3, "illegal function"),
        ("exception, server failure, unit 17, FC04", 4, "device failure"),
        ("exception, busy, unit 17, FC03", 3, ""),
    ],
)
def test_our_reader_and_the_exceptions(tmp_path: Path, case: str, function: int, told: str) -> None:
    _, reading = ask(tmp_path, 17, RegisterMap(function=function, address=107), BY_CASE[case])
    if not told:
        assert reading is None  # busy: asked again later
        return
    assert reading is not None
    assert reading.quality is Quality.BAD
    assert reading.cause == "refused"
    assert told in reading.detail


@pytest.mark.parametrize(
    "case",
    [
        "same, unit 1, response",  # another unit's answer
        "application spec FC03 example response",  # three registers instead of one
        "application spec FC06 example (unit 17), echo is identical",  # another function's
        "exception example response: illegal data address",  # another unit's exception
    ],
)
def test_an_answer_to_somebody_elses_question_is_no_reading(tmp_path: Path, case: str) -> None:
    _, reading = ask(tmp_path, 17, RegisterMap(function=4, address=8), BY_CASE[case])
    assert reading is None


def test_the_tests_own_gauge_answers_as_the_specification() -> None:
    registers = {(3, 107): 555, (3, 108): 0, (3, 109): 100, (4, 8): 10}
    asked = BY_CASE["application spec FC03 example request (unit 17)"]
    assert modbus_reply(asked, 17, registers) == BY_CASE["application spec FC03 example response"]
    asked = BY_CASE["application spec FC04 example request (unit 17)"]
    assert modbus_reply(asked, 17, registers) == BY_CASE["application spec FC04 example response"]
    assert modbus_reply(asked, 1, registers) is None


@pytest.mark.parametrize("row", TIMING, ids=[row["bit_per_s"] for row in TIMING])
def test_the_silence_between_frames(row: dict[str, str]) -> None:
    """3.5 characters up to 19200 bit/s, fixed 1.75 ms above: the library keeps it before each question."""
    kept_ms = minimalmodbus._calculate_minimum_silent_period(int(row["bit_per_s"])) * 1e3
    assert kept_ms >= float(row["t3_5_ms"]) - 6e-4
