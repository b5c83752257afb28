"""The heat's side of the settings: the guard that cuts, and the thermometer that it listens to.

The numbers of the guard's rules are not written here: the keys below `guard.rules` are made from the table that the
guard itself runs by, name, default, range and reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import create_model

from lastbubble.guard.rules import RULES, SETTINGS, Setting
from lastbubble.settings.quantities import AbsolutePath, Count, Number, Quantity, Text
from lastbubble.settings.quantities import Pin as AnyPin
from lastbubble.settings.section import Section, key
from lastbubble.units import Kind

__all__ = ["RULE_KEYS", "GuardKeys", "RuleKey", "RuleKeys", "ThermometerKeys"]

LIMIT: Final = SETTINGS["limit_c"]

#: Unit of the table -> (kind, unit in which a person is told it, ending of the table's name, what replaces it, the
#: table's unit in SI).
_UNITS: Final[Mapping[str, tuple[Kind, str, str, str, float]]] = {
    "degC": ("temperature", "degC", "_c", "", 1.0),
    "s": ("duration", "s", "_s", "", 1.0),
    "K": ("temperature_difference", "K", "_k", "", 1.0),
    "K/min": ("temperature_rate", "K/min", "_k_min", "_rate", 1 / 60),
}
#: Rows whose number is a key of `guard` itself.
_ELSEWHERE: Final = ("limit_c",)


@dataclass(frozen=True, slots=True)
class RuleKey:
    """One key below `guard.rules`, and the row's setting that it sets."""

    key: str
    setting: Setting

    def table_value(self, value: float) -> float:
        """The key's SI value in the table's unit, never beyond its range by a rounding."""
        unit = _UNITS.get(self.setting.unit)
        low, high = self.setting.allowed
        return min(max(value / unit[4] if unit else value, low), high)


def _rule_key(setting: Setting) -> RuleKey:
    unit = _UNITS.get(setting.unit)
    return RuleKey(setting.name.removesuffix(unit[2]) + unit[3] if unit else setting.name, setting)


RULE_KEYS: Final = tuple(_rule_key(setting) for name, setting in SETTINGS.items() if name not in _ELSEWHERE)


def _field(setting: Setting) -> tuple[Any, Any]:
    rows = [rule for rule in RULES if rule.setting == setting]
    about = "; ".join(f"`{rule.name}`: {rule.needs}. Why: {rule.reason}" for rule in rows)
    low, high = setting.allowed
    unit = _UNITS.get(setting.unit)
    if unit is not None:
        kind, shown, _, _, factor = unit
        judged: Any = Annotated[float, Quantity(kind, low * factor, high * factor, shown)]
        return judged, key(about, setting.default * factor)
    if isinstance(setting.default, int):
        return Annotated[int, Count(int(low), int(high))], key(about, setting.default)
    return Annotated[float, Number(low, high)], key(about, setting.default)


if TYPE_CHECKING:

    class RuleKeys(Section):
        """Its fields come out of the guard's table."""
else:
    RuleKeys = create_model(
        "RuleKeys",
        __base__=Section,
        __doc__="The numbers of the guard's rules. The defaults fit a small oven; change one only for a reason.",
        **{rule.key: _field(rule.setting) for rule in RULE_KEYS},
    )

Hook = Annotated[str, Text(r"[A-Za-z_][\w.]*:[A-Za-z_]\w*", "module:name", "only a simulated bench needs it")]
PinFactory = Annotated[
    str, Text(r"mock|[A-Za-z_][\w.]*:[A-Za-z_]\w*", "mock, or module:Class", "only a simulated bench needs it")
]
RelayPin = Annotated[
    int,
    Count(
        9,
        27,
        "the others are pulled up until software runs, which would mean heat, or belong to bus or serial console; "
        "wire the relay to one of these, active high, with 10 kohm to ground",
        never=(9, 10, 11, 14, 15),
    ),
]
UserName = Annotated[
    str,
    Text(r"@?[a-z_0-9][a-z0-9_-]{0,31}", "a user's name or number, or @group", "look it up with `getent passwd`"),
]
GroupName = Annotated[
    str, Text(r"[a-z_0-9][a-z0-9_-]{0,31}", "a group's name or number", "look it up with `getent group`")
]


class GuardKeys(Section):
    """The guard: the process that owns the relay's line."""

    limit: Annotated[float, Quantity("temperature", *LIMIT.allowed, "degC")] = key(
        f"oven air above this trips the guard; {LIMIT.allowed[1]:g} degC is the ceiling that no setting can exceed"
    )
    relay_pin: RelayPin = key("pin of the relay's driver, active high")
    drive: Literal["steady", "pulsed"] = key(
        "`pulsed` toggles the pin for a driver that drops out when the edges stop: the better one, any freeze opens it",
        "steady",
    )
    lease: Annotated[float, Quantity("duration", 5, 600, "s")] = key(
        "heat goes off when the service has not taken a fresh sample through to the ledger for that long", 60.0
    )
    min_off: Annotated[float, Quantity("duration", 0, 120, "s")] = key(
        "shortest time open, for the contacts' life; opening for safety never waits", 10.0
    )
    feedback_pin: AnyPin | None = key("auxiliary contact or mains sense, high = power is on", None)
    stop_pin: AnyPin | None = key("normally-closed stop button to 3.3 V, low = pressed or a broken wire", None)
    permit_pin: AnyPin | None = key("held button to 3.3 V that permits heat", None)
    reset_pin: AnyPin | None = key("held button to 3.3 V that resets a trip", None)
    lamp_pin: AnyPin | None = key("lamp: lit while heat is on, blinking while tripped", None)
    cutoff_pin: RelayPin | None = key(
        "driver of a second contactor in series, active high: closed until a trip, then open too", None
    )
    state_dir: AbsolutePath = key("where the latch and the dates of the proofs are kept", "/var/lib/lastbubble-guard")
    frame_users: list[UserName] = key(
        "who may send frames, besides root and the guard's own user; none named: lastbubble-thermometer, as installed",
        [],
    )
    service_users: list[UserName] = key(
        "who may listen, renew the lease and cut; none named: lastbubble, as installed", []
    )
    bench_users: list[UserName] = key(
        "who may permit, reset and prove, at the bench; none named: @lastbubble-bench, as installed", []
    )
    socket_group: GroupName | None = key(
        "group that owns the sockets; none: the group of their folder, as installed", None
    )
    require_commissioning: bool = key(
        "no permit before lamp test and two-point check are on record; false only where `simulated`", True
    )
    rules: RuleKeys = key("the numbers of the guard's rules", RuleKeys())
    pin_factory: PinFactory | None = key("a simulated bench's pins; only where `simulated`", None)


class ThermometerKeys(Section):
    """The thermometer: the process that owns the thermocouples' bus."""

    rate: Annotated[float, Quantity("frequency", 2, 5, "Hz")] = key(
        "readings a second of each probe; a converter needs 100 ms for one", 4.0
    )
    bus_clock: Annotated[float, Quantity("frequency", 10e3, 5e6, "kHz")] = key(
        "clock of the bus; long wires want a slow one", 100e3
    )
    bus: Hook | None = key("a simulated bench's bus; only where `simulated`", None)
