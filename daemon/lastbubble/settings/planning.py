"""When somebody can come, and what the resin stands in: what a plan needs of the station."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

from lastbubble.settings.outlets import ClockTime, TimeZone
from lastbubble.settings.quantities import Quantity
from lastbubble.settings.section import Section, key

if TYPE_CHECKING:
    from lastbubble.book.planner import PlanSettings
    from lastbubble.settings.models import Settings

__all__ = ["PlanKeys", "plan"]

Inside = Annotated[float, Quantity("length", 0.02, 3.0, "cm")]


class PlanKeys(Section):
    """Planning a batch. Without this group people are awake from 07:00 to 22:00, or outside the phone's quiet hours."""

    awake_from: ClockTime = key("from here on somebody can come to the bench", "07:00")
    awake_to: ClockTime = key("until here", "22:00")
    zone: TimeZone | None = key("time zone of both (without it: the phone's, else the machine's)", None)
    vessel_diameter: Inside | None = key("what the resin stands in, inside, when it is round", None)
    vessel_length: Inside | None = key("and when it is not: its length", None)
    vessel_width: Inside | None = key("and its width", None)
    vessel_height: Inside | None = key("its height", None)
    cover: Annotated[float, Quantity("length", 0.001, 0.3, "mm")] = key("resin over the pieces", 0.02)


def _of_day_s(text: str) -> float:
    hour, minute = text.split(":")
    return int(hour) * 3600.0 + int(minute) * 60.0


def plan(settings: Settings) -> PlanSettings:
    """What a plan is told of this station."""
    from lastbubble.book.plan import Awake
    from lastbubble.book.planner import PlanSettings
    from lastbubble.book.vessel import Vessel

    keys, phone = settings.plan, settings.phone
    zone = keys.zone if keys is not None and keys.zone is not None else (phone.zone if phone is not None else None)
    vessel = Vessel()
    if keys is not None:
        awake = Awake(_of_day_s(keys.awake_from), _of_day_s(keys.awake_to))
        vessel = Vessel(
            keys.vessel_diameter or 0.0,
            keys.vessel_length or 0.0,
            keys.vessel_width or 0.0,
            keys.vessel_height or 0.0,
            keys.cover,
        )
    elif phone is not None and phone.quiet_from is not None and phone.quiet_to is not None:
        awake = Awake(_of_day_s(phone.quiet_to), _of_day_s(phone.quiet_from))
    else:
        awake = Awake()
    return PlanSettings(awake, None if zone is None else ZoneInfo(zone), vessel)
