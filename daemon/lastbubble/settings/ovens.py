"""The oven's side of the settings: its probes and its dial."""

from __future__ import annotations

from typing import Annotated, Literal

from lastbubble.settings.quantities import OwnPin, Quantity
from lastbubble.settings.section import Section, key

__all__ = ["CalibrationPoint", "Dial", "Oven", "Probe"]

ProbeTemperature = Annotated[float, Quantity("temperature", -20, 300, "degC")]


class CalibrationPoint(Section):
    """One comparison of a probe with something known: an ice bath, boiling water, a better thermometer."""

    shown: ProbeTemperature = key("what the probe showed")
    actual: ProbeTemperature = key("what it truly was")


class Probe(Section):
    """One type K thermocouple on its own converter (MAX31855) on the SPI bus."""

    name: Literal["oven", "oven2", "witness"] = key(
        "`oven`: the air that the guard judges; `oven2`: a second one in the air; `witness`: inside a drilled piece"
    )
    select_pin: OwnPin = key("pin of the converter's chip select")
    wire: Literal["class 1", "class 2"] = key(
        "class of its wire by IEC 60584-1, as its paper says (without one: `class 2`); stands beside its readings "
        "until it has been checked at two points",
        "class 2",
    )
    calibration: list[CalibrationPoint] = key(
        "none, one point (an offset) or two points (a straight line)", [], max_length=2
    )


class Dial(Section):
    """The scale printed round the oven's own thermostat dial."""

    unit: Literal["F", "C"] = key("its unit")
    low: Annotated[float, Quantity("temperature", 0, 400, "degC")] = key("its lowest mark")
    high: Annotated[float, Quantity("temperature", 0, 400, "degC")] = key("its highest mark")


class Oven(Section):
    """The oven and what measures it. Without this group the station has no oven."""

    probes: list[Probe] = key("its thermocouples, `oven` among them", min_length=1, max_length=3)
    fan: bool | None = key(
        "whether a fan blows its air about (a convection oven, and it runs): the core warms twice as fast; without it "
        "both are reckoned with",
        None,
    )
    dial: Dial | None = key("the scale of its dial", None)
