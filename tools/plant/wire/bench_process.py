"""The simulated bench's own process: time, plant, devices and person, steered by lines of JSON on its input.

usage: python -m tools.plant.wire.bench_process CONFIG.json      (`bench.Bench` starts it)
"""

from __future__ import annotations

import errno
import importlib
import json
import math
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, Protocol

from tools.plant.wire.chip import frame_of
from tools.plant.wire.frames import Fault, FaultKind, FrameFile
from tools.plant.wire.governor import Governor
from tools.plant.wire.hand import Hand
from tools.plant.wire.line import PtyLine
from tools.plant.wire.modbus_slave import ModbusFault, ModbusGauge, RegisterMap
from tools.plant.wire.pace import RealPace
from tools.plant.wire.person import Batch, Handles, Person
from tools.plant.wire.pinfile import PinFile
from tools.plant.wire.pins import PINS_FILE
from tools.plant.wire.serial_gauge import AsciiGauge, LineFault, LineFormat
from tools.plant.wire.spi import FRAMES_FILE
from tools.plant.wire.station_file import RELAY_PIN, SELECT_PINS

__all__ = ["BenchProcess", "World"]

#: While the person types, bench time goes no faster than this, so that a command takes seconds of it and not minutes.
_TYPING_SPEED: Final = 25.0
#: More unread than this and the bench waits for the reader, for at most so long [bytes, s].
_UNREAD_BYTES: Final = 1500
_UNREAD_WAIT_S: Final = 0.2


class World(Handles, Protocol):
    """The physics behind the wires: what a plant offers the bench."""

    batch: Batch

    def step(self, now_s: float, heat: bool) -> None:
        """Let everything go on until bench time `now_s`, the oven's relay being closed or not since the last step."""

    def gauge_pa(self) -> float:
        """What the gauge shows now [Pa]."""

    def probe_c(self, name: str) -> float:
        """True temperature of that probe's hot junction [degC]."""

    def junction_c(self) -> float:
        """Temperature of the converters [degC]."""

    def truth(self) -> dict[str, Any]:
        """What is truly so, and when what truly happened (bench time): for the summary, never for the daemon."""


class BenchProcess:
    """Everything of one bench, in one process."""

    def __init__(self, config: Mapping[str, Any]) -> None:
        folder = Path(config["folder"])
        self._folder = folder
        self._said: list[str] = []
        self._period_s = float(config.get("period_s", 0.25))
        seed = int(config["seed"])
        self._random = random.Random(seed)
        self._governor: Governor | RealPace
        self._speed = math.inf if config.get("speed") is None else float(config["speed"])
        if config.get("clock", "bench") == "bench":
            self._governor = Governor(
                folder / "clock",
                float(config["utc_s"]),
                start_s=float(config.get("start_s", 1000.0)),
                speed=self._speed,
                grace_s=float(config.get("grace_s", 5.0)),
                grain_s=float(config.get("grain_s", 0.0)),
                slack_s=config.get("slack_s", {}),
                report=self._report,
            )
        else:
            self._governor = RealPace()
        self._governor.held = True
        self._world = _load(config["world"])(seed, config.get("scenario", "demo"), self._governor.now_s)
        self._probes: list[str] = list(config["probes"])
        self._pins = PinFile.make(
            folder / PINS_FILE, strict=bool(config.get("strict", True)), pulls={RELAY_PIN: config.get("pull", "down")}
        )
        self._frames = FrameFile.make(folder / FRAMES_FILE, [SELECT_PINS[name] for name in self._probes])
        self._line: PtyLine | None = None
        self._gauge: AsciiGauge | ModbusGauge | None = None
        self._gauge_period_s = float(config.get("gauge_period_s", 1.0))
        self._plug_in(str(config.get("gauge", "serial")), seed)
        self._hand_process: subprocess.Popen[bytes] | None = None
        self._person: Person | None = None
        self._settings = Path(config.get("settings", ""))
        #: Probes that a person holds somewhere else (ice water): name -> temperature there.
        self._held_c: dict[str, float] = {}
        self._reader = True
        self._unread = 0
        self._heat = False
        self._next_frames: list[bytes] = []
        self.relay: list[tuple[float, bool]] = []
        self._inbox = b""
        self._steps = 0
        self._step_cost_s = 0.0
        now_s = self._governor.now_s
        self._world.step(now_s, False)
        self._reckon(now_s + self._period_s)
        self._governor.add_step(now_s + self._period_s, self._step, self._reckon)
        if self._line is not None and isinstance(self._gauge, AsciiGauge):
            # Off the whole seconds, on which the daemon's reader tends to be awake.
            self._governor.add_step(now_s + 0.6 * self._period_s, self._speak)

    # -- time goes on ----------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Until it is told to stop, or its input ends."""
        os.set_blocking(sys.stdin.fileno(), False)
        self._say({"kind": "ready", "now_s": self._governor.now_s})
        try:
            self._governor.run(idle=self._listen)
        finally:
            self._close()

    def _step(self, now_s: float) -> float:
        # What is shown now was reckoned while the daemon worked, from the relay as it was a step ago.
        for slot, frame in enumerate(self._next_frames):
            self._frames.publish(slot, frame)
        heat = self._pins.board_level(RELAY_PIN)
        if heat != self._heat:
            self._heat = heat
            self.relay.append((now_s, heat))
        if self._person is not None:
            busy = self._person.busy
            self._person.tick(now_s)
            if self._person.busy != busy:
                self._governor.set_speed(min(self._speed, _TYPING_SPEED) if self._person.busy else self._speed)
        self._steps += 1
        return now_s + self._period_s

    def _reckon(self, next_s: float) -> None:
        begun_s = time.perf_counter()
        world = self._world
        world.step(next_s, self._heat)
        junction_c = world.junction_c()
        gauss = self._random.gauss
        # The converter's own noise: about a step of its last digits, so that a live reading never stands still.
        self._next_frames = [
            frame_of(self._held_c.get(name, world.probe_c(name)) + gauss(0.0, 0.15), junction_c + gauss(0.0, 0.04))
            for name in self._probes
        ]
        self._step_cost_s += time.perf_counter() - begun_s

    def _speak(self, now_s: float) -> float:
        line = self._line
        assert line is not None
        # A reader that is behind (a slow machine) is waited for; one that is not there is waited for once.
        unread = line.waiting()
        if unread < self._unread:
            self._reader = True
        if unread > _UNREAD_BYTES and not (self._reader and line.wait_taken(_UNREAD_WAIT_S)):
            self._reader = False
            line.forget()
        self._unread = line.waiting()
        if isinstance(self._gauge, AsciiGauge):
            self._gauge.tick()
        return now_s + self._gauge_period_s

    # -- orders ----------------------------------------------------------------------------------------------------

    def _listen(self) -> None:
        try:
            piece = os.read(sys.stdin.fileno(), 65536)
        except BlockingIOError:
            piece = None
        except OSError as exc:
            if exc.errno != errno.EIO:
                raise
            piece = b""
        if piece == b"":
            self._governor.stop()
            return
        if piece:
            *lines, self._inbox = (self._inbox + piece).split(b"\n")
            for line in lines:
                self._obey(json.loads(line))
        for text in self._said:
            self._say({"kind": "report", "now_s": self._governor.now_s, "text": text})
        self._said.clear()

    def _obey(self, order: dict[str, Any]) -> None:
        number, name = order.pop("n", 0), order.pop("do")
        try:
            answer = getattr(self, f"do_{name}")(**order) or {}
        except (AttributeError, TypeError, ValueError, LookupError) as exc:
            answer = {"error": f"{name}: {type(exc).__name__}: {exc}"}
        self._say({"n": number, **answer})

    def do_names(self) -> dict[str, Any]:
        """Who takes part in bench time."""
        return {"names": self._governor.names}

    def do_go(self) -> None:
        """Let time pass."""
        self._governor.held = False

    def do_hold(self) -> None:
        """Let it stand."""
        self._governor.held = True

    def do_speed(self, speed: float | None) -> None:
        """At most so many bench seconds a real second; None: as fast as it goes."""
        self._speed = math.inf if speed is None else speed
        self._governor.set_speed(self._speed)

    def do_state(self) -> dict[str, Any]:
        """What is so now."""
        person = self._person
        governor = self._governor
        return {
            "now_s": governor.now_s,
            "heat": self._pins.board_level(RELAY_PIN),
            "relay_owner": self._pins.owner(RELAY_PIN),
            "relay": self.relay,
            "truth": self._world.truth(),
            "person": None
            if person is None
            else {
                "finished": person.finished,
                "trouble": person.trouble,
                "notes": [[note.time_s, note.did, note.said] for note in person.notes],
            },
            "lost_bytes": 0 if self._line is None else self._line.lost_bytes,
            "steps": self._steps,
            "step_cost_s": self._step_cost_s,
            "waited_s": getattr(governor, "waited_s", {}),
            "sleeps": getattr(governor, "sleeps", 0),
            "idle_s": getattr(governor, "idle_s", 0.0),
            "passed_over": getattr(governor, "passed_over", []),
        }

    def do_live(self) -> None:
        """The person's day begins."""
        process = subprocess.Popen(
            [sys.executable, "-m", "tools.plant.wire.hand"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert process.stdin is not None
        assert process.stdout is not None
        self._hand_process = process
        hand = Hand(process.stdin, process.stdout)
        self._person = Person(
            self._world,
            hand,
            self._settings,
            self._world.batch,
            random.Random(self._random.random()),
            self.do_hold_probe,
            tuple(self._probes),
        )

    def do_notice(self, notice: dict[str, Any]) -> None:
        """The person's phone rings."""
        if self._person is not None:
            self._person.tell(notice)

    def do_set(self, name: str, value: Any) -> None:
        """Turn one of the world's handles."""
        if not hasattr(self._world, name):
            raise LookupError(f"the bench has no {name}")
        setattr(self._world, name, value)

    def do_call(self, name: str) -> None:
        """Do one of the world's doings (load_oven ...)."""
        getattr(self._world, name)()

    def do_hold_probe(self, probe: str, at_c: float | None) -> None:
        """Hold a probe in something known; None puts it back."""
        if probe not in self._probes:
            raise LookupError(f"there is no probe {probe}; there are {self._probes}")
        if at_c is None:
            self._held_c.pop(probe, None)
        else:
            self._held_c[probe] = at_c

    def do_probe_fault(self, probe: str, kind: str, **numbers: int) -> None:
        """Put a fault on a converter's line."""
        self._frames.set_fault(self._probes.index(probe), Fault(FaultKind[kind.upper()], **numbers))

    def do_gauge_fault(self, kind: str, delay_s: float = 0.0) -> None:
        """Put a fault on the gauge's line."""
        if isinstance(self._gauge, AsciiGauge):
            self._gauge.set_fault(LineFault(kind))
        elif isinstance(self._gauge, ModbusGauge):
            self._gauge.set_fault(ModbusFault(kind), delay_s)

    def do_unplug(self) -> None:
        """Pull the gauge's plug."""
        if self._line is not None:
            self._line.unplug()

    def do_plug(self) -> None:
        """Put it back."""
        if self._line is not None:
            self._line.plug()

    def do_stick(self, line: int, level: bool | None) -> None:
        """Hold a line whatever its owner writes."""
        self._pins.stick(line, level)

    def do_drive(self, line: int, level: bool | None) -> None:
        """Press a button, close a contact."""
        self._pins.drive(line, level)

    def do_strict(self, strict: bool) -> None:
        """Whether a dead owner's line goes back to its pull."""
        self._pins.set_strict(strict)

    def do_stop(self) -> None:
        """End."""
        self._governor.stop()

    # -- inside ----------------------------------------------------------------------------------------------------

    def _plug_in(self, kind: str, seed: int) -> None:
        if not kind:
            return
        self._line = PtyLine(self._folder / "gauge")
        if kind == "modbus":
            self._gauge = ModbusGauge(
                self._line, RegisterMap(device=12, function=4, address=2, kind="f32"), self._world.gauge_pa
            )
        else:
            layout = LineFormat(query="PR1" if kind == "asked" else "")
            self._gauge = AsciiGauge(self._line, layout, self._world.gauge_pa, seed)

    def _report(self, text: str) -> None:
        self._said.append(text)

    def _say(self, message: dict[str, Any]) -> None:
        try:
            sys.stdout.write(json.dumps(message) + "\n")
            sys.stdout.flush()
        except BrokenPipeError:
            self._governor.stop()

    def _close(self) -> None:
        self._governor.close()
        if self._gauge is not None:
            self._gauge.close()
        if self._line is not None:
            self._line.close()
        if self._hand_process is not None:
            self._hand_process.kill()
            self._hand_process.wait()
        self._frames.close()
        self._pins.close()


def _load(name: str) -> Callable[[int, str, float], World]:
    module, _, function = name.partition(":")
    made: Callable[[int, str, float], World] = getattr(importlib.import_module(module), function)
    return made


def main() -> int:
    """Run one bench."""
    config = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    bench = BenchProcess(config)
    signal.signal(signal.SIGTERM, lambda *_: bench.do_stop())
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bench.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
