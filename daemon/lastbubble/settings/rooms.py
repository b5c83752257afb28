"""Settings -> what each room is given. A room's own class carries the defaults; only what was said is passed."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from lastbubble.context import Context
from lastbubble.errors import SettingsError
from lastbubble.guard.config import GuardSettings, ProbeSettings
from lastbubble.settings.heat import RULE_KEYS
from lastbubble.thermometer import ThermometerProbe, ThermometerSettings
from lastbubble.units import Display

if TYPE_CHECKING:
    from lastbubble.settings.models import Settings

__all__ = ["barometer_pa", "context", "display", "guard", "guard_json", "thermometer", "thermometer_json"]

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


def guard(settings: Settings) -> GuardSettings:
    """What the guard is told. Raises SettingsError when the station has no guard."""
    keys = settings.guard
    if keys is None or settings.oven is None:
        raise SettingsError(["guard and oven are not both there; allowed: a guard of an oven; add them"])
    limits = {rule.setting.name: rule.table_value(getattr(keys.rules, rule.key)) for rule in RULE_KEYS}
    limits["limit_c"] = keys.limit
    return GuardSettings(
        relay_pin=keys.relay_pin,
        probes=tuple(
            ProbeSettings(probe.name, tuple((point.shown, point.actual) for point in probe.calibration))
            for probe in settings.oven.probes
        ),
        runtime_dir=settings.runtime_dir,
        state_dir=keys.state_dir,
        drive=keys.drive,
        pin_factory=keys.pin_factory or "lgpio",
        lease_s=keys.lease,
        min_off_s=keys.min_off,
        feedback_pin=keys.feedback_pin,
        stop_pin=keys.stop_pin,
        permit_pin=keys.permit_pin,
        reset_pin=keys.reset_pin,
        lamp_pin=keys.lamp_pin,
        frame_users=tuple(keys.frame_users),
        service_users=tuple(keys.service_users),
        bench_users=tuple(keys.bench_users),
        socket_group=keys.socket_group or "",
        require_commissioning=keys.require_commissioning,
        limits=limits,
        simulated=settings.simulated,
    )


def thermometer(settings: Settings) -> ThermometerSettings:
    """What the thermometer is told. Raises SettingsError when the station has no oven."""
    if settings.oven is None:
        raise SettingsError(["there is no oven in these settings, so there is nothing for a thermometer to read"])
    keys = settings.thermometer
    return ThermometerSettings(
        probes=tuple(ThermometerProbe(probe.name, probe.select_pin) for probe in settings.oven.probes),
        rate_hz=keys.rate,
        runtime_dir=settings.runtime_dir,
        bus=keys.bus or "",
        spi_hz=round(keys.bus_clock),
        simulated=settings.simulated,
    )


def thermometer_json(settings: Settings) -> dict[str, Any]:
    """The fields of ThermometerSettings as JSON values, as `thermometer.settings_from_json` takes them."""
    return asdict(thermometer(settings))


def guard_json(settings: Settings) -> dict[str, Any]:
    """The fields of GuardSettings as JSON values, as `guard.config.guard_settings_from_json` takes them."""
    return asdict(guard(settings))


def display(settings: Settings) -> Display:
    """How this station shows its numbers."""
    return Display(settings.units.temperature, settings.units.pressure, barometer_pa(settings))
