"""Moments as a person tells them: a date, a time of today, or so long ago."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

from lastbubble.errors import BadInput
from lastbubble.units import parse

__all__ = ["length_s", "moment"]

_AGO: Final = re.compile(r"(.+?)\s+ago")
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})")


def moment(text: str, now: datetime) -> datetime:
    """The UTC time of "40 min ago", "14:30" (the latest one), "2026-03-01" (noon) or "2026-03-01 09:00"; "" is now.

    now : with its zone; times without a zone are in this machine's. Raises BadInput saying what is allowed.
    """
    text = text.strip()
    if not text or text == "now":
        return now
    ago = _AGO.fullmatch(text)
    try:
        if ago:
            return now - timedelta(seconds=parse(ago[1], "duration"))
        clock = _CLOCK.fullmatch(text)
        if clock:
            local = now.astimezone()
            found = local.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
            found = found if found <= local else found - timedelta(days=1)
            return found.astimezone(UTC)
        found = datetime.fromisoformat(text)
        if len(text) == 10:
            found = found.replace(hour=12)
        return found.astimezone(UTC)
    except (ValueError, OverflowError) as exc:
        raise BadInput(
            f"{text!r:.60} is no moment; write such as '40 min ago', '14:30', '2026-03-01' or '2026-03-01 09:00'"
        ) from exc


def length_s(text: str, what: str) -> float:
    """A length of time as written, in seconds. Raises BadInput naming `what`."""
    try:
        return parse(text, "duration")
    except ValueError as exc:
        raise BadInput(f"{what}: {exc}") from exc
