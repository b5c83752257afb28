"""A pin factory of gpiozero over the simulated board's lines; they behave as the kernel's do under lgpio.

A pin that is made claims its line and makes it an input without pull. Made an output it is low first, then what was
asked for (as lgpio does). A closed pin becomes an input without pull and stays claimed until the factory closes:
the board's resistor decides. A killed owner closes nothing: the line keeps its last level, unless the board is strict.
Outputs read back what the line is.

Named in a bench's settings as `tools.plant.wire.pins:BenchFactory`; the mapped file is found by LASTBUBBLE_BENCH_DIR.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Final

from gpiozero.exc import PinFixedPull, PinInvalidFunction, PinInvalidPull, PinSetInput
from gpiozero.pins.mock import MockFactory, MockPin

from lastbubble.clock import clock_from_environment
from tools.plant.wire.pinfile import PinFile

__all__ = ["PINS_FILE", "BenchAdc", "BenchFactory", "BenchPin"]

#: As in `spi`, repeated here so that the guard's process does not import the bus.
BENCH_DIR_VARIABLE: Final = "LASTBUBBLE_BENCH_DIR"
PINS_FILE: Final = "pins"


class BenchPin(MockPin):
    """One line of the simulated board."""

    def __init__(self, factory: BenchFactory, info: Any) -> None:
        self._file = factory.file
        self._clock = factory.clock
        number = int(info.name[4:])
        self._file.claim(number)
        super().__init__(factory, info)
        self._file.set_own_pull(number, "floating")
        self._file.set_function(number, False, False, self._clock.now())

    def close(self) -> None:
        """Make it an input without pull."""
        self.when_changed = None
        self._file.set_own_pull(self._number, "floating")
        self._file.set_function(self._number, False, False, self._clock.now())

    def _get_function(self) -> str:
        return "output" if self._file.is_output(self._number) else "input"

    def _set_function(self, value: str) -> None:
        if value not in ("input", "output"):
            raise PinInvalidFunction("function must be input or output")
        # Claimed low first, whatever level is asked for next: seen of the library on a board.
        self._file.set_function(self._number, value == "output", False, self._clock.now())

    def _get_state(self) -> bool:
        return self._file.level(self._number)

    def _set_state(self, value: float) -> None:
        if not self._file.is_output(self._number):
            raise PinSetInput(f"cannot set state of pin {self!r}")
        self._file.write(self._number, bool(value), self._clock.now())

    def _get_pull(self) -> str:
        return self._file.own_pull(self._number)

    def _set_pull(self, value: str) -> None:
        if self._file.is_output(self._number):
            raise PinFixedPull(f"cannot set pull on non-input pin {self!r}")
        if self.info.pull and value != self.info.pull:
            raise PinFixedPull(f"{self!r} has a fixed pull resistor")
        if value not in ("floating", "up", "down"):
            raise PinInvalidPull("pull must be floating, up, or down")
        self._file.set_own_pull(self._number, value)  # type: ignore[arg-type]  # one of the three

    def _change_state(self, value: bool) -> bool:  # the mock's own hand on a pin has no line here
        raise NotImplementedError("drive the line from the bench's side: PinFile.drive")


class BenchAdc:
    """A converter with four or eight inputs (MCP3004, 3008, 3204, 3208), as the library's SPI interface.

    The answer's bits stand where the chip puts them: a null bit, then the value, ending with the last clock (MCP3208
    and MCP3008 datasheets, serial communication with 8-bit segments).
    """

    bits_per_word = 8

    def __init__(self, pin_factory: BenchFactory, reference_v: float = 3.3, **pins: Any) -> None:
        self._file = pin_factory.file
        self._reference_v = reference_v
        self._pins = pins

    def close(self) -> None:
        """Nothing is held."""

    @property
    def closed(self) -> bool:
        """Never."""
        return False

    def transfer(self, data: list[int]) -> list[int]:
        """One conversion: the command is found by its start bit, as the chip does."""
        word = int.from_bytes(bytes(data), "big")
        start = word.bit_length() - 1
        # Behind the start bit: single-ended, three bits of channel, one clock to sample, the null bit, the value.
        bits = start - 6
        if bits not in (10, 12):
            return [0] * len(data)
        channel = word >> (start - 4) & 0b111
        top = (1 << bits) - 1
        value = max(0, min(top, int(self._file.volts(channel) / self._reference_v * (top + 1))))
        return list(value.to_bytes(len(data), "big"))


class BenchFactory(MockFactory):
    """The simulated board's pins.

    Raises RuntimeError outside a bench, `pinfile.LineBusy` for a line that somebody else holds.
    """

    def __init__(self, path: Path | None = None) -> None:
        if path is None:
            folder = os.environ.get(BENCH_DIR_VARIABLE)
            if not folder:
                raise RuntimeError(f"{BENCH_DIR_VARIABLE} is not set: these pins exist only on a simulated bench")
            path = Path(folder) / PINS_FILE
        self.file = PinFile(path)
        self.clock = clock_from_environment("pins")
        super().__init__(pin_class=BenchPin)

    def close(self) -> None:
        """Make every pin an input, and give the lines back."""
        claimed = [pin._number for pin in self.pins.values()]
        super().close()
        for number in claimed:
            self.file.release(number)

    def _get_spi_class(self, shared: bool, hardware: bool) -> type[BenchAdc]:  # noqa: ARG002  # their API
        return BenchAdc
