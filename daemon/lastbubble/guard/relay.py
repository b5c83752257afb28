"""The relay's line and the bench's buttons: the only file of the house that drives a pin.

Active high only, on a pin that is pulled down before any software runs: a pin that nobody drives means off. The pin
library is named, never chosen for us, and there is no second one to fall back to.
"""

from __future__ import annotations

import importlib
import logging
import os
from typing import Any, Final

from lastbubble.clock import BENCH_CLOCK_VARIABLE
from lastbubble.errors import LastbubbleError
from lastbubble.guard.config import GuardSettings
from lastbubble.guard.core import Inputs

__all__ = ["CHIP_LABELS", "Panel", "PinsUnusable", "RelayLine", "chip_of", "pin_factory"]

log = logging.getLogger("lastbubble.guard.relay")

#: Labels of the chips whose lines are the header's pins; any other chip's lines are somebody else's.
CHIP_LABELS: Final = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")


class PinsUnusable(LastbubbleError):
    """The pins cannot be had; the text says what was found and the mend."""


def pin_factory(settings: GuardSettings) -> Any:
    """The gpiozero pin factory that the settings name, made the only one.

    Raises PinsUnusable when the library or the chip is not there, or a bench clock is set with real pins.
    """
    import gpiozero

    name = settings.pin_factory
    if name == "lgpio":
        if os.environ.get(BENCH_CLOCK_VARIABLE):
            raise PinsUnusable(
                f"{BENCH_CLOCK_VARIABLE} is set and pin_factory is lgpio: a simulated clock must never time an oven. "
                "Unset the variable, or name the bench's pin factory"
            )
        factory = _lgpio(settings)
    elif name == "mock":
        from gpiozero.pins.mock import MockFactory

        factory = MockFactory()
    else:
        module, _, attribute = name.partition(":")
        try:
            factory = getattr(importlib.import_module(module), attribute)()
        except (ImportError, AttributeError) as exc:
            raise PinsUnusable(f"pin_factory {name}: {exc}; it has to be module:Class of a gpiozero factory") from exc
    # Set, so that gpiozero never goes looking for another one by itself.
    gpiozero.Device.pin_factory = factory
    return factory


def _lgpio(settings: GuardSettings) -> Any:
    os.environ["GPIOZERO_PIN_FACTORY"] = "lgpio"
    # lgpio makes its notification pipe in the working folder, which a hardened unit keeps read-only.
    os.environ.setdefault("LG_WD", settings.runtime_dir)
    try:
        from gpiozero.pins.lgpio import LGPIOFactory

        factory = LGPIOFactory()
        _name, label = chip_of(factory)
    except Exception as exc:  # lgpio raises its own plain Exception, ImportError and OSError alike
        raise PinsUnusable(
            f"lgpio cannot be used: {type(exc).__name__}: {exc}. Install lgpio >= 0.2.2 and let the guard's user into "
            "the group gpio"
        ) from exc
    if label not in CHIP_LABELS:
        raise PinsUnusable(
            f"the GPIO chip is {label!r}; allowed: {', '.join(CHIP_LABELS)}. Its lines are not the header's"
        )
    return factory


def chip_of(factory: Any) -> tuple[str, str]:
    """(name, label) of the chip behind an lgpio factory, both "" when it does not say."""
    import lgpio

    # The factory's chip handle is the only way to learn whose lines these are.
    status, _lines, name, label = lgpio.gpio_get_chip_info(factory._handle)
    return (str(name), str(label)) if status >= 0 else ("", "")


class RelayLine:
    """The relay's pin, claimed low.

    `drive(closed)` writes, reads back and tells (is heat on, did it read as written). `open()` may be called at any
    moment, from a signal handler too; after `lock()` nothing closes it again.

    Where a second contactor is fitted, `arm(armed)` drives it likewise. It stays closed while nothing has tripped, so
    that a first one that welds is seen to heat, and opens with every trip: the path that is left when that happens.
    """

    def __init__(self, settings: GuardSettings, factory: Any) -> None:
        from gpiozero import DigitalOutputDevice

        try:
            self._device = DigitalOutputDevice(
                settings.relay_pin, active_high=True, initial_value=False, pin_factory=factory
            )
        except Exception as exc:  # lgpio.error is a plain Exception; whatever it is, there is no line
            raise PinsUnusable(
                f"pin {settings.relay_pin} cannot be had: {type(exc).__name__}: {exc}. Does another guard or program "
                "hold it? gpioinfo names the holder"
            ) from exc
        self._cutoff: Any = None
        if settings.cutoff_pin is not None:
            try:
                self._cutoff = DigitalOutputDevice(
                    settings.cutoff_pin, active_high=True, initial_value=False, pin_factory=factory
                )
            except Exception as exc:  # as above
                raise PinsUnusable(
                    f"pin {settings.cutoff_pin} cannot be had: {type(exc).__name__}: {exc}. Does another guard or "
                    "program hold it? gpioinfo names the holder"
                ) from exc
        self._pulsed = settings.drive == "pulsed"
        self._level = False
        self._locked = False

    def drive(self, closed: bool) -> tuple[bool, bool]:
        """Write the level of this cycle and read it back: (heat on, as written)."""
        if not closed or self._locked:
            self._level = False
        elif self._pulsed:
            self._level = not self._level
        else:
            self._level = True
        self._device.value = self._level
        level = bool(self._device.value)
        agrees = level == self._level
        if self._pulsed:
            # Between two pulses the driver still holds: what counts is whether pulses are being sent.
            return (closed and not self._locked) or (level and not agrees), agrees
        return level, agrees

    def arm(self, armed: bool) -> bool:
        """Write the level of the second contactor and read it back: as written (True too where none is fitted)."""
        if self._cutoff is None:
            return True
        level = armed and not self._locked
        self._cutoff.value = level
        return bool(self._cutoff.value) == level

    def open(self) -> bool:
        """Drive the pins low; True when they read low. Never raises."""
        self._level = False
        opened = _drive_low(self._device)
        return (self._cutoff is None or _drive_low(self._cutoff)) and opened

    def lock(self) -> bool:
        """Open for good: nothing closes the relay again in this process."""
        self._locked = True
        return self.open()


def _drive_low(device: Any) -> bool:
    try:
        device.value = False
        return not device.value
    except Exception as exc:  # noqa: BLE001  # whatever fails here, the way out must go on
        log.critical("event=relay_not_opened text=%r", f"{type(exc).__name__}: {exc}")
        return False


class Panel:
    """The other pins: stop, feedback, buttons, lamp. Polled, no edges, no interrupts."""

    def __init__(self, settings: GuardSettings, factory: Any) -> None:
        from gpiozero import DigitalInputDevice, DigitalOutputDevice

        def wired(pin: int | None) -> Any:
            return None if pin is None else DigitalInputDevice(pin, pull_up=False, pin_factory=factory)

        self._stop = wired(settings.stop_pin)
        self._feedback = wired(settings.feedback_pin)
        self._permit = wired(settings.permit_pin)
        self._reset = wired(settings.reset_pin)
        self._lamp = None if settings.lamp_pin is None else DigitalOutputDevice(settings.lamp_pin, pin_factory=factory)
        self._wired = any((self._stop, self._feedback, self._permit, self._reset))

    def read(self) -> Inputs:
        """The inputs of this cycle. A normally-closed stop button that reads low is pressed, or its wire is broken."""
        if not self._wired:
            return _NOTHING_WIRED
        return Inputs(
            stop_open=self._stop is not None and not self._stop.value,
            contact_closed=None if self._feedback is None else bool(self._feedback.value),
            permit_pressed=self._permit is not None and bool(self._permit.value),
            reset_pressed=self._reset is not None and bool(self._reset.value),
        )

    def show(self, heat: bool, tripped: bool, cycle: int) -> None:
        """Lamp: lit while heat is on, blinking at 1 Hz while tripped."""
        if self._lamp is not None:
            self._lamp.value = heat or (tripped and cycle % 10 < 5)


_NOTHING_WIRED: Final = Inputs()
