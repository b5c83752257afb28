"""The proof test is asked for again after thirty days, also of a guard that has run all the time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from lastbubble.guard.core import PROOF_DAYS, Guard
from lastbubble.guard.memory import Memory
from lastbubble.sensing.thermocouple import FrameJudge
from tests.guard.bench import Rig, settings

DAY = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def guard(proof_utc: str) -> Guard:
    given = replace(settings(), simulated=False, pin_factory="lgpio")
    return Guard(given, [FrameJudge("oven")], 0.0, memory=Memory(proof_utc=proof_utc), notes=["a note of the start"])


def is_asked_for(made: Guard) -> bool:
    assert made.evidence.notes[0] == "a note of the start"
    return any("proof test" in note for note in made.evidence.notes)


@pytest.mark.parametrize(
    ("proof_utc", "asked"),
    [
        ("", True),
        ("nonsense", True),
        (f"{DAY:%Y-%m-%dT%H:%M:%SZ}", False),
        (f"{DAY - timedelta(days=PROOF_DAYS):%Y-%m-%dT%H:%M:%SZ}", False),
        (f"{DAY - timedelta(days=PROOF_DAYS + 1):%Y-%m-%dT%H:%M:%SZ}", True),
        # Dated in the future by a clock that was wrong then or is wrong now: nobody knows, so it is asked for.
        (f"{DAY + timedelta(days=2):%Y-%m-%dT%H:%M:%SZ}", True),
    ],
)
def test_asked_for_at_the_start(proof_utc: str, asked: bool) -> None:
    made = guard(proof_utc)
    made.begin_cycle(0.1, DAY)
    assert is_asked_for(made) == asked


def test_asked_for_of_a_guard_that_ran_on_past_the_day() -> None:
    made = guard(f"{DAY:%Y-%m-%dT%H:%M:%SZ}")
    for day in range(PROOF_DAYS + 3):
        made.begin_cycle(1.0 + 86400 * day, DAY + timedelta(days=day))
        assert is_asked_for(made) == (day > PROOF_DAYS)


def test_a_proof_is_dated_timed_and_no_longer_asked_for() -> None:
    rig = Rig()
    rig.guard._settings = replace(settings(), simulated=False, pin_factory="lgpio")
    rig.permit()
    assert is_said(rig)
    assert rig.ask(ask="prove").ok
    rig.run(1)
    assert rig.cause == "proof_test"
    assert not rig.closed
    assert rig.guard.memory.proof_utc.startswith("2023-11-14")
    assert 0 < rig.guard.memory.proof_open_ms <= 600
    assert not is_said(rig)


def is_said(rig: Rig) -> bool:
    return any("proof test" in note for note in rig.guard.evidence.notes)
