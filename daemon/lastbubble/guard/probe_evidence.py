"""Everything the rules may know of one probe, kept up to date frame by frame. No clock, no port, no verdict.

An unusable frame adds to the counts of the unusable and to nothing else: it never ends a run of readings above a limit
and never makes an old reading young.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from lastbubble.guard.effect import EffectTracker
from lastbubble.guard.history import BinnedHistory
from lastbubble.guard.protocol import ProbeStatus
from lastbubble.records import Quality, Reading

__all__ = ["FAST_AGE_S", "NEAR_K", "RATE_WINDOW_S", "SLOW_AGE_S", "STEP_WINDOW_S", "ProbeEvidence"]

#: Window of the fault rate [s].
RATE_WINDOW_S: Final = 10.0
#: Window of dropped single steps [s].
STEP_WINDOW_S: Final = 60.0
#: Window of steps by a power of two [s].
BIT_WINDOW_S: Final = 600.0
#: "Before" for a rate of rise, and for heat after a cut [s].
FAST_AGE_S: Final = 60.0
SLOW_AGE_S: Final = 180.0
#: A reading within this of the cold junction measures the room, not the oven [K].
NEAR_K: Final = 5.0


class ProbeEvidence:
    """One probe. Public attributes are for the judges to read; only `take` and the evidence around it write.

    hot, junction : the last judged readings (also unusable ones), None before the first frame
    last_frame_s, last_good_s, value_c : of the last frame, of the last usable one, and that one's value
    above_run : usable readings in a row above `limit_c`;  bad_run : unusable frames in a row
    bad_cause, bad_detail : of the last unusable frame
    same_since_s : when the last 32 bits began to repeat
    """

    __slots__ = (
        "_bad_times",
        "_bit_steps",
        "_frame_times",
        "_heated_s",
        "_last_counts",
        "_last_junction_counts",
        "_limit_c",
        "_step_times",
        "above_run",
        "bad_cause",
        "bad_detail",
        "bad_run",
        "effect",
        "first_good_s",
        "good_since_s",
        "history",
        "hot",
        "is_oven",
        "junction",
        "junction_c",
        "junction_history",
        "last_frame_s",
        "last_good_s",
        "name",
        "raw",
        "raw_changes",
        "same_since_s",
        "value_c",
    )

    def __init__(self, name: str, limit_c: float, is_oven: bool) -> None:
        self.name = name
        self.is_oven = is_oven
        self._limit_c = limit_c
        self.hot: Reading | None = None
        self.junction: Reading | None = None
        self.last_frame_s: float | None = None
        self.last_good_s: float | None = None
        self.first_good_s: float | None = None
        self.good_since_s: float | None = None
        self.value_c: float | None = None
        self.junction_c: float | None = None
        self.above_run = 0
        self.bad_run = 0
        self.bad_cause = "no_frame"
        self.bad_detail = ""
        self.raw: bytes | None = None
        self.raw_changes = 0
        self.same_since_s = 0.0
        self._frame_times: deque[float] = deque()
        self._bad_times: deque[float] = deque()
        self._step_times: deque[float] = deque()
        self._bit_steps: deque[tuple[float, int]] = deque()
        self._heated_s = 0.0
        self._last_counts: int | None = None
        self._last_junction_counts = 0
        self.effect = EffectTracker()
        self.history = BinnedHistory((FAST_AGE_S, SLOW_AGE_S))
        self.junction_history = BinnedHistory(rate_span_s=120.0)

    def take(self, raw: bytes | None, time_s: float, hot: Reading, junction: Reading, heated_s: float) -> None:
        """One frame and what the frame judge made of it; `heated_s` = relay closed since this probe's last frame."""
        self.hot, self.junction = hot, junction
        self.last_frame_s = time_s
        self._frame_times.append(time_s)
        if raw is None or raw != self.raw:
            self.same_since_s = time_s
            self.raw_changes += 1
        self.raw = raw
        if junction.value is not None:
            self.junction_c = junction.value
            self.junction_history.add(time_s, junction.value)
        self._heated_s += heated_s
        value = hot.value
        if value is None or hot.quality is Quality.BAD:
            self.bad_run += 1
            self.good_since_s = None
            self.bad_cause, self.bad_detail = hot.cause, hot.detail
            self._bad_times.append(time_s)
            if hot.cause == "step":
                self._step_times.append(time_s)
            if raw is not None and hot.cause == "step":
                self._note_bit_step(raw, time_s)
        else:
            self.bad_run = 0
            self.last_good_s = time_s
            if self.first_good_s is None:
                self.first_good_s = time_s
            if self.good_since_s is None:
                self.good_since_s = time_s
            self.value_c = value
            # Written so that a NaN would count as above, should one ever come this far.
            self.above_run = 0 if value <= self._limit_c else self.above_run + 1
            self.history.add(time_s, value)
            self.effect.take(value, self.junction_c, self._heated_s, NEAR_K)
            self._heated_s = 0.0
            if raw is not None:
                self._note_bit_step(raw, time_s)
        self._forget(time_s)

    @property
    def high_c(self) -> float | None:
        """The higher of what it reads and of all it had read until a minute ago; None before the first reading."""
        before_c = self.history.max_before(FAST_AGE_S)
        if self.value_c is None or before_c is None:
            return self.value_c
        return max(self.value_c, before_c)

    def fault_rate(self) -> tuple[int, int]:
        """(unusable frames, all frames) of the last RATE_WINDOW_S."""
        return len(self._bad_times), len(self._frame_times)

    def dropped_steps(self) -> int:
        """Single impossible steps dropped in the last STEP_WINDOW_S."""
        return len(self._step_times)

    def bit_step_k(self, count: int) -> float | None:
        """The step that has come `count` times in the last BIT_WINDOW_S, always by the same power of two [K]."""
        if len(self._bit_steps) < count:
            return None
        sizes = [size for time_s, size in self._bit_steps if time_s > (self.last_frame_s or 0.0) - BIT_WINDOW_S]
        return next((size / 4 for size in set(sizes) if sizes.count(size) >= count), None)

    def status(self) -> ProbeStatus:
        """The probe as a listener sees it."""
        hot = self.hot
        if hot is None:
            return ProbeStatus(self.name)
        junction = self.junction
        return ProbeStatus(
            self.name,
            self.last_frame_s,
            hot.value,
            None if junction is None else junction.value,
            str(hot.quality),
            hot.cause,
            "" if self.raw is None else self.raw.hex(),
            hot.detail,
        )

    def _forget(self, now_s: float) -> None:
        for times, window_s in (
            (self._frame_times, RATE_WINDOW_S),
            (self._bad_times, RATE_WINDOW_S),
            (self._step_times, STEP_WINDOW_S),
        ):
            while times and times[0] <= now_s - window_s:
                times.popleft()

    def _note_bit_step(self, raw: bytes, time_s: float) -> None:
        """Steps by a power of two with a steady junction: a data bit or pin that does not follow."""
        word = int.from_bytes(raw, "big")
        counts = word >> 18
        if counts >= 1 << 13:
            counts -= 1 << 14
        junction_counts = word >> 4 & 0xFFF
        last, last_junction = self._last_counts, self._last_junction_counts
        self._last_counts, self._last_junction_counts = counts, junction_counts
        if last is None or abs(junction_counts - last_junction) > 4:
            return
        step = abs(counts - last)
        if step < 14:
            return
        # Counts are quarters of a kelvin: 16 of them are 4 K, and half a kelvin of noise is allowed either way.
        size = next((bit for bit in (16, 32, 64, 128, 256) if abs(step - bit) <= 2), 0)
        if not size:
            return
        self._bit_steps.append((time_s, size))
        while self._bit_steps[0][0] <= time_s - BIT_WINDOW_S:
            self._bit_steps.popleft()
