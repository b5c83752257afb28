"""The isolation valve between chamber and pump on a pin: the one file that drives it. No safety part.

Normally closed and active high: a pin that nobody drives, a dead service and a power cut all leave it shut, so that no
oil is drawn back. What it is to do comes from `pipeline/isolation_schedule`; here an opening that is not renewed within
`RENEW_S` ends by itself at the next `tend`.
"""

from __future__ import annotations

from typing import Any, Final

__all__ = ["RENEW_S", "IsolationValve"]

RENEW_S: Final = 5.0


class IsolationValve:
    """pin : BCM number;  factory : a gpiozero pin factory. Shut from the first moment on.

    Raises what gpiozero raises when the pin cannot be had.
    """

    def __init__(self, pin: int, factory: Any) -> None:
        import gpiozero

        self._output = gpiozero.DigitalOutputDevice(pin, active_high=True, initial_value=False, pin_factory=factory)
        self._renewed_s: float | None = None

    @property
    def open(self) -> bool:
        """As the pin reads back."""
        return bool(self._output.value)

    def command(self, open_: bool, now_s: float) -> None:
        """Open or shut it; opening has to be renewed."""
        self._renewed_s = now_s if open_ else None
        if open_ != self.open:
            if open_:
                self._output.on()
            else:
                self._output.off()

    def tend(self, now_s: float) -> None:
        """Shut it when its opening was not renewed."""
        if self._renewed_s is None or now_s - self._renewed_s > RENEW_S:
            self.command(False, now_s)

    def close(self) -> None:
        """Shut it and give the pin back."""
        self._output.off()
        self._output.close()
