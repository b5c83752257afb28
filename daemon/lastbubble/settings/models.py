"""The whole settings file as one model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from lastbubble.context import Context
from lastbubble.guard.config import GuardSettings
from lastbubble.physics.fixed_points import Grade
from lastbubble.settings import rooms
from lastbubble.settings.bench import Altitude, Barometer, Cure, Units
from lastbubble.settings.gauges import Chamber
from lastbubble.settings.heat import GuardKeys, ThermometerKeys
from lastbubble.settings.outlets import LedgerKeys, Metrics, Mqtt, Page, Phone
from lastbubble.settings.ovens import Oven
from lastbubble.settings.planning import PlanKeys
from lastbubble.settings.planning import plan as plan_of
from lastbubble.settings.quantities import SocketFolder, StationName
from lastbubble.settings.section import Section, key
from lastbubble.thermometer import ThermometerSettings
from lastbubble.units import Display

if TYPE_CHECKING:
    from lastbubble.book.planner import PlanSettings
    from lastbubble.ledger.store import LedgerSettings
    from lastbubble.outlets.metrics import MetricsSettings
    from lastbubble.outlets.mqtt import MqttSettings
    from lastbubble.outlets.page.server import PageSettings
    from lastbubble.outlets.phone import PhoneSettings
    from lastbubble.pipeline.isolation_schedule import ScheduleSettings
    from lastbubble.sensing.adc_gauge import AdcGaugeSettings
    from lastbubble.sensing.gauge import GaugeScale
    from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings
    from lastbubble.sensing.pressure import PressureSource
    from lastbubble.sensing.serial_gauge import SerialGaugeSettings

__all__ = ["Settings"]


class Settings(Section):
    """Everything that one station is told."""

    station: StationName = key("the station's name")
    units: Units = key("how numbers are shown", Units())
    barometer: Barometer | None = key(
        "pressure of the air, as a barometer here shows it (not reduced to sea level)", None
    )
    altitude: Altitude | None = key("height above sea level, instead of a barometer", None)
    chamber: Chamber | None = key("the vacuum chamber", None)
    oven: Oven | None = key("the oven", None)
    cure: Cure = key("what a finished piece has been through", Cure())
    guard: GuardKeys | None = key("what cuts the oven's power", None)
    thermometer: ThermometerKeys = key("how the thermocouples are read", ThermometerKeys())
    ledger: LedgerKeys = key("the record of every batch", LedgerKeys())
    mqtt: Mqtt | None = key("the broker", None)
    phone: Phone | None = key("who is told away from the bench", None)
    page: Page | None = key("the station page", None)
    plan: PlanKeys | None = key("when somebody can come, and what the resin stands in", None)
    metrics: Metrics | None = key("numbers for a metrics collector", None)
    runtime_dir: SocketFolder = key("where the processes meet: their sockets, and the permit", "/run/lastbubble")
    log_level: Literal["debug", "info", "warning", "error"] = key("how much the processes say", "info")
    simulated: bool = key(
        "a simulated bench: allows the keys that replace hardware; never true where a real oven is", False
    )

    @property
    def barometer_pa(self) -> float:
        """Pressure of the air: as written, else of the altitude (ISO 2533), else the standard atmosphere [Pa]."""
        return rooms.barometer_pa(self)

    def to_context(self) -> Context:
        """What the pipeline is told of this station; a batch adds its pieces."""
        return rooms.context(self)

    def to_guard(self) -> GuardSettings:
        """What the guard is told. Raises SettingsError when the station has no guard."""
        return rooms.guard(self)

    def to_thermometer(self) -> ThermometerSettings:
        """What the thermometer is told. Raises SettingsError when the station has no oven."""
        return rooms.thermometer(self)

    def thermometer_json(self) -> dict[str, Any]:
        """The same as JSON values, as the thermometer reads it."""
        return rooms.thermometer_json(self)

    def guard_json(self) -> dict[str, Any]:
        """The same as JSON values, as the guard reads it."""
        return rooms.guard_json(self)

    def to_gauge(self) -> SerialGaugeSettings | ModbusGaugeSettings | AdcGaugeSettings | None:
        """The gauge's own settings; None without a chamber."""
        return rooms.gauge(self)

    def to_gauge_scale(self) -> GaugeScale | None:
        """What the gauge's zero is; None without a chamber."""
        return rooms.scale(self)

    def to_gauge_source(self) -> PressureSource | None:
        """The source of chamber pressure, not opened yet; None without a chamber."""
        return rooms.gauge_source(self)

    def to_valve(self) -> ScheduleSettings | None:
        """When the isolation valve is shut; None without one."""
        return rooms.valve(self)

    def to_ledger(self) -> LedgerSettings:
        """What the ledger is told; its file is `self.ledger.path`."""
        return rooms.ledger(self)

    def to_mqtt(self) -> MqttSettings | None:
        """What the outlet to the broker is told; None without one. Raises SettingsError for the password file."""
        return rooms.mqtt(self)

    def to_phone(self) -> PhoneSettings | None:
        """What the outlet to the phone is told; None without one."""
        return rooms.phone(self)

    def to_page(self) -> PageSettings | None:
        """What the station page is told; None without one."""
        return rooms.page(self)

    def to_metrics(self) -> MetricsSettings | None:
        """What the metrics endpoint is told; None without one. Raises SettingsError without its library."""
        return rooms.metrics(self)

    def to_plan(self) -> PlanSettings:
        """What a plan is told of this station."""
        return plan_of(self)

    def to_grades(self) -> dict[str, Grade]:
        """How far each probe may be off, as `physics.fixed_points` tells it apart."""
        return rooms.grades(self)

    def to_display(self) -> Display:
        """How this station shows its numbers."""
        return rooms.display(self)
