"""The simulated person: what is done at the bench, in which order, and on whose word."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.tools.standin import ROOM_PA, StandIn
from tools.plant.wire.bench import ROOT
from tools.plant.wire.hand import Hand
from tools.plant.wire.person import Person

STEP_S = 0.25


class ScriptedHand:
    """Answers commands at once; `stage` is what the station says."""

    def __init__(self) -> None:
        self.stage = "pump_down"
        self.soaked = False
        self.asked: list[list[str]] = []
        self.refuse: set[str] = set()
        self._results: dict[int, dict[str, Any]] = {}

    def start(self, argv: list[str]) -> int:
        assert argv[-2:] == ["--settings", "bench.yaml"]
        words = argv[:-2]
        self.asked.append(words)
        out = json.dumps({"stage": self.stage, "soaked": self.soaked}) if words[0] == "status" else "done"
        bad = " ".join(words) in self.refuse
        answer = {"code": int(bad), "out": "" if bad else out, "err": "not now" if bad else ""}
        self._results[len(self.asked)] = answer
        return len(self.asked)

    def result(self, number: int) -> dict[str, Any] | None:
        return self._results.pop(number)

    def did(self, *words: str) -> bool:
        return list(words) in self.asked


class Day:
    """A person on the stand-in plant, and the time of day."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.plant = StandIn(1, "demo", 0.0)
        self.hand = ScriptedHand()
        self.held: list[tuple[str, float | None]] = []
        self.person = Person(
            self.plant,
            self.hand,  # type: ignore[arg-type]  # the two calls that are used
            Path("bench.yaml"),
            self.plant.batch,
            random.Random(1),
            lambda name, at_c: self.held.append((name, at_c)),
            ("oven", "witness"),
        )

    def live(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += STEP_S
            self.plant.step(self.now_s, False)
            self.person.tick(self.now_s)

    def until(self, *words: str, within_s: float = 7200.0) -> None:
        end_s = self.now_s + within_s
        while not self.hand.did(*words):
            assert self.now_s < end_s, f"{words} was never done; {self.hand.asked[-3:]}"
            self.live(STEP_S)


@pytest.fixture
def day() -> Day:
    return Day()


def test_the_oven_probe_is_checked_before_anything_else(day: Day) -> None:
    day.until("batch", "open", "slabs", *day.plant.batch.options, "--witness", "slowest")
    assert [name for name, _ in day.held] == ["oven", "oven", "oven"]
    assert day.held[-1] == ("oven", None)
    checks = [words for words in day.hand.asked if words[0] == "guard"]
    assert checks == [["guard", "lamp", "yes"], ["guard", "check", "oven", "0"], ["guard", "check", "oven", "99.4"]]


def test_the_chamber_is_vented_slowly_on_the_stations_word_with_the_pump_running(day: Day) -> None:
    day.until("mark", "pump_on")
    day.live(3600)
    assert day.plant.pump_on
    assert not day.hand.did("mark", "rocked"), "the station has not said that the bubbles have stopped"
    day.hand.stage = "still"
    day.person.tell({"title": "Bubbles stopped"})
    day.until("mark", "vent_open", within_s=1200)
    assert day.hand.did("mark", "rocked")
    assert day.plant.done == ["rock"]
    assert day.plant.pump_on
    begun_s = day.now_s
    day.until("mark", "pump_off")
    assert day.now_s - begun_s > 200, "slowly"
    assert not day.plant.pump_on
    day.until("mark", "vented")
    assert day.plant.pressure_pa > ROOM_PA - 500


def test_without_a_phone_the_person_looks_now_and_then(day: Day) -> None:
    day.until("mark", "bubbling")
    day.hand.stage = "still"
    day.until("mark", "quiet", within_s=1000)


def through_to_the_oven(day: Day) -> None:
    day.until("mark", "bubbling")
    day.hand.stage = "still"
    day.until("mark", "vented")
    day.hand.stage = "soaking"
    day.live(3600)
    assert not day.hand.did("mark", "drained"), "the soak is not over"
    day.hand.soaked = True
    day.person.tell({"title": "The soak is over"})
    day.until("guard", "permit")


def test_the_whole_day(day: Day) -> None:
    through_to_the_oven(day)
    assert day.plant.done == ["rock", "drain", "load"]
    marks = [words[1] for words in day.hand.asked if words[0] == "mark"]
    assert marks[-3:] == ["drained", "dial=230F", "oven_loaded"]
    day.hand.stage = "curing"
    day.live(3600)
    assert not day.plant.door_open
    day.hand.stage = "cooling"
    day.person.tell({"title": "The cure is complete"})
    day.until("guard", "withhold", "--reason", "the cure is complete", within_s=300)
    day.live(1800)
    assert not day.plant.door_open, "shut until the pieces can be handled"
    day.hand.stage = "finished"
    day.until("mark", "oven_unloaded")
    day.live(120)
    assert day.person.finished
    assert day.person.trouble == ""
    assert day.plant.done[-1] == "unload"
    assert [note.did for note in day.person.notes][-1] == "mark oven_unloaded"


def test_a_refused_permit_is_asked_again_and_then_told(day: Day) -> None:
    day.hand.refuse.add("guard permit")
    through_to_the_oven(day)
    day.live(200)
    assert day.hand.asked.count(["guard", "permit"]) == 4
    day.live(3600)
    assert day.person.finished
    assert "`lastbubble guard permit` was refused" in day.person.trouble
    assert "not now" in day.person.trouble


def test_a_station_that_never_says_stopped_is_trouble(day: Day) -> None:
    day.live(8 * 3600)
    assert day.person.finished
    assert "waited 6.0 h for still" in day.person.trouble


def test_an_alarm_is_seen_and_said_so_once(day: Day) -> None:
    day.until("mark", "bubbling")
    day.person.tell({"title": "Vacuum is being lost", "message": "... This comes again until it is acknowledged."})
    day.until("tap", "acknowledge", within_s=300)
    day.live(3600)
    assert day.hand.asked.count(["tap", "acknowledge"]) == 1


@pytest.fixture
def hand() -> Iterator[Hand]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tools.plant.wire.hand"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}"}, cwd=ROOT,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    yield Hand(process.stdin, process.stdout)
    process.stdin.close()
    process.wait(20)
    process.stdout.close()


def answer(hand: Hand, *argv: str) -> dict[str, Any]:
    number = hand.start(list(argv))
    end_s = time.monotonic() + 20
    while (result := hand.result(number)) is None:
        assert time.monotonic() < end_s
        time.sleep(0.005)
    return result


def test_the_hand_types_real_commands(hand: Hand, tmp_path: Path) -> None:
    assert answer(hand, "guard", "drawing")["out"].startswith("stateDiagram")
    refused = answer(hand, "mark", "rocked", "--socket", str(tmp_path / "none.sock"))
    assert refused["code"] == 1
    assert "the service does not answer" in refused["err"]
    assert answer(hand, "mark")["code"] == 2
    assert answer(hand, "no-such-thing")["code"] == 2


def test_a_hand_that_is_gone_is_said_so() -> None:
    process = subprocess.Popen([sys.executable, "-c", ""], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    process.wait(20)
    hand = Hand(process.stdin, process.stdout)
    assert answer(hand, "status") == {"code": -1, "out": "", "err": "the hand is gone"}
    process.stdout.close()
    try:
        process.stdin.close()
    except BrokenPipeError:
        pass
