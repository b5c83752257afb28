"""The station of one case: bench, guard, thermometer, service, a phone and a broker, all of them real processes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from lastbubble.errors import LastbubbleError
from lastbubble.guard.client import ask_guard, read_status
from lastbubble.guard.latch import LATCH_FILE
from lastbubble.guard.protocol import BENCH_SOCKET, Answer, GuardStatus
from lastbubble.ledger.reader import Reader
from lastbubble.station import SERVICE_SOCKET
from tools.fault_cases.plan import Setup
from tools.fault_cases.supervisor import Supervisor
from tools.plant.wire.bench import LASTBUBBLE, Bench
from tools.plant.wire.children import Child, Children
from tools.plant.wire.pinfile import PinFile
from tools.plant.wire.pins import PINS_FILE
from tools.plant.wire.station_file import RELAY_PIN, BenchWiring
from tools.tryout.receiver import Receiver

__all__ = ["BOUND_S", "COMMANDS", "Rig", "Stuck", "World"]

#: Longest that anything here is waited for [s of real time].
BOUND_S: Final = 90.0
COMMANDS: Final = {"guard": ("guard", "run"), "thermometer": ("thermometer",), "service": ("serve",)}
#: Bench seconds a real second: while something is looked at closely, and while time only has to pass.
_SPEED: Final = 40.0
_TOLD_BOUND_S: Final = 30.0
_POLL_S: Final = 0.002
_INSIDE: Final = Path(__file__).with_name("inside")
#: The station's files lie in memory where the machine offers that: how fast its disk is is not what is tried.
_MEMORY: Final = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


class Stuck(Exception):  # carries the sentence for the person
    """The station of a case did not come to where the case begins, or could not be asked."""


class World:
    """What all cases of a run share.

    broker : host and port of one that works;  heard : topic -> latest payload, of an independent subscriber
    """

    def __init__(self, broker: tuple[str, int], heard: Callable[[str], str]) -> None:
        self.broker = broker
        self.heard = heard


class Rig:
    """`with Rig(name, setup, world) as rig:` brings the station to where heat is permitted and on (or not, as asked).

    Everything that waits raises Stuck after BOUND_S of real time.
    """

    def __init__(self, name: str, setup: Setup, world: World) -> None:
        self.name = name
        self.setup = setup
        self.station = f"case-{name.replace('_', '-')}"
        self.folder = Path(tempfile.mkdtemp(prefix="lbf-", dir=_MEMORY))  # sockets want a short path
        self.world = world
        self.receiver = Receiver(self.folder / "notices.jsonl")
        self.children = Children()
        self.supervisor: Supervisor | None = None
        self.injected_s = 0.0
        #: Bench seconds a real second, where something is looked at closely.
        self.speed = _SPEED
        self._undo: list[Callable[[], None]] = []
        port = world.broker if setup.broker == "well" else ("127.0.0.1", free_port())
        phone = self.receiver.url if setup.phone == "well" else f"json://127.0.0.1:{free_port()}/gone"
        guard = {"require_commissioning": False, **setup.guard}
        wiring = BenchWiring(
            gauge=setup.gauge,
            probes=setup.probes,
            phone=(phone,),
            broker=port,
            extra={"station": self.station, "mqtt": {"every": "5 s"}, **setup.extra, "guard": guard},
        )
        self.bench = Bench(
            self.folder,
            scenario=setup.scene,
            speed=_SPEED,
            clock=setup.clock,
            wiring=wiring,
            world="tools.fault_cases.world:make",
            strict=setup.strict,
            grace_s=6.0,
            slack_s={"service": 0.7, "thermometer": 0.1},
        )
        self.pins: PinFile

    # -- life ------------------------------------------------------------------------------------------------------

    def __enter__(self) -> Rig:
        try:
            self.bench.start()
            self.pins = PinFile(self.folder / PINS_FILE)
            for part in self.setup.parts:
                if part == "guard" and self.setup.watched:
                    self.supervisor = Supervisor(self.folder, lambda env: self.start("guard", env=env))
                else:
                    self.start(part)
            self._until_up()
            if self.setup.permit:
                self.permit()
            if self.setup.warm_s:
                self.later(self.setup.warm_s)
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        if self.supervisor is not None:
            self.supervisor.close()
        for name in ("service", "thermometer", "guard"):
            if name in self.children:
                # Whoever was stopped has to hear that it shall end.
                self._signal(name, signal.SIGCONT)
        self.children.end_all()
        for undo in reversed(self._undo):
            undo()
        self.bench.close()
        if hasattr(self, "pins"):
            self.pins.close()
        self.receiver.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def undo(self, deed: Callable[[], None]) -> None:
        """Done at the end, last first, whatever happens."""
        self._undo.append(deed)

    def start(self, name: str, *, env: dict[str, str] | None = None) -> Child:
        """Start (again) one of the processes."""
        self.children.end(name)
        command = [*LASTBUBBLE, *COMMANDS[name], "--settings", str(self.bench.settings)]
        whole = {**self.bench.env(), **(env or {})}
        if name == "service" and (env or self.setup.service_pins):
            whole["PYTHONPATH"] = f"{_INSIDE}{os.pathsep}{whole['PYTHONPATH']}"
            whole |= {"LASTBUBBLE_CASE_PINS": "1"} if self.setup.service_pins else {}
        return self.children.add(Child(name, command, self.folder / f"{name}.log", whole))

    def start_again(self, name: str, *, env: dict[str, str] | None = None) -> None:
        """The same with the station's time at no more than real speed until it takes part, as its start-up is real."""
        self.bench.ask("speed", speed=1.0)
        try:
            self.children.end(name)
            if self.setup.clock == "bench":
                self.until(lambda: name not in self.bench.ask("names")["names"], f"the {name} does not go")
            self.start(name, env=env)
            if self.setup.clock == "bench":
                self.bench.wait_joined(name, alive=lambda: self.children[name].alive, bound_s=BOUND_S)
        except TimeoutError as exc:
            if self.children[name].alive:
                raise Stuck(str(exc)) from exc
        finally:
            self.bench.ask("speed", speed=self.speed)

    def _until_up(self) -> None:
        if self.setup.clock == "bench":
            try:
                self.bench.wait_joined(*self.setup.parts, alive=lambda: not self.children.dead(), bound_s=BOUND_S)
            except TimeoutError as exc:
                raise Stuck(f"{exc}: {self._last_words()}") from exc
        self.bench.go()
        if "guard" in self.setup.parts and "thermometer" in self.setup.parts:
            self.until(self._reads, "the guard does not read the probes")
            # The chips begin at 25 degC; until the bench's first steps have been taken for true, readings are refused.
            self.later(3.0)
        if "service" in self.setup.parts:
            path = self.folder / "run" / SERVICE_SOCKET
            self.until(path.exists, "the service has not come up")

    def _reads(self) -> bool:
        status = self.status_or_none()
        # A fault that is there from the first frame on counts as read: what is waited for is the first frame.
        return status is not None and all(probe.time_s is not None for probe in status.probes)

    def _last_words(self) -> str:
        return "; ".join(f"{child.name}: {child.last_words(4)}" for child in self.children.dead())

    # -- time ------------------------------------------------------------------------------------------------------

    def now(self) -> float:
        """The station's time [s]."""
        return float(self.bench.state()["now_s"])

    def later(self, seconds: float, while_: Callable[[], bool] = lambda: True) -> None:
        """Let so much of the station's time pass, as long as the condition holds."""
        self.bench.go()
        end_s = self.now() + seconds
        self.bench.ask("speed", speed=self.speed)
        if seconds > 60:
            self.bench.ask("speed", speed=None)
        try:
            bound_s = time.monotonic() + BOUND_S + seconds * (1.5 if self.setup.clock == "real" else 0.25)
            while self.now() < end_s and while_():
                if time.monotonic() > bound_s:
                    raise Stuck(f"{seconds:g} s of bench time did not pass in time: the machine is too busy")
                time.sleep(_POLL_S)
        finally:
            self.bench.ask("speed", speed=self.speed)

    def until(self, condition: Callable[[], bool], otherwise: str, bound_s: float = BOUND_S) -> None:
        """Wait in real time, the station's going on."""
        end_s = time.monotonic() + bound_s
        while not condition():
            if time.monotonic() > end_s:
                raise Stuck(f"{otherwise} within {bound_s:g} s: {self._last_words()}")
            time.sleep(_POLL_S)

    def strike(self, deed: Callable[[Rig], Any]) -> None:
        """Inject: the station's time stands still meanwhile where it can, and counts from here."""
        if self.setup.clock == "bench":
            self.bench.hold()
        self.injected_s = self.now()
        try:
            deed(self)
        finally:
            if self.setup.clock == "bench":
                self.bench.go()

    # -- the relay -------------------------------------------------------------------------------------------------

    def line(self) -> bool:
        """What the board gets: heat or none. A pulsed line counts as heat until its edges have stopped for 0.5 s."""
        level = self.pins.board_level(RELAY_PIN)
        if self.setup.guard.get("drive") != "pulsed":
            return level
        return self.pins.owner(RELAY_PIN) is not None and self.now() - self.pins.last_edge_s(RELAY_PIN) < 0.5

    def wait_open(self, within_s: float) -> float | None:
        """Seconds of the station's time from the injection until the line was low, None when it was not in time.

        To the cycle where the guard opened it, to a bench step where a dead guard's line fell.
        """
        opened: list[float] = []

        def still_on() -> bool:
            if self.line():
                return True
            if not opened:
                opened.append(self.now())
            return False

        left_s = self.injected_s + within_s - self.now()
        self.later(max(left_s, 0.0), still_on)
        if still_on():
            return None
        edge_s = self.pins.last_edge_s(RELAY_PIN)
        # The owner's own edge is exact; one that somebody else has made is known to a step of the bench.
        steps_s = [at_s for at_s, level in self.bench.state()["relay"] if not level and at_s >= self.injected_s]
        at_s = min([opened[0], *steps_s, *([edge_s] if edge_s >= self.injected_s else [])])
        if self.setup.guard.get("drive") == "pulsed":
            at_s = edge_s + 0.5
        return max(0.0, at_s - self.injected_s)

    # -- the guard -------------------------------------------------------------------------------------------------

    def status(self) -> GuardStatus:
        """Of the guard, now. Raises Stuck."""
        try:
            return read_status(self.folder / "run" / BENCH_SOCKET, timeout_s=30.0)
        except LastbubbleError as exc:
            raise Stuck(str(exc)) from exc

    def status_or_none(self) -> GuardStatus | None:
        """The same, None when it does not answer."""
        try:
            return read_status(self.folder / "run" / BENCH_SOCKET, timeout_s=10.0)
        except (LastbubbleError, OSError):
            return None

    def ask(self, ask: str, **fields: Any) -> Answer:
        """A person's request at the bench, for whom time goes on. Raises Stuck when nobody answers."""
        self.bench.go()
        try:
            return ask_guard(self.folder / "run" / BENCH_SOCKET, {"ask": ask, **fields}, timeout_s=30.0)
        except LastbubbleError as exc:
            raise Stuck(str(exc)) from exc

    def permit(self) -> None:
        """A person permits; wait until heat is on."""
        end_s = time.monotonic() + BOUND_S
        while True:
            answer = self.ask("permit")
            if answer.ok:
                break
            if time.monotonic() > end_s:
                raise Stuck(f"no permit: {answer.why}")
            self.later(0.5)
        self.until(self.line, "permitted, and the relay does not close")

    # -- doing harm ------------------------------------------------------------------------------------------------

    def probe_fault(self, kind: str, probe: str = "oven", **numbers: int) -> None:
        """A fault on a converter's line, bit by bit."""
        self.bench.probe_fault(probe, kind, **numbers)

    def set(self, **handles: Any) -> None:
        """Turn handles of the oven."""
        for name, value in handles.items():
            self.bench.set(name, value)

    def _signal(self, name: str, signum: signal.Signals) -> None:
        if self.children[name].alive:
            self.children[name].process.send_signal(signum)

    def signal(self, name: str, signum: signal.Signals) -> None:
        """Send a signal to a process; one that kills is waited for."""
        self._signal(name, signum)
        if signum == signal.SIGKILL:
            self.children[name].process.wait(10)

    @property
    def guard(self) -> Child:
        """Its process."""
        return self.children["guard"]

    def links(self, name: str, count: int) -> list[socket.socket]:
        """So many connections to one of the guard's sockets, closed at the end."""
        made: list[socket.socket] = []
        for _ in range(count):
            link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            link.setblocking(False)
            try:
                link.connect(os.fspath(self.folder / "run" / name))
            except OSError:
                link.close()
                continue
            self.undo(link.close)
            made.append(link)
        return made

    # -- what came of it -------------------------------------------------------------------------------------------

    def causes(self, status: GuardStatus | None) -> list[str]:
        """What the guard names: the trip's cause first, then those of the holds, newest first."""
        if status is None:
            return []
        named = [] if status.trip is None else [status.trip.cause]
        named += [event.text.split(":")[0] for event in reversed(status.events) if event.name in ("withheld", "also")]
        return list(dict.fromkeys(named))

    def latched(self) -> str:
        """The cause in the guard's latch on the disk, "" for none."""
        for path in (self.folder / "guard" / LATCH_FILE,):
            try:
                record = json.loads(path.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            return str(record.get("cause", "")) if record.get("tripped") else ""
        return ""

    def ledger_trips(self) -> list[str]:
        """Causes of the trips in the ledger."""
        path = self.folder / "ledger.db"
        if not path.exists():
            return []
        try:
            reader = Reader(path)
        except (LastbubbleError, OSError):
            return []
        try:
            lines = [json.loads(row.line) for batch in reader.batches() for row in reader.records(batch.id)]
        finally:
            reader.close()
        return [line["cause"] for line in lines if line["kind"] == "trip"]

    def recorded(self) -> tuple[str, ...]:
        """Where the trip stands now."""
        latched = self.latched()
        return (("latch",) if latched else ()) + (("ledger",) if self.ledger_trips() else ())

    def told(self, status: GuardStatus | None) -> tuple[str, ...]:
        """Who has been told that the heat was taken away: the bench, the broker's subscriber, the phone."""
        out: list[str] = []
        if status is not None and status.state != "permitted":
            out.append("bench")
        if self.world.heard(f"homie/5/{self.station}/oven/heat-state") in ("withheld", "tripped"):
            out.append("mqtt")
        if any("heat was cut" in str(notice.get("title", "")) for notice in list(self.receiver.notices)):
            out.append("phone")
        return tuple(out)

    def wait_told(
        self, wanted_recorded: tuple[str, ...], wanted_told: tuple[str, ...], status: GuardStatus | None
    ) -> None:
        """Give what is on its way the time to arrive, the station's clock going on."""
        end_s = time.monotonic() + _TOLD_BOUND_S
        while time.monotonic() < end_s:
            if set(wanted_recorded) <= set(self.recorded()) and set(wanted_told) <= set(self.told(status)):
                return
            time.sleep(0.05)


def free_port() -> int:
    """A port of this machine that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
