"""A batch against its plan: when each moment was planned, when it came, or when it is forecast now."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

__all__ = ["MOMENTS", "clock_words", "off_words", "progress_rows"]

#: Planned moment -> words, and the keys of `history.Course` that say it has come, the first that is there.
MOMENTS: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "start": ("pump on", ("pump_s",)),
    "bubbles_stopped": ("bubbles stop: let air in", ("stopped_s",)),
    "vented": ("back at the air's pressure", ("vented_s",)),
    "soak_complete": ("soak over: drain, into the oven", ("soaked_s", "drained_s", "loaded_s")),
    "oven_loaded": ("oven loaded, heat permitted", ("loaded_s",)),
    "cure_temperature_reached": ("core at cure temperature", ("reached_s",)),
    "cure_complete": ("cure complete", ("cured_s",)),
    "unload": ("cool enough to take out", ("finished_s",)),
}


def clock_words(moment: datetime) -> str:
    return f"{moment.astimezone():%a %H:%M}"


def off_words(seconds: float) -> str:
    """How far off the middle of the plan."""
    minutes = round(abs(seconds) / 60)
    if minutes < 5:
        return "as planned"
    length = f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{length} {'later' if seconds > 0 else 'earlier'}"


def progress_rows(
    plan: Mapping[str, Any],
    course: Mapping[str, float],
    opened: datetime,
    forecasts: Mapping[str, Mapping[str, float]] | None = None,
) -> list[dict[str, str]]:
    """Rows: name, words, planned, happened, off, state (done, ahead or late to come).

    plan : what `plan.plan_json` gave, its moments in seconds from the start;  course : of `history.Course`, told keys
    opened : the batch's zero;  forecasts : target -> p10, p50, p90 in seconds of the batch, where it still runs
    """
    began_s = course.get("pump_s")
    start = datetime.fromisoformat(str(plan["start_utc"])) if plan.get("start_utc") else opened
    out = []
    for moment in plan.get("moments", ()):
        name = str(moment["name"])
        words, keys = MOMENTS.get(name, (name.replace("_", " "), ()))
        low, middle, high = (start + timedelta(seconds=float(moment[key])) for key in ("p10", "p50", "p90"))
        planned = clock_words(middle)
        if high - low > timedelta(minutes=10):
            planned += f" ({clock_words(low)} to {clock_words(high)})"
        came_s = next((course[key] for key in keys if key in course and course[key] >= (began_s or 0)), None)
        happened, off, state = "", "", "ahead"
        if came_s is not None:
            at = opened + timedelta(seconds=came_s)
            happened, off, state = clock_words(at), off_words((at - middle).total_seconds()), "done"
            if low <= at <= high:
                off += ", within its band" if off != "as planned" else ""
        elif forecasts and name in forecasts:
            now = forecasts[name]
            at = opened + timedelta(seconds=now["p50"])
            first, last = (opened + timedelta(seconds=now[key]) for key in ("p10", "p90"))
            happened = f"now about {clock_words(at)} ({clock_words(first)} to {clock_words(last)})"
            off = off_words((at - middle).total_seconds())
            state = "late" if at > high else "ahead"
        out.append({"name": name, "words": words, "planned": planned, "happened": happened, "off": off, "state": state})
    return out
