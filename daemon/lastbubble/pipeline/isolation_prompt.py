"""When to ask the person to shut the chamber off from the running pump for some minutes, and for how long.

A rise shows the same flow larger by time x speed over volume (the pressure-rise test of freeze drying and leak
testing; EN 1779, technique D), so it is worth asking for where the answer would change something: the gauge cannot
show the end while pumping, or the level leaves open whether release has ended. Never sooner than a quarter of an hour
after the last one (each slows degassing by the time it takes), never in the first half hour, when all is plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["EVERY_S", "FINE_PA", "Prompt", "isolation_prompt"]

EVERY_S: Final = 900.0
FROM_S: Final = 1800.0
#: Between these the answer is open: below, gas plainly still comes, above, it is called anyway.
OPEN_FROM: Final = 0.3
OPEN_TO: Final = 0.97
#: A gauge that resolves so much shows in two minutes what others need four for.
FINE_PA: Final = 3.0


@dataclass(frozen=True, slots=True)
class Prompt:
    """What the person is asked to do, and from when on [s, the model's clock]."""

    text: str
    at_s: float


def isolation_prompt(
    *,
    now_s: float,
    pump_start_s: float,
    last_rise_s: float | None,
    safe: float | None,
    coarse: bool,
    resolution_pa: float,
) -> Prompt | None:
    """None where an isolation would change nothing.

    safe : probability that the bubbles have stopped for good, None while unknown;  coarse : the gauge cannot show the
    end while pumping;  resolution_pa : the smallest change that it shows
    """
    due_s = pump_start_s + FROM_S
    if last_rise_s is not None:
        due_s = max(due_s, last_rise_s + EVERY_S)
    open_question = safe is not None and OPEN_FROM <= safe <= OPEN_TO
    if not (coarse or open_question):
        return None
    minutes = 5 if coarse else 2 if resolution_pa <= FINE_PA else 4
    why = (
        "while pumping this gauge cannot show the end of the bubbling."
        if coarse
        else "it would tell whether gas still comes."
    )
    text = (
        f"Shut the valve between chamber and pump for {minutes} minutes, leave the pump running, then open it again: "
        f"{why} Open sooner if the pressure has risen by 1 kPa."
    )
    return Prompt(text, max(due_s, now_s))
