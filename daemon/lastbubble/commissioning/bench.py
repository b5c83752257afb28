"""What a step of commissioning may use: the station's settings, its guard, its service, a clock, and the person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastbubble.commissioning.person import Person
from lastbubble.commissioning.steps import Outcome, StepRecord
from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput
from lastbubble.guard.client import ask_guard, read_status
from lastbubble.guard.protocol import BENCH_SOCKET, Answer, GuardStatus
from lastbubble.machine import Machine

if TYPE_CHECKING:
    from lastbubble.clock import Clock
    from lastbubble.settings import Settings
    from lastbubble.units import Display

__all__ = ["Bench", "Found"]


@dataclass(frozen=True, slots=True)
class Found:
    """What came of a step, before it is dated: outcome, text for the person, values."""

    outcome: Outcome
    text: str
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bench:
    """records : of the step at hand, oldest first;  simulated benches answer as real ones do"""

    settings: Settings
    clock: Clock
    person: Person
    records: tuple[StepRecord, ...] = ()
    machine: Machine = field(default_factory=Machine)

    @property
    def display(self) -> Display:
        return self.settings.to_display()

    def guard(self) -> GuardStatus:
        """What the guard sees now. Raises GuardGone when it does not answer."""
        return read_status(self._folder / BENCH_SOCKET)

    def ask_guard(self, request: dict[str, Any]) -> Answer:
        """One request at the guard's bench socket. Raises GuardGone when it does not answer."""
        return ask_guard(self._folder / BENCH_SOCKET, request)

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """One request at the service's desk. Raises BadInput when it does not answer, or for a refusal."""
        return ask_desk(self._folder / "service.sock", request)

    def chamber_pa(self) -> float:
        """Chamber pressure as the service reads it now [Pa]. Raises BadInput when there is no fresh reading."""
        value = self.ask({"ask": "status"}).get("chamber_pa")
        if not isinstance(value, int | float):
            raise BadInput("the gauge gives no fresh reading; lastbubble doctor says why. Mend it, then again")
        return float(value)

    @property
    def _folder(self) -> Path:
        return Path(self.settings.runtime_dir)
