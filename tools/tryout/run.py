"""One try-out from start to end: everything is started, watched, drained, exported, judged, and for certain ended."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any, Final

from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput, LastbubbleError
from lastbubble.guard.client import ask_guard
from lastbubble.guard.protocol import BENCH_SOCKET
from lastbubble.ledger.reader import Reader
from tools.plant.wire.bench import LASTBUBBLE, ROOT, Bench, BenchGone
from tools.plant.wire.children import Child, Children
from tools.plant.wire.pinfile import PinFile
from tools.plant.wire.pins import PINS_FILE
from tools.plant.wire.station_file import RELAY_PIN, BenchWiring
from tools.tryout.options import Options
from tools.tryout.receiver import Receiver
from tools.tryout.subscriber import Subscriber
from tools.tryout.verdict import Check, Evidence, judge, read_lines, received_lines

__all__ = ["Result", "TryOut"]

#: Real time for everybody to start, for what is on its way to arrive, and for the record to be exported [s].
_START_S: Final = 60.0
_DRAIN_S: Final = 30.0
_EXPORT_S: Final = 120.0
_LOOK_S: Final = 0.25
#: Bench time goes so fast while the last messages arrive.
_DRAIN_SPEED: Final = 20.0
#: Bench time that their work may take: less than a pass of the service, and than a guard's cycle [s].
_SLACK_S: Final = {"service": 0.7, "thermometer": 0.1}
_FILES: Final = (
    "batch.csv",
    "batch.jsonl",
    "received.jsonl",
    "notices.jsonl",
    "bench.json",
    "settings.yaml",
    "report.html",
)


class Stopped(Exception):  # no error: somebody pressed Ctrl-C
    """The person wants it to end."""


class Failed(Exception):  # carries the sentence for the person
    """It cannot go on; the text says what was found."""


@dataclass(slots=True)
class Result:
    """checks : all of them;  facts : for the summary;  code : of the exit"""

    checks: list[Check] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        return bool(self.checks) and all(check.ok for check in self.checks)


Show = Callable[[dict[str, Any], dict[str, Any]], None]


class TryOut:
    """`run()` once. `show` is called with the station's status and the bench's state, some times a second."""

    def __init__(self, options: Options, show: Show | None = None) -> None:
        self._options = options
        self._show = show
        self._out = options.folder.absolute()
        self._folder = Path()
        self._children = Children()
        self._bench: Bench | None = None
        self._receiver: Receiver | None = None
        self._subscriber: Subscriber | None = None
        self._told: int | None = None
        self._trouble: list[str] = []
        self._heat_at_end = False
        self._began_s = time.monotonic()
        self.page_url = ""

    # -- the whole -------------------------------------------------------------------------------------------------

    def run(self, concluded: Callable[[Result], None]) -> Result:
        """Everything. Raises Stopped, or Failed with what was found; either way nothing is left running.

        concluded : called with the result as soon as there is one, before the page is served on
        """
        with self._signals():
            try:
                self._start()
                self._follow()
                result = self._conclude()
                concluded(result)
                if not self._options.once and self.page_url:
                    self._stay()
            finally:
                self._clean()
        heat = Check("the relay is open at the end", not self._heat_at_end, "closed" if self._heat_at_end else "open")
        result.checks = [heat if check.name == heat.name else check for check in result.checks]
        return result

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        """SIGINT and SIGTERM are only noted, so that nothing is ever half started or half ended."""

        def note(signum: int, frame: FrameType | None) -> None:  # noqa: ARG001  # a handler
            self._told = signum

        old = {signum: signal.signal(signum, note) for signum in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        try:
            yield
        finally:
            for signum, handler in old.items():
                signal.signal(signum, handler)

    def _check(self) -> None:
        """Raises Stopped when a signal came, Failed when a process has ended or the time is up."""
        if self._told is not None:
            raise Stopped
        for child in self._children.dead():
            raise Failed(f"the {child.name} has ended with {child.process.returncode}:\n{child.last_words()}")
        if time.monotonic() - self._began_s > self._options.limit_s and not self._staying:
            raise Failed(f"not done after {self._options.limit_s:g} s; --limit allows more")

    _staying = False

    # -- start -----------------------------------------------------------------------------------------------------

    def _start(self) -> None:
        options = self._options
        self._folder = Path(tempfile.mkdtemp(prefix="lastbubble-"))
        self._out.mkdir(parents=True, exist_ok=True)
        for name in _FILES:
            (self._out / name).unlink(missing_ok=True)
        self._receiver = Receiver(self._out / "notices.jsonl", self._ring)
        broker = options.broker or ("127.0.0.1", _free_port())
        page = _free_port() if options.page else None
        wiring = BenchWiring(
            gauge=options.gauge,
            probes=("oven", "witness") if options.witness else ("oven",),
            phone=(self._receiver.url,),
            broker=broker,
            # The embedded broker speaks 3.1.1 only; values every half minute are plenty for a batch of hours.
            mqtt_version="3.1.1",
            page=page,
            extra={"mqtt": {"every": "30 s"}, "log_level": "info", "thermometer": {"rate": "4 Hz"}},
        )
        bench = Bench(
            self._folder,
            scenario=options.scenario,
            seed=options.seed,
            speed=options.speed,
            wiring=wiring,
            world=options.world,
            slack_s=_SLACK_S,
        )
        self._bench = bench
        bench.start()
        if options.broker is None:
            self._child("broker", [sys.executable, "-m", "tools.tryout.broker", str(broker[1])])
            self._until(lambda: _listens(broker), _START_S, "the broker does not listen")
        try:
            self._subscriber = Subscriber(*broker, self._out / "received.jsonl")
        except OSError as exc:
            raise Failed(f"the broker at {broker[0]}:{broker[1]} cannot be reached ({exc}); check --broker") from exc
        self._until(lambda: self._sub.ready, _START_S, "the broker did not take the subscription")
        shutil.copy(bench.settings, self._out / "settings.yaml")
        for name, *argv in (("guard", "guard", "run"), ("thermometer", "thermometer"), ("service", "serve")):
            self._child(name, [*LASTBUBBLE, *argv, "--settings", str(bench.settings)])
        self._until(self._all_joined, _START_S, "not everybody joined the bench's clock")
        if page is not None:
            self.page_url = f"http://127.0.0.1:{page}/"
        bench.ask("live")
        bench.go()

    def _child(self, name: str, command: list[str]) -> None:
        assert self._bench is not None
        self._children.add(Child(name, command, self._folder / f"{name}.log", self._bench.env(), folder=ROOT))

    def _all_joined(self) -> bool:
        assert self._bench is not None
        return {"guard", "thermometer", "service"} <= set(self._bench.ask("names")["names"])

    def _until(self, condition: Callable[[], bool], bound_s: float, otherwise: str) -> None:
        end_s = time.monotonic() + bound_s
        while not condition():
            self._check()
            if time.monotonic() > end_s:
                raise Failed(f"{otherwise} within {bound_s:g} s")
            time.sleep(0.01)

    @property
    def _sub(self) -> Subscriber:
        assert self._subscriber is not None
        return self._subscriber

    def _ring(self, notice: dict[str, Any]) -> None:
        """A notice has come: the simulated person's phone rings."""
        if self._bench is not None:
            with contextlib.suppress(BenchGone, ValueError):
                self._bench.ask("notice", notice={key: str(notice.get(key, "")) for key in ("title", "message")})

    # -- the batch -------------------------------------------------------------------------------------------------

    def _follow(self) -> None:
        """Until the person's day is over."""
        assert self._bench is not None
        while True:
            self._check()
            state = self._bench.state()
            if self._show is not None:
                self._show(self._status(), state)
            person = state["person"]
            if person["trouble"]:
                self._trouble.append(f"the person at the bench: {person['trouble']}")
            if person["finished"]:
                return
            time.sleep(_LOOK_S)

    def _status(self) -> dict[str, Any]:
        try:
            return ask_desk(self._folder / "run" / "service.sock", {"ask": "status"}, timeout_s=5.0)
        except BadInput:
            return {}

    # -- the end of it ---------------------------------------------------------------------------------------------

    def _conclude(self) -> Result:
        bench, out = self._bench, self._out
        assert bench is not None
        bench.ask("speed", speed=_DRAIN_SPEED)
        if self._options.once:
            # Ended in order, the service hands on what is still on its way before it goes.
            self._drain()
        state = bench.state()
        cpu_s = self._children.cpu_s() | {"bench": bench.child.cpu_s()}
        state["cpu_s"] = cpu_s
        state["rss_b"] = {name: _rss_b(self._children[name].pid) for name in ("guard", "thermometer", "service")}
        ledger = self._folder / "ledger.db"
        reader = Reader(ledger)
        row = reader.batches()[-1]
        zero_s = row.zero_now_s
        reader.close()
        self._lastbubble(
            "log", "export", str(row.id), "-o", str(out / "batch.csv"), "--records", str(out / "batch.jsonl"),
            "--settings", str(bench.settings),
        )  # fmt: skip
        report = ("batch", "report", str(row.id), "-o", str(out / "report.html"), "--settings", str(bench.settings))
        self._lastbubble(*report)
        replayed = self._lastbubble("replay", str(out / "batch.csv"), "--json").splitlines()
        state["zero_s"] = zero_s
        (out / "bench.json").write_text(json.dumps(state, indent=1), encoding="utf-8")
        received, doubles, fault = received_lines(self._sub.records, row.id)
        if fault:
            self._trouble.append(f"the subscriber: {fault}")
        stream = read_lines(out / "batch.jsonl")
        assert self._receiver is not None
        evidence = Evidence(
            stream=stream,
            replayed=replayed,
            received=received,
            notices=self._receiver.notices,
            trouble=self._trouble,
            relay=[(at_s, level) for at_s, level in state["relay"]],
            zero_s=zero_s,
            heat_at_end=bool(state["heat"]),
        )
        facts = {
            "records": [json.loads(line) for line in stream],
            "truth": state["truth"],
            "zero_s": zero_s,
            "bench_s": state["now_s"] - zero_s,
            "real_s": time.monotonic() - self._began_s,
            "messages": dict(self._sub.messages),
            "doubles": doubles,
            "notices": list(self._receiver.notices),
            "notes": state["person"]["notes"],
            "state": state,
            "out": str(out),
            "kept": str(self._folder) if self._options.keep else "",
            "page": self.page_url,
        }
        return Result(judge(evidence), facts)

    def _drain(self) -> None:
        """Wait until what has been said has also arrived, at the subscriber and at the phone."""
        reader = Reader(self._folder / "ledger.db")
        try:

            def arrived() -> bool:
                last = reader.last_seq()
                told = all(reader.cursor(name) >= last for name in ("mqtt", "phone"))
                return told and self._sub.last_seq() >= last

            try:
                self._until(arrived, _DRAIN_S, "the last messages did not get through")
            except Failed as exc:
                self._trouble.append(str(exc))
        finally:
            reader.close()

    def _stay(self) -> None:
        """Serve the page on, in real time, until somebody presses Ctrl-C."""
        assert self._bench is not None
        self._bench.ask("speed", speed=1.0)
        self._staying = True
        while self._told is None:
            self._check()
            time.sleep(0.1)

    def _lastbubble(self, *argv: str) -> str:
        env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'daemon'}"}
        done = subprocess.run(
            [*LASTBUBBLE, *argv], env=env, capture_output=True, text=True, timeout=_EXPORT_S, check=False
        )
        if self._told is not None:
            raise Stopped  # Ctrl-C at a terminal reaches such a command too
        if done.returncode != 0:
            raise Failed(f"`lastbubble {' '.join(argv)}` ended with {done.returncode}: {done.stderr.strip()}")
        return done.stdout

    # -- nothing is left -------------------------------------------------------------------------------------------

    def _clean(self) -> None:
        """Heat withheld first, then everybody in order, then time itself; and a look at the relay's line."""
        if self._folder == Path():
            return
        self._withhold()
        self._children.end("service", "thermometer", "guard")
        self._heat_at_end = self._line_is_high()
        if self._subscriber is not None:
            self._subscriber.close()
        if self._bench is not None:
            self._bench.close()
        self._children.end_all()
        if self._receiver is not None:
            self._receiver.close()
        logs = self._out / "processes"
        with contextlib.suppress(OSError):
            logs.mkdir(parents=True, exist_ok=True)
            for path in self._folder.glob("*.log"):
                shutil.copy(path, logs / path.name)
        if not self._options.keep:
            shutil.rmtree(self._folder, ignore_errors=True)

    def _withhold(self) -> None:
        if "guard" not in self._children or not self._children["guard"].alive or self._bench is None:
            return
        try:
            # The guard answers in bench time, so time has to go on.
            self._bench.ask("speed", speed=_DRAIN_SPEED)
            self._bench.go()
            ask_guard(self._folder / "run" / BENCH_SOCKET, {"ask": "cut", "reason": "the try-out ends"})
        except (LastbubbleError, BenchGone, ValueError, OSError):
            pass  # it is ended next, and opens the relay in any case

    def _line_is_high(self) -> bool:
        path = self._folder / PINS_FILE
        if not path.exists():
            return False
        pins = PinFile(path)
        try:
            return pins.board_level(RELAY_PIN)
        finally:
            pins.close()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _listens(address: tuple[str, int]) -> bool:
    try:
        socket.create_connection(address, timeout=0.5).close()
    except OSError:
        return False
    return True


def _rss_b(pid: int) -> int:
    """Memory of a process that only it holds, with what it shares counted too [bytes]."""
    try:
        for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmRSS:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError):
        pass
    return 0
