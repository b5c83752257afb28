"""Gauges on ptys, under the real serial and Modbus libraries."""

from __future__ import annotations

import csv
import math
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import minimalmodbus
import pytest
import serial

from tools.plant.wire.line import PtyLine
from tools.plant.wire.modbus_slave import ModbusFault, ModbusGauge, RegisterMap, crc16
from tools.plant.wire.serial_gauge import AsciiGauge, LineFault, LineFormat

BOUND_S = 20.0
FRAMES = Path(__file__).resolve().parents[2] / "shared" / "reference" / "modbus_rtu_frames.csv"


def wait_for(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + BOUND_S
    while not condition():
        assert time.monotonic() < end_s, "the condition never came true"
        time.sleep(0.002)


@pytest.fixture
def line(tmp_path: Path) -> Iterator[PtyLine]:
    made = PtyLine(tmp_path / "gauge")
    yield made
    made.close()


@pytest.fixture
def port(line: PtyLine) -> Iterator[serial.Serial]:
    made = serial.Serial(str(line.link), timeout=BOUND_S, exclusive=True)
    yield made
    made.close()


def streaming(line: PtyLine, pressure_pa: float = 100_321.0, **layout: str) -> AsciiGauge:
    return AsciiGauge(line, LineFormat(**layout), lambda: pressure_pa)  # type: ignore[arg-type]  # texts only


def test_a_streaming_gauge(line: PtyLine, port: serial.Serial) -> None:
    gauge = streaming(line)
    gauge.tick()
    assert port.read_until(b"\r\n") == b"P= 1003.21 mbar\r\n"
    assert gauge.lines == 1


@pytest.mark.parametrize(
    ("unit", "text"),
    [("Torr", b"P= 752.47 Torr\r\n"), ("kPa", b"P= 100.32 kPa\r\n"), ("inHg", b"P= 29.62 inHg\r\n")],
)
def test_the_gauges_units(line: PtyLine, port: serial.Serial, unit: str, text: bytes) -> None:
    streaming(line, unit=unit).tick()
    assert port.read_until(b"\r\n") == text


def test_a_gauge_that_is_asked(line: PtyLine, port: serial.Serial) -> None:
    gauge = streaming(line, query="PR1", end="\r", text="{value}")
    gauge.tick()
    for _ in range(3):
        port.write(b"PR1\r")
        assert port.read_until(b"\r") == b"1003.21\r"
    assert gauge.lines == 3, "it does not speak by itself"
    gauge.set_fault(LineFault.ECHO)
    port.write(b"PR1\r")
    assert port.read_until(b"1003.21\r") == b"PR1\r1003.21\r"
    gauge.close()


SPOILT: list[tuple[LineFault, Callable[[bytes], bool]]] = [
    (LineFault.CUT, lambda seen: b"\n" not in seen and seen.startswith(b"P= 100")),
    (LineFault.SPLIT, lambda seen: seen.count(b"\r\n") == 2 and not seen.endswith(b"\n")),
    (LineFault.TRICKLE, lambda seen: seen == b"P= "),
    (LineFault.BURST, lambda seen: seen == b"P= 1003.21 mbar\r\n" * 30),
    (LineFault.UNIT, lambda seen: seen == b"P= 752.47 Torr\r\n" * 3),
    (LineFault.NOT_A_NUMBER, lambda seen: b"inf" in seen and b"1e400" in seen),
    (LineFault.GARBAGE, lambda seen: len(seen) == 51 and b"mbar" not in seen),
    (LineFault.NOISE, lambda seen: len(seen) == 51 and seen != b"P= 1003.21 mbar\r\n" * 3),
]


@pytest.mark.parametrize(("fault", "so"), SPOILT, ids=lambda value: str(value) if isinstance(value, str) else "")
def test_what_goes_wrong_on_a_line(
    line: PtyLine, port: serial.Serial, fault: LineFault, so: Callable[[bytes], bool]
) -> None:
    gauge = streaming(line)
    gauge.set_fault(fault)
    sent = 0
    for _ in range(3):
        before = line.waiting()
        gauge.tick()
        wait_for(lambda before=before: line.waiting() > before)  # type: ignore[misc]  # bound per round
    sent = line.waiting()
    assert so(port.read(sent))


def test_silence_is_silence(line: PtyLine, port: serial.Serial) -> None:
    gauge = streaming(line)
    gauge.set_fault(LineFault.SILENT)
    gauge.tick()
    gauge.set_fault(LineFault.NONE)
    gauge.tick()
    assert port.read_until(b"\n") == b"P= 1003.21 mbar\r\n"


def test_unplugging_mid_read_and_plugging_in_under_the_same_name(line: PtyLine, port: serial.Serial) -> None:
    first = os.readlink(line.link)
    seen: list[BaseException] = []

    def read() -> None:
        try:
            port.read(10)
        except BaseException as exc:  # noqa: BLE001  # handed to the test's own thread
            seen.append(exc)

    reader = threading.Thread(target=read)
    reader.start()
    line.unplug()
    reader.join(BOUND_S)
    assert isinstance(seen[0], OSError)
    assert not line.link.exists()
    assert not line.plugged
    streaming(line).tick()
    assert line.lost_bytes == len(b"P= 1003.21 mbar\r\n")
    holder = os.openpty()  # so that the new device cannot get the old one's number
    line.plug()
    assert os.readlink(line.link) != first
    with serial.Serial(str(line.link), timeout=BOUND_S) as again:
        streaming(line).tick()
        assert again.read_until(b"\n") == b"P= 1003.21 mbar\r\n"
    for fd in holder:
        os.close(fd)


def test_the_bench_can_wait_until_a_line_is_taken(line: PtyLine, port: serial.Serial) -> None:
    streaming(line).tick()
    wait_for(lambda: line.waiting() == 17)
    assert not line.wait_taken(0.02)
    reader = threading.Timer(0.05, port.read, (17,))
    reader.start()
    assert line.wait_taken(BOUND_S)
    reader.join(BOUND_S)
    streaming(line).tick()
    wait_for(lambda: line.waiting() == 17)
    line.forget()
    assert line.waiting() == 0


def test_a_reader_that_never_reads_loses_bytes_and_blocks_nobody(line: PtyLine, port: serial.Serial) -> None:
    gauge = streaming(line)
    for _ in range(10_000):
        gauge.tick()
    assert 0 < line.lost_bytes < 170_000
    kept = 170_000 - line.lost_bytes
    assert len(port.read(kept)) == kept, "what was not lost is there"


def modbus(link: Path, device: int = 1) -> minimalmodbus.Instrument:
    made = minimalmodbus.Instrument(str(link), device)
    made.serial.baudrate = 19200
    made.serial.timeout = 1.0
    return made


@pytest.fixture
def asker(line: PtyLine) -> Iterator[minimalmodbus.Instrument]:
    made = modbus(line.link)
    yield made
    made.serial.close()


@pytest.mark.parametrize(
    "row",
    list(csv.DictReader(text for text in FRAMES.read_text(encoding="utf-8").splitlines() if not text.startswith("#"))),
    ids=lambda row: row["case"],
)
def test_the_published_check_sums(row: dict[str, str]) -> None:
    frame = bytes.fromhex(row["frame_without_crc"])
    assert (frame + crc16(frame).to_bytes(2, "little")).hex(" ").upper() == row["frame_on_the_wire"]


@pytest.mark.parametrize("high_first", [True, False])
@pytest.mark.parametrize("function", [3, 4])
@pytest.mark.parametrize(
    ("kind", "unit", "scale", "shown"),
    [
        ("f32", "Pa", 1.0, 98765.4),
        ("u16", "mbar", 0.1, 98765.0),
        ("s16", "mbar", 0.1, 98765.0),
        ("u32", "Pa", 0.01, 98765.4),
        ("s32", "Pa", 1.0, 98765.0),
    ],
)
def test_registers_under_the_real_client(
    line: PtyLine, kind: str, unit: str, scale: float, shown: float, function: int, high_first: bool
) -> None:
    gauge = ModbusGauge(line, RegisterMap(12, function, 7, kind, high_first, scale, 0.0, unit), lambda: 98765.4)
    asker = modbus(line.link, 12)
    order = minimalmodbus.BYTEORDER_BIG if high_first else minimalmodbus.BYTEORDER_LITTLE_SWAP
    if kind == "f32":
        read = asker.read_float(7, function, 2, order)
    elif kind.endswith("16"):
        read = asker.read_register(7, 0, function, signed=kind[0] == "s")
    else:
        read = asker.read_long(7, function, signed=kind[0] == "s", byteorder=order)
    factor = {"Pa": 1.0, "mbar": 100.0}[unit]
    assert read * scale * factor == pytest.approx(shown, abs=5.1 if unit == "mbar" else 0.01)
    asker.serial.close()
    gauge.close()


def test_integers_are_held_at_the_ends_of_their_range() -> None:
    assert RegisterMap(kind="u16", unit="Pa").words(101325.0) == [0xFFFF]
    assert RegisterMap(kind="s16", unit="Pa").words(-101325.0) == [0x8000]
    assert RegisterMap(kind="u16", unit="Pa").words(-5.0) == [0]
    assert RegisterMap(kind="f32").sentinel() == [0xFFFF, 0xFFFF]


@pytest.mark.parametrize(
    ("function", "address", "count", "error"),
    [
        (4, 0, 2, minimalmodbus.IllegalRequestError),
        (3, 1, 2, minimalmodbus.IllegalRequestError),
        (3, 0, 3, minimalmodbus.IllegalRequestError),
    ],
)
def test_wrong_questions_get_exceptions(
    line: PtyLine,
    asker: minimalmodbus.Instrument,
    function: int,
    address: int,
    count: int,
    error: type[Exception],
) -> None:
    gauge = ModbusGauge(line, RegisterMap(), lambda: 1.0)
    asker.serial.timeout = 0.2
    with pytest.raises(error):
        asker.read_registers(address, count, function)
    gauge.close()


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (ModbusFault.SILENT, minimalmodbus.NoResponseError),
        (ModbusFault.CRC, minimalmodbus.InvalidResponseError),
        (ModbusFault.ECHO, minimalmodbus.InvalidResponseError),
        (ModbusFault.STRAY_BEFORE, minimalmodbus.InvalidResponseError),
        (ModbusFault.FAILURE, minimalmodbus.SlaveReportedException),
        (ModbusFault.BUSY, minimalmodbus.SlaveDeviceBusyError),
        (ModbusFault.WRONG_DEVICE, minimalmodbus.InvalidResponseError),
        (ModbusFault.CUT, minimalmodbus.InvalidResponseError),
        (ModbusFault.GARBAGE, minimalmodbus.InvalidResponseError),
    ],
)
def test_what_goes_wrong_on_the_bus_and_its_end(
    line: PtyLine, asker: minimalmodbus.Instrument, fault: ModbusFault, error: type[Exception]
) -> None:
    gauge = ModbusGauge(line, RegisterMap(), lambda: 98765.4)
    asker.serial.timeout = 0.1
    gauge.set_fault(fault)
    with pytest.raises(error):
        asker.read_float(0)
    gauge.set_fault(ModbusFault.NONE)
    asker.serial.timeout = 1.0
    asker.serial.reset_input_buffer()
    assert asker.read_float(0) == pytest.approx(98765.4, abs=0.01)
    gauge.close()


def test_a_sentinel_is_a_number_to_the_client(line: PtyLine, asker: minimalmodbus.Instrument) -> None:
    gauge = ModbusGauge(line, RegisterMap(kind="u16"), lambda: 98765.4)
    gauge.set_fault(ModbusFault.SENTINEL)
    assert asker.read_register(0) == 65535
    gauge.close()
    gauge = ModbusGauge(line, RegisterMap(), lambda: 98765.4)
    gauge.set_fault(ModbusFault.SENTINEL)
    assert math.isnan(asker.read_float(0))
    gauge.close()


def test_a_late_answer_is_there_for_the_next_question(line: PtyLine, asker: minimalmodbus.Instrument) -> None:
    pressure_pa = [101.0]
    gauge = ModbusGauge(line, RegisterMap(kind="u16"), lambda: pressure_pa[0])
    gauge.set_fault(ModbusFault.LATE, 0.15)
    asker.serial.timeout = 0.05
    with pytest.raises(minimalmodbus.NoResponseError):
        asker.read_register(0)
    pressure_pa[0] = 102.0
    wait_for(lambda: line.waiting() == 7)
    assert asker.serial.read(7)[3:5] == (101).to_bytes(2, "big")
    gauge.close()
