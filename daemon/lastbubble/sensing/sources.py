"""The source of chamber pressure that the settings ask for; imports only what that one needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lastbubble.sensing.gauge import GaugeScale
from lastbubble.sensing.pressure import Polled, PressureSource, Unhurried

if TYPE_CHECKING:
    from lastbubble.sensing.adc_gauge import AdcGaugeSettings
    from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings
    from lastbubble.sensing.serial_gauge import SerialGaugeSettings

    GaugeSettings = SerialGaugeSettings | ModbusGaugeSettings | AdcGaugeSettings

__all__ = ["pressure_source"]


def pressure_source(settings: GaugeSettings, scale: GaugeScale) -> PressureSource:
    """The source, not opened yet: its first read opens it.

    settings : SerialGaugeSettings, ModbusGaugeSettings or AdcGaugeSettings;  scale : what its zero is
    Raises TypeError for anything else.
    """
    inner: Polled
    match type(settings).__name__:
        case "SerialGaugeSettings":
            from lastbubble.sensing.serial_gauge import SerialGauge

            inner = SerialGauge(settings, scale)  # type: ignore[arg-type]  # the name told
        case "ModbusGaugeSettings":
            from lastbubble.sensing.modbus_gauge import ModbusGauge

            inner = ModbusGauge(settings, scale)  # type: ignore[arg-type]  # the name told
        case "AdcGaugeSettings":
            from lastbubble.sensing.adc_gauge import AdcGauge

            inner = AdcGauge(settings, scale)  # type: ignore[arg-type]  # the name told
        case other:
            raise TypeError(f"no source of pressure is made of a {other}")
    return Unhurried(inner)
