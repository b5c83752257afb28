"""A bench for the steps: a guard, a service and a person that say what the test wants."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from lastbubble.commissioning.bench import Bench
from lastbubble.commissioning.person import Person
from lastbubble.commissioning.steps import StepRecord
from lastbubble.data import data_path
from lastbubble.guard.protocol import Answer, GuardStatus
from lastbubble.machine import Machine
from lastbubble.settings import Settings, load_text

TEXT = data_path("config", "serial-gauge.yaml").read_text(encoding="utf-8")


class Hands:
    """A clock that stands but for its sleeps."""

    def __init__(self) -> None:
        self.time_s = 100.0

    def now(self) -> float:
        return self.time_s

    def utc(self) -> datetime:
        return datetime(2026, 3, 1, 12, tzinfo=UTC)

    def sleep_until(self, wake_s: float) -> None:
        self.time_s = max(self.time_s, wake_s)

    def sleep(self, duration_s: float) -> None:
        self.time_s += duration_s


def settings(folder: Path | None = None, text: str = TEXT) -> Settings:
    if folder is not None:
        text += f"\nruntime_dir: {folder}/run\n"
        text = text.replace("ledger:", "#ledger:") + f"\nledger: {{path: {folder}/ledger.db}}\n"
    return load_text(text, "s.yaml").settings


@dataclass(frozen=True, slots=True)
class Played(Bench):
    """status : called with how often it was asked;  answers : request name -> Answer;  desk : request -> answer"""

    status: Callable[[int], GuardStatus] = lambda _: GuardStatus(1.0, "withheld", False)
    answers: dict[str, Answer] = field(default_factory=dict)
    desk: Callable[[dict[str, Any], float], dict[str, Any]] = lambda _, __: {}
    asked: list[dict[str, Any]] = field(default_factory=list)
    looks: list[int] = field(default_factory=list)

    def guard(self) -> GuardStatus:
        self.looks.append(1)
        return self.status(len(self.looks))

    def ask_guard(self, request: dict[str, Any]) -> Answer:
        self.asked.append(request)
        return self.answers.get(request["ask"], Answer(request["ask"], True))

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        return self.desk(request, self.clock.now())


def bench(
    said: Sequence[str] = (), records: Sequence[StepRecord] = (), root: Path | None = None, **more: Any
) -> Played:
    speaks = io.StringIO("".join(f"{word}\n" for word in said))
    made: Settings = more.pop("settings", None) or settings()
    return Played(
        made, Hands(), Person(io.StringIO(), speaks), tuple(records), Machine(root or Path("/nonexistent")), **more
    )


def heard(made: Played) -> str:
    out = made.person.hears
    assert isinstance(out, io.StringIO)
    return out.getvalue()
