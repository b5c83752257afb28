"""What the pipeline is told about a batch before its first sample, and how a log's header carries it.

A log alone must give the live stream again, record for record. So everything that the pipeline may use besides the
samples is a field here, every field is a `# key: value` line of the log, and nothing else reaches the pipeline.
Fields added later need a default that means "not known".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final, Literal

from lastbubble.errors import BadInput

__all__ = ["DEFAULT_HOLD_MIN", "DEFAULT_TARGET_CORE_C", "Context", "context_from_header", "context_header"]

DEFAULT_TARGET_CORE_C: Final = 93.0
DEFAULT_HOLD_MIN: Final = 30.0

Shape = Literal["slab", "cylinder", "sphere"]


@dataclass(frozen=True, slots=True)
class Context:
    """The batch and its station, as far as they are known. None or "" means "not known".

    station, started_utc : labels (ISO 8601)
    barometer_pa : of the day or of the altitude                                                    [Pa]
    piece_thickness_mm : of the slowest piece: whole thickness of a slab, diameter otherwise        [mm]
    piece_length_mm, piece_width_mm : its other sizes where known                                   [mm]
    piece_shape : slab, cylinder or sphere;  material : a name of `shared/materials.csv`
    target_core_c, hold_min : the cure                                                       [degC, min]
    soak_min : how long the pieces should soak after venting                                       [min]
    chamber_volume_l : free volume, resin and pieces taken off                                       [L]
    pump_l_min : the pump's nominal speed                                                        [L/min]
    leak_pa_s, base_pa : from commissioning (empty dry run): rise when shut off, and base     [Pa/s, Pa]
    gauge_kind : absolute, gauge or vacuum
    witness : "slowest" | "other": which piece the witness probe is in
    witness_grade : how far the witness probe may be off: "checked" at two points, else its "class_1" or "class_2"
        (IEC 60584-1); "" = as class_1
    oven_grade : the same of the probe in the oven's air; "" = not told
    oven_fan : "yes" | "no": whether the oven blows its air about
    initiator : a name of `shared/reference/initiators.csv`
    oven_learnt : what earlier batches taught of this oven (JSON text, written by the oven model)
    history : earlier stops of this station, same material and thickness (JSON text, written by the degassing model)
    """

    station: str = ""
    started_utc: str = ""
    barometer_pa: float | None = None
    piece_thickness_mm: float | None = None
    piece_length_mm: float | None = None
    piece_width_mm: float | None = None
    piece_shape: str = ""
    material: str = ""
    target_core_c: float | None = None
    hold_min: float | None = None
    soak_min: float | None = None
    chamber_volume_l: float | None = None
    pump_l_min: float | None = None
    leak_pa_s: float | None = None
    base_pa: float | None = None
    gauge_kind: str = ""
    witness: str = ""
    witness_grade: str = ""
    oven_grade: str = ""
    oven_fan: str = ""
    initiator: str = ""
    oven_learnt: str = ""
    history: str = ""

    @property
    def target_c(self) -> float:
        """Core temperature to be reached; the default where none is told [degC]."""
        return DEFAULT_TARGET_CORE_C if self.target_core_c is None else self.target_core_c

    @property
    def hold_s(self) -> float:
        """Time at the core's target that makes a cure; the default where none is told [s]."""
        return (DEFAULT_HOLD_MIN if self.hold_min is None else self.hold_min) * 60


_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    "barometer_pa": (40e3, 110e3),
    "piece_thickness_mm": (0.5, 500),
    "piece_length_mm": (0.5, 2000),
    "piece_width_mm": (0.5, 2000),
    "target_core_c": (30, 150),
    "hold_min": (0, 2880),
    "soak_min": (0, 20160),
    "chamber_volume_l": (0.05, 1000),
    "pump_l_min": (0.1, 10000),
    "leak_pa_s": (0, 1e4),
    "base_pa": (0, 50e3),
}
_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "piece_shape": ("slab", "cylinder", "sphere"),
    "gauge_kind": ("absolute", "gauge", "vacuum"),
    "witness": ("slowest", "other"),
    "witness_grade": ("checked", "class_1", "class_2"),
    "oven_fan": ("yes", "no"),
    "oven_grade": ("checked", "class_1", "class_2"),
}


def context_header(context: Context) -> dict[str, str]:
    """The header lines of a log for this context; unknown fields are left out. Floats keep every digit."""
    out: dict[str, str] = {}
    for field in fields(context):
        value = getattr(context, field.name)
        if value is None or value == "":
            continue
        out[field.name] = repr(value) if isinstance(value, float) else str(value)
    return out


def context_from_header(header: Mapping[str, str], base: Context | None = None) -> Context:
    """The context a log's header tells, over `base` (the station's settings) where it is silent.

    Unknown keys are ignored. Raises BadInput with every fault of the known ones, one a line: key, finding, allowed.
    """
    known = {field.name for field in fields(Context)}
    values: dict[str, float | str | None] = {name: getattr(base, name) for name in known if base is not None}
    faults: list[str] = []
    for key, text in header.items():
        if key not in known or text.strip() == "":
            continue
        text = text.strip()
        if key in _RANGES:
            low, high = _RANGES[key]
            try:
                number = float(text)
            except ValueError:
                faults.append(f"{key} is {text!r}, not a number; allowed {low:g} to {high:g}")
                continue
            if not (math.isfinite(number) and low <= number <= high):
                faults.append(f"{key} is {text}; allowed {low:g} to {high:g}")
                continue
            values[key] = number
        elif key in _WORDS and text not in _WORDS[key]:
            faults.append(f"{key} is {text!r}; allowed: {', '.join(_WORDS[key])}")
        else:
            values[key] = text
    if faults:
        raise BadInput("\n".join(faults))
    return Context(**values)  # type: ignore[arg-type]  # every value was taken from Context or checked above
