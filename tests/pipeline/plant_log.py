"""Logs of the simulated bench's oven (`tools.plant`) with pieces in it, for ovens and logs nobody has seen.

What happens is a list of deeds at times. The truth is kept beside the log: core of the slowest piece at every sample.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from lastbubble.records import Sample
from tools.plant.oven import Oven, OvenParts
from tools.plant.pieces import Piece, PieceParts

__all__ = ["Bench", "Log", "batch"]


@dataclass
class Bench:
    """What a deed may change: the oven, the pieces (in it or not), where the probe is, the heat, the dial's mark."""

    oven: Oven
    pieces: list[Piece]
    loaded: bool = True
    heat: bool = True
    probe_in: int | None = None
    probe_on_tray: bool = False
    marks: list[str] = field(default_factory=list)
    silent: bool = False

    def dial(self, setting: float, unit: str = "C", *, told: bool = True) -> None:
        self.oven.dial_c = (setting - 32) / 1.8 if unit == "F" else setting
        if told:
            self.marks.append(f"dial={setting:g}{unit}")


Deed = tuple[float, Callable[[Bench], None]]


@dataclass(frozen=True)
class Log:
    """core_c : true core of the slowest piece at each sample;  target_c, hold_s as they were asked for"""

    samples: list[Sample]
    core_c: list[float]
    reached_s: float | None
    complete_s: float | None

    def core_at(self, time_s: float) -> float:
        """True core at the first sample from this time on [degC]."""
        return next(core for sample, core in zip(self.samples, self.core_c, strict=True) if sample.time_s >= time_s)


def batch(
    pieces: Sequence[PieceParts],
    *,
    parts: OvenParts | None = None,
    dial_c: float = 120.0,
    deeds: Sequence[Deed] = (),
    hours: float = 3.5,
    from_s: float = 0.0,
    period_s: float = 5.0,
    jitter: float = 0.0,
    probe_in: int | None = None,
    loaded: bool = True,
    room_c: Callable[[float], float] | None = None,
    target_c: float = 93.0,
    hold_s: float = 1800.0,
) -> Log:
    """Simulate in steps of a second (or of the period where that is shorter) and sample.

    pieces : the first is the slowest;  from_s : the log begins only then;  jitter : share of the period [-]
    """
    made = parts or OvenParts()
    oven = Oven(made)
    oven.dial_c = dial_c
    bench = Bench(oven, [Piece(part, made.room_c) for part in pieces], loaded=loaded, probe_in=probe_in)
    chance = random.Random("plant log")
    waiting = sorted(deeds, key=lambda deed: deed[0])
    samples: list[Sample] = []
    cores: list[float] = []
    reached = complete = None
    seen = made.room_c
    time = held = 0.0
    next_s = from_s
    dt = min(1.0, period_s)
    while time < hours * 3600:
        while waiting and waiting[0][0] <= time:
            waiting.pop(0)[1](bench)
        if room_c is not None:
            oven.room_c = room_c(time)
        from_air = from_walls = from_tray = 0.0
        if bench.loaded:
            for piece in bench.pieces:
                tray = oven.tray_c if made.tray_j_k > 0 else None
                air_j, wall_j = piece.step(dt, oven.air_c, oven.wall_c, tray)
                from_air, from_walls, from_tray = from_air + air_j, from_walls + wall_j, from_tray + piece.from_tray_j
        oven.step(dt, bench.heat, from_air, from_walls, from_tray)
        core = bench.pieces[0].core_c
        if bench.probe_in is not None:
            there = oven.tray_c if bench.probe_on_tray else bench.pieces[bench.probe_in].core_c
            seen += dt * (there - seen) / 10
        time += dt
        if bench.loaded and reached is None and core >= target_c:
            reached = time
        if reached is not None and core >= target_c - 2:
            held += dt
            if complete is None and held >= hold_s:
                complete = time
        if time >= next_s:
            next_s += period_s * (1 + jitter * chance.uniform(-1, 1))
            if bench.silent:
                continue
            air = round((oven.couple_c + chance.gauss(0, 0.12)) * 4) / 4
            inner = None if bench.probe_in is None else round((seen + chance.gauss(0, 0.1)) * 4) / 4
            marks, bench.marks = tuple(bench.marks), []
            stamp = round(time - from_s, 4)
            samples.append(Sample(stamp, oven_c=air, witness_c=inner, heat=bench.heat, marks=marks))
            cores.append(core)
    shift = [None if when is None else when - from_s for when in (reached, complete)]
    return Log(samples, cores, shift[0], shift[1])
