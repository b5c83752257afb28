"""The isolation valve between chamber and pump on a pin: the one file that drives it. No safety part.

Normally closed and active high: a pin that nobody drives, an ended service and a power cut all leave it shut, so that
no oil is drawn back. What it is to do comes from `pipeline/isolation_schedule` by way of `valve_keeper`.
"""

from __future__ import annotations

from typing import Any

__all__ = ["IsolationValve"]


class IsolationValve:
    """pin : BCM number;  factory : a gpiozero pin factory, None for the process's own. Shut from the first moment on.

    Raises what gpiozero raises when the pin cannot be had.
    """

    def __init__(self, pin: int, factory: Any) -> None:
        import gpiozero

        self._output = gpiozero.DigitalOutputDevice(pin, active_high=True, initial_value=False, pin_factory=factory)

    @property
    def open(self) -> bool:
        """As the pin reads back."""
        return bool(self._output.value)

    def command(self, open_: bool) -> None:
        """Open or shut it."""
        if open_ != self.open:
            if open_:
                self._output.on()
            else:
                self._output.off()

    def close(self) -> None:
        """Shut it and give the pin back."""
        self._output.off()
        self._output.close()
