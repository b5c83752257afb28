"""The whole wire level under the real guard and the real thermometer, as processes."""

from __future__ import annotations

import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from lastbubble.guard.client import ask_guard, read_status
from lastbubble.guard.protocol import BENCH_SOCKET, GuardStatus
from lastbubble.settings import load_settings
from tools.plant.wire.bench import LASTBUBBLE, Bench, BenchGone
from tools.plant.wire.children import Child, Children
from tools.plant.wire.station_file import RELAY_PIN, BenchWiring

BOUND_S = 40.0
WORLD = "tests.tools.standin:make"


@pytest.fixture
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="lb-"))  # sockets want a short path
    yield made
    shutil.rmtree(made)


class Station:
    """Guard and thermometer on a bench."""

    def __init__(self, folder: Path, **kwargs: Any) -> None:
        wiring = BenchWiring(gauge="", extra={"guard": {"require_commissioning": False}})
        self.bench = Bench(folder, world=WORLD, wiring=wiring, speed=60.0, **kwargs).start()
        self.children = Children()
        self.start("guard", "guard", "run")
        self.start("thermometer", "thermometer")
        self.bench.wait_joined("guard", "thermometer", alive=lambda: not self.children.dead())
        self.bench.go()
        self.later(3)

    def start(self, name: str, *argv: str) -> Child:
        command = [*LASTBUBBLE, *argv, "--settings", str(self.bench.settings)]
        return self.children.add(Child(name, command, self.bench.folder / f"{name}.log", self.bench.env()))

    def later(self, seconds: float) -> dict[str, Any]:
        end_s = self.bench.state()["now_s"] + seconds
        return self.bench.wait(lambda state: state["now_s"] >= end_s, BOUND_S)

    def say(self, *argv: str) -> str:
        done = subprocess.run(
            [*LASTBUBBLE, *argv, "--settings", str(self.bench.settings)],
            env=self.bench.env(), capture_output=True, text=True, timeout=BOUND_S, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def permit(self) -> None:
        answer = ask_guard(self.bench.folder / "run" / BENCH_SOCKET, {"ask": "permit"})
        assert answer.ok, answer.why

    def status(self) -> GuardStatus:
        return read_status(self.bench.folder / "run" / BENCH_SOCKET)

    def until_heat(self, heat: bool) -> dict[str, Any]:
        return self.bench.wait(lambda state: state["heat"] is heat, BOUND_S)

    def close(self) -> None:
        self.children.end_all()
        self.bench.close()


@pytest.fixture
def station(folder: Path) -> Iterator[Callable[..., Station]]:
    made: list[Station] = []

    def make(**kwargs: Any) -> Station:
        made.append(Station(folder, **kwargs))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_a_permit_at_the_bench_heats_the_simulated_oven_and_a_dead_bus_ends_it(
    station: Callable[..., Station],
) -> None:
    made = station()
    before_c = made.bench.state()["truth"]["oven_c"]
    made.say("guard", "permit")
    made.until_heat(True)
    # The lease is not renewed by anybody here and lasts a minute of bench time.
    warm = made.bench.wait(lambda state: state["truth"]["oven_c"] > before_c + 2, BOUND_S)
    assert warm["heat"]
    made.bench.probe_fault("oven", "zeros")
    made.until_heat(False)
    cut = made.bench.wait(lambda state: len(state["relay"]) == 2, BOUND_S)
    assert [level for _, level in cut["relay"]] == [True, False]
    assert made.status().state == "tripped"
    assert made.children["guard"].end() == 0
    assert not made.bench.state()["heat"]
    assert made.bench.state()["relay_owner"] is None


@pytest.mark.parametrize("strict", [False, True])
def test_a_killed_guard_leaves_the_heat_as_the_board_is_set(station: Callable[..., Station], strict: bool) -> None:
    made = station(strict=strict)
    made.permit()
    made.until_heat(True)
    made.children["guard"].process.send_signal(signal.SIGKILL)
    made.children["guard"].process.wait()
    state = made.later(5)
    assert state["relay_owner"] is None
    assert state["heat"] is not strict
    made.children.end("guard")
    made.start("guard", "guard", "run")
    made.bench.wait_joined("guard")
    state = made.until_heat(False)
    assert state["relay_owner"] == made.children["guard"].pid


def test_a_stopped_thermometer_is_passed_over_and_the_guard_opens(station: Callable[..., Station]) -> None:
    made = station(grace_s=0.3)
    made.permit()
    made.until_heat(True)
    made.children["thermometer"].process.send_signal(signal.SIGSTOP)
    made.until_heat(False)
    made.children["thermometer"].process.send_signal(signal.SIGCONT)
    made.later(1)
    assert any(text.startswith("thermometer has been awake") for text in made.bench.reports)


def test_a_board_line_that_another_hand_holds_is_seen(station: Callable[..., Station]) -> None:
    made = station()
    made.bench.ask("stick", line=RELAY_PIN, level=True)
    made.later(3)
    trip = made.status().trip
    assert trip is not None
    assert trip.cause == "relay_pin"


@pytest.mark.parametrize("gauge", ["serial", "asked", "modbus", ""])
def test_the_settings_of_every_wiring_are_sound(folder: Path, gauge: str) -> None:
    wiring = BenchWiring(
        gauge=gauge, broker=("127.0.0.1", 1883), phone=("json://127.0.0.1:9/x",), page=8620, probes=("oven", "oven2")
    )
    bench = Bench(folder, wiring=wiring, station={"cure": {"target_core": "95 degC"}})
    settings = load_settings(bench.settings)
    assert settings.simulated
    assert settings.cure.target_core == 95.0
    assert (settings.chamber is None) is (gauge == "")


def test_a_bench_that_cannot_start_says_why(folder: Path) -> None:
    bench = Bench(folder, world="tests.tools.standin:missing", wiring=BenchWiring(gauge=""))
    with pytest.raises(BenchGone, match="missing"):
        bench.start()
    bench.close()


def test_orders_the_bench_does_not_know_are_refused(folder: Path) -> None:
    with Bench(folder, world=WORLD, wiring=BenchWiring(gauge="serial")) as bench:
        for order, fields, text in (
            ("fly", {}, "fly"),
            ("set", {"name": "colour", "value": 1}, "no colour"),
            ("probe_fault", {"probe": "oven3", "kind": "zeros"}, "oven3"),
            ("hold_probe", {"probe": "oven3", "at_c": 0.0}, "oven3"),
            ("probe_fault", {"probe": "oven", "kind": "sulks"}, "SULKS"),
        ):
            with pytest.raises(ValueError, match=text):
                bench.ask(order, **fields)
        assert bench.state()["truth"]["named"] == [1, "demo"]


def test_the_bench_ends_with_whoever_started_it(folder: Path) -> None:
    with Bench(folder, world=WORLD, wiring=BenchWiring(gauge="serial")) as bench:
        process = bench.child.process
        bench.child.stdin.close()
        assert process.wait(BOUND_S) == 0
