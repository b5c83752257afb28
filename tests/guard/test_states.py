"""The table of states, whole: what leads where, and that heat is never a beginning."""

from __future__ import annotations

from itertools import product

import pytest

from lastbubble.guard.protocol import StateName
from lastbubble.guard.states import HEAT_IN, SIGNALS, STATES, TRANSITIONS, Signal, drawing, next_state

EXPECTED: dict[tuple[StateName, Signal], StateName | None] = {
    ("withheld", "permit"): "permitted",
    ("withheld", "withhold"): "withheld",
    ("withheld", "trip"): "tripped",
    ("withheld", "reset"): None,
    ("permitted", "permit"): None,
    ("permitted", "withhold"): "withheld",
    ("permitted", "trip"): "tripped",
    ("permitted", "reset"): None,
    ("tripped", "permit"): None,
    ("tripped", "withhold"): "tripped",
    ("tripped", "trip"): "tripped",
    ("tripped", "reset"): "withheld",
}


@pytest.mark.parametrize(("state", "signal"), list(product(STATES, SIGNALS)))
def test_every_pair(state: StateName, signal: Signal) -> None:
    assert next_state(state, signal) == EXPECTED[state, signal]


def test_the_only_way_into_heat_is_a_permit_while_withheld() -> None:
    into = {
        (state, signal) for state, row in TRANSITIONS.items() for signal, target in row.items() if target in HEAT_IN
    }
    assert into == {("withheld", "permit")}


def test_the_drawing_has_every_change_and_no_beginning_in_heat() -> None:
    lines = drawing().splitlines()
    # The form that Mermaid reads, and the two beginnings: with and without a latched trip.
    assert lines[:3] == [
        "stateDiagram-v2",
        "    [*] --> withheld: start",
        "    [*] --> tripped: start with a latched trip",
    ]
    for (state, signal), target in EXPECTED.items():
        assert (f"    {state} --> {target}: {signal}" in lines) == (target is not None and target != state)
    assert not any(line.strip().startswith("[*] --> permitted") for line in lines)
