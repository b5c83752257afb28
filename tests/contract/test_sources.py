"""One suite over every source of chamber pressure, each with its real library above a wire of ours.

Whatever the wire is: the same absolute pressure comes out, nothing is invented, a loss is told with its mend and ends
by itself, and nothing raises or waits for ever.
"""

from __future__ import annotations

import math
import random
import struct
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import pytest
from gpiozero import Device

from lastbubble.records import Quality, Reading
from lastbubble.sensing.adc_gauge import AdcGaugeSettings
from lastbubble.sensing.gauge import CAUSES, RANGE_PA, GaugeScale
from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings, RegisterMap
from lastbubble.sensing.pressure import PressureSource, Unhurried
from lastbubble.sensing.serial_gauge import SerialGaugeSettings
from lastbubble.sensing.sources import pressure_source
from tests.sensing.amounts import LONG
from tests.sensing.wires import Asked, Converter, Plug, converter, modbus_reply

BAROMETER_PA = 97_000.0


class Bench(ABC):
    """One source and the far side of its wire. Pressures are absolute."""

    #: What one step of it is, and what it says when its wire is lost.
    step_pa: ClassVar[float]
    lost: ClassVar[set[str]]
    scale: ClassVar[GaugeScale] = GaugeScale()

    source: PressureSource
    pressure_pa = 50_000.0
    now_s = 1000.0

    @abstractmethod
    def speak(self) -> None:
        """One period of the gauge is over."""

    @abstractmethod
    def lose(self) -> None:
        """The wire is lost."""

    @abstractmethod
    def mend(self) -> None:
        """And back."""

    @abstractmethod
    def spoil(self, chance: random.Random) -> None:
        """From now on, what comes is chance."""

    @abstractmethod
    def close(self) -> None:
        """Everything but the source."""

    def step(self, seconds: float = 1.0) -> Reading | None:
        """Bench time passes, and the service reads."""
        self.speak()
        self.now_s += seconds
        reading = self.source.read(self.now_s)
        if reading is not None:
            check(reading, self.now_s)
        return reading

    def until(self, wanted: Callable[[Reading], bool], within_s: int) -> Reading:
        """The first reading that is wanted; fails when it has not come by then."""
        said: list[Reading | None] = []
        for _ in range(within_s):
            reading = self.step()
            said.append(reading)
            if reading is not None and wanted(reading):
                return reading
        raise AssertionError(f"not within {within_s} s: {said[-5:]}")


def check(reading: Reading, now_s: float) -> None:
    """What holds of every reading."""
    assert reading.source == "chamber"
    assert now_s - 40 < reading.time_s <= now_s
    if reading.quality is Quality.BAD:
        assert reading.value is None
        assert reading.cause in CAUSES
        assert len(reading.detail) > 20, "for a person, with the mend"
        assert "\n" not in reading.detail
    else:
        assert reading.value is not None
        assert RANGE_PA[0] <= reading.value <= RANGE_PA[1]
        assert math.isfinite(reading.value)
        assert bool(reading.cause) == (reading.quality is Quality.SUSPECT)


def usable(reading: Reading) -> bool:
    return reading.value is not None


def unusable(reading: Reading) -> bool:
    return reading.value is None


class StreamingBench(Bench):
    """ASCII, by itself, absolute, mbar with two digits."""

    step_pa = 1.0
    lost: ClassVar = {"port"}

    def __init__(self, tmp_path: Path) -> None:
        self.plug = Plug(tmp_path / "gauge")
        self.chance: random.Random | None = None
        self.plugged = True
        pattern = r"P=\s*(?P<value>[-+]?\d+\.\d+) (?P<unit>\w+)"
        self.source = pressure_source(SerialGaugeSettings(str(self.plug.link), "mbar", pattern=pattern), self.scale)
        self.step()

    def speak(self) -> None:
        if self.plugged:
            if self.chance is not None:
                self.plug.send(self.chance.randbytes(200))
            else:
                self.plug.send(f"P= {self.pressure_pa / 100:.2f} mbar\r\n".encode())

    def lose(self) -> None:
        self.plugged = False
        self.plug.unplug()

    def mend(self) -> None:
        self.plug.plug()
        self.plugged = True

    def spoil(self, chance: random.Random) -> None:
        self.chance = chance

    def close(self) -> None:
        self.plug.unplug()


class AskedBench(Bench):
    """ASCII, when asked, depth of vacuum in inHg with three digits."""

    step_pa = 3.4
    lost: ClassVar = {"port"}
    scale = GaugeScale("vacuum", BAROMETER_PA)

    def __init__(self, tmp_path: Path) -> None:
        self.plug = Plug(tmp_path / "gauge")
        self.chance: random.Random | None = None
        self.side = Asked(self.plug, self._answer)
        settings = SerialGaugeSettings(
            str(self.plug.link), "inHg", query="?P", line_end="CR", answer_s=2.0, quiet_s=0.05
        )
        self.source = pressure_source(settings, self.scale)
        self.source._patience_s = 20.0  # type: ignore[attr-defined]  # a busy machine must not make another result

    def _answer(self, pending: bytes) -> tuple[bytes | None, int]:
        end = pending.find(b"\r")
        if end < 0:
            return None, 0
        if self.chance is not None:
            return self.chance.randbytes(20) + b"\r", end + 1
        return f"{(BAROMETER_PA - self.pressure_pa) / 3386.389:.3f}\r".encode(), end + 1

    def speak(self) -> None:
        pass

    def lose(self) -> None:
        self.plug.unplug()

    def mend(self) -> None:
        self.plug.plug()

    def spoil(self, chance: random.Random) -> None:
        self.chance = chance

    def close(self) -> None:
        self.side.close()
        self.plug.unplug()


class ModbusBench(Bench):
    """Modbus RTU, a float over two registers, gauge pressure in kPa, low word first."""

    step_pa = 0.01
    lost: ClassVar = {"port"}
    scale = GaugeScale("gauge", BAROMETER_PA)

    def __init__(self, tmp_path: Path) -> None:
        self.plug = Plug(tmp_path / "gauge")
        self.chance: random.Random | None = None
        self.side = Asked(self.plug, self._answer)
        where = RegisterMap(function=3, address=256, type="f32", words="low first", unit="kPa")
        settings = ModbusGaugeSettings(str(self.plug.link), where, device=5, answer_s=0.5, quiet_s=0.05)
        self.source = pressure_source(settings, self.scale)
        self.source._patience_s = 20.0  # type: ignore[attr-defined]  # a busy machine must not make another result

    def _answer(self, pending: bytes) -> tuple[bytes | None, int]:
        if len(pending) < 8:
            return None, 0
        high, low = struct.unpack(">HH", struct.pack(">f", (self.pressure_pa - BAROMETER_PA) / 1e3))
        reply = modbus_reply(pending[:8], 5, {(3, 256): low, (3, 257): high})
        if self.chance is not None:
            reply = self.chance.randbytes(9)
        return reply, 8

    def speak(self) -> None:
        pass

    def lose(self) -> None:
        self.plug.unplug()

    def mend(self) -> None:
        self.plug.plug()

    def spoil(self, chance: random.Random) -> None:
        self.chance = chance

    def close(self) -> None:
        self.side.close()
        self.plug.unplug()


class AdcBench(Bench):
    """A ratiometric transducer of gauge pressure on 12 bits, its supply on a second input."""

    step_pa = 35.0
    lost: ClassVar = {"wire"}
    scale = GaugeScale("gauge", BAROMETER_PA)

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        factory, self.far = converter()
        monkeypatch.setattr(Device, "pin_factory", factory)
        self.chance: random.Random | None = None
        self.broken = False
        settings = AdcGaugeSettings(-100e3, 0.0, divider=5 / 3, supply_channel=1)
        self.source = pressure_source(settings, self.scale)
        self.source._patience_s = 20.0  # type: ignore[attr-defined]  # a busy machine must not make another result

    def speak(self) -> None:
        far: Converter = self.far
        supply_v = 5.0 * 3 / 5
        part = 0.1 + 0.8 * (self.pressure_pa - BAROMETER_PA + 100e3) / 100e3
        far.volts[0], far.volts[1] = 0.0 if self.broken else part * supply_v, supply_v
        chance = self.chance
        far.spikes = None if chance is None else iter([chance.random() * 3.3 for _ in range(10)])

    def lose(self) -> None:
        self.broken = True

    def mend(self) -> None:
        self.broken = False

    def spoil(self, chance: random.Random) -> None:
        self.chance = chance

    def close(self) -> None:
        self.far.close()


MAKERS: dict[str, Callable[[Path, pytest.MonkeyPatch], Bench]] = {
    "serial, streaming": lambda tmp_path, _: StreamingBench(tmp_path),
    "serial, asked": lambda tmp_path, _: AskedBench(tmp_path),
    "modbus": lambda tmp_path, _: ModbusBench(tmp_path),
    "adc": lambda _, monkeypatch: AdcBench(monkeypatch),
}


@pytest.fixture(params=MAKERS)
def bench(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    bench = MAKERS[request.param](tmp_path, monkeypatch)
    yield bench
    bench.source.close()
    bench.close()


def test_the_absolute_pressure_of_the_chamber(bench: Bench) -> None:
    bench.until(usable, 5)
    for pressure_pa in (97_000.0, 40_000.0, 2_345.0, 400.0, 96_000.0):
        bench.pressure_pa = pressure_pa
        bench.step()
        reading = bench.until(usable, 3)
        assert reading.value == pytest.approx(pressure_pa, abs=bench.step_pa)
        assert reading.time_s > bench.now_s - 2


def test_every_pass_has_its_reading(bench: Bench) -> None:
    bench.until(usable, 5)
    for at in range(20):
        bench.pressure_pa = 50_000.0 - 1000 * at
        reading = bench.step()
        assert reading is not None
        assert reading.value == pytest.approx(bench.pressure_pa, abs=bench.step_pa)


def test_a_lost_wire_is_told_with_its_mend_and_ends_by_itself(bench: Bench) -> None:
    bench.until(usable, 5)
    bench.lose()
    told = bench.until(unusable, 8)
    assert told.cause in bench.lost
    for _ in range(20):
        reading = bench.step()
        assert reading is not None, "a fault is said again for as long as it stands"
        assert reading.cause in bench.lost
    bench.pressure_pa = 30_000.0
    bench.mend()
    reading = bench.until(usable, 40)  # an adapter that was away for long is looked for every 30 s
    assert reading.value == pytest.approx(30_000.0, abs=bench.step_pa)


def test_a_wire_lost_before_the_first_reading(bench: Bench) -> None:
    bench.lose()
    assert bench.until(unusable, 8).cause in bench.lost
    bench.mend()
    bench.until(usable, 40)


def test_lost_and_mended_again_and_again(bench: Bench) -> None:
    bench.until(usable, 5)
    for at in range(5):
        bench.lose()
        bench.until(unusable, 8)
        bench.pressure_pa = 10_000.0 + 1000 * at
        bench.mend()
        assert bench.until(usable, 40).value == pytest.approx(bench.pressure_pa, abs=bench.step_pa)


@pytest.mark.timeout(900)
def test_chance_on_the_wire_invents_nothing(bench: Bench) -> None:
    """By default a part of the passes that LASTBUBBLE_LONG=1 takes."""
    bench.until(usable, 5)
    bench.spoil(random.Random(4242))
    readings = [bench.step() for _ in range(2000 if LONG else 12)]
    if isinstance(bench, AdcBench):
        # An analogue wire has no check, so chance may be a signal; but it is never one without a doubt.
        assert not any(reading is not None and reading.quality is Quality.GOOD for reading in readings)
        assert any(reading is not None for reading in readings)
        return
    assert not any(reading is not None and reading.value is not None for reading in readings)
    last = readings[-1]
    assert last is not None
    assert last.cause in ("garbled", "silent", "echo", "refused")


def test_close_is_final_and_leaves_no_thread(bench: Bench) -> None:
    bench.until(usable, 5)
    source = bench.source
    assert isinstance(source, Unhurried)
    thread = source._thread
    source.close()
    source.close()
    assert thread is not None
    thread.join(20)
    assert not thread.is_alive()
    assert thread not in threading.enumerate()
    reading = source.read(bench.now_s + 1)
    assert reading is not None
    assert reading.cause == "closed"


def test_the_port_is_free_again_after_close(bench: Bench) -> None:
    """A restart of the service finds nothing held."""
    bench.until(usable, 5)
    bench.source.close()
    inner = bench.source._inner  # type: ignore[attr-defined]
    again = Unhurried(type(inner)(inner._settings, bench.scale), patience_s=20.0)
    bench.source = again
    bench.until(usable, 5)


def test_a_source_never_read_can_be_closed(bench: Bench) -> None:
    bench.source.close()
