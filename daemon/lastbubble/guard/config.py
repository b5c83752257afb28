"""What the guard is told, as checked values in SI. The guard reads no YAML: a short-lived helper does, and prints this.

Everything is checked here again, whoever checked it before, against the same table the rules come from.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final, Literal

from lastbubble.errors import SettingsError
from lastbubble.guard.rules import SETTINGS
from lastbubble.sensing.thermocouple import Calibration

__all__ = ["OVEN_PROBES", "PROBE_NAMES", "GuardSettings", "ProbeSettings", "guard_settings_from_json"]

#: The probes that measure oven air: the limits act on these. `witness` sits inside a piece and only travels along.
OVEN_PROBES: Final = ("oven", "oven2")
PROBE_NAMES: Final = (*OVEN_PROBES, "witness")

#: Pins whose power-on pull is down, so that a pin nobody drives yet means off (BCM2835 ARM Peripherals, GPIO pulls).
PULLED_DOWN_PINS: Final = range(9, 28)


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """name : one of PROBE_NAMES;  calibration : (shown, true) pairs, none, one (offset) or two (line)  [degC]"""

    name: str
    calibration: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class GuardSettings:
    """The guard's settings.

    relay_pin : GPIO number of the relay's driver, active high, 9..27
    probes : in the thermometer's order; the first oven probe is named "oven"
    runtime_dir : sockets;  state_dir : the latch and the dates of the proofs
    drive : "steady" holds the pin; "pulsed" toggles it every cycle for a driver that drops out when the edges stop
    pin_factory : "lgpio"; "mock" or "module:Class" only where `simulated`
    period_s : one cycle;  lease_s : heat goes off when the lease was not renewed for that long                [s]
    feedback_pin : auxiliary contact or mains sense, high = power is on; None: not wired
    stop_pin : normally-closed stop button to 3.3 V, low = pressed or broken wire; None: not wired
    permit_pin, reset_pin : held buttons to 3.3 V; None: not wired
    lamp_pin : lit while heat is on, blinking while tripped; None: not wired
    cutoff_pin : a second contactor in series, active high, 9..27: closed until a trip, then open; None: not fitted
    frame_users : who may send frames; service_users, bench_users : who may use guard.sock and bench.sock; user or
        "@group" names or numbers; root and the guard's own user always may; none named: who an installation makes for
        it (lastbubble-thermometer, lastbubble, @lastbubble-bench), where this machine knows them
    socket_group : group that owns the sockets; "" leaves it
    require_commissioning : no permit before lamp test and two-point check are on record
    limits : setting -> value, for every setting of `rules.SETTINGS`; what is left out has its default
    simulated : a bench, not an oven
    """

    relay_pin: int
    probes: tuple[ProbeSettings, ...] = (ProbeSettings("oven"),)
    runtime_dir: str = "/run/lastbubble"
    state_dir: str = "/var/lib/lastbubble-guard"
    drive: Literal["steady", "pulsed"] = "steady"
    pin_factory: str = "lgpio"
    period_s: float = 0.1
    lease_s: float = 60.0
    min_off_s: float = 10.0
    feedback_pin: int | None = None
    stop_pin: int | None = None
    permit_pin: int | None = None
    reset_pin: int | None = None
    lamp_pin: int | None = None
    cutoff_pin: int | None = None
    frame_users: tuple[str, ...] = ()
    service_users: tuple[str, ...] = ()
    bench_users: tuple[str, ...] = ()
    socket_group: str = ""
    require_commissioning: bool = True
    limits: Mapping[str, float] = field(default_factory=dict)
    simulated: bool = False

    def __post_init__(self) -> None:
        """Raises SettingsError with every fault, one a line: place, finding, what is allowed, the mend."""
        faults = [*self._hardware_faults(), *self._probe_faults(), *self._number_faults()]
        if faults:
            raise SettingsError(faults)
        whole = {name: float(self.limits.get(name, setting.default)) for name, setting in SETTINGS.items()}
        object.__setattr__(self, "limits", whole)

    def _hardware_faults(self) -> list[str]:
        faults: list[str] = []
        if self.relay_pin not in PULLED_DOWN_PINS:
            faults.append(
                f"guard.relay_pin is {self.relay_pin}; allowed 9 to 27: the others are pulled up until software runs, "
                "which would mean heat. Wire the relay to one of these, active high, with 10 kohm to ground"
            )
        if self.cutoff_pin is not None and self.cutoff_pin not in PULLED_DOWN_PINS:
            faults.append(
                f"guard.cutoff_pin is {self.cutoff_pin}; allowed 9 to 27: the others are pulled up until software "
                "runs. Wire the second contactor to one of these, active high, with 10 kohm to ground"
            )
        inputs = {
            "feedback_pin": self.feedback_pin,
            "stop_pin": self.stop_pin,
            "permit_pin": self.permit_pin,
            "reset_pin": self.reset_pin,
            "lamp_pin": self.lamp_pin,
            "cutoff_pin": self.cutoff_pin,
        }
        used = {self.relay_pin: "relay_pin"}
        for name, pin in inputs.items():
            if pin is None:
                continue
            if not 2 <= pin <= 27:
                faults.append(f"guard.{name} is {pin}; allowed 2 to 27")
            if pin in used:
                faults.append(f"guard.{name} is {pin}, which is {used[pin]} already; give it a pin of its own")
            used[pin] = name
        if self.drive not in ("steady", "pulsed"):
            faults.append(f"guard.drive is {self.drive!r}; allowed: steady, pulsed")
        if self.pin_factory != "lgpio":
            if self.pin_factory != "mock" and ":" not in self.pin_factory:
                faults.append(f"guard.pin_factory is {self.pin_factory!r}; allowed: lgpio, mock, module:Class")
            if not self.simulated:
                faults.append(
                    f"guard.pin_factory is {self.pin_factory!r} and simulated is false; an oven is driven by lgpio. "
                    "Delete the line, or set simulated: true on a bench without an oven"
                )
        return faults

    def _probe_faults(self) -> list[str]:
        faults: list[str] = []
        names = [probe.name for probe in self.probes]
        if "oven" not in names:
            faults.append(f"guard.probes are {names}; one has to be named oven: it is the one the limits act on")
        for name in sorted(set(names)):
            if name not in PROBE_NAMES:
                faults.append(f"a probe is named {name!r}; allowed: {', '.join(PROBE_NAMES)}")
            if names.count(name) > 1:
                faults.append(f"{names.count(name)} probes are named {name!r}; each name once")
        for probe in self.probes:
            try:
                Calibration(probe.calibration)
            except ValueError as exc:
                faults.append(f"guard.probes {probe.name}: {exc}")
        return faults

    def _number_faults(self) -> list[str]:
        faults: list[str] = []
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            if not low <= value <= high:
                faults.append(f"guard.{name} is {value}; allowed {low:g} to {high:g}")
        for name, value in self.limits.items():
            setting = SETTINGS.get(name)
            if setting is None:
                faults.append(f"guard.limits.{name} is no limit; allowed: {', '.join(SETTINGS)}")
            elif not setting.allowed[0] <= value <= setting.allowed[1]:
                low, high = setting.allowed
                ceiling = " (no setting raises the ceiling)" if name == "limit_c" else ""
                faults.append(f"guard.{name} is {value:g} {setting.unit}; allowed {low:g} to {high:g}{ceiling}")
        return faults


#: Of the plain numbers; those of the rules are in their own rows.
_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    "period_s": (0.02, 0.2),
    "lease_s": (5.0, 600.0),
    "min_off_s": (0.0, 120.0),
}


def guard_settings_from_json(text: str) -> GuardSettings:
    """The settings out of canonical JSON: an object with the fields of GuardSettings.

    `probes` is a list of `{"name", "calibration": [[shown_c, true_c], ...]}`. Raises SettingsError with every fault.
    """
    try:
        data = json.loads(text)
    except ValueError as exc:
        raise SettingsError([f"the guard's settings are not JSON: {exc}"]) from exc
    if not isinstance(data, dict):
        raise SettingsError([f"the guard's settings are a {type(data).__name__}; an object is wanted"])
    known = {f.name: f.type for f in fields(GuardSettings)}
    faults = [f"guard.{name} is not known; allowed: {', '.join(known)}" for name in data if name not in known]
    values: dict[str, Any] = {}
    for name, value in data.items():
        if name in known:
            try:
                values[name] = _as(str(known[name]), value)
            except (ValueError, TypeError, KeyError, AttributeError) as exc:
                faults.append(f"guard.{name} is {value!r:.80}: {exc}")
    if "relay_pin" not in data:
        faults.append("guard.relay_pin is missing; name the pin of the relay's driver, 9 to 27")
    if faults:
        raise SettingsError(faults)
    return GuardSettings(**values)


def _as(kind: str, value: Any) -> Any:
    """`value` as the field's type; ValueError says what is wanted."""
    if kind == "tuple[ProbeSettings, ...]":
        return tuple(
            ProbeSettings(
                str(item["name"]), tuple((float(shown), float(true)) for shown, true in item.get("calibration", ()))
            )
            for item in value
        )
    if kind == "tuple[str, ...]":
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise ValueError("a list of names is wanted")
        return tuple(value)
    if kind.startswith("Mapping"):
        return {str(name): _as("float", number) for name, number in value.items()}
    if kind == "bool":
        if not isinstance(value, bool):
            raise ValueError("true or false is wanted")
        return value
    if kind.startswith("int"):
        if value is None and kind.endswith("None"):
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError("a whole number is wanted")
        return value
    if kind == "float":
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ValueError("a finite number is wanted")
        return float(value)
    if not isinstance(value, str):
        raise ValueError("a text is wanted")
    return value
