"""The guard's loop over real sockets and gpiozero's pins: random requests, junk frames, stalls, every way out."""

from __future__ import annotations

import json
import random
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from lastbubble.frames import FrameMessage
from lastbubble.guard.client import GuardGone, ask_guard
from lastbubble.guard.doors import MAX_PEERS
from lastbubble.guard.latch import load_latch
from lastbubble.guard.loop import GuardLoop
from lastbubble.guard.protocol import BENCH_SOCKET, FRAMES_SOCKET, GUARD_SOCKET, Answer, message_from
from lastbubble.guard.requests import REQUESTS
from tests.guard.bench import MovedClock, frame, settings

PERIOD_S = 0.1


class Running:
    """A whole guard whose cycles the test makes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = MovedClock()
        self.factory = MockFactory()
        self.settings = replace(settings(), runtime_dir=str(folder / "run"), state_dir=str(folder / "state"))
        self.loop = GuardLoop(self.settings, self.clock, factory=self.factory)
        self.frames = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.frames.connect(str(folder / "run" / FRAMES_SOCKET))
        self.oven_c: float | None = 25.0
        self.seq = 0

    @property
    def closed(self) -> bool:
        return bool(self.factory.pin(self.settings.relay_pin).state)

    def cycles(self, count: int) -> None:
        for _ in range(count):
            self.clock.sleep(PERIOD_S)
            self.seq += 1
            if self.oven_c is not None and self.seq % 2 == 0:
                raw = frame(self.oven_c, noise=self.seq % 4 // 2)
                self.frames.send(FrameMessage(0, self.seq, self.clock.now(), raw).pack())
            self.loop.one_cycle()

    def call(self, name: str) -> socket.socket:
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.settimeout(10)
        link.connect(str(self.folder / "run" / name))
        self.cycles(1)
        return link

    def ask(self, link: socket.socket, line: bytes) -> Answer:
        link.sendall(line + b"\n")
        self.cycles(1)
        answer = message_from(link.recv(65536))
        assert isinstance(answer, Answer)
        return answer

    def permit(self) -> None:
        self.cycles(30)
        with self.call(BENCH_SOCKET) as link:
            answer = self.ask(link, b'{"ask":"permit"}')
            assert answer.ok, answer.why
        self.cycles(3)
        assert self.closed


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    made = Running(tmp_path)
    yield made
    made.loop.close()
    made.frames.close()
    # The guard's small threads are not for the rest of the tests.
    threading.stack_size(0)


def test_a_thousand_random_requests_get_one_answer_each_and_no_heat(running: Running) -> None:
    rng = random.Random(17)
    parts = [b"{", b"}", b'"ask"', b":", b"[", b"null", b"1e999", b"\xff", b"NaN", b",", b'"permit"', b'"reset"', b"\\"]
    whole = [json.dumps({"ask": name}).encode() for name in REQUESTS] + [b'{"ask":"renew_lease","hours":1}']
    running.cycles(30)
    with running.call(GUARD_SOCKET) as link:
        for _ in range(1000):
            line = rng.choice(whole) if rng.random() < 0.2 else b"".join(rng.choices(parts, k=rng.randrange(12)))
            if line == b'{"ask": "listen"}':
                continue  # what it then hears is not an answer
            answer = running.ask(link, line)
            assert answer.ok or answer.why
            assert not running.closed
    assert running.loop.guard.state == "withheld"


def test_junk_on_the_frames_door_is_counted_and_a_flood_is_bounded(running: Running) -> None:
    rng = random.Random(3)
    running.permit()
    for _ in range(200):
        running.frames.send(rng.randbytes(rng.randrange(1, 80)))
        running.cycles(1)
        if running.seq % 10 == 0:
            with running.call(GUARD_SOCKET) as link:
                running.ask(link, b'{"ask":"renew_lease"}')
    assert running.loop.guard.state == "permitted"
    assert running.loop._doors.counters["frames_junk"] == 200


def test_frames_that_stop_coming_open_the_relay(running: Running) -> None:
    running.permit()
    running.oven_c = None
    running.cycles(round(1.0 / PERIOD_S) + 3)
    assert not running.closed


def test_a_lease_that_nobody_renews_opens_the_relay_without_a_trip(running: Running) -> None:
    running.permit()
    running.cycles(round(running.settings.lease_s / PERIOD_S) + 3)
    assert not running.closed
    assert running.loop.guard.state == "withheld"


def test_over_the_limit_opens_latches_and_the_next_guard_begins_tripped(running: Running) -> None:
    running.permit()
    # In steps that air can take: a jump would only be an implausible frame.
    for oven_c in range(30, 126, 5):
        running.oven_c = float(oven_c)
        running.cycles(4)
    assert not running.closed
    assert running.loop.guard.state == "tripped"
    running.loop.close()
    assert load_latch(running.folder / "state") is not None
    again = GuardLoop(running.settings, running.clock, factory=MockFactory())
    try:
        assert again.guard.state == "tripped"
    finally:
        again.close()


def test_a_permit_does_not_outlive_its_guard(running: Running) -> None:
    running.permit()
    running.loop.close()
    assert not running.closed
    again = GuardLoop(running.settings, running.clock, factory=MockFactory())
    try:
        assert again.guard.state == "withheld"
    finally:
        again.close()


@pytest.mark.parametrize("way", ["signal", "exception", "clock gone"])
def test_every_way_out_opens_the_relay(running: Running, way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    running.permit()
    if way == "signal":
        monkeypatch.setattr(running.clock, "sleep_until", lambda _: running.loop.stop(15))
    else:
        error = RuntimeError("broken") if way == "exception" else OSError("the clock's governor is gone")

        def fail(_: float) -> None:
            raise error

        monkeypatch.setattr(running.clock, "sleep_until", fail)
    running.cycles(1)
    assert running.closed
    assert running.loop.run() == (0 if way == "signal" else 1)
    assert not running.closed


def test_listeners_that_never_read_and_callers_that_never_end_delay_nobody(running: Running) -> None:
    with (
        running.call(GUARD_SOCKET) as stalled,
        running.call(GUARD_SOCKET) as endless,
        running.call(GUARD_SOCKET) as good,
    ):
        stalled.sendall(b'{"ask":"listen","every_s":0.05}\n')
        for _ in range(40):
            try:
                endless.sendall(b"x" * 4000)
            except OSError:
                break
            running.cycles(1)
        running.cycles(3000)
        answer = running.ask(good, b'{"ask":"cut"}')
        assert answer.ok
        counters = running.loop._doors.counters
        assert counters["peers_dropped"] == 2


def test_too_many_callers_are_refused_and_the_old_ones_still_served(running: Running) -> None:
    links = [running.call(GUARD_SOCKET) for _ in range(MAX_PEERS + 3)]
    assert running.loop._doors.counters["peers_refused"] == 3
    assert running.ask(links[0], b'{"ask":"cut"}').ok
    for link in links:
        link.close()


def test_a_garbled_answer_reaches_a_person_as_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "odd.sock"
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(path))
    server.listen(1)

    def garble() -> None:
        link, _ = server.accept()
        link.recv(1000)
        link.sendall(b"\xffnot a line of the guard\n")
        link.close()

    odd = threading.Thread(target=garble)
    odd.start()
    with pytest.raises(GuardGone, match="another program"):
        ask_guard(path, {"ask": "cut"})
    odd.join(10)
    server.close()
