"""The simulated board's lines, under the real pin library."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import gpiozero
import pytest
from gpiozero import MCP3008, MCP3208, DigitalInputDevice, DigitalOutputDevice
from gpiozero.exc import GPIOPinInUse, PinFixedPull, PinInvalidFunction, PinInvalidPull, PinSetInput

from tools.plant.wire.pinfile import LineBusy, PinFile
from tools.plant.wire.pins import BENCH_DIR_VARIABLE, PINS_FILE, BenchFactory

ROOT = Path(__file__).resolve().parents[2]
RELAY = 17


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PinFile]:
    file = PinFile.make(tmp_path / PINS_FILE, strict=False, pulls={RELAY: "down"})
    yield file
    file.close()


@pytest.fixture
def factory(tmp_path: Path, board: PinFile) -> Iterator[BenchFactory]:  # noqa: ARG001  # it makes the file
    made = BenchFactory(tmp_path / PINS_FILE)
    yield made
    made.close()
    made.file.close()


def test_an_output_drives_the_board_and_a_closed_one_leaves_it_to_the_resistor(
    board: PinFile, factory: BenchFactory
) -> None:
    assert not board.board_level(RELAY)
    relay = DigitalOutputDevice(RELAY, pin_factory=factory)
    relay.on()
    assert board.board_level(RELAY)
    assert relay.value == 1
    relay.close()
    assert not board.board_level(RELAY)
    assert not board.is_output(RELAY)


def test_a_floating_line_may_stay_on_after_a_clean_exit(tmp_path: Path) -> None:
    board = PinFile.make(tmp_path / PINS_FILE, strict=True, pulls={}, floating_high=True)
    factory = BenchFactory(tmp_path / PINS_FILE)
    relay = DigitalOutputDevice(RELAY, pin_factory=factory)
    assert not board.board_level(RELAY)
    relay.close()
    assert board.board_level(RELAY), "nobody drives it and nothing pulls it: the board may hold on"
    board.set_board_pull(RELAY, "down")
    assert not board.board_level(RELAY)
    factory.close()
    factory.file.close()
    board.close()


def test_an_output_that_shall_begin_high_is_low_for_a_moment(board: PinFile, factory: BenchFactory) -> None:
    board.set_board_pull(RELAY, "up")
    assert board.board_level(RELAY)
    device = DigitalOutputDevice(RELAY, active_high=False, initial_value=False, pin_factory=factory)
    assert board.board_level(RELAY)
    assert board.edges(RELAY) == 2, "down and up again: an active-low board is pulled in between"
    device.close()


def test_the_readback_is_the_line_and_not_the_wish(board: PinFile, factory: BenchFactory) -> None:
    relay = DigitalOutputDevice(RELAY, pin_factory=factory)
    board.stick(RELAY, False)
    relay.on()
    assert relay.value == 0
    board.stick(RELAY, None)
    assert relay.value == 1
    board.stick(RELAY, True)
    relay.off()
    assert relay.value == 1
    assert board.board_level(RELAY)
    relay.close()


def test_edges_are_counted(board: PinFile, factory: BenchFactory) -> None:
    relay = DigitalOutputDevice(RELAY, pin_factory=factory)
    for _ in range(5):
        relay.on()
        relay.on()
        relay.off()
    assert board.edges(RELAY) == 10
    relay.close()


@pytest.mark.parametrize(
    ("driven", "board_pull", "own_pull", "level"),
    [
        (None, "floating", None, False),
        (None, "floating", True, True),
        (None, "floating", False, False),
        (None, "down", True, False),
        (None, "up", False, True),
        (True, "down", False, True),
        (False, "up", True, False),
    ],
)
def test_a_driver_beats_a_resistor_beats_the_chips_weak_pull(
    board: PinFile, factory: BenchFactory, driven: bool | None, board_pull: str, own_pull: bool | None, level: bool
) -> None:
    board.set_board_pull(22, board_pull)  # type: ignore[arg-type]  # the three words
    board.drive(22, driven)
    active = True if own_pull is None else None
    button = DigitalInputDevice(22, pull_up=own_pull, active_state=active, pin_factory=factory)
    assert button.pin.state is level
    button.close()


def test_what_the_library_forbids_is_forbidden(factory: BenchFactory) -> None:
    pin = factory.pin(22)
    with pytest.raises(PinSetInput):
        pin.state = True
    with pytest.raises(PinInvalidFunction):
        pin.function = "spi"
    with pytest.raises(PinInvalidPull):
        pin.pull = "sideways"
    with pytest.raises(PinFixedPull):
        factory.pin(2).pull = "down"
    pin.function = "output"
    with pytest.raises(PinFixedPull):
        pin.pull = "up"


def test_a_line_has_one_owner(tmp_path: Path, board: PinFile, factory: BenchFactory) -> None:
    relay = DigitalOutputDevice(RELAY, pin_factory=factory)
    assert board.owner(RELAY) == os.getpid()
    with pytest.raises(GPIOPinInUse):
        DigitalOutputDevice(RELAY, pin_factory=factory)
    second = BenchFactory(tmp_path / PINS_FILE)
    with pytest.raises(LineBusy, match=f"GPIO17 busy: held by process {os.getpid()}"):
        DigitalOutputDevice(RELAY, pin_factory=second)
    relay.close()
    factory.close()
    assert board.owner(RELAY) is None
    DigitalOutputDevice(RELAY, pin_factory=second).close()
    second.close()
    second.file.close()


OWNER = """
import sys, signal
from gpiozero import DigitalOutputDevice
from tools.plant.wire.pins import BenchFactory
relay = DigitalOutputDevice(17, pin_factory=BenchFactory())
relay.on()
print("on", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def owner(tmp_path: Path) -> Iterator[Callable[[], subprocess.Popen[str]]]:
    made: list[subprocess.Popen[str]] = []

    def make() -> subprocess.Popen[str]:
        env = {**os.environ, "PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}", BENCH_DIR_VARIABLE: str(tmp_path)}
        process = subprocess.Popen(
            [sys.executable, "-c", OWNER], env=env, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        made.append(process)
        assert process.stdout is not None
        assert process.stdout.readline() == "on\n"
        return process

    yield make
    for process in made:
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            assert stream is not None
            stream.close()


def test_a_killed_owner_leaves_the_last_level(board: PinFile, owner: Callable[[], subprocess.Popen[str]]) -> None:
    process = owner()
    assert board.board_level(RELAY)
    assert board.owner(RELAY) == process.pid
    process.kill()
    process.wait()
    assert board.owner(RELAY) is None
    assert board.board_level(RELAY), "the kernel keeps it: the heat stays on"
    board.set_strict(True)
    assert not board.board_level(RELAY), "a strict board makes it an input, and its resistor pulls it down"


def test_a_strict_board_with_nothing_that_pulls(board: PinFile, owner: Callable[[], subprocess.Popen[str]]) -> None:
    board.set_strict(True)
    process = owner()
    assert board.board_level(RELAY)
    process.send_signal(signal.SIGKILL)
    process.wait()
    board.set_board_pull(RELAY, "up")
    assert board.board_level(RELAY)


def test_a_clean_exit_runs_the_librarys_hook(board: PinFile, owner: Callable[[], subprocess.Popen[str]]) -> None:
    process = owner()
    assert process.stdin is not None
    process.stdin.close()
    assert process.wait(20) == 0
    assert not board.is_output(RELAY)
    assert not board.board_level(RELAY)


def test_the_next_owner_begins_with_an_input(
    tmp_path: Path, board: PinFile, owner: Callable[[], subprocess.Popen[str]]
) -> None:
    process = owner()
    process.kill()
    process.wait()
    assert board.board_level(RELAY)
    factory = BenchFactory(tmp_path / PINS_FILE)
    factory.pin(RELAY)
    assert not board.board_level(RELAY)
    factory.close()
    factory.file.close()


@pytest.mark.parametrize(("chip", "steps"), [(MCP3208, 4096), (MCP3008, 1024)])
@pytest.mark.parametrize("channel", range(8))
def test_the_converter_under_the_librarys_driver(
    board: PinFile, factory: BenchFactory, chip: type[gpiozero.MCP3xxx], steps: int, channel: int
) -> None:
    adc = chip(channel=channel, select_pin=8, pin_factory=factory)
    for volts in (0.0, 0.3, 1.65, 2.97, 3.2999):
        board.set_volts(channel, volts)
        assert adc.raw_value == int(volts / 3.3 * steps)
    board.set_volts(channel, -0.2)
    assert adc.raw_value == 0
    board.set_volts(channel, 5.0)
    assert adc.raw_value == steps - 1
    board.set_volts((channel + 1) % 8, 1.0)
    assert adc.raw_value == steps - 1, "its own input and no other"
    adc.close()


def test_outside_a_bench_there_are_no_pins(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv(BENCH_DIR_VARIABLE, raising=False)
    with pytest.raises(RuntimeError, match="only on a simulated bench"):
        BenchFactory()
    (tmp_path / "other").write_bytes(b"x" * 2000)
    with pytest.raises(ValueError, match="not a bench's pins"):
        PinFile(tmp_path / "other")
