"""Curves of a batch as SVG of our own: small, sharp on paper, and drawn without any library.

Every text and number is escaped or formatted here; colours are told in words beside them, and lines differ in dash as
well, so that a black and white print can be read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Final

__all__ = ["Band", "Curve", "Moment", "Shade", "chart"]

Points = Sequence[tuple[float, float | None]]

#: Of the whole drawing, and what the axes take of it.
_WIDTH: Final = 960
_HEIGHT: Final = 300
_LEFT: Final = 64
_RIGHT: Final = 14
_TOP: Final = 30
_FOOT: Final = 34


@dataclass(frozen=True, slots=True)
class Curve:
    """A line. points : (time [s], value in the axis's unit, None = a gap)"""

    name: str
    points: Points
    colour: str
    dash: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A filled band. points : (time [s], low, high)"""

    name: str
    points: Sequence[tuple[float, float, float]]
    colour: str


@dataclass(frozen=True, slots=True)
class Moment:
    """An upright line with its word."""

    time_s: float
    text: str
    colour: str = "#222222"
    dash: str = ""


@dataclass(frozen=True, slots=True)
class Shade:
    """A stretch of time in a pale colour, with its name where there is room."""

    begin_s: float
    end_s: float
    name: str
    colour: str


#: Of the height, for the names of the stages above the curves.
_STRIP: Final = 16


@dataclass(slots=True)
class _Frame:
    begin_s: float
    end_s: float
    low: float
    high: float
    log: bool
    out: list[str] = field(default_factory=list)

    def x(self, time_s: float) -> float:
        share = (time_s - self.begin_s) / max(self.end_s - self.begin_s, 1e-9)
        return _LEFT + min(1.0, max(0.0, share)) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        low, high = (math.log10(self.low), math.log10(self.high)) if self.log else (self.low, self.high)
        at = math.log10(max(value, self.low)) if self.log else value
        share = (at - low) / max(high - low, 1e-12)
        return _HEIGHT - _FOOT - min(1.0, max(0.0, share)) * (_HEIGHT - _TOP - _FOOT - _STRIP)


def _round_steps(low: float, high: float, about: int) -> list[float]:
    """Round numbers between low and high, about so many."""
    span = max(high - low, 1e-9)
    raw = span / about
    size = 10 ** math.floor(math.log10(raw))
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 10) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _decades(low: float, high: float) -> list[float]:
    return [10.0**n for n in range(math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9) + 1)]


def _number(value: float) -> str:
    return f"{value:.10g}" if abs(value) < 1e5 and (value == 0 or abs(value) >= 1e-3) else f"{value:.0e}"


def chart(
    title: str,
    unit: str,
    curves: Sequence[Curve],
    *,
    bands: Sequence[Band] = (),
    shades: Sequence[Shade] = (),
    moments: Sequence[Moment] = (),
    levels: Sequence[tuple[float, str]] = (),
    log: bool = False,
    least_span: float = 0.0,
) -> str:
    """One chart as an `svg` element; "" when no curve has a value.

    levels : (value, word) of level lines;  log : logarithmic, values at or below nought stand at its foot
    least_span : the axis is at least that wide, in its unit
    """
    values = [value for curve in curves for _, value in curve.points if value is not None]
    times = [at for curve in curves for at, value in curve.points if value is not None]
    if not values:
        return ""
    values += [edge for band in bands for _, low, high in band.points for edge in (low, high)]
    values += [value for value, _ in levels]
    begin_s, end_s = min(times), max(max(times), min(times) + 60)
    if log:
        positive = [value for value in values if value > 0]
        low, high = min(positive, default=1.0) / 1.3, max(positive, default=10.0) * 1.3
        high = max(high, low * 10)
    else:
        low, high = min(values), max(values)
        spare = max(0.06 * (high - low), 0.5 * (least_span - (high - low)), 1e-6)
        low, high = low - spare, high + spare
    frame = _Frame(begin_s, end_s, low, high, log)
    _ground(frame, shades, unit)
    for band in bands:
        _fill(frame, band)
    for value, word in levels:
        y = frame.y(value)
        frame.out.append(f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke="#222" stroke-dasharray="2 3"/>')
        frame.out.append(f'<text x="{_LEFT + 4}" y="{y - 3:.1f}" class="s">{escape(word)}</text>')
    for curve in curves:
        _line(frame, curve.points, curve.colour, curve.dash)
    _moments(frame, moments)
    _key(frame, curves, bands)
    spoken = f"{title}, {unit}; from {_number(min(values))} to {_number(max(values))}"
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(spoken)}" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(title)}</title>{"".join(frame.out)}</svg>'
    )


def _ground(frame: _Frame, shades: Sequence[Shade], unit: str) -> None:
    out = frame.out
    for shade in shades:
        left, right = frame.x(shade.begin_s), frame.x(shade.end_s)
        if right - left < 0.2:
            continue
        out.append(
            f'<rect x="{left:.1f}" y="{_TOP}" width="{right - left:.1f}" height="{_HEIGHT - _TOP - _FOOT}" '
            f'fill="{shade.colour}"/>'
        )
        if right - left > 6.2 * len(shade.name):
            out.append(f'<text x="{0.5 * (left + right):.1f}" y="{_TOP + 11}" class="s m">{escape(shade.name)}</text>')
    steps = _decades(frame.low, frame.high) if frame.log else _round_steps(frame.low, frame.high, 5)
    if len(steps) < 2 and frame.log:
        steps = _round_steps(frame.low, frame.high, 4)
    for value in steps:
        y = frame.y(value)
        out.append(f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" class="g"/>')
        out.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" class="e">{_number(value)}</text>')
    hours = (frame.begin_s / 3600, frame.end_s / 3600)
    for hour in _round_steps(*hours, 8):
        x = frame.x(hour * 3600)
        out.append(f'<path d="M{x:.1f} {_TOP}V{_HEIGHT - _FOOT}" class="g"/>')
        out.append(f'<text x="{x:.1f}" y="{_HEIGHT - _FOOT + 15}" class="m">{_number(hour)}</text>')
    out.append(f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 4}" class="e">hours of the batch</text>')
    out.append(f'<text x="4" y="{_TOP - 12}" class="b">{escape(unit)}</text>')
    out.append(
        f'<rect x="{_LEFT}" y="{_TOP}" width="{_WIDTH - _LEFT - _RIGHT}" height="{_HEIGHT - _TOP - _FOOT}" '
        'fill="none" stroke="#555"/>'
    )


def _runs(points: Points) -> list[list[tuple[float, float]]]:
    out: list[list[tuple[float, float]]] = [[]]
    for at, value in points:
        if value is None:
            out.append([])
        else:
            out[-1].append((at, value))
    return [run for run in out if run]


def _line(frame: _Frame, points: Points, colour: str, dash: str) -> None:
    for run in _runs(points):
        path = "L".join(f"{frame.x(at):.1f} {frame.y(value):.1f}" for at, value in run)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        frame.out.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="1.4"{dashed}/>')


def _fill(frame: _Frame, band: Band) -> None:
    if len(band.points) < 2:
        return
    above = [f"{frame.x(at):.1f} {frame.y(high):.1f}" for at, _, high in band.points]
    below = [f"{frame.x(at):.1f} {frame.y(low):.1f}" for at, low, _ in reversed(band.points)]
    frame.out.append(f'<path d="M{"L".join(above + below)}Z" fill="{band.colour}" fill-opacity="0.25"/>')


def _moments(frame: _Frame, moments: Sequence[Moment]) -> None:
    # Words that come close to one another stand in different rows.
    for place, moment in enumerate(sorted(moments, key=lambda one: one.time_s)):
        x = frame.x(moment.time_s)
        dashed = f' stroke-dasharray="{moment.dash}"' if moment.dash else ""
        frame.out.append(f'<path d="M{x:.1f} {_TOP}V{_HEIGHT - _FOOT}" stroke="{moment.colour}"{dashed}/>')
        if not moment.text:
            continue
        side, place_x = ("e", x - 3) if x > _WIDTH - 190 else ("s", x + 3)
        frame.out.append(
            f'<text x="{place_x:.1f}" y="{_TOP + 26 + 13 * (place % 6)}" class="{side}" '
            f'fill="{moment.colour}">{escape(moment.text)}</text>'
        )


def _key(frame: _Frame, curves: Sequence[Curve], bands: Sequence[Band]) -> None:
    x = _LEFT + 60.0
    items = [(one.name, one.colour, one.dash, False) for one in curves if any(v is not None for _, v in one.points)]
    items += [(one.name, one.colour, "", True) for one in bands if len(one.points) > 1]
    for name, colour, dash, filled in items:
        y = _TOP - 14
        if filled:
            frame.out.append(
                f'<rect x="{x:.0f}" y="{y - 5}" width="24" height="9" fill="{colour}" fill-opacity="0.25"/>'
            )
        else:
            dashed = f' stroke-dasharray="{dash}"' if dash else ""
            frame.out.append(f'<path d="M{x:.0f} {y}h24" stroke="{colour}" stroke-width="2"{dashed}/>')
        frame.out.append(f'<text x="{x + 28:.0f}" y="{y + 4}" class="s">{escape(name)}</text>')
        x += 44 + 6.6 * len(name)
