"""The simulated person: does at the bench what a person does, by the real commands, on the station's word.

A day is a generator: it yields a condition and goes on once that is true. Nothing here knows more than a person would:
the phone's notices, what `lastbubble status` says, the clock on the wall, and what the hands have just done.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol

from tools.plant.wire.hand import Hand

__all__ = ["Batch", "Handles", "Note", "Person"]

Condition = Callable[[float], bool]
Doing = Generator[Condition, None, Any]

#: Without word from the phone a person looks by themselves now and then [s].
_GLANCE_S: Final = 900.0


class Handles(Protocol):
    """What a person can put a hand on."""

    pump_on: bool
    vent_open: float
    dial_c: float
    door_open: bool

    def load_oven(self) -> None: ...
    def unload_oven(self) -> None: ...
    def rock(self) -> None: ...
    def drain(self) -> None: ...
    def chamber_pa(self) -> float: ...
    def room_pa(self) -> float: ...
    def bubbles_seen(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Batch:
    """What the person tells of the batch: the options of `lastbubble batch open`, and the dial's mark for the oven."""

    name: str
    options: tuple[str, ...]
    dial_mark: str
    dial_c: float
    vent_s: float = 240.0


@dataclass(slots=True)
class Note:
    """One thing done, for the summary: bench time [s], what, and what came of it."""

    time_s: float
    did: str
    said: str = ""


@dataclass(slots=True)
class Person:
    """Call `tick(now)` often. `notes` is what was done; `finished` when the day is over; `trouble` what went wrong.

    hold_probe : put a probe into something of known temperature [degC], None: back where it belongs
    """

    handles: Handles
    hand: Hand
    settings: Path
    batch: Batch
    random: random.Random
    hold_probe: Callable[[str, float | None], None]
    probes: tuple[str, ...]
    notes: list[Note] = field(default_factory=list)
    finished: bool = False
    trouble: str = ""
    busy: bool = False
    _now_s: float = 0.0
    _words: int = 0
    _alarms: int = 0
    _day: Doing | None = None
    _condition: Condition | None = None

    def tell(self, notice: dict[str, Any]) -> None:
        """The phone rings."""
        self._words += 1
        title, text = str(notice.get("title") or ""), str(notice.get("message") or "")
        # An alarm says that it comes again until somebody has seen it.
        self._alarms += "acknowledged" in text
        self.notes.append(Note(self._now_s, "phone", title or text))

    def tick(self, now_s: float) -> None:
        """Go on with the day as far as it goes at this moment."""
        self._now_s = now_s
        if self.finished:
            return
        if self._day is None:
            self._day = self._live()
            self._condition = next(self._day, None)
        while self._condition is not None and self._condition(now_s):
            self._condition = next(self._day, None)
        if self._condition is None:
            self.finished = True

    # -- what a person can do --------------------------------------------------------------------------------------

    def _wait(self, seconds: float) -> Doing:
        end_s = self._now_s + seconds
        yield lambda now_s: now_s >= end_s

    def _type(self, *argv: str) -> Doing:
        """Run a command; returns its result. A second try after a while where it was refused."""
        number = self.hand.start([*argv, "--settings", str(self.settings)])
        found: list[dict[str, Any]] = []

        def ended(now_s: float) -> bool:  # noqa: ARG001  # a condition
            result = self.hand.result(number)
            if result is not None:
                found.append(result)
            return bool(found)

        self.busy = True
        yield ended
        self.busy = False
        result = found[0]
        said = (result["out"] + result["err"]).strip()
        if argv[0] != "status":
            self.notes.append(Note(self._now_s, " ".join(argv), said))
        return result

    def _insist(self, *argv: str, tries: int = 5) -> Doing:
        """Run a command until it is done, a minute between the tries."""
        result: dict[str, Any] = {}
        for _ in range(tries):
            result = yield from self._type(*argv)
            if result["code"] == 0:
                return True
            yield from self._wait(60)
        self.trouble = f"`lastbubble {' '.join(argv)}` was refused {tries} times: {(result['err'] or '').strip()}"
        return False

    def _look(self) -> Doing:
        """What the station says: the answer of `lastbubble status --json`, {} when there was none.

        Whoever looks has seen the alarms, and says so.
        """
        if self._alarms:
            self._alarms = 0
            yield from self._type("tap", "acknowledge")
        result = yield from self._type("status", "--json")
        try:
            return json.loads(result["out"])
        except ValueError:
            return {}

    def _until(self, is_so: Callable[[dict[str, Any]], bool], what: str, within_s: float) -> Doing:
        """Look; then do something else until the phone rings, look again; now and then look without it.

        True when what the station says is so, False (and trouble) when it was not within that time.
        """
        end_s = self._now_s + within_s
        while True:
            words = self._words
            seen = yield from self._look()
            if is_so(seen):
                return True
            if self._now_s > end_s:
                said = seen.get("stage", "nothing")
                self.trouble = f"waited {within_s / 3600:.1f} h for {what}; the station says {said}"
                return False
            if seen.get("stage") == "degassing":
                # While there, a look at the resin for a minute, and a tap on what was seen.
                before = self.handles.bubbles_seen()
                yield from self._wait(60)
                yield from self._insist("mark", "bubbling" if self.handles.bubbles_seen() > before else "quiet")
            glance_s = self._now_s + _GLANCE_S
            yield lambda now_s, words=words, glance_s=glance_s: self._words > words or now_s >= glance_s
            yield from self._wait(self.random.uniform(20, 60))

    def _until_stage(self, *stages: str, within_s: float) -> Doing:
        """The same, for one of these stages."""
        return (yield from self._until(lambda seen: seen.get("stage") in stages, " or ".join(stages), within_s))

    # -- the day ---------------------------------------------------------------------------------------------------

    def _commission(self) -> Doing:
        """As the station asks before it ever permits heat: the lamp, then each probe of the air in ice and steam."""
        yield from self._insist("guard", "lamp", "yes")
        for probe in (name for name in self.probes if name.startswith("oven")):
            for true_c in (0.0, 99.4):
                self.hold_probe(probe, true_c)
                yield from self._wait(45)
                yield from self._insist("guard", "check", probe, f"{true_c:g}")
            self.hold_probe(probe, None)

    def _live(self) -> Doing:
        handles, batch = self.handles, self.batch
        yield from self._wait(20)
        yield from self._commission()
        if self.trouble:
            return
        witness = ("--witness", "slowest") if "witness" in self.probes else ()
        if not (yield from self._insist("batch", "open", batch.name, *batch.options, *witness)):
            return
        handles.vent_open = 0.0
        yield from self._insist("mark", "vent_shut")
        yield from self._wait(20)
        handles.pump_on = True
        yield from self._insist("mark", "pump_on")
        yield from self._wait(300)
        yield from self._insist("mark", "bubbling")
        if not (yield from self._until_stage("still", within_s=6 * 3600)):
            return
        yield from self._insist("mark", "quiet")
        handles.rock()
        yield from self._insist("mark", "rocked")
        yield from self._wait(600)
        # Trapped bubbles may have come out; the station says whether they have stopped again.
        if not (yield from self._until_stage("still", within_s=3 * 3600)):
            return
        yield from self._vent()
        if not (yield from self._until(lambda seen: bool(seen.get("soaked")), "the soak to be over", 30 * 3600)):
            return
        yield from self._load()
        if self.trouble:
            return
        if not (yield from self._until_stage("cooling", "finished", within_s=8 * 3600)):
            return
        # The station says that the cure is complete: no more heat, and the oven stays shut until it says cool enough.
        yield from self._insist("guard", "withhold", "--reason", "the cure is complete")
        if not (yield from self._until_stage("finished", within_s=8 * 3600)):
            return
        handles.door_open = True
        yield from self._wait(30)
        handles.unload_oven()
        yield from self._insist("mark", "oven_unloaded")
        handles.door_open = False
        yield from self._wait(60)

    def _vent(self) -> Doing:
        """Slowly, the pump still running; then the pump off."""
        handles = self.handles
        yield from self._insist("mark", "vent_open")
        steps = 12
        for step in range(1, steps + 1):
            handles.vent_open = (step / steps) ** 2
            yield from self._wait(self.batch.vent_s / steps)
        handles.pump_on = False
        yield from self._insist("mark", "pump_off")
        end_s = self._now_s + 600
        yield lambda now_s: handles.chamber_pa() > handles.room_pa() - 500 or now_s > end_s
        yield from self._insist("mark", "vented")

    def _load(self) -> Doing:
        handles, batch = self.handles, self.batch
        handles.drain()
        yield from self._insist("mark", "drained")
        yield from self._wait(180)
        handles.door_open = True
        yield from self._wait(40)
        handles.load_oven()
        handles.door_open = False
        handles.dial_c = batch.dial_c
        yield from self._insist("mark", batch.dial_mark)
        yield from self._insist("mark", "oven_loaded")
        yield from self._insist("guard", "permit")
