"""When the pieces went into the oven: from the air, from a person's mark, or from both.

Three ways to load: into a cold oven that is then switched on (the air begins to rise), into a preheated one (the door
opens, the air dips), and a log that begins with the pieces inside. A mark `oven_loaded` may be missing or minutes
late, so it points at the nearest thing the air did before it. Pieces that are still in the chamber cannot be in the
oven.

An oven that warms up without a mark may hold the pieces or still wait for them, and a dip that follows may be their
loading or a look inside. That is not decided here: the answer carries how likely each is (`Load.waiting`,
`Load.favours`), and the bodies are split.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from lastbubble.pipeline.oven import Dip, Step

__all__ = ["Load", "LoadWatch"]

#: A mark comes at most this long after what it means, and this little before it.
_MARK_LATE_S: Final = 2400.0
_MARK_EARLY_S: Final = 300.0
#: Common practice: a warm room. Used where the log never saw the oven cold.
_ROOM_C: Final = 21.0
#: An oven that warms up from cold without a mark and whose loading nobody marks is empty about this often; and a dip
#: of a warm oven is so many times likelier when pieces still wait than when they are in (our judgement, no published
#: source).
_WAITING: Final = 0.62
_LOAD_OVER_LOOK: Final = 10.0


@dataclass(frozen=True, slots=True)
class Load:
    """The pieces went in at `at_s`; they were then at about start_c +- spread_k.

    waiting : share of doubt that they are not in yet and will be put in through the door later
    favours : for a dip: how many times likelier it is as the loading than as a look inside; inf = it is the loading
    """

    at_s: float
    start_c: float
    spread_k: float
    waiting: float = 0.0
    favours: float = math.inf


class LoadWatch:
    """Feed it steps, dips and marks; `feed` returns a load when one is seen, also later ones that correct it."""

    def __init__(self) -> None:
        self.room_c = _ROOM_C
        self.rise_s: float | None = None
        self.hot = False
        self._first_s: float | None = None
        self._first_c = 0.0
        self._cool_s: float | None = None
        self._done_s: float | None = None
        self._mark_s: float | None = None
        self._mark_used = False
        self._sure = False
        self._loaded = False
        self._dip: Dip | None = None
        self._room_seen = False
        self._now_c = _ROOM_C

    def rearm(self) -> None:
        """The batch is out: the next one may come."""
        self._loaded = self._sure = False
        self._mark_s = None
        self._mark_used = False
        self._dip = None
        self.rise_s = None
        self._cool_s = None
        self._first_s = None

    def mark(self, time_s: float) -> Load | None:
        """A person said `oven_loaded` now."""
        self._mark_s, self._mark_used = time_s, False
        dip = self._dip
        if dip is not None and dip.start_s >= time_s - _MARK_LATE_S:
            return self._from_mark(self._at_dip(dip))
        if not self.hot:
            return self._from_mark(Load(time_s, self.room_c, 1.5))
        if self.rise_s is not None and time_s - self.rise_s <= _MARK_LATE_S and self._done_by(self.rise_s):
            return self._from_mark(Load(self.rise_s, self.room_c, 1.5))
        return self._from_mark(Load(time_s, self.room_c, 2.5))

    def _from_mark(self, load: Load) -> Load:
        self._mark_used = True
        self._loaded = self._sure = True
        return load

    def _at_dip(self, dip: Dip, favours: float = math.inf) -> Load:
        return Load(dip.start_s, self.room_c, 2.5, favours=favours)

    def _done_by(self, time_s: float) -> bool:
        return self._done_s is not None and self._done_s <= time_s + 600

    def feed(self, step: Step, dip: Dip | None, chamber_done: bool) -> Load | None:
        """The load that is seen at this step, if any."""
        if self._first_s is None:
            self._first_s, self._first_c = step.end_s, step.mean_c
            if step.mean_c < 40:
                self.room_c = step.mean_c
                self._room_seen = True
        if chamber_done and self._done_s is None:
            self._done_s = step.end_s
        elif not chamber_done:
            self._done_s = None
        self._follow_room(step)
        self._now_c = step.mean_c
        if dip is not None:
            return self._after_dip(dip, chamber_done)
        if self._loaded or not chamber_done or not self.hot:
            return None
        if self.rise_s is not None and self._done_by(self.rise_s):
            self._loaded = True
            return Load(self.rise_s, self.room_c, 1.5, waiting=_WAITING)
        if self.rise_s is None and self._done_by(self._first_s):
            # The log begins hot. Rising from the first moment: the door has just been shut behind the pieces.
            age = step.end_s - self._first_s
            if age <= 300 and step.mean_c > self._first_c + 8:
                self._loaded = True
                return Load(self._first_s, self.room_c, 3.0)
        waited = step.end_s - max(self._first_s, self._done_s or 0.0)
        if waited > 2700:
            # Hot for long, the pieces not in the chamber, nobody marked anything: they are taken to be in the oven.
            self._loaded = True
            start = self._first_s if self.rise_s is None else max(self._done_s or 0.0, self.rise_s)
            return Load(start, self.room_c, 5.0)
        return None

    def _follow_room(self, step: Step) -> None:
        mean = step.mean_c
        if mean < 40 and (not self._room_seen or mean < self.room_c + 2.0):
            self.room_c = mean if not self._room_seen else self.room_c + 0.05 * (mean - self.room_c)
            self._room_seen = True
            self._cool_s = step.end_s
            self.hot = False
        elif not self.hot and mean > self.room_c + 8:
            self.hot = True
            self.rise_s = self._cool_s

    def _after_dip(self, dip: Dip, chamber_done: bool) -> Load | None:
        self._dip = dip
        if not chamber_done and not self._sure:
            return None
        mark = self._mark_s
        if mark is not None and dip.start_s <= mark + _MARK_EARLY_S and mark <= dip.end_s + _MARK_LATE_S:
            if abs(mark - dip.start_s) <= _MARK_EARLY_S or mark >= dip.start_s:
                self._loaded = self._sure = True
                return self._at_dip(dip)
            return None
        if self._sure:
            return None
        if not self._loaded:
            self._loaded = self._sure = True
            return self._at_dip(dip)
        # It warmed up from cold, with or without the pieces, and now the door was opened. A loading takes longer than a
        # look, so the air falls further; and it comes once the oven is warm.
        share = (dip.before_c - dip.lowest_c) / max(dip.before_c - self.room_c, 1.0)
        return self._at_dip(dip, _LOAD_OVER_LOOK * (2.0 if share > 0.3 else 1.0 if share > 0.2 else 0.4))
