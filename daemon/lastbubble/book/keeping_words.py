"""Words of the book: stages and events as a person says them, and the cautions that stand on every page of it."""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS", "event_words", "stage_words"]

_STAGES: Final = {
    "idle": "idle",
    "pump_down": "pumping down",
    "degassing": "bubbling",
    "still": "no more bubbles",
    "venting": "letting air in",
    "soaking": "soaking",
    "heating": "warming to the core",
    "curing": "curing",
    "cooling": "cooling",
    "finished": "finished",
}
_EVENTS: Final = {
    "bubbles_stopped": "bubbles stopped",
    "vented": "back at the air's pressure",
    "soak_complete": "soak complete",
    "cure_temperature_reached": "core at cure temperature",
    "cure_complete": "cure complete",
}

CAUTIONS: Final = (
    "Resin and its fumes: gloves, eye protection and ventilation; monomer vapour is harmful and can ignite. Follow the "
    "resin's safety data sheet.",
    "Vacuum: never lean over the chamber, never use one that is crazed or scratched, and let air in before the pump "
    "stops.",
    "Heat: the cut-off here is no substitute for an independent thermal fuse or limiter in the oven's supply. Pieces "
    "are hot inside long after the oven is cool.",
)


def stage_words(stage: str) -> str:
    return _STAGES.get(stage, stage.replace("_", " "))


def event_words(name: str) -> str:
    return _EVENTS.get(name, name.replace("_", " "))
