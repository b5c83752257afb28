"""The batch's side of the settings: chamber, cure, and how the station shows its numbers."""

from __future__ import annotations

from typing import Annotated

from lastbubble.context import DEFAULT_HOLD_MIN, DEFAULT_TARGET_CORE_C
from lastbubble.settings.quantities import Quantity, Text
from lastbubble.settings.section import Section, key
from lastbubble.units import PressureDisplay, TemperatureDisplay

__all__ = ["Cure", "Units"]

Barometer = Annotated[float, Quantity("pressure", 50e3, 110e3, "hPa")]
Altitude = Annotated[float, Quantity("length", -430, 5000, "m")]
Volume = Annotated[float, Quantity("volume", 0.05e-3, 1.0, "L")]
PumpSpeed = Annotated[float, Quantity("volume_flow", 0.1e-3 / 60, 10.0 / 60, "L/min")]
CureTemperature = Annotated[float, Quantity("temperature", 30, 150, "degC")]


class Units(Section):
    """How this station shows its numbers. Logs and topics stay SI."""

    temperature: TemperatureDisplay = key("temperatures on the page, the phone and the terminal", "degC")
    pressure: PressureDisplay = key("pressures likewise; `inHg vacuum` is the depth below the barometer", "mbar")


class Cure(Section):
    """What a finished piece has been through, unless a batch says otherwise."""

    target_core: CureTemperature = key(
        "temperature that the inside of the slowest piece has to reach", DEFAULT_TARGET_CORE_C
    )
    hold: Annotated[float, Quantity("duration", 0, 2880 * 60, "min")] = key(
        "time that the core then has to stay there", DEFAULT_HOLD_MIN * 60
    )
    soak: Annotated[float, Quantity("duration", 0, 20160 * 60, "h")] | None = key(
        "how long the pieces soak after venting", None
    )
    initiator: (
        Annotated[
            str,
            Text(
                r"\S(?:.*\S)?",
                "a name of shared/reference/initiators.csv: AIBN, benzoyl peroxide, lauroyl peroxide",
                "look it up on the resin's safety data sheet, or delete the line",
                check=lambda word: known_initiator(word),
            ),
        ]
        | None
    ) = key("what starts the resin's cure, for its kinetics", None)


def known_initiator(word: str) -> None:
    """ValueError for an initiator that has no data."""
    if word not in INITIATORS:
        raise ValueError(f"there are no data for {word}")


INITIATORS = ("AIBN", "benzoyl peroxide", "lauroyl peroxide")
