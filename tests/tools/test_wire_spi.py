"""Frames and faults below the real thermocouple driver."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import adafruit_max31855
import pytest

from tools.plant.wire.chip import emf_mv, encode, frame_of
from tools.plant.wire.frames import Fault, FaultKind, FrameFile
from tools.plant.wire.spi import BENCH_DIR_VARIABLE, FRAMES_FILE, BenchBus, PinLibraryError, bench_bus

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "shared" / "reference"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


class Hand:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def now(self) -> float:
        return self.now_s


class Wired:
    """Two chips, the bus, and the real driver on the first."""

    def __init__(self, folder: Path) -> None:
        self.clock = Hand()
        self.file = FrameFile.make(folder / FRAMES_FILE, [5, 6])
        self.bus = BenchBus(folder / FRAMES_FILE, self.clock)  # type: ignore[arg-type]  # only `now` is used
        self.select = self.bus.chip_select(5)
        self.driver = adafruit_max31855.MAX31855(self.bus, self.select)

    def read(self, after_s: float = 0.25) -> bytes:
        self.clock.now_s += after_s
        try:
            self.driver.temperature  # noqa: B018  # the driver reads on access
        except RuntimeError:
            pass  # the driver's word for fault bits; the frame is in its buffer
        return bytes(self.driver.data)


@pytest.fixture
def wired(tmp_path: Path) -> Iterator[Wired]:
    made = Wired(tmp_path)
    yield made
    made.bus.deinit()
    made.file.close()


@pytest.mark.parametrize("row", rows("max31855_frames.csv"), ids=lambda row: row["case"])
def test_the_datasheets_frames(row: dict[str, str]) -> None:
    if not row["tc_c"]:
        assert row["frame_hex"] == "FFFFFFFF", "no chip sends this one: it is what a dead line looks like"
        return
    bits = int(row["oc_d0"]) | int(row["scg_d1"]) << 1 | int(row["scv_d2"]) << 2
    assert encode(float(row["tc_c"]), float(row["internal_c"]), bits).hex().upper() == row["frame_hex"]


@pytest.mark.parametrize("row", rows("max31855_linearity.csv"), ids=lambda row: f"{row['true_hot_c']}/{row['cold_c']}")
def test_a_straight_line_in_the_chip_and_a_curve_in_the_wire(row: dict[str, str], wired: Wired) -> None:
    wired.file.publish(0, frame_of(float(row["true_hot_c"]), float(row["cold_c"])))
    wired.read()
    assert wired.driver.temperature == pytest.approx(float(row["chip_quantised_c"]), abs=1e-9)
    assert wired.driver.reference_temperature == float(row["cold_c"])


@pytest.mark.parametrize("row", rows("type_k_emf.csv"), ids=lambda row: row["t_c"])
def test_the_curve_of_type_k(row: dict[str, str]) -> None:
    assert emf_mv(float(row["t_c"])) == pytest.approx(float(row["emf_mv"]), abs=1.1e-6)


def test_the_curve_has_ends() -> None:
    with pytest.raises(ValueError, match="-270 to 1372"):
        emf_mv(1400)


#: 95 degC and 30 degC, as in the catalogue of faults.
GOOD = encode(95, 30)

TABLE = [
    (Fault(FaultKind.ZEROS), "00000000"),
    (Fault(FaultKind.ONES), "ffffffff"),
    (Fault(FaultKind.SLIP, number=1), encode(190, 60).hex()),
    (Fault(FaultKind.SLIP, number=-1), encode(47.5, 15).hex()),
    (Fault(FaultKind.SLIP, number=-1, mask=1), f"{0x80000000 | int.from_bytes(encode(47.5, 15), 'big'):08x}"),
    (Fault(FaultKind.SET_BITS, mask=0x10001), f"{int.from_bytes(GOOD, 'big') | 0x10001:08x}"),
    # A data bit that is always low: 95 -> 79, as a line that cannot say 16 degC.
    (Fault(FaultKind.CLEAR_BITS, mask=64 << 18), encode(79, 30).hex()),
    (Fault(FaultKind.BOTH_LOW, number=1), encode(20, 20).hex()),
]


@pytest.mark.parametrize(("fault", "seen"), TABLE, ids=lambda value: str(getattr(value, "kind", value)))
def test_a_fault_is_worked_below_the_driver_and_goes_again(wired: Wired, fault: Fault, seen: str) -> None:
    wired.file.publish(0, GOOD)
    wired.file.publish(1, encode(20, 20))
    if fault.kind is FaultKind.BOTH_LOW:
        seen = (int.from_bytes(GOOD, "big") & int.from_bytes(encode(20, 20), "big")).to_bytes(4, "big").hex()
    assert wired.read() == GOOD
    wired.file.set_fault(0, fault)
    assert wired.read().hex() == seen
    assert wired.file.fault(0) == fault
    wired.file.set_fault(0, Fault(FaultKind.NONE))
    assert wired.read() == GOOD


def test_a_dead_line_reads_as_a_healthy_zero_in_the_driver(wired: Wired) -> None:
    wired.file.set_fault(0, Fault(FaultKind.ZEROS))
    wired.clock.now_s = 1
    assert wired.driver.temperature == 0.0  # no exception: what makes this fault dangerous
    assert wired.driver.reference_temperature == 0.0


@pytest.mark.parametrize(
    ("bits", "text"), [(1, "not connected"), (2, "short circuit to ground"), (4, "short circuit to power")]
)
def test_the_chips_own_fault_bits(wired: Wired, bits: int, text: str) -> None:
    wired.file.publish(0, encode(95, 30, bits))
    wired.clock.now_s = 1
    with pytest.raises(RuntimeError, match=text):
        wired.driver.temperature  # noqa: B018  # the driver reads on access


@pytest.mark.parametrize(
    ("kind", "error"),
    [(FaultKind.IO_ERROR, OSError), (FaultKind.OTHER_ERROR, PinLibraryError)],
)
def test_a_transfer_that_fails_leaves_the_old_frame_in_the_buffer(
    wired: Wired, kind: FaultKind, error: type[Exception]
) -> None:
    wired.file.publish(0, GOOD)
    assert wired.read() == GOOD
    wired.file.set_fault(0, Fault(kind, left=2))
    for _ in range(2):
        with pytest.raises(error):
            wired.read()
        assert bytes(wired.driver.data) == GOOD
    assert wired.read() == GOOD, "two transfers and no more"


@pytest.mark.parametrize(
    ("kind", "error"), [(FaultKind.CONFIGURE_ERROR, OSError), (FaultKind.SELECT_ERROR, PinLibraryError)]
)
def test_an_error_while_the_bus_is_taken_leaves_it_locked(
    wired: Wired, kind: FaultKind, error: type[Exception]
) -> None:
    wired.file.set_fault(0, Fault(kind, left=1))
    with pytest.raises(error):
        wired.read()
    assert not wired.bus.try_lock(), "the driver has not given it back: the next read would spin"
    wired.bus.unlock()
    assert wired.read() == wired.file.frame(0)


def test_a_duty_pattern(wired: Wired) -> None:
    wired.file.publish(0, GOOD)
    wired.file.set_fault(0, Fault(FaultKind.SET_BITS, mask=0x10001, on=1, period=4))
    bad = [wired.read() != GOOD for _ in range(40)]
    assert sum(bad) == 10
    assert bad[:4].count(True) == 1


def test_frozen_holds_the_last_frame(wired: Wired) -> None:
    wired.file.publish(0, GOOD)
    wired.file.set_fault(0, Fault(FaultKind.FROZEN))
    assert wired.read() == GOOD
    wired.file.publish(0, encode(120, 31))
    assert wired.read() == GOOD
    wired.file.set_fault(0, Fault(FaultKind.NONE))
    assert wired.read() == encode(120, 31)


def test_chance_is_the_same_in_every_run(tmp_path: Path) -> None:
    streams = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        wired = Wired(tmp_path / name)
        wired.file.set_fault(0, Fault(FaultKind.RANDOM))
        streams.append([wired.read() for _ in range(200)])
    assert streams[0] == streams[1]
    assert len(set(streams[0])) == 200


def test_a_chip_that_is_read_too_fast_never_converts(wired: Wired) -> None:
    wired.file.publish(0, GOOD)
    assert wired.read(0.25) == GOOD
    wired.file.publish(0, encode(120, 31))
    for _ in range(20):
        assert wired.read(0.05) == GOOD, "its conversion was stopped by every read"
    assert wired.read(0.11) == encode(120, 31)


def test_no_select_line_low_reads_the_pull_up(wired: Wired) -> None:
    assert wired.bus.try_lock()
    buffer = bytearray(4)
    wired.bus.readinto(buffer)
    assert buffer == b"\xff" * 4
    wired.bus.unlock()


def test_transfers_are_counted_and_an_unknown_pin_is_named(wired: Wired) -> None:
    for _ in range(7):
        wired.read()
    assert wired.file.transfers(0) == 7
    assert wired.file.transfers(1) == 0
    with pytest.raises(LookupError, match=r"pin 9; there are chips at \[5, 6\]"):
        wired.bus.chip_select(9)


def test_outside_a_bench_there_is_no_bus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(BENCH_DIR_VARIABLE, raising=False)
    with pytest.raises(RuntimeError, match="only on a simulated bench"):
        bench_bus()


HANGING = """
import adafruit_max31855
from tools.plant.wire.spi import bench_bus
bus = bench_bus()
driver = adafruit_max31855.MAX31855(bus, bus.chip_select(5))
print("reading", flush=True)
driver.temperature
print("back", flush=True)
"""


def test_a_hanging_transfer_takes_no_signal_but_kill(tmp_path: Path) -> None:
    file = FrameFile.make(tmp_path / FRAMES_FILE, [5])
    file.set_fault(0, Fault(FaultKind.HANG))
    env = {**os.environ, "PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}", BENCH_DIR_VARIABLE: str(tmp_path)}
    env.pop("LASTBUBBLE_BENCH_CLOCK", None)
    process = subprocess.Popen([sys.executable, "-c", HANGING], env=env, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == "reading\n"
        end_s = time.monotonic() + 20
        while file.transfers(0) == 0:
            assert time.monotonic() < end_s
            time.sleep(0.002)
        process.send_signal(signal.SIGTERM)
        process.send_signal(signal.SIGINT)
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.3)
        process.kill()
        assert process.wait(20) == -signal.SIGKILL
    file.close()
