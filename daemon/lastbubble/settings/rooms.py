"""Settings -> what each room is given. A room's own class carries the defaults; only what was said is passed."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from lastbubble.context import Context
from lastbubble.errors import SettingsError
from lastbubble.guard.config import GuardSettings, ProbeSettings
from lastbubble.physics.atmosphere import STANDARD_PRESSURE_PA, standard_pressure_pa
from lastbubble.physics.fixed_points import Grade
from lastbubble.sensing.gauge import GaugeScale
from lastbubble.settings.heat import RULE_KEYS
from lastbubble.thermometer import ThermometerProbe, ThermometerSettings
from lastbubble.units import Display

if TYPE_CHECKING:
    from lastbubble.ledger.store import LedgerSettings
    from lastbubble.outlets.metrics import MetricsSettings
    from lastbubble.outlets.mqtt import MqttSettings
    from lastbubble.outlets.page.server import PageSettings
    from lastbubble.outlets.phone import PhoneSettings
    from lastbubble.pipeline.isolation_schedule import ScheduleSettings
    from lastbubble.sensing.adc_gauge import AdcGaugeSettings
    from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings
    from lastbubble.sensing.pressure import PressureSource
    from lastbubble.sensing.serial_gauge import SerialGaugeSettings
    from lastbubble.settings.models import Settings

__all__ = [
    "barometer_pa",
    "context",
    "display",
    "gauge",
    "gauge_source",
    "grades",
    "guard",
    "guard_json",
    "ledger",
    "metrics",
    "mqtt",
    "page",
    "phone",
    "scale",
    "thermometer",
    "thermometer_json",
]


def barometer_pa(settings: Settings) -> float:
    """Pressure of the air: as written, else of the altitude (ISO 2533), else the standard atmosphere [Pa]."""
    if settings.barometer is not None:
        return settings.barometer
    return STANDARD_PRESSURE_PA if settings.altitude is None else standard_pressure_pa(settings.altitude)


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
        witness_grade=grades(settings).get("witness", ""),
        oven_grade=grades(settings).get("oven", ""),
        oven_fan={True: "yes", False: "no", None: ""}[settings.oven.fan if settings.oven is not None else None],
    )


def grades(settings: Settings) -> dict[str, Grade]:
    """How far each probe may be off: "checked" where its two points are in the settings, else its wire's class."""
    grade: dict[str, Grade] = {"class 1": "class_1", "class 2": "class_2"}
    return {
        probe.name: "checked" if len(probe.calibration) == 2 else grade[probe.wire]
        for probe in (settings.oven.probes if settings.oven is not None else [])
    }


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
        cutoff_pin=keys.cutoff_pin,
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


def scale(settings: Settings) -> GaugeScale | None:
    """What the gauge's zero is; None without a chamber."""
    if settings.chamber is None:
        return None
    gauge = settings.chamber.gauge
    return GaugeScale(gauge.reads, barometer_pa(settings), gauge.zero, gauge.span)


def gauge(settings: Settings) -> SerialGaugeSettings | ModbusGaugeSettings | AdcGaugeSettings | None:
    """The gauge's own settings; None without a chamber. Imports the library of that gauge's port only."""
    keys = settings.chamber.gauge if settings.chamber else None
    if keys is None:
        return None
    if keys.kind == "serial":
        from lastbubble.sensing.serial_gauge import SerialGaugeSettings

        return SerialGaugeSettings(
            port=keys.port,
            unit=keys.unit,
            baud=keys.baud,
            frame=keys.frame,
            pattern=keys.pattern,
            line_end=keys.line_end,
            query=keys.query or "",
            every_s=keys.every,
            silence_s=keys.silence,
        )
    if keys.kind == "modbus":
        from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings, RegisterMap

        where = RegisterMap(
            function=keys.function,
            address=keys.address,
            type=keys.type,
            words=keys.words,
            scale=keys.scale,
            offset=keys.offset,
            unit=keys.unit,
            sentinels=None if keys.no_value is None else tuple(keys.no_value),
        )
        return ModbusGaugeSettings(
            port=keys.port,
            where=where,
            baud=keys.baud,
            frame=keys.frame,
            device=keys.device,
            every_s=keys.every,
            silence_s=keys.silence,
        )
    from lastbubble.sensing.adc_gauge import AdcGaugeSettings

    return AdcGaugeSettings(
        low_pa=keys.low,
        high_pa=keys.high,
        chip=keys.chip,
        channel=keys.channel,
        signal=keys.signal,
        reference_v=keys.reference,
        divider=keys.divider,
        supply_channel=keys.supply_channel,
        supply_v=keys.supply,
        shunt_ohm=keys.shunt,
        select_pin=keys.select_pin,
        clock_pin=keys.clock_pin,
        mosi_pin=keys.mosi_pin,
        miso_pin=keys.miso_pin,
        every_s=keys.every,
    )


def gauge_source(settings: Settings) -> PressureSource | None:
    """The source of chamber pressure, not opened yet; None without a chamber."""
    from lastbubble.sensing.sources import pressure_source

    own, zero = gauge(settings), scale(settings)
    return None if own is None or zero is None else pressure_source(own, zero)


def valve(settings: Settings) -> ScheduleSettings | None:
    """When the isolation valve is shut; None without one. Its pin is `settings.chamber.valve.pin`."""
    from lastbubble.pipeline.isolation_schedule import ScheduleSettings

    keys = settings.chamber.valve if settings.chamber is not None else None
    if keys is None:
        return None
    if keys.shut is None:
        return ScheduleSettings(every_s=keys.every)
    return ScheduleSettings(every_s=keys.every, fine_s=keys.shut, other_s=keys.shut)


def ledger(settings: Settings) -> LedgerSettings:
    """What the ledger is told, besides its path."""
    from lastbubble.ledger.store import LedgerSettings

    return LedgerSettings(commit_s=settings.ledger.commit)


def mqtt(settings: Settings) -> MqttSettings | None:
    """What the outlet to the broker is told; None without one. Raises SettingsError for the password file."""
    from lastbubble.outlets.mqtt import MqttSettings

    keys = settings.mqtt
    if keys is None:
        return None
    return MqttSettings(
        host=keys.host,
        port=keys.port,
        username=keys.username or "",
        password=keys.password or ("" if keys.password_file is None else secret_line("mqtt", keys.password_file)),
        tls=keys.tls,
        ca_file=None if keys.ca_file is None else Path(keys.ca_file),
        version=keys.version,
        domain=keys.domain,
        station=settings.station,
        every_s=keys.every,
        hub_prefix=keys.hub_prefix or "",
    )


def secret_line(group: str, file: str) -> str:
    """The first line of a password file. Raises SettingsError naming the key."""
    try:
        with open(file, encoding="utf-8") as lines:
            line = lines.readline(4096).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as exc:
        raise SettingsError(
            [f"{group}.password_file is {file!r}, which cannot be read ({exc}); allowed: a text file; check its owner"]
        ) from exc
    if not line:
        raise SettingsError([f"{group}.password_file is {file!r}, whose first line is empty; write the password there"])
    return line


def phone(settings: Settings) -> PhoneSettings | None:
    """What the outlet to the phone is told; None without one."""
    from lastbubble.outlets.phone import PhoneSettings, minute_of_day

    keys = settings.phone
    if keys is None:
        return None
    return PhoneSettings(
        urls=tuple(keys.urls),
        quiet_from=None if keys.quiet_from is None else minute_of_day(keys.quiet_from),
        quiet_to=None if keys.quiet_to is None else minute_of_day(keys.quiet_to),
        repeat_s=keys.repeat,
        give_up_s=keys.give_up,
        zone=None if keys.zone is None else ZoneInfo(keys.zone),
    )


def page(settings: Settings) -> PageSettings | None:
    """What the station page is told; None without one."""
    keys = settings.page
    if keys is None:
        return None
    from lastbubble.outlets.page.server import PageSettings

    return PageSettings(
        host=keys.host,
        port=keys.port,
        password=keys.password or "",
        names=tuple(keys.names),
        proxies=tuple(keys.proxies),
    )


def metrics(settings: Settings) -> MetricsSettings | None:
    """What the metrics endpoint is told; None without one. Raises SettingsError without its library."""
    keys = settings.metrics
    if keys is None:
        return None
    try:
        from lastbubble.outlets.metrics import MetricsSettings
    except ImportError as exc:
        raise SettingsError(
            [f"metrics: its library is not there ({exc}); pip install 'lastbubble[metrics]', or delete the group"]
        ) from exc
    return MetricsSettings(host=keys.host, port=keys.port)


def guard_json(settings: Settings) -> dict[str, Any]:
    """The fields of GuardSettings as JSON values, as `guard.config.guard_settings_from_json` takes them."""
    return asdict(guard(settings))


def display(settings: Settings) -> Display:
    """How this station shows its numbers."""
    return Display(settings.units.temperature, settings.units.pressure, barometer_pa(settings))
