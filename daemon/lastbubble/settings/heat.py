"""The heat's side of the settings: the guard that cuts, and the thermometer that it listens to."""

from __future__ import annotations

from typing import Annotated, Literal

from lastbubble.settings.quantities import Pin, Quantity, Text
from lastbubble.settings.section import Section, key

__all__ = ["GuardKeys", "ThermometerKeys"]

Hook = Annotated[
    str,
    Text(r"[A-Za-z_][\w.]*:[A-Za-z_]\w*", "module:name", "only a simulated bench needs it"),
]


class GuardKeys(Section):
    """The guard: the process that owns the relay's line."""

    limit: Annotated[float, Quantity("temperature", 30, 150, "degC")] = key(
        "oven air above this trips the guard; 150 degC is the ceiling that no setting can exceed"
    )
    relay_pin: Pin = key("pin of the relay's driver")
    drive: Literal["steady", "pulsed"] = key("how the relay's driver wants to be held", "steady")
    lease: Annotated[float, Quantity("duration", 5, 600, "s")] = key(
        "heat goes off when the service has not renewed it for that long", 60.0
    )
    pin_factory: Hook | None = key("a simulated bench's pins", None)


class ThermometerKeys(Section):
    """The thermometer: the process that owns the thermocouples' bus."""

    rate: Annotated[float, Quantity("frequency", 1, 10, "Hz")] = key("readings a second", 4.5)
    bus: Hook | None = key("a simulated bench's bus", None)
