"""How fast the guard takes the heat away, and whether its memory grows: the real processes on the simulated bus.

./tools/bench guard                    1,000 trips idle, 1,000 with a busy loop on each core, 24 h of memory
./tools/bench guard --trips 50 --hours 1 --lanes 2

One trip: a bench of its own (chips under the real driver, the relay's line in a mapped file), the real thermometer, and
a fresh guard on an empty state folder: a trip is latched and only a cool minute releases it, so no guard is asked for
two. Fresh guards are forked off a process that has everything imported: the guard's own loop, clock, sockets and files,
without a second of Python's start-up. It is permitted through its socket, the relay closes, and at a moment drawn at
random the chip shows a temperature over the limit. Measured on the machine's monotonic clock:

    bus to pin       from the frame over the limit standing in the chip to the edge of the line
    reading to pin   from the guard's taking of the first reading above to that edge (it opens already)
    second to latch  from its taking of the second to the end of the cycle: tripped, line written again, latch ordered

--first says who goes before ordinary processes: `guard` as the guard does on a board (real-time place, memory locked),
`both` the thermometer too, `none` nobody.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import platform
import random
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "daemon"), str(ROOT)]

from lastbubble.frames import FrameMessage  # noqa: E402  # the checkout's package, also without an installation
from lastbubble.guard.client import GuardGone, ask_guard, read_status  # noqa: E402
from lastbubble.guard.protocol import BENCH_SOCKET, FRAMES_SOCKET, GUARD_SOCKET, GuardStatus  # noqa: E402
from tools.plant.wire.chip import frame_of  # noqa: E402
from tools.plant.wire.frames import FrameFile  # noqa: E402
from tools.plant.wire.governor import Governor  # noqa: E402
from tools.plant.wire.pinfile import PinFile  # noqa: E402
from tools.plant.wire.pins import PINS_FILE  # noqa: E402
from tools.plant.wire.spi import BENCH_DIR_VARIABLE, FRAMES_FILE  # noqa: E402
from tools.plant.wire.station_file import RELAY_PIN, SELECT_PINS  # noqa: E402

LIMIT_C: Final = 120.0
BELOW_C: Final = 117.0
ABOVE_C: Final = 122.0
#: Taking of the first reading above, of the second, end of the cycle of the second.
_STAMPS: Final = struct.Struct("<3d")
#: No bench waits longer for anything than this [real s].
_PATIENCE_S: Final = 30.0


@dataclass(frozen=True, slots=True)
class Trip:
    """One trip's times [s]."""

    bus_to_pin_s: float
    reading_to_pin_s: float
    second_to_latch_s: float


# -- the guard's side ----------------------------------------------------------------------------------------------


def nursery(folder: Path, first: str) -> int:
    """Fork a fresh guard for each line "go NUMBER" on the input; end it at the next line and print its stamps."""
    from lastbubble.clock import RealClock
    from lastbubble.guard.config import guard_settings_from_json
    from lastbubble.guard.loop import GuardLoop
    from lastbubble.guard.realtime import take_precedence

    stamps = mmap.mmap(-1, _STAMPS.size)
    base = json.loads((folder / "guard.json").read_text())

    def child(number: int) -> int:
        settings = guard_settings_from_json(json.dumps(base | {"state_dir": str(folder / "states" / str(number))}))
        loop = GuardLoop(settings, RealClock())
        if first != "none":
            for text in take_precedence():
                print(text, file=sys.stderr)
        _stamp(loop, stamps)
        loop.handle_signals()
        return loop.run()

    for line in sys.stdin:
        _STAMPS.pack_into(stamps, 0, 0.0, 0.0, 0.0)
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                code = child(int(line))
            finally:
                os._exit(code)
        print(pid, flush=True)
        sys.stdin.readline()
        os.kill(pid, signal.SIGTERM)
        os.waitpid(pid, 0)
        print(*_STAMPS.unpack_from(stamps, 0), flush=True)
    return 0


def _stamp(loop: Any, stamps: mmap.mmap) -> None:
    """Three times into memory that the nursery shares: all that is added to the real guard."""
    guard, relay = loop.guard, loop.relay
    take, drive = guard.take_frame, relay.drive

    def take_frame(message: FrameMessage) -> None:
        taken_s = time.monotonic()
        take(message)
        run = guard.evidence.probes[0].above_run
        first_s, second_s, _ = _STAMPS.unpack_from(stamps, 0)
        # What was above before heat was on (the last trip's, still in the chip) is no matter.
        if run == 1 and guard.evidence.heat_closed:
            struct.pack_into("<d", stamps, 0, taken_s)
        elif run == 2 and first_s and not second_s:
            struct.pack_into("<d", stamps, 8, taken_s)

    def drive_line(closed: bool) -> tuple[bool, bool]:
        found: tuple[bool, bool] = drive(closed)
        if guard.state == "tripped" and not struct.unpack_from("<d", stamps, 16)[0]:
            struct.pack_into("<d", stamps, 16, time.monotonic())
        return found

    guard.take_frame, relay.drive = take_frame, drive_line


# -- the bench's side ----------------------------------------------------------------------------------------------


class Lane:
    """One bench: pins, chip, the real thermometer, and guards one after the other."""

    def __init__(self, folder: Path, seed: int, first: str) -> None:
        folder.mkdir(parents=True)
        (folder / "run").mkdir()
        self._random = random.Random(seed)
        self._folder = folder
        self._pins = PinFile.make(folder / PINS_FILE, strict=True, pulls={RELAY_PIN: "down"})
        self._frames = FrameFile.make(folder / FRAMES_FILE, [SELECT_PINS["oven"]])
        self._shown_c = BELOW_C
        self._ended = threading.Event()
        _write_settings(folder)
        environment = {**os.environ, BENCH_DIR_VARIABLE: str(folder), "PYTHONPATH": f"{ROOT / 'daemon'}:{ROOT}"}
        self._log = (folder / "log").open("wb")

        def start(*arguments: str, **pipes: Any) -> subprocess.Popen[str]:
            command = [sys.executable, "-m", *arguments]
            return subprocess.Popen(command, env=environment, stderr=self._log, text=True, bufsize=1, **pipes)

        self._thermometer = start("lastbubble", "thermometer", "--config-json", str(folder / "thermometer.json"))
        if first == "both":
            os.sched_setscheduler(self._thermometer.pid, os.SCHED_FIFO, os.sched_param(10))
        self._nursery = start(
            "tools.bench_guard",
            "--nursery",
            str(folder),
            "--first",
            first,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self._noise = threading.Thread(target=self._show, daemon=True)
        self._noise.start()

    def _show(self) -> None:
        """A chip's reading moves by a count all the time."""
        while not self._ended.wait(0.05):
            self._publish()

    def _publish(self) -> None:
        self._frames.publish(0, frame_of(self._shown_c + self._random.gauss(0.0, 0.15), 25.0))

    def trip(self, number: int) -> Trip:
        """One guard, one trip. Raises TimeoutError or GuardGone when the guard does not do as it should."""
        self._shown_c = BELOW_C
        self._tell(str(number))
        self._heard()
        try:
            _until("the guard permits", self._permitted)
            _until("the relay closes", lambda: self._pins.level(RELAY_PIN))
            time.sleep(0.3 + self._random.random())
            edges = self._pins.edges(RELAY_PIN)
            if not self._pins.level(RELAY_PIN):
                raise TimeoutError("the relay opened before anything was wrong")
            self._shown_c = ABOVE_C
            shown_s = time.monotonic()
            self._publish()
            _until("the relay opens", lambda: self._pins.edges(RELAY_PIN) > edges)
            edge_s = self._pins.last_edge_s(RELAY_PIN)
            _until("the guard has tripped", lambda: self._status().state == "tripped")
        finally:
            self._tell("end")
            stamps = self._heard()
        first_s, second_s, latched_s = (float(part) for part in stamps.split())
        cause = _read_cause(self._folder / "states" / str(number) / "trip.json")
        if cause != "over_temperature":
            raise RuntimeError(f"tripped by {cause}")
        return Trip(edge_s - shown_s, edge_s - first_s, latched_s - second_s)

    def _permitted(self) -> bool:
        try:
            return ask_guard(self._folder / "run" / BENCH_SOCKET, {"ask": "permit"}).ok
        except (GuardGone, OSError):
            return False

    def _status(self) -> GuardStatus:
        return read_status(self._folder / "run" / BENCH_SOCKET)

    def _tell(self, text: str) -> None:
        assert self._nursery.stdin is not None
        self._nursery.stdin.write(text + "\n")
        self._nursery.stdin.flush()

    def _heard(self) -> str:
        assert self._nursery.stdout is not None
        return self._nursery.stdout.readline()

    def close(self) -> None:
        self._ended.set()
        self._noise.join()
        assert self._nursery.stdin is not None
        self._nursery.stdin.close()
        self._thermometer.terminate()
        for process in (self._nursery, self._thermometer):
            process.wait(_PATIENCE_S)
        self._log.close()


def _write_settings(folder: Path) -> None:
    run = str(folder / "run")
    guard = {
        "relay_pin": RELAY_PIN,
        "runtime_dir": run,
        "state_dir": str(folder / "state"),
        "pin_factory": "tools.plant.wire.pins:BenchFactory",
        "require_commissioning": False,
        "min_off_s": 0.0,
        "limits": {"limit_c": LIMIT_C},
        "simulated": True,
    }
    thermometer = {
        "probes": [{"name": "oven", "select_pin": SELECT_PINS["oven"]}],
        "runtime_dir": run,
        "bus": "tools.plant.wire.spi:bench_bus",
        "simulated": True,
    }
    (folder / "guard.json").write_text(json.dumps(guard))
    (folder / "thermometer.json").write_text(json.dumps(thermometer))


def _read_cause(path: Path) -> str:
    return str(json.loads(path.read_text()).get("cause", "nothing"))


def _until(what: str, true: Callable[[], bool]) -> None:
    end_s = time.monotonic() + _PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            raise TimeoutError(f"waited {_PATIENCE_S:g} s until {what}")
        time.sleep(0.02)


# -- what is measured ----------------------------------------------------------------------------------------------


def measure_trips(count: int, lanes: int, folder: Path, first: str, faults: list[str]) -> list[Trip]:
    """`count` trips over `lanes` benches side by side; a trip that failed is a line in `faults`."""
    trips: list[Trip] = []

    def work(index: int) -> None:
        lane = Lane(folder / f"lane{index}", index, first)
        try:
            for number in range(index, count, lanes):
                try:
                    trips.append(lane.trip(number))
                except (TimeoutError, RuntimeError, GuardGone, OSError, ValueError) as exc:
                    faults.append(f"trip {number}: {type(exc).__name__}: {exc}")
        finally:
            lane.close()

    threads = [threading.Thread(target=work, args=(index,)) for index in range(lanes)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return trips


class Busy:
    """A busy loop for each core, at the ordinary priority."""

    def __enter__(self) -> Busy:
        loop = "while True: pass"
        self._loops = [subprocess.Popen([sys.executable, "-c", loop]) for _ in range(os.cpu_count() or 1)]
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._loops:
            process.kill()
            process.wait()


def measure_memory(hours: float, folder: Path) -> list[tuple[float, float]]:
    """(bench hours, resident MB) of the real guard over `hours` at speed: frames at 4 Hz, a listener, a lease, noise.

    Time is a governor's: ten cycles for each second of it, however fast they go by.
    """
    folder.mkdir(parents=True)
    (folder / "run").mkdir()
    _write_settings(folder)
    PinFile.make(folder / PINS_FILE, strict=True, pulls={RELAY_PIN: "down"}).close()
    clock = folder / "clock"
    governor = Governor(clock, 1.8e9, start_s=1000.0)
    environment = {
        **os.environ,
        BENCH_DIR_VARIABLE: str(folder),
        "LASTBUBBLE_BENCH_CLOCK": str(clock),
        "PYTHONPATH": f"{ROOT / 'daemon'}:{ROOT}",
    }
    with (folder / "log").open("wb") as log:
        command = [sys.executable, "-m", "lastbubble", "guard", "run", "--config-json", str(folder / "guard.json")]
        guard = subprocess.Popen(command, env=environment, stderr=log)
    out: list[tuple[float, float]] = []
    frames = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    service = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    rng = random.Random(1)
    count = 0
    permitted = False

    def step(now_s: float) -> float:
        nonlocal count, permitted
        count += 1
        # A tenth of a percent of the frames are spoilt, as on a real bench.
        raw = b"\0\0\0\0" if rng.random() < 0.001 else frame_of(90.0 + rng.gauss(0.0, 0.15), 25.0)
        frames.send(FrameMessage(0, count, now_s, raw).pack())
        if count % 8 == 0:
            if not permitted:
                service.send(b'{"ask":"listen","every_s":0.2}\n')
            permitted = True
            service.send(b'{"ask":"renew_lease"}\n')
            try:
                while service.recv(65536, socket.MSG_DONTWAIT):
                    pass
            except BlockingIOError:
                pass
        if count % (4 * 600) == 1:
            out.append(((now_s - 1000.0) / 3600, _resident_mb(guard.pid)))
        return now_s + 0.25

    try:
        _until("the guard listens", lambda: (folder / "run" / GUARD_SOCKET).exists() or guard.poll() is not None)
        frames.connect(str(folder / "run" / FRAMES_SOCKET))
        service.connect(str(folder / "run" / GUARD_SOCKET))
        governor.add_step(1000.25, step)
        asker = threading.Thread(target=_permit_once, args=(folder / "run" / BENCH_SOCKET,), daemon=True)
        asker.start()
        governor.run(1000.0 + hours * 3600)
        out.append((hours, _resident_mb(guard.pid)))
    finally:
        governor.close()
        guard.terminate()
        guard.wait(_PATIENCE_S)
        frames.close()
        service.close()
    return out


def _permit_once(path: Path) -> None:
    """A person at the bench; asked again until the guard has seen its probe."""
    for _ in range(200):
        try:
            if ask_guard(path, {"ask": "permit"}).ok:
                return
        except (GuardGone, OSError):
            pass
        time.sleep(0.05)


def _resident_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024


# -- what is printed -----------------------------------------------------------------------------------------------


def _row(name: str, trips: Sequence[Trip], pick: Callable[[Trip], float]) -> str:
    values = sorted(1000 * pick(trip) for trip in trips)
    if not values:
        return f"| {name} | 0 | - | - | - |"

    def at(share: float) -> float:
        return values[min(len(values) - 1, int(share * len(values)))]

    return f"| {name} | {len(values)} | {at(0.5):.1f} | {at(0.99):.1f} | {values[-1]:.1f} |"


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="./tools/bench guard", description=__doc__)
    parser.add_argument("--trips", type=int, default=1000, help="of each kind")
    parser.add_argument("--lanes", type=int, default=4, help="benches side by side")
    parser.add_argument("--first", choices=("none", "guard", "both"), default="guard", help="of the processes")
    parser.add_argument("--only", choices=("idle", "busy"), help="the trips of one kind")
    parser.add_argument("--hours", type=float, default=24.0, help="of memory; 0 leaves it out")
    parser.add_argument("--nursery", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.nursery is not None:
        return nursery(args.nursery, args.first)
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores; other load at the start:")
    print(f"{os.getloadavg()[0]:.1f} processes waiting for them (1 min mean)\n")
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if args.trips > 0:
            print("| milliseconds | trips | p50 | p99 | max |\n|---|---|---|---|---|", flush=True)
            if args.only != "busy":
                _print("idle", measure_trips(args.trips, args.lanes, folder / "idle", args.first, faults))
            if args.only != "idle":
                with Busy():
                    busy = measure_trips(args.trips, args.lanes, folder / "busy", args.first, faults)
                _print("both cores busy", busy)
            print(f"\n{len(faults)} trips could not be measured", *faults[:10], sep="\n", flush=True)
        if args.hours > 0:
            begun_s = time.monotonic()
            memory = measure_memory(args.hours, folder / "memory")
            took_s = time.monotonic() - begun_s
            print(f"\nResident memory of the guard over {args.hours:g} h of bench time ({took_s:.0f} s):\n")
            print("| hours | MB |\n|---|---|")
            for hours, mb in memory[:: max(1, len(memory) // 12)] + memory[-1:]:
                print(f"| {hours:.1f} | {mb:.2f} |")
    return 1 if faults else 0


def _print(kind: str, trips: Sequence[Trip]) -> None:
    print(_row(f"{kind}: bus to pin", trips, lambda trip: trip.bus_to_pin_s))
    print(_row(f"{kind}: reading to pin", trips, lambda trip: trip.reading_to_pin_s))
    print(_row(f"{kind}: second to latch", trips, lambda trip: trip.second_to_latch_s), flush=True)


if __name__ == "__main__":
    sys.exit(main())
