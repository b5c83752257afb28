"""What was understood: every key with its SI value, and where it came from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from lastbubble.settings.faults import Path, path_text
from lastbubble.settings.load import Loaded
from lastbubble.settings.messages import judge_of
from lastbubble.settings.quantities import Quantity
from lastbubble.units import Kind

__all__ = ["SI_UNITS", "Row", "rows", "rows_json", "rows_text"]

SI_UNITS: Final[dict[Kind, str]] = {
    "temperature": "degC",
    "temperature_difference": "K",
    "temperature_rate": "K/s",
    "pressure": "Pa",
    "length": "m",
    "duration": "s",
    "volume": "m3",
    "volume_flow": "m3/s",
    "mass": "kg",
    "voltage": "V",
    "current": "A",
    "resistance": "ohm",
    "frequency": "Hz",
}


@dataclass(frozen=True, slots=True)
class Row:
    """key : its path;  value : as used;  unit : SI, or "";  line : 0 = default;  written : the file's own text"""

    key: str
    value: Any
    unit: str
    line: int
    written: str


def rows(loaded: Loaded) -> Iterator[Row]:
    """Every key that has a value, in the order of the models."""
    yield from _section(loaded, loaded.settings, ())


def _section(loaded: Loaded, section: BaseModel, path: Path) -> Iterator[Row]:
    for name, field in type(section).model_fields.items():
        yield from _field(loaded, getattr(section, name), field, (*path, name))


def _field(loaded: Loaded, value: Any, field: FieldInfo, path: Path) -> Iterator[Row]:
    if value is None:
        return
    if isinstance(value, BaseModel):
        yield from _section(loaded, value, path)
        return
    if isinstance(value, list) and value and isinstance(value[0], BaseModel):
        for index, one in enumerate(value):
            yield from _section(loaded, one, (*path, index))
        return
    place = loaded.source.places.get(path)
    judge = judge_of(field)
    unit = SI_UNITS[judge.kind] if isinstance(judge, Quantity) else ""
    hidden = isinstance(field.json_schema_extra, dict) and bool(field.json_schema_extra.get("secret"))
    yield Row(
        path_text(path),
        "(hidden)" if hidden else value,
        unit,
        place.line if place else 0,
        "" if hidden or place is None else place.text,
    )


def rows_json(loaded: Loaded) -> list[dict[str, Any]]:
    return [
        {"key": row.key, "value": row.value, "unit": row.unit, "line": row.line or None, "written": row.written or None}
        for row in rows(loaded)
    ]


def rows_text(loaded: Loaded) -> str:
    """Aligned lines: key, value with unit, where from."""
    table = []
    for row in rows(loaded):
        value = f"{row.value:.10g}" if isinstance(row.value, float) else _word(row.value)
        where = f"line {row.line}" if row.line else "default"
        if row.unit and row.written:
            where += f": {row.written}"
        table.append((row.key, f"{value} {row.unit}".rstrip(), where))
    widths = [max((len(line[column]) for line in table), default=0) for column in (0, 1)]
    return "\n".join(f"{key:<{widths[0]}}  {value:<{widths[1]}}  {where}" for key, value, where in table)


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return ", ".join(map(str, value)) or "none" if isinstance(value, list) else str(value)
