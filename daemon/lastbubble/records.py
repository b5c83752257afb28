"""The values that flow through the house. Knows nobody; everybody knows it.

Rules: frozen, slotted, SI inside (kelvin differences, degC on the absolute scale because every part of the job
is read in it, pascal absolute, seconds), `None` for "no reading" and never a NaN. Time is bench time: seconds on
one monotonic scale, never a wall clock.

Two vocabularies meet here. What a *sensor* says is a `Reading`. What the *pipeline* says is a `Record`: Stage,
Event, Forecast, Caution (kind `warning` on the wire; the builtin keeps its name) and Trip, the last only passed on
from the guard. `record_line` writes one as a line of JSON, `record_from` reads it back; both are exact.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar, Final, Literal

__all__ = [
    "CAUTION_CAUSES",
    "EVENT_NAMES",
    "MARKS",
    "STAGES",
    "Caution",
    "Event",
    "Forecast",
    "Outlook",
    "Quality",
    "Reading",
    "Record",
    "Sample",
    "Stage",
    "Trip",
    "record_from",
    "record_json",
    "record_line",
]


class Quality(StrEnum):
    """How far a reading can be used."""

    GOOD = "good"
    #: Usable, and something about it deserves a look (`cause` says what).
    SUSPECT = "suspect"
    #: Not usable: `value` is None and `cause` says why.
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Reading:
    """One statement of one source about one quantity.

    value : float or None    in the SI unit of the quantity (degC for temperatures, Pa absolute for pressure);
                             None exactly when quality is BAD
    time_s : float           bench time of the measurement                                                  [s]
    quality : Quality
    source : str             the settings name of the source, e.g. "oven", "chamber"
    cause : str              "" when good, else one word from the source's list ("open", "bus", "silent", ...)
    detail : str             for the person: what was seen and the likely mend; may be ""
    """

    value: float | None
    time_s: float
    quality: Quality
    source: str
    cause: str = ""
    detail: str = ""

    def __post_init__(self) -> None:
        if (self.value is None) != (self.quality is Quality.BAD):
            raise ValueError(f"a {self.quality} reading of {self.source} with value {self.value}")
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"a reading of {self.source} must be finite, got {self.value}")


#: Marks without an argument. `dial=<number>F|C` is the only one with an argument.
MARKS: Final = (
    "pump_on",
    "pump_off",
    "vent_shut",
    "vent_open",
    "isolated",
    "rejoined",
    "bubbling",
    "quiet",
    "rocked",
    "vented",
    "drained",
    "oven_loaded",
    "oven_unloaded",
)


@dataclass(frozen=True, slots=True)
class Sample:
    """One row of the log: what was known of the bench at `time_s`. None means "no reading".

    time_s : float                   since the batch began, strictly increasing                              [s]
    chamber_pa : float or None       absolute pressure in the chamber                                        [Pa]
    oven_c, oven2_c : float or None  oven air, first and second thermocouple                                 [degC]
    junction_c : float or None       cold junction of the first thermocouple                                 [degC]
    witness_c : float or None        inside a drilled piece of the batch                                     [degC]
    heat : bool or None              True = relay commanded closed
    isolated : bool or None          True = chamber shut off from the running pump
    marks : tuple of str             what a person (or a switched outlet) said in this row, in order
    faults : tuple of str            sensors that did not read, each "source:cause" ("oven:open"), sorted
    trip : str                       cause of the guard's trip, in the row in which it was heard; else ""
    """

    time_s: float
    chamber_pa: float | None = None
    oven_c: float | None = None
    junction_c: float | None = None
    witness_c: float | None = None
    oven2_c: float | None = None
    heat: bool | None = None
    isolated: bool | None = None
    marks: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    trip: str = ""


StageName = Literal[
    "idle", "pump_down", "degassing", "still", "venting", "soaking", "heating", "curing", "cooling", "finished"
]
STAGES: Final[tuple[StageName, ...]] = (
    "idle",
    "pump_down",
    "degassing",
    "still",
    "venting",
    "soaking",
    "heating",
    "curing",
    "cooling",
    "finished",
)

EVENT_NAMES: Final = ("bubbles_stopped", "cure_temperature_reached", "cure_complete", "soak_complete", "vented")

#: `sensor_*` stands for "sensor_<source>_<cause>".
CAUTION_CAUSES: Final = (
    "gauge_too_coarse",
    "pump_stopped",
    "vacuum_lost",
    "base_pressure_high",
    "core_will_not_reach",
    "cure_interrupted",
    "core_above_air",
    "core_stalls",
    "oven_runs_hotter",
    "vent_before_pump_off",
    "vented_fast",
    "sensor_*",
)


@dataclass(frozen=True, slots=True)
class Stage:
    """The batch is in this stage; said at `t`, begun at `since` where hindsight dates it earlier (else None)."""

    t: float
    stage: StageName
    since: float | None = None

    kind: ClassVar[str] = "stage"


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened at `since` (best estimate, seconds of the log) and is said at `t`.

    sure : probability (0..1) that it is so, or None where no model gives one
    basis : what the call rests on, in a few words ("flow", "isolation", "forecast", "witness"); may be ""
    """

    t: float
    name: str
    since: float
    sure: float | None = None
    basis: str = ""

    kind: ClassVar[str] = "event"


@dataclass(frozen=True, slots=True)
class Forecast:
    """When `target` (an event's name) will happen: 10, 50 and 90 % quantiles, seconds of the log."""

    t: float
    target: str
    p10: float
    p50: float
    p90: float

    kind: ClassVar[str] = "forecast"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something a person should know or mend; `text` is a plain sentence with the mend.

    Its `kind` is "warning" on the wire.
    """

    t: float
    cause: str
    text: str = ""

    kind: ClassVar[str] = "warning"


@dataclass(frozen=True, slots=True)
class Trip:
    """The guard has tripped; the pipeline only passes it on so that live and replay tell the same story."""

    t: float
    cause: str

    kind: ClassVar[str] = "trip"


Record = Stage | Event | Forecast | Caution | Trip

_KINDS: Final[Mapping[str, type[Stage] | type[Event] | type[Forecast] | type[Caution] | type[Trip]]] = {
    "stage": Stage,
    "event": Event,
    "forecast": Forecast,
    "warning": Caution,
    "trip": Trip,
}


def record_json(record: Record) -> dict[str, Any]:
    """The record as a JSON object: `t` and `kind` first, then its own fields; empty optional fields are left out."""
    out: dict[str, Any] = {"t": record.t, "kind": record.kind}
    for name in record.__dataclass_fields__:
        if name in ("t", "kind"):
            continue
        value = getattr(record, name)
        if value is None or (value == "" and name in ("basis", "text")):
            continue
        out[name] = value
    return out


def record_line(record: Record) -> str:
    """One line of JSON (no line end); floats keep every digit, so reading it back gives an equal record."""
    return json.dumps(record_json(record), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def record_from(line: str | Mapping[str, Any]) -> Record:
    """The record that `record_line` wrote.

    Raises ValueError, naming the finding, for anything else.
    """
    try:
        data = dict(json.loads(line)) if isinstance(line, str) else dict(line)
        cls = _KINDS[data.pop("kind")]
        return cls(**data)
    except (TypeError, KeyError, ValueError) as exc:
        raise ValueError(f"not a record of the stream: {line!r} ({exc})") from exc


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the pipeline makes of everything up to `time_s`: for the page, the terminal, the broker and the plots.

    Never part of the record stream, and nothing decides by it.

    time_s, stage, stage_since_s                                                                     [s]
    flow_pa_s, flow_low_pa_s, flow_high_pa_s : gas load over chamber volume, 80 % band             [Pa/s]
    core_c, core_low_c, core_high_c : core of the slowest piece, median and 80 % band              [degC]
    held_s, hold_s : time at cure temperature so far, and wanted                                     [s]
    dose_s : equivalent time at target by the initiator's kinetics, or None                            [s]
    air_mean_c : mean of the oven's air over whole thermostat cycles, None while it is not steady  [degC]
    air_k_min : how fast it warms or cools then                                                      [K/min]
    forecasts : the latest of each target
    cautions : those that still stand
    next_action : one plain sentence, what the person does next ("" = nothing);  next_at_s : when, if known
    """

    time_s: float = 0.0
    stage: StageName = "idle"
    stage_since_s: float = 0.0
    flow_pa_s: float | None = None
    flow_low_pa_s: float | None = None
    flow_high_pa_s: float | None = None
    core_c: float | None = None
    core_low_c: float | None = None
    core_high_c: float | None = None
    held_s: float = 0.0
    hold_s: float = 0.0
    dose_s: float | None = None
    air_mean_c: float | None = None
    air_k_min: float | None = None
    forecasts: tuple[Forecast, ...] = ()
    cautions: tuple[Caution, ...] = ()
    next_action: str = ""
    next_at_s: float | None = None
