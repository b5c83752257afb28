"""Times and durations as a person reads them."""

from __future__ import annotations

__all__ = ["clock_text", "span_text"]


def clock_text(seconds: float | None) -> str:
    """Time of the batch as h:mm:ss; "" for None."""
    if seconds is None:
        return ""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def span_text(seconds: float) -> str:
    """A duration in the unit that fits: "40 s", "12 min", "3 h 05 min"."""
    if abs(seconds) < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if abs(minutes) < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
