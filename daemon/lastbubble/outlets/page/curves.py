"""Curves as the chart takes them: rows of one common axis, in the station's units. Pure.

Each curve comes thinned at its own times (`ledger.series`, least and greatest of every bucket). A chart wants one row
a moment with all curves in it, so between its own points each curve is read off its straight line; its own points,
extremes among them, stay as they are. A gap (a point without a value) stays a gap.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from lastbubble.outlets.page.view import duration_text
from lastbubble.units import Display

__all__ = ["Curve", "chart_rows", "joined", "overlay_rows"]

#: (time_s, value or None for a gap), by rising time.
Curve = Sequence[tuple[float, float | None]]

_NO_CURVE: Final[Curve] = ()


def joined(curve: Curve, times_s: Sequence[float]) -> list[float | None]:
    """The curve's value at each of these rising times; None before it, after it, and inside a gap."""
    out: list[float | None] = []
    place = 0
    for time_s in times_s:
        while place < len(curve) and curve[place][0] < time_s:
            place += 1
        if place < len(curve) and curve[place][0] == time_s:
            out.append(curve[place][1])
        elif place == 0 or place == len(curve):
            out.append(None)
        else:
            (before_s, before), (after_s, after) = curve[place - 1], curve[place]
            if before is None or after is None:
                out.append(None)
            else:
                out.append(before + (after - before) * (time_s - before_s) / (after_s - before_s))
    return out


def _hours(time_s: float) -> float:
    return round(time_s / 3600, 5)


def _pressure(display: Display) -> Callable[[float | None], float | None]:
    depth = display.pressure == "inHg vacuum"

    def shown(value: float | None) -> float | None:
        if value is None:
            return None
        number = float(f"{display.pressure_value(value):.5g}")
        return number if depth else max(number, 1e-6)

    return shown


def _temperature(display: Display) -> Callable[[float | None], float | None]:
    return lambda value: None if value is None else round(display.temperature_value(value), 2)


def _ends(curve: Curve) -> tuple[float, float, float] | None:
    """Least, greatest, last value."""
    values = [value for _, value in curve if value is not None]
    return (min(values), max(values), values[-1]) if values else None


def _times(*curves: Curve) -> list[float]:
    return sorted({time_s for curve in curves for time_s, _ in curve})


def _units(display: Display) -> dict[str, Any]:
    return {
        "pressure_unit": display.pressure,
        "pressure_log": display.pressure != "inHg vacuum",
        "temperature_unit": "°C" if display.temperature == "degC" else "°F",
    }


def chart_rows(curves: Mapping[str, Curve], display: Display) -> dict[str, Any]:
    """Rows of one batch: hours since it began, then each curve (oven and core as low, middle, high); with the words
    that say to a listener what is drawn.
    """
    chamber, oven, core = (curves.get(name, _NO_CURVE) for name in ("chamber_pa", "oven_c", "core_c"))
    pressure, temperature, units = _pressure(display), _temperature(display), _units(display)
    times = _times(oven, core)
    low, high = (joined(curves.get(name, _NO_CURVE), times) for name in ("core_low_c", "core_high_c"))
    unit = units["temperature_unit"]
    return {
        **units,
        "axis": "hours since the batch began",
        "bars": True,
        "pressure_names": ["chamber"],
        "pressure": [[_hours(time_s), pressure(value)] for time_s, value in chamber],
        "temperature_names": ["oven air", "core"],
        "temperature": [
            [
                _hours(time_s),
                [temperature(air)] * 3,
                [
                    temperature(bottom if bottom is not None else mid),
                    temperature(mid),
                    temperature(top if top is not None else mid),
                ],
            ]
            for time_s, air, mid, bottom, top in zip(
                times, joined(oven, times), joined(core, times), low, high, strict=True
            )
        ],
        "pressure_said": _said("Chamber pressure", [("chamber", chamber)], display.pressure_text),
        "temperature_said": _said("Temperature", [("oven air", oven), ("core", core)], display.temperature_text),
        "numbers": _numbers(
            [
                ("Chamber", chamber, display.pressure_text),
                ("Oven air", oven, display.temperature_text),
                ("Core", core, display.temperature_text),
            ]
        ),
        "note": f"Every peak of the whole batch is drawn. Solid: oven air; dashed, with its band: core ({unit}).",
    }


def overlay_rows(
    first: tuple[str, Mapping[str, Curve]], second: tuple[str, Mapping[str, Curve]], display: Display
) -> dict[str, Any]:
    """Rows of two batches over each other; each is (name, curves), its times already counted from its pump-down."""
    pressure, temperature, units = _pressure(display), _temperature(display), _units(display)
    out: dict[str, Any] = {**units, "axis": "hours since pump-down", "bars": False}
    names = [first[0], second[0] if second[0] != first[0] else f"{second[0]} again"]
    for what, column, shown, text in (
        ("pressure", "chamber_pa", pressure, display.pressure_text),
        ("temperature", "oven_c", temperature, display.temperature_text),
    ):
        one, two = first[1].get(column, _NO_CURVE), second[1].get(column, _NO_CURVE)
        times = _times(one, two)
        out[f"{what}_names"] = names
        out[what] = [
            [_hours(time_s), shown(a), shown(b)]
            for time_s, a, b in zip(times, joined(one, times), joined(two, times), strict=True)
        ]
        title = "Chamber pressure" if what == "pressure" else "Oven air"
        out[f"{what}_said"] = _said(title, [(names[0], one), (names[1], two)], text)
    out["numbers"] = _numbers(
        [
            (f"{word}, {name}", curves.get(column, _NO_CURVE), text)
            for word, column, text in (
                ("Chamber", "chamber_pa", display.pressure_text),
                ("Oven air", "oven_c", display.temperature_text),
            )
            for name, curves in zip(names, (first[1], second[1]), strict=True)
        ]
    )
    out["note"] = f"Solid: {names[0]}; dashed: {names[1]}. Every peak is drawn; hour 0 is each batch's pump-down."
    return out


#: Rows of the table beside the charts: few enough to be read out.
_ROWS: Final = 24


def _numbers(columns: Sequence[tuple[str, Curve, Callable[[float | None], str]]]) -> dict[str, Any]:
    """The curves at even moments, as texts, for whom a drawing says nothing; where nothing was read a dash."""
    ends = [curve[place][0] for _, curve, _ in columns if curve for place in (0, -1)]
    heads = ["After", *(name for name, _, _ in columns)]
    if not ends:
        return {"heads": heads, "rows": []}
    begin, end = min(ends), max(ends)
    times = [begin + (end - begin) * step / _ROWS for step in range(_ROWS + 1)] if end > begin else [begin]
    values = [joined(curve, times) for _, curve, _ in columns]
    rows = []
    for place, time_s in enumerate(times):
        told = [
            "-" if column[place] is None else text(column[place])
            for column, (_, _, text) in zip(values, columns, strict=True)
        ]
        rows.append([f"{'-' if time_s < -0.5 else ''}{duration_text(abs(time_s))}", *told])
    return {"heads": heads, "rows": rows}


def _said(title: str, curves: Sequence[tuple[str, Curve]], text: Callable[[float | None], str]) -> str:
    """What a chart shows, in a sentence, for whom it is read out."""
    parts = []
    for name, curve in curves:
        ends = _ends(curve)
        if ends is None:
            parts.append(f"{name}: no readings")
            continue
        span_h = (curve[-1][0] - curve[0][0]) / 3600
        parts.append(f"{name}: {text(ends[0])} to {text(ends[1])} over {span_h:.1f} h, last {text(ends[2])}")
    return f"{title}. {'; '.join(parts)}."
