"""A new batch as a person tells it, in texts with units: the header of its log. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput
from lastbubble.units import Kind, parse

__all__ = ["BEGIN_FIELDS", "checked_context", "header_of"]

#: What is told with a unit: its name, the header's key, its kind, and how many of the header's unit one SI unit is.
_QUANTITIES: Final[tuple[tuple[str, str, Kind, float], ...]] = (
    ("thickness", "piece_thickness_mm", "length", 1e3),
    ("length", "piece_length_mm", "length", 1e3),
    ("width", "piece_width_mm", "length", 1e3),
    ("target_core", "target_core_c", "temperature", 1.0),
    ("hold", "hold_min", "duration", 1 / 60),
    ("soak", "soak_min", "duration", 1 / 60),
)
_WORDS: Final = (("material", "material"), ("shape", "piece_shape"), ("witness", "witness"))
_KEYS: Final[Mapping[str, str]] = {key: name for name, key in (*_WORDS, *((row[0], row[1]) for row in _QUANTITIES))}
BEGIN_FIELDS: Final = tuple(_KEYS.values())
#: What the end of a header's key says of its unit.
_UNITS: Final = {"c": " degC", "mm": " mm", "min": " min"}


def _as_told(line: str) -> str:
    """A fault of the header, by the name that a person told, with the header's unit behind its numbers."""
    key, space, rest = line.partition(" ")
    unit = _UNITS.get(key.rpartition("_")[2], "") if key in _KEYS else ""
    return f"{_KEYS.get(key, key)}{space}{rest}{unit}"


def checked_context(header: Mapping[str, str]) -> Context:
    """The context of a header; its faults name what a person told ("thickness"), not the header's keys."""
    try:
        return context_from_header(header)
    except BadInput as exc:
        lines = str(exc).split("\n")
        raise BadInput("\n".join(_as_told(line) for line in lines)) from exc


def header_of(told: Mapping[str, str | None]) -> dict[str, str]:
    """The header keys of what was told; empty texts tell nothing. Raises BadInput, a line for each wrong one."""
    header: dict[str, str] = {}
    faults: list[str] = []
    for name, key, kind, factor in _QUANTITIES:
        text = told.get(name)
        if not text:
            continue
        try:
            header[key] = repr(round(parse(text, kind) * factor, 6))
        except ValueError as exc:
            faults.append(f"{name}: {exc}")
    for name, key in _WORDS:
        if text := told.get(name):
            header[key] = text
    try:
        checked_context(header)
    except BadInput as exc:
        faults += str(exc).split("\n")
    if faults:
        raise BadInput("\n".join(faults))
    return header
