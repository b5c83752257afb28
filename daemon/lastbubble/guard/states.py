"""The guard's three states and what leads from one to the other: a table, nothing else.

    withheld     no heat; a person at the bench may permit it
    permitted    heat, as long as the lease is renewed and every rule is content
    tripped      no heat, latched over restarts, until a person at the bench resets

A signal that has no entry in a state's row is refused and changes nothing. The guard begins in `withheld`, or in
`tripped` when its latch says so or cannot be read; `permitted` is never a beginning. The drawing in docs/safety.md is
made from this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from lastbubble.guard.protocol import StateName

__all__ = ["HEAT_IN", "SIGNALS", "STATES", "TRANSITIONS", "Signal", "drawing", "next_state"]

Signal = Literal["permit", "withhold", "trip", "reset"]
SIGNALS: Final[tuple[Signal, ...]] = ("permit", "withhold", "trip", "reset")
STATES: Final[tuple[StateName, ...]] = ("withheld", "permitted", "tripped")

TRANSITIONS: Final[Mapping[StateName, Mapping[Signal, StateName]]] = {
    "withheld": {"permit": "permitted", "withhold": "withheld", "trip": "tripped"},
    "permitted": {"withhold": "withheld", "trip": "tripped"},
    "tripped": {"withhold": "tripped", "trip": "tripped", "reset": "withheld"},
}

#: The only states in which the relay may be closed.
HEAT_IN: Final[frozenset[StateName]] = frozenset({"permitted"})


def next_state(state: StateName, signal: Signal) -> StateName | None:
    """The state that `signal` leads to, None when it is refused."""
    return TRANSITIONS[state].get(signal)


def drawing() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", "    [*] --> withheld: start", "    [*] --> tripped: start with a latched trip"]
    for state, row in TRANSITIONS.items():
        for signal, target in row.items():
            if target != state:
                lines.append(f"    {state} --> {target}: {signal}")
    return "\n".join(lines) + "\n"
