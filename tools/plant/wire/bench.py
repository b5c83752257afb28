"""A whole simulated bench for the real processes: starts it, writes their settings, steers it, ends it.

    with Bench(folder, seed=1) as bench:
        guard = subprocess.Popen([*LASTBUBBLE, "guard", "run", "--settings", bench.settings], env=bench.env())
        bench.wait_joined("guard")
        bench.go()
        bench.probe_fault("oven", "zeros")
        bench.wait(lambda state: state["heat"] is False, bound_s=20)

Bench time stands still until `go`.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Literal

from lastbubble.clock import BENCH_CLOCK_VARIABLE
from tools.plant.wire.children import Child
from tools.plant.wire.spi import BENCH_DIR_VARIABLE
from tools.plant.wire.station_file import BenchWiring, write_settings

__all__ = ["LASTBUBBLE", "Bench", "BenchGone"]

ROOT: Final = Path(__file__).resolve().parents[3]
#: The real command, as the console script runs it.
LASTBUBBLE: Final = (sys.executable, "-c", "import sys; from lastbubble.cli import main; sys.exit(main())")
#: 2026-03-14 08:00:00 UTC: when the invented workshop's demo day begins.
DEMO_UTC_S: Final = 1_773_475_200.0


class BenchGone(RuntimeError):
    """The bench's process has ended; the text is the end of its log."""


class Bench:
    """One bench.

    folder : its own, made if need be; a short path, sockets live in it
    scenario, seed : of the plant;  speed : at most so many bench seconds a real second, None: as fast as it goes
    clock : "bench" with a governor, "real" with the machine's own (then speed is 1)
    world : "module:function" that makes the plant: (seed, scenario, now_s) -> World
    station : what a person would write into the settings of chamber, oven, cure
    strict, pull : how the board treats the relay's line;  grace_s, grain_s, slack_s : of the governor
    """

    def __init__(
        self,
        folder: Path,
        *,
        scenario: str = "demo",
        seed: int = 1,
        speed: float | None = None,
        clock: Literal["bench", "real"] = "bench",
        wiring: BenchWiring | None = None,
        station: Mapping[str, Any] | None = None,
        world: str = "tools.plant.wire.world:make",
        strict: bool = True,
        pull: str = "down",
        grace_s: float = 5.0,
        grain_s: float = 0.0,
        slack_s: Mapping[str, float] = MappingProxyType({}),
        utc_s: float = DEMO_UTC_S,
    ) -> None:
        self.folder = folder
        self._clock = clock
        self.wiring = wiring or BenchWiring()
        (folder / "run").mkdir(parents=True, exist_ok=True)
        self.settings = write_settings(folder / "settings.yaml", folder, self.wiring, station or {})
        self._config = {
            "folder": str(folder), "scenario": scenario, "seed": seed, "speed": speed, "clock": clock, "world": world,
            "utc_s": utc_s, "strict": strict, "pull": pull, "grace_s": grace_s, "grain_s": grain_s,
            "slack_s": dict(slack_s), "settings": str(self.settings), "gauge": self.wiring.gauge,
            "probes": list(self.wiring.probes),
        }  # fmt: skip
        self._child: Child | None = None
        self._lock = threading.Lock()
        self._count = 0
        #: Sentences of the governor: who was passed over, who came back.
        self.reports: list[str] = []

    # -- life ------------------------------------------------------------------------------------------------------

    def start(self) -> Bench:
        """Start the process; bench time stands still. Raises BenchGone."""
        path = self.folder / "bench.json"
        path.write_text(json.dumps(self._config), encoding="utf-8")
        self._child = Child(
            "bench",
            [sys.executable, "-m", "tools.plant.wire.bench_process", str(path)],
            self.folder / "bench.log",
            self.env(),
            pipes=True,
        )
        if self._read().get("kind") != "ready":
            raise BenchGone(self._child.last_words())
        return self

    def close(self) -> None:
        """End it: whoever sleeps by its clock is told so."""
        if self._child is not None:
            self._child.end()
            self._child = None

    __enter__ = start

    def __exit__(self, *exc: object) -> None:
        self.close()

    @property
    def child(self) -> Child:
        """Its process. Raises BenchGone before the start and after the end."""
        if self._child is None:
            raise BenchGone("the bench does not run")
        return self._child

    def env(self) -> dict[str, str]:
        """The environment of everybody who takes part."""
        env = {
            **os.environ,
            "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'daemon'}",
            BENCH_DIR_VARIABLE: str(self.folder),
            "PYTHONUNBUFFERED": "1",
        }
        env.pop("NOTIFY_SOCKET", None)
        if self._clock == "bench":
            env[BENCH_CLOCK_VARIABLE] = str(self.folder / "clock")
        else:
            env.pop(BENCH_CLOCK_VARIABLE, None)
        return env

    # -- orders ----------------------------------------------------------------------------------------------------

    def ask(self, do: str, **fields: Any) -> dict[str, Any]:
        """One order and its answer. Raises BenchGone, or ValueError with what the bench says against it."""
        with self._lock:
            self._count += 1
            try:
                self.child.stdin.write(json.dumps({"n": self._count, "do": do, **fields}).encode() + b"\n")
                self.child.stdin.flush()
            except OSError as exc:
                raise BenchGone(self.child.last_words()) from exc
            while True:
                answer = self._read()
                if answer.get("n") == self._count:
                    break
        if "error" in answer:
            raise ValueError(answer["error"])
        return answer

    def go(self) -> None:
        """Let time pass."""
        self.ask("go")

    def hold(self) -> None:
        """Let it stand."""
        self.ask("hold")

    def state(self) -> dict[str, Any]:
        """`now_s`, `heat` (what the board gets), `relay` (its edges), `truth`, `person` and what time was spent on."""
        return self.ask("state")

    def probe_fault(self, probe: str, kind: str, **numbers: int) -> None:
        """A fault of `frames.FaultKind` on that probe's line."""
        self.ask("probe_fault", probe=probe, kind=kind, **numbers)

    def gauge_fault(self, kind: str, delay_s: float = 0.0) -> None:
        """A fault of `serial_gauge.LineFault` or `modbus_slave.ModbusFault`."""
        self.ask("gauge_fault", kind=kind, delay_s=delay_s)

    def set(self, name: str, value: Any) -> None:
        """Turn a handle of the plant."""
        self.ask("set", name=name, value=value)

    def wait(
        self, condition: Callable[[dict[str, Any]], bool], bound_s: float, pause_s: float = 0.01
    ) -> dict[str, Any]:
        """Wait until the state is so, for at most so much real time; returns the state.

        Raises TimeoutError, BenchGone.
        """
        end_s = time.monotonic() + bound_s
        while True:
            state = self.state()
            if condition(state):
                return state
            if time.monotonic() > end_s:
                raise TimeoutError(f"not so within {bound_s:g} s of real time; bench time is {state['now_s']:.1f} s")
            time.sleep(pause_s)

    def wait_joined(self, *names: str, bound_s: float = 30.0, alive: Callable[[], bool] = lambda: True) -> None:
        """Wait until all of these take part in bench time.

        Raises TimeoutError naming those who do not; `alive` false ends the waiting.
        """
        end_s = time.monotonic() + bound_s
        while True:
            missing = set(names) - set(self.ask("names")["names"])
            if not missing:
                return
            if time.monotonic() > end_s or not alive():
                raise TimeoutError(f"{', '.join(sorted(missing))} did not join the bench's clock")
            time.sleep(0.01)

    def _read(self) -> dict[str, Any]:
        while True:
            line = self.child.stdout.readline()
            if not line:
                self.child.process.wait(5)
                raise BenchGone(self.child.last_words() or "the bench ended without a word")
            message: dict[str, Any] = json.loads(line)
            if message.get("kind") != "report":
                return message
            self.reports.append(message["text"])
