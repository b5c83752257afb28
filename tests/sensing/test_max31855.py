"""The thin reader, with the real driver above a bus of ours."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from lastbubble.errors import LastbubbleError
from lastbubble.sensing.max31855 import BoardBus, Max31855Reader, open_bus
from tests.sensing.frames import frame


class PinError(Exception):
    """As lgpio.error: neither a RuntimeError nor an OSError."""


class FakeSelect:
    """A chip select as `digitalio.DigitalInOut`."""

    def __init__(self, bus: FakeBus, pin: int) -> None:
        self.bus = bus
        self.pin = pin
        self._value = False
        self.claimed = True

    def switch_to_output(self, value: bool = False) -> None:
        self._value = value

    @property
    def value(self) -> bool:
        return self._value

    @value.setter
    def value(self, high: bool) -> None:
        self.bus.fail("select" if not high else "deselect")
        self._value = high

    def deinit(self) -> None:
        self.claimed = False


class FakeBus:
    """A bus as `busio.SPI`, with one chip; `failures[where]` is raised once."""

    def __init__(self) -> None:
        self.frames: list[bytes] = []
        self.failures: dict[str, Exception] = {}
        self.locked = False
        self.transfers = 0
        self.baudrate = 0
        self.selects: list[FakeSelect] = []

    def fail(self, where: str) -> None:
        exc = self.failures.pop(where, None)
        if exc is not None:
            raise exc

    def chip_select(self, pin: int) -> FakeSelect:
        self.fail("claim")
        self.selects.append(FakeSelect(self, pin))
        return self.selects[-1]

    def try_lock(self) -> bool:
        if self.locked:
            return False
        self.locked = True
        return True

    def unlock(self) -> None:
        self.locked = False

    def configure(self, baudrate: int = 0, polarity: int = 0, phase: int = 0, bits: int = 8) -> None:
        self.fail("configure")
        assert self.locked
        assert (polarity, phase, bits) == (0, 0, 8)
        self.baudrate = baudrate

    def readinto(self, buf: bytearray, start: int = 0, end: int | None = None, write_value: int = 0) -> None:
        assert self.locked
        assert (start, end, write_value) == (0, None, 0)
        assert not self.selects[-1].value, "read without its chip selected"
        self.fail("readinto")
        self.transfers += 1
        buf[:] = self.frames.pop(0)
        self.fail("after")


@pytest.fixture
def bus() -> FakeBus:
    return FakeBus()


def test_one_transfer_a_reading(bus: FakeBus) -> None:
    bus.frames = [frame(95.0, 31.5), frame(96.0, 31.5)]
    reader = Max31855Reader(bus, 5)
    assert reader.read() == (frame(95.0, 31.5), "")
    assert reader.read() == (frame(96.0, 31.5), "")
    assert bus.transfers == 2
    assert bus.selects[0].pin == 5
    assert bus.selects[0].value
    assert not bus.locked
    assert bus.baudrate == 100_000


@pytest.mark.parametrize("low_bits", [0b001, 0b010, 0b100, 0b111])
def test_a_frame_with_fault_bits_comes_through_whole(bus: FakeBus, low_bits: int) -> None:
    raw = frame(95.0, 31.5, low_bits=low_bits, high_bits=1)
    bus.frames = [raw]
    assert Max31855Reader(bus, 5).read() == (raw, "")
    assert bus.transfers == 1


@pytest.mark.parametrize("raw", [bytes(4), b"\xff" * 4, frame(95.0, 31.5, high_bits=1)])
def test_what_the_driver_takes_for_healthy_or_misnames_comes_through_too(bus: FakeBus, raw: bytes) -> None:
    bus.frames = [raw]
    assert Max31855Reader(bus, 5).read() == (raw, "")


@pytest.mark.parametrize("where", ["claim", "configure", "select", "readinto", "deselect"])
@pytest.mark.parametrize(
    "exc", [OSError(5, "Input/output error"), RuntimeError("not now"), PinError("GPIO not allocated"), ValueError("x")]
)
def test_every_failure_is_a_text_and_the_next_read_works(bus: FakeBus, where: str, exc: Exception) -> None:
    bus.frames = [frame(40.0), frame(41.0), frame(42.0), frame(43.0)]
    reader = Max31855Reader(bus, 5)
    if where != "claim":
        reader.read()
    bus.failures[where] = exc
    raw, error = reader.read()
    if where == "deselect":
        # The frame is here, but a select line that does not go up again is a failed transfer.
        assert raw is None
    assert (raw, error) == (None, f"{type(exc).__name__}: {exc}")
    assert reader.errors == {type(exc).__name__: 1}
    assert not bus.locked, "a lock that is left makes the driver spin for ever"
    raw, error = reader.read()
    assert error == ""
    assert raw is not None
    assert bus.selects[-1].value


def test_a_bus_that_somebody_left_locked_is_freed(bus: FakeBus) -> None:
    bus.frames = [frame(40.0)]
    bus.locked = True
    assert Max31855Reader(bus, 5).read() == (frame(40.0), "")


def test_a_failed_transfer_never_shows_the_frame_before(bus: FakeBus) -> None:
    bus.frames = [frame(40.0)]
    reader = Max31855Reader(bus, 5)
    reader.read()
    bus.failures["readinto"] = RuntimeError("thermocouple not connected")
    assert reader.read()[0] is None


def test_the_clock_is_settable_within_what_the_chip_takes(bus: FakeBus) -> None:
    bus.frames = [frame(40.0)]
    Max31855Reader(bus, 5, spi_hz=50_000).read()
    assert bus.baudrate == 50_000
    for hertz in (0, 5_000_001):
        with pytest.raises(ValueError, match="allowed 1 to 5000000"):
            Max31855Reader(bus, 5, spi_hz=hertz)


def test_close_lets_the_select_line_go_and_a_read_claims_it_again(bus: FakeBus) -> None:
    bus.frames = [frame(40.0), frame(41.0)]
    reader = Max31855Reader(bus, 5)
    reader.close()
    reader.read()
    reader.close()
    reader.close()
    assert not bus.selects[0].claimed
    assert reader.read() == (frame(41.0), "")


def no_bus() -> FakeBus:
    raise RuntimeError("this bus exists only on a simulated bench")


def a_bus() -> FakeBus:
    return FakeBus()


def test_a_bus_by_name() -> None:
    assert isinstance(open_bus(f"{__name__}:a_bus"), FakeBus)


@pytest.mark.parametrize("name", ["nowhere.at.all:bus", f"{__name__}:nothing", "tests:", ":x", f"{__name__}:no_bus"])
def test_a_bus_that_is_not_there_is_told_plainly(name: str) -> None:
    with pytest.raises(LastbubbleError, match="allowed: module:function"):
        open_bus(name)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda: NotImplementedError("no board"), "SPI switched on"),
        (lambda: FileNotFoundError(2, "/dev/spidev0.0"), "SPI switched on"),
    ],
)
def test_no_board_no_bus(monkeypatch: pytest.MonkeyPatch, wrong: Callable[[], Exception], said: str) -> None:
    """Blinka looks for its board at import, and raises whatever comes."""

    def no(name: str) -> Any:
        raise wrong() if name == "board" else ImportError(name)

    monkeypatch.setattr("lastbubble.sensing.max31855.importlib.import_module", no)
    with pytest.raises(LastbubbleError, match=said):
        BoardBus()


def test_the_boards_bus_hands_everything_on(monkeypatch: pytest.MonkeyPatch) -> None:
    inner = FakeBus()

    class Board:
        D5 = 5

        @staticmethod
        def SPI() -> FakeBus:
            return inner

    class Digital:
        @staticmethod
        def DigitalInOut(pin: int) -> FakeSelect:
            return inner.chip_select(pin)

    import importlib

    real = importlib.import_module
    fakes: dict[str, Any] = {"board": Board, "digitalio": Digital}
    monkeypatch.setattr(
        "lastbubble.sensing.max31855.importlib.import_module", lambda name: fakes[name] if name in fakes else real(name)
    )
    bus = open_bus()
    inner.frames = [frame(40.0), frame(41.0)]
    reader = Max31855Reader(bus, 5)
    assert reader.read() == (frame(40.0), "")
    with pytest.raises(LastbubbleError, match="chip select at GPIO 6 cannot be taken"):
        bus.chip_select(6)
