"""The live view in the terminal: what the station says of the batch, beside what is truly so on the bench."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any, Final

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from lastbubble.records import STAGES
from lastbubble.units import Display
from tools.tryout.words import clock_text, span_text

__all__ = ["View", "frame"]

_WORDS: Final[Mapping[str, str]] = {
    "idle": "idle",
    "pump_down": "pumping down",
    "degassing": "degassing",
    "still": "bubbles stopped",
    "venting": "letting air in",
    "soaking": "soaking",
    "heating": "heating",
    "curing": "curing",
    "cooling": "cooling",
    "finished": "finished",
}


class View:
    """A context; `show` draws. Draws no faster than the terminal needs."""

    def __init__(self, display: Display, console: Console | None = None) -> None:
        self._display = display
        self._began_s = time.monotonic()
        self._live = Live(console=console or Console(stderr=True), refresh_per_second=4, transient=True)

    def __enter__(self) -> View:
        self._live.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Give the terminal back; doing it twice is fine."""
        self._live.stop()

    def show(self, status: Mapping[str, Any], state: Mapping[str, Any]) -> None:
        """Draw what is so now."""
        if self._live.is_started:
            self._live.update(frame(self._display, status, state, time.monotonic() - self._began_s))


def _of(status: Mapping[str, Any], *names: str) -> Any:
    """The first of these that the status has, also inside its parts."""
    for name in names:
        for part in (status, *(value for value in status.values() if isinstance(value, Mapping))):
            if part.get(name) is not None:
                return part[name]
    return None


def frame(display: Display, status: Mapping[str, Any], state: Mapping[str, Any], real_s: float) -> Panel:
    """One picture."""
    stage = str(_of(status, "stage") or "idle")
    now_s = _of(status, "time_s")
    truth = state.get("truth") or {}
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    table.add_column(style="dim", justify="right")
    table.add_row("stage", Text(_WORDS.get(stage, stage), style="bold cyan"), _since(status, now_s))
    chamber_pa, oven_c, core_c = _of(status, "chamber_pa"), _of(status, "oven_c"), _of(status, "core_c")
    table.add_row("chamber", display.pressure_text(chamber_pa), _true(truth.get("chamber_pa"), display.pressure_text))
    table.add_row("oven air", display.temperature_text(oven_c), _true(truth.get("oven_c"), display.temperature_text))
    table.add_row("core", _core(display, status, core_c), _true(truth.get("core_c"), display.temperature_text))
    table.add_row("heat", _heat(state), "")
    for text in _forecasts(_of(status, "forecasts") or (), now_s):
        table.add_row("forecast", *text)
    action = str(_of(status, "next_action") or "")
    if action:
        table.add_row("next", Text(action, style="bold"), "")
    for caution in (_of(status, "cautions") or ())[:4]:
        text = caution.get("text") or caution.get("cause") if isinstance(caution, Mapping) else str(caution)
        table.add_row("caution", Text(str(text), style="yellow"), "")
    done = STAGES.index(stage) / (len(STAGES) - 1) if stage in STAGES else 0.0
    foot = Text(f"bench time {clock_text(now_s)}   real {span_text(real_s)}   {_speed(state, real_s)}", style="dim")
    return Panel(
        Group(table, Text(""), ProgressBar(total=1.0, completed=done, width=60), foot),
        title="a batch on the simulated bench",
        subtitle="right: what is truly so",
        width=100,
    )


def _since(status: Mapping[str, Any], now_s: float | None) -> str:
    since_s = _of(status, "stage_since_s")
    return "" if since_s is None or now_s is None else f"for {span_text(now_s - since_s)}"


def _true(value: Any, text: Any) -> str:
    return "" if value is None else str(text(value))


def _core(display: Display, status: Mapping[str, Any], core_c: float | None) -> str:
    if core_c is None:
        return "-"
    low, high = _of(status, "core_low_c"), _of(status, "core_high_c")
    band = ""
    if low is not None and high is not None:
        band = f"  ({display.temperature_text(low)} to {display.temperature_text(high)})"
    held_s, hold_s = _of(status, "held_s") or 0.0, _of(status, "hold_s") or 0.0
    held = f"  held {held_s / 60:.0f} of {hold_s / 60:.0f} min" if held_s and hold_s else ""
    return display.temperature_text(core_c) + band + held


def _heat(state: Mapping[str, Any]) -> Text:
    return Text("on", style="bold red") if state.get("heat") else Text("off")


def _forecasts(forecasts: Sequence[Any], now_s: float | None) -> list[tuple[str, str]]:
    out = []
    for item in forecasts:
        if not isinstance(item, Mapping) or now_s is None or item["p90"] < now_s:
            continue
        name = str(item["target"]).replace("_", " ")
        low, high = (span_text(max(0.0, item[key] - now_s)) for key in ("p10", "p90"))
        out.append((f"{name} at {clock_text(item['p50'])}", f"in {low} to {high}"))
    return out


def _speed(state: Mapping[str, Any], real_s: float) -> str:
    steps = state.get("steps") or 0
    return f"{steps * 0.25 / real_s:.0f} times real time" if real_s > 1 else ""
