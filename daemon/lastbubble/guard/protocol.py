"""What the guard tells its listeners, as values and as lines of JSON.

Both sockets speak one JSON object a line. Towards the guard: `{"ask": <a row of guard.requests>, ...}`. From it:
`{"kind": "answer", "ask", "ok", "why"}` to the asker alone, and `{"kind": "status", ...}` to everyone who listens, at
the rate the listener asked for and at once on every change.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final, Literal, TypeVar

__all__ = [
    "BENCH_SOCKET",
    "FRAMES_SOCKET",
    "GUARD_SOCKET",
    "MAX_LINE_BYTES",
    "Answer",
    "GuardEvent",
    "GuardStatus",
    "ProbeStatus",
    "StateName",
    "TripStatus",
    "message_from",
    "status_line",
]

#: File names in the runtime folder: frames in, the service, a person at the bench.
FRAMES_SOCKET: Final = "frames.sock"
GUARD_SOCKET: Final = "guard.sock"
BENCH_SOCKET: Final = "bench.sock"

#: Longest line either side accepts; a longer one ends the connection.
MAX_LINE_BYTES: Final = 65536

StateName = Literal["withheld", "permitted", "tripped"]


@dataclass(frozen=True, slots=True)
class ProbeStatus:
    """The last frame of one probe, as the guard judged it.

    name : "oven", "oven2" or "witness";  time_s : of its transfer, None before the first frame            [s]
    value_c, junction_c : calibrated hot junction, cold junction; None when not usable                  [degC]
    quality : "good", "suspect" or "bad" (also before the first frame);  cause : "" or one word of the frame judge
    raw : the frame in hex ("01900190"), "" when the transfer failed
    detail : for the person: what was seen and the likely mend; may be ""
    """

    name: str
    time_s: float | None = None
    value_c: float | None = None
    junction_c: float | None = None
    quality: str = "bad"
    cause: str = "no_frame"
    raw: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class TripStatus:
    """Why the guard is tripped.

    cause : the rule's name;  time_s : bench time of the trip (of an earlier run of the guard after a restart)   [s]
    utc : wall time, a label;  reading : the deciding reading in the rule's unit, or None;  source : the probe or part
    text : one sentence for the person;  stored : True once the latch is durably written
    """

    cause: str
    time_s: float
    utc: str = ""
    reading: float | None = None
    source: str = ""
    text: str = ""
    stored: bool = False


@dataclass(frozen=True, slots=True)
class GuardEvent:
    """A transition: permitted, withheld, tripped, reset, refused, caution, started."""

    time_s: float
    name: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class GuardStatus:
    """Everything a listener may know; one line of JSON.

    time_s : bench time of the cycle                                                                       [s]
    state : withheld, permitted or tripped
    relay_closed : as read back from the pin
    heat_wanted : the command of this cycle (differs from relay_closed only while the pin does not follow)
    trip : what the latch holds, else None
    lease_left_s : of a permit, else None;  permitted_s : how long heat has been permitted in all         [s]
    hindrances : why a permit would be refused now, one sentence each
    cautions : rules that warn now, "rule: sentence"
    alarm : "" or what to do at once ("Pull the oven's plug ...")
    probes : in the settings' order
    counters : since the guard began ("cycles", "frames", "bad_frames", "overruns", "relay_closings", "trips", ...)
    events : the latest transitions, oldest first
    watchdog : True while systemd's watchdog is petted;  simulated : a bench, not an oven
    """

    time_s: float
    state: StateName
    relay_closed: bool
    heat_wanted: bool = False
    trip: TripStatus | None = None
    lease_left_s: float | None = None
    permitted_s: float = 0.0
    hindrances: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    alarm: str = ""
    probes: tuple[ProbeStatus, ...] = ()
    counters: Mapping[str, int] = field(default_factory=dict)
    events: tuple[GuardEvent, ...] = ()
    watchdog: bool = False
    simulated: bool = False

    def probe(self, name: str) -> ProbeStatus | None:
        """The probe of that name, or None."""
        return next((probe for probe in self.probes if probe.name == name), None)


@dataclass(frozen=True, slots=True)
class Answer:
    """The guard's answer to one request: done, or not and why."""

    ask: str
    ok: bool
    why: str = ""


_ENCODE: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode


def _flat(value: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(value, name) for name in names}


_NAMES: Final[Mapping[type, tuple[str, ...]]] = {
    cls: tuple(f.name for f in fields(cls)) for cls in (GuardStatus, ProbeStatus, TripStatus, GuardEvent, Answer)
}


def status_line(message: GuardStatus | Answer) -> bytes:
    """One line of UTF-8 JSON with its line end. Raises ValueError for a NaN or infinity: the guard never says one."""
    out = {"kind": "answer" if isinstance(message, Answer) else "status"}
    out.update(_flat(message, _NAMES[type(message)]))
    if isinstance(message, GuardStatus):
        trip = message.trip
        out["trip"] = None if trip is None else _flat(trip, _NAMES[TripStatus])  # type: ignore[assignment]  # JSON
        out["probes"] = [_flat(probe, _NAMES[ProbeStatus]) for probe in message.probes]  # type: ignore[assignment]
        out["events"] = [_flat(event, _NAMES[GuardEvent]) for event in message.events]  # type: ignore[assignment]
        out["counters"] = dict(message.counters)  # type: ignore[assignment]
    return _ENCODE(out).encode() + b"\n"


def message_from(line: bytes | str) -> GuardStatus | Answer:
    """What `status_line` wrote; unknown keys (of a newer guard) are left out.

    Raises ValueError, naming the finding, for anything else.
    """
    try:
        data = json.loads(line)
        kind = data.pop("kind")
        if kind == "answer":
            return _make(Answer, data)
        if kind != "status":
            raise ValueError(f"kind is {kind!r}; allowed: answer, status")
        data["trip"] = None if data["trip"] is None else _make(TripStatus, data["trip"])
        data["probes"] = tuple(_make(ProbeStatus, item) for item in data["probes"])
        data["events"] = tuple(_make(GuardEvent, item) for item in data["events"])
        data["hindrances"] = tuple(data["hindrances"])
        data["cautions"] = tuple(data["cautions"])
        status = _make(GuardStatus, data)
        if status.state not in ("withheld", "permitted", "tripped") or not math.isfinite(status.time_s):
            raise ValueError(f"state is {status.state!r} at {status.time_s!r}")
        return status
    except (KeyError, TypeError, AttributeError, ValueError, RecursionError) as exc:
        raise ValueError(f"not a line of the guard: {line[:120]!r} ({exc})") from exc


_T = TypeVar("_T")


def _make(cls: type[_T], data: Mapping[str, Any]) -> _T:
    """The dataclass with the keys it knows; a missing key without a default is a TypeError."""
    return cls(**{name: value for name, value in data.items() if name in _NAMES[cls]})
