"""Helpers of the guard's tests: frames by the data sheet's layout, a clock that is moved, a guard without ports."""

from __future__ import annotations

import struct
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from lastbubble.frames import FrameMessage
from lastbubble.guard.config import GuardSettings, ProbeSettings
from lastbubble.guard.core import Guard, Inputs
from lastbubble.guard.protocol import Answer, TripStatus
from lastbubble.physics.thermocouple import true_to_straight_line_c
from lastbubble.sensing.thermocouple import Calibration, FrameJudge

PERIOD_S = 0.1


def frame(oven_c: float, junction_c: float = 25.0, fault: int = 0, noise: int = 0) -> bytes:
    """The 32 bits that a converter sends for a true temperature. fault: bits D2..D0; noise: counts of 0.25 K."""
    shown_c = true_to_straight_line_c(oven_c, junction_c)
    counts = round(shown_c / 0.25) + noise
    word = (counts & 0x3FFF) << 18 | (round(junction_c / 0.0625) & 0xFFF) << 4 | fault
    if fault:
        word |= 1 << 16
    return struct.pack(">I", word)


class MovedClock:
    """Bench time that moves when it is told to."""

    def __init__(self, now_s: float = 1000.0) -> None:
        self.now_s = now_s

    def now(self) -> float:
        return self.now_s

    def utc(self) -> datetime:
        return datetime.fromtimestamp(1.7e9 + self.now_s, UTC)

    def sleep_until(self, wake_s: float) -> None:
        self.now_s = max(self.now_s, wake_s)

    def sleep(self, duration_s: float) -> None:
        self.now_s += max(0.0, duration_s)


def settings(**changes: Any) -> GuardSettings:
    base = GuardSettings(relay_pin=17, pin_factory="mock", simulated=True, require_commissioning=False)
    return replace(base, **changes)


class Rig:
    """A guard, its probes' true temperatures, and the loop's part of a cycle done by hand.

    temperatures : probe -> degC (None: no frame);  spoil : probe -> raw bytes instead, or an error text
    """

    def __init__(self, given: GuardSettings | None = None, latched: TripStatus | None = None, **kwargs: Any) -> None:
        self.settings = given or settings()
        self.now_s = 1000.0
        self.guard = Guard(
            self.settings,
            [FrameJudge(probe.name, Calibration(probe.calibration)) for probe in self.settings.probes],
            self.now_s,
            latched=latched,
            **kwargs,
        )
        self.names = [probe.name for probe in self.settings.probes]
        self.temperatures: dict[str, float | None] = dict.fromkeys(self.names, 25.0)
        self.junctions: dict[str, float] = {name: 25.0 + index for index, name in enumerate(self.names)}
        self.spoil: dict[str, bytes | str] = {}
        self.closed = False
        self.pin_stuck: bool | None = None
        self.inputs = Inputs()
        self.lease = True
        self.history: list[tuple[float, bool]] = []
        self._tick = 0

    def step(self) -> bool:
        """One cycle of 0.1 s, each probe at 5 Hz; returns whether the relay is closed."""
        self._tick += 1
        self.now_s = 1000.0 + self._tick * PERIOD_S
        guard = self.guard
        guard.begin_cycle(self.now_s, datetime.fromtimestamp(1.7e9 + self.now_s, UTC))
        if self._tick % 2 == 0:
            for index, name in enumerate(self.names):
                self._send(index, name)
        if self.lease and self._tick % 10 == 0 and guard.state == "permitted":
            guard.ask({"ask": "renew_lease"}, "service")
        wanted = guard.cycle(self.inputs)
        level = wanted if self.pin_stuck is None else self.pin_stuck
        guard.read_back(level, level == wanted)
        self.closed = level
        self.history.append((self.now_s, level))
        if guard.latch_order:
            guard.latch_order.pop()
            guard.note_latch(True)
        guard.memory_order.clear()
        return level

    def _send(self, index: int, name: str) -> None:
        spoilt = self.spoil.get(name)
        temperature = self.temperatures[name]
        if isinstance(spoilt, str):
            message = FrameMessage(index, self._tick, self.now_s, None, spoilt)
        elif spoilt is not None:
            message = FrameMessage(index, self._tick, self.now_s, spoilt)
        elif temperature is not None:
            # One count of noise in every other frame, as any real converter has.
            noise = (self._tick // 2 + index * (self._tick // 4)) % 2
            message = FrameMessage(index, self._tick, self.now_s, frame(temperature, self.junctions[name], 0, noise))
        else:
            return
        self.guard.take_frame(message)

    def run(self, seconds: float, each: Any = None) -> None:
        for _ in range(round(seconds / PERIOD_S)):
            if each is not None:
                each(self)
            self.step()

    def ask(self, who: str = "bench", **request: Any) -> Answer:
        return self.guard.ask(request, who)  # type: ignore[arg-type]

    def permit(self) -> None:
        """Well for two seconds, then permitted, and the relay closed."""
        self.run(2)
        answer = self.ask(ask="permit")
        assert answer.ok, answer.why
        self.run(0.5)
        assert self.closed, self.guard.status()

    @property
    def cause(self) -> str:
        return "" if self.guard.trip is None else self.guard.trip.cause


def two_probes(**changes: Any) -> GuardSettings:
    return settings(probes=(ProbeSettings("oven"), ProbeSettings("oven2")), **changes)


def with_witness(**changes: Any) -> GuardSettings:
    return settings(probes=(ProbeSettings("oven"), ProbeSettings("witness")), **changes)
