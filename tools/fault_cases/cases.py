"""All cases, in the order in which they are run."""

from __future__ import annotations

from typing import Final

from tools.fault_cases import disk, network, people, processes, relay, wires
from tools.fault_cases.plan import Case

__all__ = ["CASES"]

CASES: Final[tuple[Case, ...]] = (
    *wires.CASES,
    *relay.CASES,
    *processes.CASES,
    *disk.CASES,
    *network.CASES,
    *people.CASES,
    *wires.GOOD,
    *processes.GOOD,
    *network.GOOD,
    *people.GOOD,
)
