"""The chamber's side of the settings: what measures its pressure, and the optional valve towards the pump."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field

from lastbubble.sensing.gauge import Reads
from lastbubble.settings.bench import PumpSpeed, Volume
from lastbubble.settings.quantities import Count, Number, OwnPin, Quantity, SerialPort, Text
from lastbubble.settings.section import Section, key

__all__ = ["AdcGauge", "Chamber", "Gauge", "ModbusGauge", "SerialGauge", "Valve"]

# Said here as well as in sensing/, which would import the port's libraries; a test holds them together.
RegisterType = Literal["u16", "s16", "u32", "s32", "f32"]
WordOrder = Literal["high first", "low first"]
Chip = Literal["MCP3001", "MCP3002", "MCP3004", "MCP3008", "MCP3201", "MCP3202", "MCP3204", "MCP3208"]
Signal = Literal["ratiometric", "4-20 mA"]

PressureUnit = Literal[
    "Pa", "hPa", "kPa", "MPa", "mbar", "bar", "Torr", "mTorr", "micron", "mmHg", "inHg", "psi", "atm", "inH2O"
]
Baud = Annotated[
    int,
    Count(
        300,
        230400,
        "take the one in the gauge's manual",
        (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400),
    ),
]
Frame = Literal["8N1", "8E1", "8O1", "8N2", "7E1", "7O1", "7N2"]
Period = Annotated[float, Quantity("duration", 0.05, 60, "s")]
Silence = Annotated[float, Quantity("duration", 1, 600, "s")]
Span = Annotated[float, Quantity("pressure", -110e3, 1e6, "kPa")]
Volts = Annotated[float, Quantity("voltage", 0.5, 30, "V")]


def _one_group(pattern: str) -> None:
    try:
        names = re.compile(pattern, re.ASCII).groupindex
    except (re.error, RecursionError, OverflowError) as exc:
        raise ValueError(f"not a regular expression: {exc}") from None
    if set(names) - {"unit"} != {"value"}:
        raise ValueError(f"it names {', '.join(names) or 'no group'}")


Pattern = Annotated[
    str,
    Text(
        r".+",
        "a regular expression with one group named value, and one named unit if the line tells its unit",
        r"write such as '(?P<value>[-+]?\d+\.\d+) (?P<unit>\w+)'",
        500,
        _one_group,
    ),
]
Query = Annotated[
    str, Text(r"[\x20-\x7e]{1,64}", "1 to 64 printable ASCII characters", "write it without the line's end")
]


class _Gauge(Section):
    reads: Reads = key(
        "what its zero is: `absolute` zero at perfect vacuum; `gauge` zero at atmosphere, negative below; `vacuum` "
        "zero at atmosphere, positive below. The last two need `barometer` or `altitude`"
    )
    zero: Annotated[float, Quantity("pressure", -20e3, 20e3, "mbar")] = key(
        "what it shows too much, found at commissioning; taken off every reading", 0.0
    )
    span: Annotated[float, Number(0.8, 1.25, "beyond that its unit is another than the one written")] = key(
        "factor on what is left, found against a better gauge", 1.0
    )


class SerialGauge(_Gauge):
    """A gauge that tells its reading in lines of ASCII, over RS-232, RS-485 or USB."""

    kind: Literal["serial"] = key("lines of ASCII on a serial port")
    port: SerialPort = key("the serial port, by a name that stays")
    baud: Baud = key("speed of the line", 9600)
    frame: Frame = key("data bits, parity, stop bits", "8N1")
    pattern: Pattern = key("where the number stands in a line", r"(?P<value>[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)")
    unit: PressureUnit = key("unit of the number")
    line_end: Literal["CRLF", "LF", "CR"] = key("what ends a line", "CRLF")
    query: Query | None = key("what to send to get one reading; without it the gauge talks by itself", None)
    every: Period = key("time between readings", 1.0)
    silence: Silence | None = key("so long without a usable answer is a fault (without it: five readings)", None)


class ModbusGauge(_Gauge):
    """A gauge that is asked over Modbus RTU."""

    kind: Literal["modbus"] = key("Modbus RTU on a serial port")
    port: SerialPort = key("the serial port, by a name that stays")
    baud: Baud = key("speed of the line", 19200)
    frame: Frame = key("data bits, parity, stop bits (the standard's own default is 8E1)", "8E1")
    device: Annotated[int, Count(1, 247, "the unit id set in the gauge")] = key("the gauge's unit id", 1)
    function: Annotated[int, Count(3, 4, "3 reads holding registers, 4 reads input registers", (3, 4))] = key(
        "function that reads it", 3
    )
    address: Annotated[
        int, Count(0, 65535, "the address on the wire, counted from 0 (manuals that say 40001 mean 0)")
    ] = key("address of the first register, counted from 0")
    type: RegisterType = key("what the register holds", "u16")
    words: WordOrder = key("order of the two words of a 32-bit value", "high first")
    no_value: list[Annotated[int, Count(0, 0xFFFFFFFF)]] | None = key(
        "register contents that mean `no value` (without it: the ends of the type's range)", None
    )
    scale: Annotated[float, Number(-1e9, 1e9, "write the factor of the gauge's manual", zero=False)] = key(
        "factor on the register's number", 1.0
    )
    offset: Annotated[float, Number(-1e9, 1e9)] = key("added after the factor, in `unit`", 0.0)
    unit: PressureUnit = key("unit after scale and offset")
    every: Period = key("time between readings", 1.0)
    silence: Silence | None = key("so long without a usable answer is a fault (without it: five readings)", None)


class AdcGauge(_Gauge):
    """A transducer with a voltage or current output, read by an analogue-to-digital converter on the SPI bus."""

    kind: Literal["adc"] = key("a transducer on an analogue-to-digital converter")
    chip: Chip = key("the converter: 30xx has 10 bits, 32xx has 12", "MCP3208")
    channel: Annotated[int, Count(0, 7, "count from 0")] = key("its input", 0)
    select_pin: OwnPin = key("pin of its chip select; it has wires of its own, not the thermocouples' bus", 18)
    clock_pin: OwnPin = key("pin of its clock", 21)
    mosi_pin: OwnPin = key("pin of its data in", 20)
    miso_pin: OwnPin = key("pin of its data out", 19)
    signal: Signal = key("0.5 V to 4.5 V at a 5 V supply, or a current loop over a shunt")
    reference: Annotated[float, Quantity("voltage", 1, 5.5, "V")] = key("the converter's reference", 3.3)
    divider: Annotated[float, Number(1, 10, "write (R1 + R2) / R2")] = key(
        "how many times smaller the converter sees the transducer's voltage (1 = no divider)", 1.0
    )
    supply_channel: Annotated[int, Count(0, 7, "count from 0")] | None = key(
        "input that measures the transducer's supply over the same divider; without it the supply counts as `supply`",
        None,
    )
    supply: Volts = key("the transducer's supply", 5.0)
    shunt: Annotated[float, Quantity("resistance", 10, 1000, "ohm")] | None = key("resistor of the current loop", None)
    low: Span = key("pressure at 0.5 V (at 4 mA), as the transducer counts it")
    high: Span = key("pressure at 4.5 V (at 20 mA)")
    every: Period = key("time between readings", 0.5)


Gauge = Annotated[SerialGauge | ModbusGauge | AdcGauge, Field(discriminator="kind")]


class Valve(Section):
    """A normally closed valve between chamber and pump, which shuts the chamber off for some minutes now and then."""

    pin: OwnPin = key("pin of its driver; high opens it, and it opens only while the marks say that the pump runs")
    every: Annotated[float, Quantity("duration", 300, 7200, "min")] = key(
        "from one isolation's start to the next", 900.0
    )
    shut: Annotated[float, Quantity("duration", 30, 900, "min")] | None = key(
        "how long each (without it: 2 min with a fine gauge, 4 min with others), at most half the time", None
    )


class Chamber(Section):
    """The vacuum chamber. Without this group the station is an oven only."""

    gauge: Gauge = key("what measures the chamber's pressure")
    valve: Valve | None = key("a valve that isolates the chamber from the pump now and then; most do it by hand", None)
    volume: Volume | None = key("free volume: the chamber's own, less resin and pieces", None)
    pump_speed: PumpSpeed | None = key("the pump's speed from its nameplate", None)
    base: Annotated[float, Quantity("pressure", 0, 50e3, "mbar")] | None = key(
        "lowest pressure that the empty, dry chamber reaches, absolute; found at commissioning", None
    )
    leak: Annotated[float, Quantity("pressure", 0, 600e3, "mbar")] | None = key(
        "rise in one minute of the empty, dry chamber when shut off; found at commissioning", None
    )
