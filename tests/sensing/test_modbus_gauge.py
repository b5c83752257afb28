"""Registers to Pa, and the Modbus reader over a pty with an RTU gauge behind it."""

from __future__ import annotations

import math
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.records import Quality, Reading
from lastbubble.sensing.gauge import MANY, Fault, GaugeScale
from lastbubble.sensing.modbus_gauge import (
    ModbusGauge,
    ModbusGaugeSettings,
    RegisterMap,
    RegisterType,
    decode_registers,
)
from tests.sensing.wires import Asked, Plug, crc16, modbus_reply

TYPES: list[RegisterType] = ["u16", "s16", "u32", "s32", "f32"]


def words_of(number: float, kind: RegisterType) -> list[int]:
    """As the gauge keeps it: most significant word first."""
    raw = struct.pack({"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}[kind], number)
    return [word for (word,) in struct.iter_unpack(">H", raw)]


# -- registers ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "number"),
    [("u16", 40000), ("s16", -500), ("u32", 101325), ("s32", -101325), ("f32", 1013.25)],
)
def test_every_type_in_both_orders(kind: RegisterType, number: float) -> None:
    words = words_of(number, kind)
    assert decode_registers(words, RegisterMap(type=kind)) == number
    swapped = list(reversed(words))
    assert decode_registers(swapped, RegisterMap(type=kind, words="low first")) == number


def test_scale_offset_and_unit() -> None:
    where = RegisterMap(scale=0.1, offset=-10.0, unit="mbar")
    assert decode_registers([1100], where) == pytest.approx(100 * 100.0)


@pytest.mark.parametrize(
    ("kind", "raw"),
    [
        ("u16", [0xFFFF]),
        ("s16", [0x7FFF]),
        ("s16", [0x8000]),
        ("u32", [0xFFFF, 0xFFFF]),
        ("s32", [0x7FFF, 0xFFFF]),
        ("s32", [0x8000, 0]),
    ],
)
def test_the_ends_of_the_range_mean_no_value(kind: RegisterType, raw: list[int]) -> None:
    found = decode_registers(raw, RegisterMap(type=kind))
    assert isinstance(found, Fault)
    assert found.cause == "sentinel"
    assert f"{raw[0]:04X}" in found.detail


def test_sentinels_of_ones_own() -> None:
    assert decode_registers([0xFFFF], RegisterMap(sentinels=())) == 65535.0
    assert isinstance(decode_registers([9999], RegisterMap(sentinels=(9999,))), Fault)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_float_that_is_no_number(number: float) -> None:
    found = decode_registers(words_of(number, "f32"), RegisterMap(type="f32"))
    assert isinstance(found, Fault)
    assert found.cause == "garbled"


@given(st.sampled_from(TYPES), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.booleans())
def test_any_words_give_a_finite_number_or_a_fault(kind: RegisterType, high: int, low: int, swapped: bool) -> None:
    where = RegisterMap(type=kind, words="low first" if swapped else "high first", scale=0.37, unit="Torr")
    found = decode_registers([high, low][: where.count], where)
    assert isinstance(found, Fault) or math.isfinite(found)


@pytest.mark.parametrize("words", [[], [1, 2], [65536], [-1]])
def test_words_that_are_none_are_an_error_of_ours(words: list[int]) -> None:
    with pytest.raises(ValueError, match="u16 needs 1 of 0 to 65535"):
        decode_registers(words, RegisterMap())


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"function": 1}, "allowed: 3, 4"),
        ({"address": 65536}, "counted from 0"),
        ({"type": "u8"}, "allowed: u16"),
        ({"words": "middle"}, "high first, low first"),
        ({"scale": 0.0}, "scale not 0"),
        ({"offset": math.nan}, "finite"),
        ({"unit": "cmHg"}, "no unit of pressure"),
    ],
)
def test_a_map_that_cannot_be(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        RegisterMap(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"device": 248}, "1 to 247"), ({"every_s": 99.0}, "0.05 to 60"), ({"answer_s": 0.1}, "0.3 to 2")],
)
def test_settings_that_cannot_be(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        ModbusGaugeSettings("/dev/x", RegisterMap(), **wrong)  # type: ignore[arg-type]


# -- on the wire ----------------------------------------------------------------------------------------------------


class Gauge:
    """An RTU gauge whose register 2 (function 4) counts its questions, with what goes wrong on such lines."""

    def __init__(self, plug: Plug) -> None:
        self.plug = plug
        self.requests: list[bytes] = []
        self.echo = False
        self.before = b""
        self.mute = 0
        self.late_s = 0.0
        self.spoil = 0
        self.exception = 0
        self.side = Asked(plug, self.answer)

    def answer(self, pending: bytes) -> tuple[bytes | None, int]:
        if len(pending) < 8:
            return None, 0
        request = pending[:8]
        self.requests.append(request)
        reply = modbus_reply(request, 12, {(4, 2): len(self.requests)}) or b""
        if self.exception:
            body = bytes([12, 0x84, self.exception])
            reply = body + struct.pack("<H", crc16(body))
        if self.spoil:
            self.spoil -= 1
            reply = reply[:-1] + bytes([reply[-1] ^ 1])
        if self.mute:
            self.mute -= 1
            reply = b""
        reply = self.before + reply
        if self.echo:
            reply = request + reply
        if self.late_s:
            timer = threading.Timer(self.late_s, self.plug.send, [reply])
            timer.daemon = True
            timer.start()
            reply = b""
        return reply, 8


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "gauge")
    yield plug
    plug.unplug()


@pytest.fixture
def far(plug: Plug) -> Iterator[Gauge]:
    far = Gauge(plug)
    yield far
    far.side.close()


@pytest.fixture
def gauge(plug: Plug, far: Gauge) -> Iterator[ModbusGauge]:  # noqa: ARG001  # it has to be there first
    where = RegisterMap(function=4, address=2, unit="mbar")
    gauge = ModbusGauge(ModbusGaugeSettings(str(plug.link), where, device=12, answer_s=0.3, quiet_s=0.5), GaugeScale())
    yield gauge
    gauge.close()


def value(reading: Reading | None) -> float:
    assert reading is not None
    assert reading.quality is Quality.GOOD, reading
    assert reading.value is not None
    return reading.value


def cause(reading: Reading | None) -> str:
    assert reading is not None
    assert reading.quality is Quality.BAD
    return reading.cause


def test_question_and_answer(gauge: ModbusGauge, far: Gauge) -> None:
    assert [value(gauge.poll(float(at))) for at in range(4)] == [100.0, 200.0, 300.0, 400.0]
    # 0C 04 0002 0001 and its check: function 4, address 2, one register, of unit 12.
    assert far.requests[0][:6] == bytes.fromhex("0C0400020001")
    assert crc16(far.requests[0]) == 0


def test_it_is_asked_at_its_pace(gauge: ModbusGauge, far: Gauge) -> None:
    got = [gauge.poll(at / 4) for at in range(9)]
    assert [reading is not None for reading in got] == [at % 4 == 0 for at in range(9)]
    assert len(far.requests) == 3


def test_a_late_answer_is_never_taken_for_the_next_ones(gauge: ModbusGauge, far: Gauge) -> None:
    """The gauge takes longer than its time-out: every answer that is used must be that question's own."""
    far.late_s = 0.45
    used = []
    for at in range(5):
        reading = gauge.poll(float(at))
        if reading is not None:
            used.append((value(reading), len(far.requests)))
    assert used, "the time-out never grew to what was seen"
    assert all(mbar == 100.0 * asked for mbar, asked in used)
    assert gauge.timeouts
    assert gauge.answer_s > 0.45


def test_no_answer_is_no_reading_and_then_silence(plug: Plug, far: Gauge) -> None:
    far.mute = 99
    where = RegisterMap(function=4, address=2)
    gauge = ModbusGauge(ModbusGaugeSettings(str(plug.link), where, device=12, answer_s=0.3, quiet_s=0.01), GaugeScale())
    assert gauge.poll(0.0) is None
    assert gauge.poll(5.0) is None
    reading = gauge.poll(10.0)
    assert cause(reading) == "silent"
    assert reading is not None
    assert "unit id 12" in reading.detail
    far.mute = 0
    assert value(gauge.poll(11.0)) > 0
    gauge.close()


def test_a_spoilt_answer_is_dropped_and_many_are_a_fault(gauge: ModbusGauge, far: Gauge) -> None:
    far.spoil = MANY
    assert [gauge.poll(float(at)) for at in range(MANY - 1)] == [None] * (MANY - 1)
    reading = gauge.poll(float(MANY))
    assert cause(reading) == "garbled"
    assert reading is not None
    assert "termination" in reading.detail
    assert value(gauge.poll(MANY + 1.0)) == 100.0 * (MANY + 1)


def test_a_stray_byte_in_front_is_named(gauge: ModbusGauge, far: Gauge) -> None:
    """The answer is as long as it should be, and shifted: what is left of it is thrown away."""
    far.before = b"\0"
    readings = [gauge.poll(float(at)) for at in range(MANY)]
    assert cause(readings[-1]) == "garbled"
    assert all(reading is None for reading in readings[:-1])


@pytest.mark.parametrize(("number", "said"), [(1, "function 4"), (2, "address 2"), (4, "refuses")])
def test_a_refusal_is_told_at_once(gauge: ModbusGauge, far: Gauge, number: int, said: str) -> None:
    far.exception = number
    reading = gauge.poll(0.0)
    assert cause(reading) == "refused"
    assert reading is not None
    assert said in reading.detail
    far.exception = 0
    assert value(gauge.poll(1.0)) == 200.0


def test_busy_is_not_a_fault_at_once(gauge: ModbusGauge, far: Gauge) -> None:
    far.exception = 6
    assert gauge.poll(0.0) is None
    far.exception = 0
    assert value(gauge.poll(1.0)) == 200.0


def test_an_adapter_that_hears_itself_is_named_and_got_used_to(plug: Plug, far: Gauge) -> None:
    far.echo = True
    where = RegisterMap(function=4, address=2, unit="mbar")
    gauge = ModbusGauge(ModbusGaugeSettings(str(plug.link), where, device=12, answer_s=0.3, quiet_s=0.1), GaugeScale())
    readings = [gauge.poll(float(at)) for at in range(8)]
    good = [reading for reading in readings if reading is not None and reading.value is not None]
    assert good, readings
    assert [reading.value for reading in good] == [100.0 * (at + 1) for at in range(8 - len(good), 8)]
    far.echo = False
    again = [gauge.poll(float(at)) for at in range(8, 14)]
    assert value(again[-1]) == 1400.0
    gauge.close()


def test_unplugged_and_plugged_in_again(gauge: ModbusGauge, plug: Plug) -> None:
    value(gauge.poll(0.0))
    plug.unplug()
    assert cause(gauge.poll(1.0)) == "port"
    assert cause(gauge.poll(2.0)) == "port"
    plug.plug()
    readings = [gauge.poll(float(at)) for at in range(3, 8)]
    assert value(readings[-1]) > 0


def test_a_gauge_that_says_it_has_no_value(plug: Plug) -> None:
    side = Asked(plug, lambda pending: (modbus_reply(pending[:8], 1, {(3, 0): 0xFFFF}), 8))
    gauge = ModbusGauge(ModbusGaugeSettings(str(plug.link), RegisterMap()), GaugeScale())
    readings = [gauge.poll(float(at)) for at in range(MANY)]
    assert cause(readings[-1]) == "sentinel"
    assert readings[0] is None
    gauge.close()
    side.close()
