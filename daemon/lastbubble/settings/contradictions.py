"""Values that are each allowed and cannot all be meant. Every rule names both keys, with their lines.

A rule is a function of the settings that yields `(paths, finding, allowed, mend)`; the finding may name a path in
braces, `{0}` for the first, which becomes the key with its value and line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from lastbubble.settings.faults import Fault, Path, found_text, path_text
from lastbubble.settings.messages import is_secret
from lastbubble.settings.models import Settings
from lastbubble.settings.source import Source

__all__ = ["RULES", "contradictions"]

Clash = tuple[tuple[Path, ...], str, str, str]
Rule = Callable[[Settings], Iterator[Clash]]

RULES: Final[list[Rule]] = []


def rule(judge: Rule) -> Rule:
    """Enter a judge into the table."""
    RULES.append(judge)
    return judge


def contradictions(settings: Settings, source: Source) -> list[Fault]:
    """All clashes of these settings."""
    faults = []
    for judge in RULES:
        for paths, finding, allowed, mend in judge(settings):
            lines = [source.line(path) for path in paths if path in source.places]
            said = finding.format(*(_said(path, settings, source) for path in paths))
            faults.append(Fault(max(lines, default=0), f"{said}; allowed: {allowed}; {mend}", paths))
    return faults


def _said(path: Path, settings: Settings, source: Source) -> str:
    place = source.places.get(path)
    if place is not None:
        value = f" = {found_text(place.text)}" if place.text and not is_secret(Settings, path) else ""
        return f"{path_text(path)}{value} (line {place.line})"
    default = _default(path, settings)
    return f"{path_text(path)} ({'not written' if default is None else f'default {found_text(default)}'})"


def _default(path: Path, settings: Settings) -> object:
    inner: object = settings.model_dump(mode="json", exclude_none=True)
    for step in path:
        if isinstance(inner, dict):
            inner = inner.get(step)
        elif isinstance(inner, list) and isinstance(step, int):
            inner = inner[step]
    return inner


def _same(values: Iterator[tuple[Path, object]]) -> Iterator[tuple[Path, Path]]:
    """Each later path with the earliest that has the same value."""
    seen: dict[object, Path] = {}
    for path, value in values:
        if value in seen:
            yield seen[value], path
        else:
            seen[value] = path


def pins(settings: Settings) -> Iterator[tuple[Path, int]]:
    """Every pin that these settings claim, each with its key."""
    for index, probe in enumerate(settings.oven.probes if settings.oven else []):
        yield ("oven", "probes", index, "select_pin"), probe.select_pin
    chamber = settings.chamber
    if chamber is not None:
        if chamber.gauge.kind == "adc":
            yield ("chamber", "gauge", "select_pin"), chamber.gauge.select_pin
        if chamber.valve is not None:
            yield ("chamber", "valve", "pin"), chamber.valve.pin
    if settings.guard is not None:
        yield ("guard", "relay_pin"), settings.guard.relay_pin


@rule
def something_to_watch(settings: Settings) -> Iterator[Clash]:
    if settings.chamber is None and settings.oven is None and settings.guard is None:
        yield (
            (("chamber",), ("oven",)),
            "there is neither {0} nor {1}",
            "one of them at least",
            "describe what you have",
        )


@rule
def guard_and_oven(settings: Settings) -> Iterator[Clash]:
    if settings.oven is not None and settings.guard is None:
        yield (
            (("oven",), ("guard",)),
            "{0} is there and {1} is not",
            "an oven with a guard",
            "add guard with its limit and relay_pin",
        )
    if settings.guard is not None and settings.oven is None:
        yield (("guard",), ("oven",)), "{0} is there and {1} is not", "a guard of an oven", "add oven with its probes"


@rule
def one_pin_one_use(settings: Settings) -> Iterator[Clash]:
    for first, second in _same(pins(settings)):
        yield (first, second), "{1} is also {0}", "a pin for one use", "wire one of them to another pin"


@rule
def barometer_or_altitude(settings: Settings) -> Iterator[Clash]:
    barometer, altitude = ("barometer",), ("altitude",)
    if settings.barometer is not None and settings.altitude is not None:
        yield (barometer, altitude), "both {0} and {1} are written", "one of them", "delete the one that you trust less"
    if settings.barometer is not None or settings.altitude is not None or settings.chamber is None:
        return
    if settings.chamber.gauge.reads != "absolute":
        yield (
            (("chamber", "gauge", "reads"), barometer),
            "{0} counts from the air of the day, and neither barometer nor altitude is written",
            "such a gauge with one of them",
            'add `altitude: "300 m"` or `barometer: "1013 hPa"`',
        )


@rule
def probes_named_once(settings: Settings) -> Iterator[Clash]:
    if settings.oven is None:
        return
    names = [(("oven", "probes", index, "name"), probe.name) for index, probe in enumerate(settings.oven.probes)]
    for first, second in _same(iter(names)):
        yield (first, second), "{1} is also {0}", "oven, oven2, witness, each once", "rename one of them"
    if all(name != "oven" for _, name in names):
        yield (
            (names[0][0],),
            "{0}, and no probe is named oven",
            "a probe named oven, in the air near the pieces",
            "the guard judges that one: name it",
        )


@rule
def chip_select_of_probes(settings: Settings) -> Iterator[Clash]:
    for index, probe in enumerate(settings.oven.probes if settings.oven else []):
        if probe.select_pin in (7, 8):
            yield (
                (("oven", "probes", index, "select_pin"),),
                "{0}: the kernel toggles 7 and 8 in every transfer, so this converter would answer for the others",
                "another free pin, such as 5, 6, 12, 13, 16, 25",
                "wire the converter's chip select there",
            )


@rule
def two_point_calibration(settings: Settings) -> Iterator[Clash]:
    for index, probe in enumerate(settings.oven.probes if settings.oven else []):
        points = probe.calibration
        if len(points) != 2:
            continue
        here: Path = ("oven", "probes", index, "calibration")
        shown = points[1].shown - points[0].shown
        actual = points[1].actual - points[0].actual
        first, second = (*here, 0, "shown"), (*here, 1, "shown")
        if abs(shown) < 20:
            yield (
                (first, second),
                "{0} and {1} are less than 20 K apart",
                "two points at least 20 K apart",
                "take an ice bath and boiling water, or delete one point",
            )
        elif not 0.9 <= actual / shown <= 1.1:
            yield (
                (first, second),
                f"{{0}} and {{1}} make a slope of {actual / shown:.3g}",
                "0.9 to 1.1",
                "a probe that far off is the wrong type or wired the wrong way round: mend it",
            )


@rule
def dial_scale(settings: Settings) -> Iterator[Clash]:
    dial = settings.oven.dial if settings.oven else None
    if dial is not None and dial.low >= dial.high:
        yield (
            (("oven", "dial", "low"), ("oven", "dial", "high")),
            "{0} is not below {1}",
            "the lowest mark below the highest",
            "swap them",
        )


@rule
def adc(settings: Settings) -> Iterator[Clash]:
    gauge = settings.chamber.gauge if settings.chamber else None
    if gauge is None or gauge.kind != "adc":
        return
    at: Path = ("chamber", "gauge")
    if gauge.low >= gauge.high:
        yield (
            ((*at, "low"), (*at, "high")),
            "{0} is not below {1}",
            "low below high",
            "take both from the transducer's data sheet; a vacuum one may count downwards: then reads is gauge",
        )
    inputs = {"MCP3001": 1, "MCP3201": 1, "MCP3002": 2, "MCP3202": 2, "MCP3004": 4, "MCP3204": 4}.get(gauge.chip, 8)
    for name, channel in (("channel", gauge.channel), ("supply_channel", gauge.supply_channel)):
        if channel is not None and channel >= inputs:
            yield (
                ((*at, name), (*at, "chip")),
                f"{{0}}, and {{1}} has {inputs} input{'s' if inputs > 1 else ''}",
                f"0 to {inputs - 1}",
                "count the inputs from 0",
            )
    if gauge.supply_channel == gauge.channel:
        yield (
            ((*at, "channel"), (*at, "supply_channel")),
            "{1} is also {0}",
            "two inputs",
            "the supply needs its own",
        )
    if gauge.signal == "4-20 mA":
        if gauge.shunt is None:
            yield (
                ((*at, "signal"), (*at, "shunt")),
                "{0} needs {1}",
                "10 ohm to 1000 ohm",
                'add such as `shunt: "150 ohm"`, as it is soldered',
            )
        elif gauge.shunt * 0.0215 > gauge.reference:
            yield (
                ((*at, "shunt"), (*at, "reference")),
                f"over {{0}} a broken sensor's 21.5 mA make {gauge.shunt * 0.0215:.3g} V, more than {{1}}",
                f"up to {gauge.reference / 0.0215:.0f} ohm",
                "take a smaller resistor",
            )
        if gauge.supply_channel is not None:
            yield (
                ((*at, "signal"), (*at, "supply_channel")),
                "{0} does not depend on {1}",
                "supply_channel for ratiometric only",
                "delete it",
            )
    else:
        if gauge.shunt is not None:
            yield (
                ((*at, "signal"), (*at, "shunt")),
                "{0} has no use for {1}",
                "shunt for 4-20 mA only",
                "delete one of the two",
            )
        if 0.92 * gauge.supply / gauge.divider > gauge.reference:
            yield (
                ((*at, "divider"), (*at, "reference")),
                f"with {{0}} the converter would see {0.92 * gauge.supply / gauge.divider:.3g} V, more than {{1}}",
                f"a divider of at least {0.92 * gauge.supply / gauge.reference:.2f}",
                "put two resistors between, and write (R1 + R2) / R2",
            )


@rule
def modbus_register(settings: Settings) -> Iterator[Clash]:
    gauge = settings.chamber.gauge if settings.chamber else None
    if gauge is None or gauge.kind != "modbus":
        return
    if gauge.type in ("u32", "s32", "f32") and gauge.address == 65535:
        at: Path = ("chamber", "gauge")
        yield (
            ((*at, "address"), (*at, "type")),
            "{0} is the last one, and {1} needs two",
            "0 to 65534",
            "look the address up in the gauge's manual",
        )
