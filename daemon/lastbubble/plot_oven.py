"""A picture of a batch's oven side: air, the core's band, witness, heat, the hold's progress, and what was said.

`oven_track` runs the samples through the pipeline and keeps what a picture needs, thinned so that two days fit;
`draw_oven` draws it onto two axes that the caller owns (`plot.py` sets them beside the chamber's), `plot_oven` onto a
file of its own. Needs matplotlib (the `plot` extra), imported only where it draws.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lastbubble.context import Context
from lastbubble.errors import BadInput
from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Caution, Event, Forecast, Sample, Stage

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["OvenTrack", "draw_oven", "oven_track", "plot_oven"]

#: Points kept of each line; more than a picture can show.
_POINTS: Final = 3000
_AIR, _CORE, _PROBE, _CALL, _WARN = "0.55", "#b5471b", "#1f6f8b", "#222222", "#a3162e"


@dataclass(slots=True)
class OvenTrack:
    """What the picture shows. Times in hours of the log; temperatures in degC; None where there was none."""

    target_c: float
    hold_s: float
    hours: list[float] = field(default_factory=list)
    air_c: list[float | None] = field(default_factory=list)
    probe_c: list[float | None] = field(default_factory=list)
    low_c: list[float | None] = field(default_factory=list)
    core_c: list[float | None] = field(default_factory=list)
    high_c: list[float | None] = field(default_factory=list)
    heat: list[float] = field(default_factory=list)
    held: list[float] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    cautions: list[Caution] = field(default_factory=list)
    stages: list[Stage] = field(default_factory=list)
    forecasts: list[Forecast] = field(default_factory=list)

    def _thin(self) -> None:
        for name in ("hours", "air_c", "probe_c", "low_c", "core_c", "high_c", "heat", "held"):
            setattr(self, name, getattr(self, name)[::2])


def oven_track(context: Context, samples: Iterable[Sample]) -> OvenTrack:
    """Run the samples through the pipeline and keep the oven's side.

    Raises what the samples or the pipeline raise (a broken row, times that do not rise).
    """
    track = OvenTrack(context.target_c, context.hold_s)
    pipeline = Pipeline(context)
    every, count = 1, 0
    for sample in samples:
        for record in pipeline.feed(sample):
            if isinstance(record, Event) and record.name.startswith("cure"):
                track.events.append(record)
            elif isinstance(record, Caution) and _of_oven(record.cause):
                track.cautions.append(record)
            elif isinstance(record, Stage):
                track.stages.append(record)
            elif isinstance(record, Forecast) and record.target == "cure_complete":
                track.forecasts.append(record)
        count += 1
        if count % every or (sample.oven_c is None and sample.witness_c is None):
            continue
        outlook = pipeline.outlook
        track.hours.append(sample.time_s / 3600)
        track.air_c.append(sample.oven_c if sample.oven_c is not None else sample.oven2_c)
        track.probe_c.append(sample.witness_c)
        track.low_c.append(outlook.core_low_c)
        track.core_c.append(outlook.core_c)
        track.high_c.append(outlook.core_high_c)
        track.heat.append(1.0 if sample.heat else 0.0)
        track.held.append(outlook.held_s / context.hold_s if context.hold_s > 0 else 0.0)
        if len(track.hours) >= 2 * _POINTS:
            track._thin()
            every *= 2
    return track


def _of_oven(cause: str) -> bool:
    return cause.startswith(("core_", "cure_", "oven_", "sensor_oven", "sensor_witness"))


def _numbers(values: Iterable[float | None]) -> list[float]:
    return [float("nan") if value is None else value for value in values]


def draw_oven(above: Axes, below: Axes, track: OvenTrack) -> None:
    """Draw onto two axes that share their time axis [h]: temperatures above; heat and the hold's progress below."""
    hours = track.hours
    above.plot(hours, _numbers(track.air_c), color=_AIR, lw=0.7, label="air")
    low, high = _numbers(track.low_c), _numbers(track.high_c)
    above.fill_between(hours, low, high, color=_CORE, alpha=0.2, lw=0, label="core, 80 %")
    above.plot(hours, _numbers(track.core_c), color=_CORE, lw=1.4, label="core of the slowest piece")
    if any(value is not None for value in track.probe_c):
        shown = [(x, y) for x, y in zip(hours, track.probe_c, strict=True) if y is not None]
        above.plot([x for x, _ in shown], [y for _, y in shown], color=_PROBE, lw=0.8, ls="--", label="witness probe")
    above.axhline(track.target_c, color=_CALL, lw=0.6, ls=":")
    above.annotate(f"target {track.target_c:g} degC", (0.005, track.target_c), xycoords=("axes fraction", "data"),
                   xytext=(0, 2), textcoords="offset points", fontsize=7, color=_CALL)  # fmt: skip
    _draw_said(above, below, track)
    above.set_ylabel("degC")
    above.legend(loc="lower right", fontsize=7, frameon=False)
    below.fill_between(hours, 0, track.heat, step="post", color=_AIR, alpha=0.35, lw=0, label="heat permitted")
    below.plot(hours, track.held, color=_CORE, lw=1.4, label="share of the hold")
    below.set_ylim(-0.05, 1.1)
    below.set_yticks([0, 1])
    below.set_xlabel("hours of the log")
    below.legend(loc="upper left", fontsize=7, frameon=False)


def _draw_said(above: Axes, below: Axes, track: OvenTrack) -> None:
    words = {"cure_temperature_reached": "core at temperature", "cure_complete": "cure complete"}
    for event in track.events:
        for axes in (above, below):
            axes.axvline(event.t / 3600, color=_CALL, lw=0.9)
        above.axvline(event.since / 3600, color=_CALL, lw=0.6, ls=":")
        text = words.get(event.name, event.name)
        if event.basis:
            text += f" (by {event.basis})"
        above.annotate(text, (event.t / 3600, 0.02), xycoords=("data", "axes fraction"), rotation=90, fontsize=7,
                       ha="right", va="bottom", color=_CALL)  # fmt: skip
    for caution in track.cautions:
        above.axvline(caution.t / 3600, color=_WARN, lw=0.7, ls="--")
        above.annotate(caution.cause.replace("_", " "), (caution.t / 3600, 0.98), xycoords=("data", "axes fraction"),
                       rotation=90, fontsize=7, ha="right", va="top", color=_WARN)  # fmt: skip


def plot_oven(context: Context, samples: Iterable[Sample], path: Path) -> None:
    """Draw a log's oven side into a file (.png, .svg or .pdf).

    Raises BadInput when there is nothing of an oven in the log, when the file's ending is unknown, or without
    matplotlib.
    """
    if path.suffix not in (".png", ".svg", ".pdf"):
        raise BadInput(f"{path}: a picture ends in .png, .svg or .pdf")
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as exc:
        raise BadInput("drawing needs matplotlib; install the package with its extra: lastbubble[plot]") from exc
    track = oven_track(context, samples)
    if not track.hours:
        raise BadInput("the log has no oven or witness temperature; there is nothing of an oven to draw")
    figure: Any = Figure(figsize=(10, 5.6), layout="constrained")
    FigureCanvasAgg(figure)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    draw_oven(above, below, track)
    name = " ".join(word for word in (context.station, context.material) if word)
    above.set_title(f"{name or 'oven'}: air, core and cure", loc="left", fontsize=9)
    figure.savefig(path, dpi=140)
