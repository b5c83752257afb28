"""Thin reader of one MAX31855 through its usual driver, over any bus that looks like `busio.SPI`.

One transfer a reading: the driver's `temperature` and `reference_temperature` are two transfers and belong to two
moments, so only the first is called, and the frame is taken whole from the driver's buffer, which holds it also where
the driver raised because of a fault bit. The buffer is zeroed before each read, so that a transfer that never happened
cannot show the frame before it.

A failing select line or clock setting leaves the driver's bus locked, and its next read would spin for ever: the lock
is given back here, before and after every read. That is right because one process, one thread owns the bus.

What can fail comes in three kinds (RuntimeError of the driver, OSError of the kernel, a plain Exception of the pin
library): every one becomes a text, none gets through.
"""

from __future__ import annotations

import importlib
from typing import Any, Final, Protocol

from lastbubble.errors import LastbubbleError

__all__ = ["BoardBus", "Max31855Reader", "Select", "SpiBus", "open_bus"]

#: The driver's own speed; long loose wires may need less, the chip takes up to 5 MHz (its datasheet) [Hz].
SPI_HZ: Final = 100_000


class Select(Protocol):
    """What is used of `digitalio.DigitalInOut`."""

    value: bool

    def switch_to_output(self, value: bool = False) -> None: ...


class SpiBus(Protocol):
    """What is used of `busio.SPI`, and where the select lines come from."""

    def chip_select(self, pin: int) -> Any: ...
    def try_lock(self) -> bool: ...
    def unlock(self) -> None: ...
    def configure(self, baudrate: int = 100_000, polarity: int = 0, phase: int = 0, bits: int = 8) -> None: ...
    def readinto(self, buf: bytearray, start: int = 0, end: int | None = None, write_value: int = 0) -> None: ...


class BoardBus:
    """The board's first SPI bus, through Blinka.

    Raises LastbubbleError, with the mend, where there is no such bus or it cannot be opened.
    """

    def __init__(self) -> None:
        try:
            # Only here: importing them looks for a board, and elsewhere there is none.
            board: Any = importlib.import_module("board")
            self._digitalio: Any = importlib.import_module("digitalio")
            self._spi: Any = board.SPI()
        except Exception as exc:  # Blinka raises whatever its back end raises, also plain Exceptions
            raise LastbubbleError(
                f"the SPI bus cannot be opened ({type(exc).__name__}: {exc}); it needs a Raspberry Pi with SPI "
                "switched on (dtparam=spi=on in config.txt, then a restart) and a user of the groups spi and gpio"
            ) from exc
        self._board = board

    def chip_select(self, pin: int) -> Any:
        """The line of GPIO `pin`, free for a chip select. LastbubbleError where somebody has it or there is none."""
        try:
            return self._digitalio.DigitalInOut(getattr(self._board, f"D{pin}"))
        except Exception as exc:  # the pin library's own errors derive from Exception alone
            raise LastbubbleError(
                f"the chip select at GPIO {pin} cannot be taken ({type(exc).__name__}: {exc}); another program may "
                "hold it, or this board has none: wire the converter to a free pin and change its select_pin"
            ) from exc

    def try_lock(self) -> bool:
        return bool(self._spi.try_lock())

    def unlock(self) -> None:
        self._spi.unlock()

    def configure(self, baudrate: int = SPI_HZ, polarity: int = 0, phase: int = 0, bits: int = 8) -> None:
        self._spi.configure(baudrate=baudrate, polarity=polarity, phase=phase, bits=bits)

    def readinto(self, buf: bytearray, start: int = 0, end: int | None = None, write_value: int = 0) -> None:
        self._spi.readinto(buf, start, end, write_value)


def open_bus(name: str = "") -> SpiBus:
    """The board's bus, or the one that `module:function` makes (a simulated bench names its own so).

    Raises LastbubbleError, with the mend.
    """
    if not name:
        return BoardBus()
    module, _, function = name.partition(":")
    try:
        bus: SpiBus = getattr(importlib.import_module(module), function)()
    except (ImportError, AttributeError, ValueError, LookupError, OSError, RuntimeError) as exc:
        raise LastbubbleError(f"the bus {name!r} cannot be made ({exc}); allowed: module:function") from exc
    return bus


class Max31855Reader:
    """Raw frames of one converter.

    bus : the bus;  select_pin : GPIO number of its chip select;  spi_hz : clock, up to 5 MHz                [Hz]

    The select line is claimed at the first read, and claimed again at the next where that failed.
    """

    def __init__(self, bus: SpiBus, select_pin: int, spi_hz: int = SPI_HZ) -> None:
        if not 1 <= spi_hz <= 5_000_000:
            raise ValueError(f"spi_hz is {spi_hz}; allowed 1 to 5000000")
        self._bus = bus
        self._pin = select_pin
        self._spi_hz = spi_hz
        self._select: Any = None
        self._sensor: Any = None
        #: Failed transfers so far, by class of the error.
        self.errors: dict[str, int] = {}

    def read(self) -> tuple[bytes | None, str]:
        """(frame of 4 bytes, "") or (None, what failed). Never raises; blocks only as long as the bus does."""
        sensor = None
        try:
            sensor = self._sensor or self._open()
            self._give_back()
            sensor.data[:] = bytes(4)
            sensor.temperature  # noqa: B018  # one transfer; the frame is in `data`
        except RuntimeError as exc:
            # The driver raises this for the fault bits, after the transfer: then the bits stand in the frame.
            if sensor is None or not _tells_fault(sensor.data):
                return self._failed(exc)
        except Exception as exc:  # noqa: BLE001  # the pin library's errors derive from Exception alone
            return self._failed(exc)
        return bytes(sensor.data), ""

    def close(self) -> None:
        """Let the select line go; the bus stays. May be called again."""
        select, self._select, self._sensor = self._select, None, None
        if hasattr(select, "deinit"):
            select.deinit()

    def _open(self) -> Any:
        driver: Any = importlib.import_module("adafruit_max31855")
        if self._select is None:
            self._select = self._bus.chip_select(self._pin)
        sensor = driver.MAX31855(self._bus, self._select)
        sensor.spi_device.baudrate = self._spi_hz
        self._sensor = sensor
        return sensor

    def _failed(self, exc: Exception) -> tuple[None, str]:
        name = type(exc).__name__
        self.errors[name] = self.errors.get(name, 0) + 1
        self._deselect()
        self._give_back()
        return None, f"{name}: {exc}"

    def _deselect(self) -> None:
        """A chip left selected would answer during the others' transfers, and never convert again."""
        if self._select is not None and self._sensor is not None:
            try:
                self._select.value = True
            except Exception as exc:  # noqa: BLE001  # the line that just failed may fail again; the read is lost anyway
                name = type(exc).__name__
                self.errors[name] = self.errors.get(name, 0) + 1

    def _give_back(self) -> None:
        # Whether it was locked or not, it is not afterwards.
        self._bus.try_lock()
        self._bus.unlock()


def _tells_fault(frame: bytearray) -> bool:
    return bool(frame[1] & 0x01 or frame[3] & 0x07)
