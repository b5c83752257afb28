"""A picture of what was learnt of the dial: sessions, the mean with its band, the wanted air and its setting."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from lastbubble.dial import DialModel, to_unit
from lastbubble.errors import BadInput

__all__ = ["plot_dial"]

_INK, _LINE, _WANT = "#222222", "#b5471b", "#1f6f8b"


def plot_dial(model: DialModel, target_c: float, path: Path) -> None:
    """Draw into a file (.png, .svg or .pdf). Raises BadInput for another ending, or without matplotlib."""
    if path.suffix not in (".png", ".svg", ".pdf"):
        raise BadInput(f"{path}: a picture ends in .png, .svg or .pdf")
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as exc:
        raise BadInput("drawing needs matplotlib; install the package with its extra: lastbubble[plot]") from exc
    answer = model.answer(target_c)
    best_c = model.setting_c(target_c)
    settings = [item.dial_c for item in model.found] + [best_c]
    grid = np.linspace(min(settings) - 12, max(settings) + 12, 121)
    mean, spread = model.means(grid, new_session=True)
    shown = np.array([to_unit(value, model.unit) for value in grid])
    figure: Any = Figure(figsize=(7, 4.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    axes.fill_between(shown, mean - 1.2816 * spread, mean + 1.2816 * spread, color=_LINE, alpha=0.15, lw=0,
                      label="next session, 80 %")  # fmt: skip
    axes.plot(shown, mean, color=_LINE, lw=1.3, label="mean air")
    for item in model.found:
        at = to_unit(item.dial_c, model.unit)
        bound = item.how == "at_least"
        axes.errorbar([at], [item.mean_c], yerr=[1.2816 * min(item.spread_k, 15)], lolims=bound, color=_INK,
                      marker="^" if bound else "o", ms=4, lw=0.8, ls="none")  # fmt: skip
    axes.axhline(target_c, color=_WANT, lw=0.8, ls=":")
    axes.axvspan(answer.low, answer.high, color=_WANT, alpha=0.10, lw=0)
    axes.axvline(answer.dial, color=_WANT, lw=1.0, label=f"{answer.dial:.0f} {model.unit} for {target_c:g} degC")
    axes.set_xlabel(f"dial [{model.unit}]")
    axes.set_ylabel("mean air as the thermocouple reads it [degC]")
    axes.set_title("the dial, session by session (triangles: at least so much)", loc="left", fontsize=9)
    axes.legend(fontsize=7, frameon=False, loc="upper left")
    figure.savefig(path, dpi=140)
