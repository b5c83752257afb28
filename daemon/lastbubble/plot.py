"""A batch as a picture: `lastbubble replay LOG --plot out.png` (or .svg, .pdf, .html).

Chamber pressure on a log axis with stages shaded, isolations, calls and cautions marked; below it the gas load with its
80 % band and the forecasts as they were said; below that the oven, drawn by `plot_oven`, when the log has one. The
picture shows what was known at each moment: the same replay that prints the records feeds it.

Needs the extra `plot` (matplotlib); imported only when a plot is asked for.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from lastbubble.context import Context
from lastbubble.errors import BadInput
from lastbubble.plot_oven import draw_oven, oven_track
from lastbubble.records import Caution, Event, Forecast, Outlook, Record, Sample, Stage, Trip
from lastbubble.replay import replay_with_outlook

__all__ = ["KINDS", "Story", "collect", "plot_log"]

KINDS: Final = (".png", ".svg", ".pdf", ".html")
#: Points of a curve that are kept; beyond twice this, neighbours are merged.
POINTS: Final = 4000
OUTLOOK_EVERY_S: Final = 60.0

_SHADES: Final = {
    "idle": "#f2f2f2",
    "pump_down": "#cfe3f5",
    "degassing": "#e3eefa",
    "still": "#d6f0d9",
    "venting": "#fdeccb",
    "soaking": "#f7f1df",
    "heating": "#fbe0d3",
    "curing": "#f8d0c4",
    "cooling": "#e9e3f2",
    "finished": "#e6efe6",
}


@dataclass(slots=True)
class Story:
    """What a plot needs of a batch, thinned. Times in seconds of the log.

    pressures : (time, lowest, highest) of neighbouring readings;  outlooks : (time, outlook)
    isolations : (from, to);  has_oven : the log has oven readings
    """

    context: Context
    pressures: list[tuple[float, float, float]] = field(default_factory=list)
    outlooks: list[Outlook] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    isolations: list[tuple[float, float]] = field(default_factory=list)
    start_s: float = 0.0
    end_s: float = 0.0
    has_oven: bool = False


def collect(context: Context, samples: Iterable[Sample]) -> Story:
    """Run the log through the pipeline and keep what a picture can show, in bounded memory."""
    story = Story(context)
    first = True
    shut_since: float | None = None
    told = False
    for sample, records, outlook in replay_with_outlook(context, samples, every_s=OUTLOOK_EVERY_S):
        if first:
            story.start_s = sample.time_s
            first = False
        story.end_s = sample.time_s
        if sample.chamber_pa is not None:
            story.pressures.append((sample.time_s, sample.chamber_pa, sample.chamber_pa))
            if len(story.pressures) >= 2 * POINTS:
                story.pressures = [
                    (a[0], min(a[1], b[1]), max(a[2], b[2]))
                    for a, b in zip(story.pressures[::2], story.pressures[1::2], strict=False)
                ]
        story.has_oven = story.has_oven or sample.oven_c is not None
        for mark in sample.marks:
            if mark in ("isolated", "rejoined"):
                told = mark == "isolated"
        shut = bool(sample.isolated) or told
        if shut and shut_since is None:
            shut_since = sample.time_s
        elif not shut and shut_since is not None:
            story.isolations.append((shut_since, sample.time_s))
            shut_since = None
        story.records += records
        if outlook is not None:
            story.outlooks.append(outlook)
            if len(story.outlooks) >= 2 * POINTS:
                story.outlooks = story.outlooks[::2]
    if shut_since is not None:
        story.isolations.append((shut_since, story.end_s))
    return story


def plot_log(context: Context, samples: Iterable[Sample], path: Path) -> None:
    """Draw the batch into `path`, whose ending says the kind.

    Raises BadInput for another ending, a log without rows, or where matplotlib is missing.
    """
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise BadInput(f"{path}: a plot is one of {', '.join(KINDS)}; give the file such an ending")
    rows = list(samples)
    story = collect(context, rows)
    if not rows:
        raise BadInput(f"{path}: the log has no rows, so there is nothing to draw")
    try:
        from matplotlib.figure import Figure
    except ImportError as exc:
        raise BadInput(f"{path}: plots need matplotlib; install it with: pip install 'lastbubble[plot]'") from exc
    figure = _figure(Figure, story, rows)
    if kind == ".html":
        text = io.StringIO()
        figure.savefig(text, format="svg")
        title = context.station or "batch"
        path.write_text(_html(title, text.getvalue()), encoding="utf-8")
    else:
        figure.savefig(path, format=kind[1:], dpi=130)


def _html(title: str, svg: str) -> str:
    body = svg[svg.index("<svg") :]
    safe = title.replace("&", "&amp;").replace("<", "&lt;")
    return (
        f'<!doctype html>\n<html lang="en"><meta charset="utf-8"><title>{safe}</title>\n'
        f'<body style="margin:1em;font-family:sans-serif">\n<h1>{safe}</h1>\n{body}\n</body></html>\n'
    )


def _figure(figure_class: Any, story: Story, rows: list[Sample]) -> Any:
    count = 4 if story.has_oven else 2
    figure = figure_class(figsize=(12, 3.4 * count), layout="constrained")
    axes = figure.subplots(count, 1, sharex=True)
    _pressure(axes[0], story)
    _load(axes[1], story)
    if story.has_oven:
        draw_oven(axes[2], axes[3], oven_track(story.context, rows))
    for axis in axes[:2]:
        _stages(axis, story, words=axis is axes[0])
        axis.grid(True, which="major", color="#cccccc", linewidth=0.5)
    _time_axis(axes[-1], story)
    title = ", ".join(part for part in (story.context.station, story.context.material) if part)
    axes[0].set_title(title or "batch", loc="left")
    return figure


def _hours(time_s: float) -> float:
    return time_s / 3600


def _time_axis(axis: Any, story: Story) -> None:
    axis.set_xlim(_hours(story.start_s), _hours(max(story.end_s, story.start_s + 60)))
    axis.set_xlabel("time since the log's zero / h")


def _stages(axis: Any, story: Story, *, words: bool) -> None:
    stages = [record for record in story.records if isinstance(record, Stage)]
    for index, stage in enumerate(stages):
        begin = stage.t if stage.since is None else stage.since
        after = stages[index + 1] if index + 1 < len(stages) else None
        end = story.end_s if after is None else (after.t if after.since is None else after.since)
        axis.axvspan(_hours(begin), _hours(end), color=_SHADES[stage.stage], linewidth=0, zorder=0)
        if words and end - begin > 0.03 * (story.end_s - story.start_s):
            middle = _hours(0.5 * (begin + end))
            name = stage.stage.replace("_", " ")
            axis.text(middle, 0.98, name, transform=axis.get_xaxis_transform(), ha="center", va="top", fontsize=8)


def _pressure(axis: Any, story: Story) -> None:
    # A gauge with a zero error may read below nothing; a log axis cannot, so such readings stand at its foot.
    positive = [low for _, low, _ in story.pressures if low > 0]
    foot = max(min(positive, default=1.0) * 0.8, 1e-4)
    times = [_hours(time) for time, _, _ in story.pressures]
    lows = [max(low, foot) for _, low, _ in story.pressures]
    highs = [max(high, foot) for _, _, high in story.pressures]
    if times:
        axis.fill_between(times, lows, highs, color="#1f5a8a", linewidth=0.8, alpha=0.9, label="chamber")
        axis.plot(times, [math.sqrt(a * b) for a, b in zip(lows, highs, strict=True)], color="#1f5a8a", linewidth=0.8)
        axis.set_yscale("log")
        axis.set_ylim(bottom=foot)
    axis.set_ylabel("chamber pressure / Pa")
    for begin, end in story.isolations:
        axis.axvspan(_hours(begin), _hours(end), ymax=0.04, color="#7a4fa3", zorder=3)
    said = 0
    for record in story.records:
        if isinstance(record, Event) and record.name in ("bubbles_stopped", "vented", "soak_complete"):
            axis.axvline(_hours(record.t), color="#1d7a34", linewidth=1.2)
            axis.axvline(_hours(record.since), color="#1d7a34", linewidth=1.0, linestyle=":")
            sure = "" if record.sure is None else f" ({record.sure:.0%})"
            _flag(axis, record.t, f"{record.name.replace('_', ' ')}{sure}", "#1d7a34", said)
            said += 1
        elif isinstance(record, Caution):
            axis.axvline(_hours(record.t), color="#c0392b", linewidth=0.9, linestyle="--")
            _flag(axis, record.t, record.cause.replace("_", " "), "#c0392b", said)
            said += 1
        elif isinstance(record, Trip):
            axis.axvline(_hours(record.t), color="#000000", linewidth=1.5)
            _flag(axis, record.t, f"trip: {record.cause.replace('_', ' ')}", "#000000", said)
            said += 1


def _flag(axis: Any, time_s: float, words: str, colour: str, count: int) -> None:
    # Flags that come close to one another are set at different heights.
    height = 0.86 - 0.08 * (count % 6)
    axis.text(
        _hours(time_s), height, " " + words, transform=axis.get_xaxis_transform(), fontsize=7, color=colour, va="top"
    )


def _load(axis: Any, story: Story) -> None:
    known = [o for o in story.outlooks if o.flow_pa_s is not None and o.stage in ("degassing", "still")]
    if known:
        times = [_hours(o.time_s) for o in known]
        middle = [max(o.flow_pa_s or 0.0, 1e-7) for o in known]
        low = [max(o.flow_low_pa_s or 0.0, 1e-7) for o in known]
        high = [max(o.flow_high_pa_s or 0.0, 1e-7) for o in known]
        axis.fill_between(times, low, high, color="#d98e2b", alpha=0.3, linewidth=0, label="80 % band")
        axis.plot(times, middle, color="#b5661a", linewidth=1.2, label="gas from the pores over volume")
        axis.set_yscale("log")
        axis.set_ylim(bottom=1e-6)
        axis.legend(loc="lower left", fontsize=8)
    axis.set_ylabel("gas load / (Pa/s)")
    forecasts = [r for r in story.records if isinstance(r, Forecast) and r.target == "bubbles_stopped"]
    if forecasts:
        # When each forecast was said runs along the axis; what it said is a bar from p10 to p90, one row each.
        rows = axis.twinx()
        for forecast in forecasts:
            said = _hours(forecast.t)
            rows.plot([_hours(forecast.p10), _hours(forecast.p90)], [said, said], color="#555555", linewidth=0.7)
            rows.plot([_hours(forecast.p50)], [said], marker="|", color="#555555", markersize=5)
        rows.set_ylabel("forecast of the stop, said at / h", fontsize=8)
        rows.tick_params(labelsize=7)
