"""Values that are each allowed and cannot all be meant. Every rule names both keys, with their lines.

A rule is a function of the settings that yields `(paths, finding, allowed, mend)`; the finding may name a path in
braces, `{0}` for the first, which becomes the key with its value and line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final

from lastbubble.settings.faults import Fault, Path, found_text, path_text
from lastbubble.settings.messages import is_secret
from lastbubble.settings.models import Settings
from lastbubble.settings.quantities import emit
from lastbubble.settings.source import Source

__all__ = ["RULES", "contradictions"]

Clash = tuple[tuple[Path, ...], str, str, str]
#: The guard's pins, as its keys call them.
PIN_KEYS: Final = ("relay_pin", "feedback_pin", "stop_pin", "permit_pin", "reset_pin", "lamp_pin", "cutoff_pin")

#: Least room between the cure and the limit: the air runs ahead of the core, and a dial thermostat swings
#: (common practice, no published source) [K].
ROOM_K: Final = 8.0

#: What a loop that signals its own failure may drive (NAMUR NE 43) [A].
FAILED_LOOP_A: Final = 21e-3

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
    gauge = settings.chamber.gauge if settings.chamber else None
    if gauge is not None and gauge.kind == "adc":
        for name in ("select_pin", "clock_pin", "mosi_pin", "miso_pin"):
            yield ("chamber", "gauge", name), getattr(gauge, name)
    if settings.chamber is not None and settings.chamber.valve is not None:
        yield ("chamber", "valve", "pin"), settings.chamber.valve.pin
    guard = settings.guard
    for name in PIN_KEYS if guard is not None else ():
        pin: int | None = getattr(guard, name)
        if pin is not None:
            yield ("guard", name), pin


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
def shut_for_half_the_time_at_most(settings: Settings) -> Iterator[Clash]:
    valve = settings.chamber.valve if settings.chamber is not None else None
    longest_s = 240.0 if valve is None else valve.shut or 240.0
    if valve is not None and longest_s > 0.5 * valve.every:
        yield (
            (("chamber", "valve", "shut"), ("chamber", "valve", "every")),
            f"{{0}} shuts the chamber off for {longest_s / 60:g} min of every {valve.every / 60:g} min of {{1}}",
            "up to half of the time",
            "isolate for a shorter time or less often",
        )


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
def calibration(settings: Settings) -> Iterator[Clash]:
    for index, probe in enumerate(settings.oven.probes if settings.oven else []):
        points = probe.calibration
        here: Path = ("oven", "probes", index, "calibration")
        for place, point in enumerate(points):
            if abs(point.actual - point.shown) > 15:
                yield (
                    ((*here, place, "shown"), (*here, place, "actual")),
                    "{0} and {1} are more than 15 K apart",
                    "a correction up to 15 K",
                    "a probe that far off is the wrong type or wired the wrong way round: mend it",
                )
        if len(points) != 2:
            continue
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
    if gauge.low == gauge.high:
        yield (
            ((*at, "low"), (*at, "high")),
            "{0} is also {1}",
            "two pressures",
            "take both from the transducer's data sheet",
        )
    # The last digit of the name tells how many; only the ones with a single input end in 1.
    inputs = int(gauge.chip[-1])
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
        elif FAILED_LOOP_A * gauge.shunt / gauge.divider > gauge.reference:
            yield (
                ((*at, "shunt"), (*at, "reference")),
                f"over {{0}} a broken sensor's 21 mA make {FAILED_LOOP_A * gauge.shunt / gauge.divider:.3g} V, more "
                "than {1}",
                f"up to {math.floor(gauge.reference * gauge.divider / FAILED_LOOP_A)} ohm",
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


LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")


@rule
def page_on_the_network(settings: Settings) -> Iterator[Clash]:
    page = settings.page
    if page is not None and page.host not in LOOPBACK and page.password is None:
        yield (
            (("page", "host"), ("page", "password")),
            "{0} lets others in, and {1} is not there",
            f"without a password {', '.join(LOOPBACK)}",
            "run `lastbubble page password` and copy its line to page.password",
        )


@rule
def broker(settings: Settings) -> Iterator[Clash]:
    mqtt = settings.mqtt
    if mqtt is None:
        return
    at: Path = ("mqtt",)
    if mqtt.password is not None and mqtt.password_file is not None:
        yield (
            ((*at, "password"), (*at, "password_file")),
            "both {0} and {1} are written",
            "one of them",
            "keep the file",
        )
    for name, value in (("password", mqtt.password), ("password_file", mqtt.password_file)):
        if value is not None and mqtt.username is None:
            yield ((*at, name), (*at, "username")), "{0} is there without {1}", "both or none", "add the user's name"
    if mqtt.ca_file is not None and not mqtt.tls:
        yield (
            ((*at, "ca_file"), (*at, "tls")),
            "{0} is there and {1} is not true",
            "ca_file with tls: true",
            "add `tls: true`, or the password travels in the clear",
        )
    if mqtt.tls and mqtt.port == 1883:
        yield (
            ((*at, "tls"), (*at, "port")),
            "{0} and {1} do not go together: 1883 is the port without encryption",
            "8883, or what your broker says",
            "delete the port: it is 8883 then",
        )
    if not mqtt.tls and mqtt.port == 8883:
        yield (
            ((*at, "tls"), (*at, "port")),
            "{1} is the port for encryption and {0} is not true",
            "8883 with tls: true",
            "add `tls: true`",
        )


@rule
def quiet_hours(settings: Settings) -> Iterator[Clash]:
    phone = settings.phone
    if phone is None:
        return
    first, last = ("phone", "quiet_from"), ("phone", "quiet_to")
    if (phone.quiet_from is None) != (phone.quiet_to is None):
        yield (first, last), "of {0} and {1} one is missing", "both or none", "write when the quiet hours begin and end"
    elif phone.quiet_from is not None and phone.quiet_from == phone.quiet_to:
        yield (first, last), "{0} is also {1}", "two times", "delete both if there are no quiet hours"


@rule
def room_below_the_limit(settings: Settings) -> Iterator[Clash]:
    if settings.guard is None or settings.oven is None:
        return
    if settings.guard.limit < settings.cure.target_core + ROOM_K:
        yield (
            (("guard", "limit"), ("cure", "target_core")),
            f"{{0}} leaves less than {ROOM_K:g} K above {{1}}: the oven's air has to be hotter than the core it heats",
            f"a limit of at least {emit(settings.cure.target_core + ROOM_K, 'temperature', 'degC')}",
            "raise the limit as far as pieces and oven bear, or lower the target",
        )


@rule
def time_enough(settings: Settings) -> Iterator[Clash]:
    if settings.guard is None:
        return
    permitted = getattr(settings.guard.rules, "permitted", None)
    if isinstance(permitted, float) and permitted < settings.cure.hold + 1800:
        yield (
            (("guard", "rules", "permitted"), ("cure", "hold")),
            "{0} ends the heat before {1} and half an hour of heating up are over",
            f"at least {emit(settings.cure.hold + 1800, 'duration', 'min')}",
            "let heat be permitted longer, or hold for a shorter time",
        )


@rule
def warned_before_tripped(settings: Settings) -> Iterator[Clash]:
    for early, late in (("junction_warn", "junction"), ("frozen_warn", "frozen")):
        values = [getattr(settings.guard.rules, name) if settings.guard else 0.0 for name in (early, late)]
        if settings.guard is not None and values[0] > values[1]:
            yield (
                (("guard", "rules", early), ("guard", "rules", late)),
                "{0} would warn only after {1} has tripped",
                "the warning below the trip",
                "swap them",
            )


@rule
def only_on_a_simulated_bench(settings: Settings) -> Iterator[Clash]:
    if settings.simulated:
        return
    hooks: list[tuple[Path, object]] = [(("thermometer", "bus"), settings.thermometer.bus)]
    if settings.guard is not None:
        hooks.append((("guard", "pin_factory"), settings.guard.pin_factory))
        hooks.append((("guard", "require_commissioning"), None if settings.guard.require_commissioning else False))
    for path, value in hooks:
        if value is not None:
            yield (
                (path, ("simulated",)),
                "{0} replaces hardware or a check, and {1} is not true",
                "only where simulated: true",
                "delete it; on a bench without an oven add `simulated: true`",
            )
