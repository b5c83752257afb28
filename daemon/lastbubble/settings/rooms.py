"""Settings -> what each room is given. A room's own class carries the defaults; only what was said is passed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from lastbubble.context import Context
from lastbubble.units import Display

if TYPE_CHECKING:
    from lastbubble.settings.models import Settings

__all__ = ["barometer_pa", "context", "display"]

STANDARD_PA: Final = 101325.0


def barometer_pa(settings: Settings) -> float:
    """Pressure of the air: as written, else of the altitude (ISO 2533), else the standard atmosphere [Pa]."""
    if settings.barometer is not None:
        return settings.barometer
    return STANDARD_PA if settings.altitude is None else standard_pressure_pa(settings.altitude)


def standard_pressure_pa(altitude_m: float) -> float:
    """ISO 2533, troposphere: temperature falls by 6.5 K/km from 288.15 K; geopotential altitude from the geometric."""
    geopotential_m = 6356766.0 * altitude_m / (6356766.0 + altitude_m)
    ratio = 1 - 0.0065 * geopotential_m / 288.15
    return float(STANDARD_PA * ratio ** (9.80665 * 0.0289644 / (8.31432 * 0.0065)))


def context(settings: Settings) -> Context:
    """What the pipeline is told of this station, without pieces."""
    chamber = settings.chamber
    known = settings.barometer is not None or settings.altitude is not None
    return Context(
        station=settings.station,
        barometer_pa=barometer_pa(settings) if known else None,
        target_core_c=settings.cure.target_core,
        hold_min=settings.cure.hold / 60,
        soak_min=None if settings.cure.soak is None else settings.cure.soak / 60,
        chamber_volume_l=None if chamber is None or chamber.volume is None else chamber.volume * 1e3,
        pump_l_min=None if chamber is None or chamber.pump_speed is None else chamber.pump_speed * 60e3,
        leak_pa_s=None if chamber is None or chamber.leak is None else chamber.leak / 60,
        base_pa=None if chamber is None else chamber.base,
        gauge_kind="" if chamber is None else chamber.gauge.reads,
        initiator=settings.cure.initiator or "",
    )


def display(settings: Settings) -> Display:
    """How this station shows its numbers."""
    return Display(settings.units.temperature, settings.units.pressure, barometer_pa(settings))
