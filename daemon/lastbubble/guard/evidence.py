"""What the rules look at: the probes, the heat, the permit and the machine, kept up to date cycle by cycle.

Judges read it and never write it. It reads no clock: every time in it was handed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lastbubble.guard.probe_evidence import ProbeEvidence
from lastbubble.records import Reading

__all__ = ["Evidence"]


class Evidence:
    """now_s : time of the cycle;  passed_s : since the one before

    probes, ovens : all, and those in the oven's air (the limits act on these)
    heat_closed : relay as read back;  heat_since_s : of its last edge (or of the start)
    closed_total_s : relay closed since the start
    permitted, permitted_since_s, permitted_total_s : the permit
    lease_left_s : None without a permit
    readback_wrong_run : cycles in a row in which the pin did not read as written
    contact_closed : what the auxiliary contact says, None where none is wired;  contact_wrong_since_s : since when it
        differs from the command
    stop_open_run : cycles in a row with the stop input open (button pressed, or its wire broken)
    cut_asked : the reason of a cut that was asked for since the last cycle, or ""
    unmet, notes : findings at start that forbid a permit, and those that only deserve a word
    closings : of the relay, over its life
    open_high_c : oven -> highest of the reading as the relay opened and all it had read until a minute before; nothing
        before the first opening: what a guard that has just started would compare with says nothing of the heat
    open_peak_c : oven -> highest while the elements' own heat still came
    checking_until_s : a two-point check is going on until then
    """

    def __init__(self, probes: Sequence[ProbeEvidence], now_s: float, limits: Mapping[str, float]) -> None:
        self.probes = tuple(probes)
        self.ovens = tuple(probe for probe in probes if probe.is_oven)
        self.start_s = now_s
        self.now_s = now_s
        self.passed_s = 0.0
        self.heat_closed = False
        self.heat_since_s = now_s
        self.last_edge_s = float("-inf")
        self.closed_total_s = 0.0
        self.permitted = False
        self.permitted_since_s = now_s
        self.permitted_total_s = 0.0
        self.lease_left_s: float | None = None
        self.readback_wrong_run = 0
        self.contact_closed: bool | None = None
        self.contact_wrong_since_s: float | None = None
        self.stop_open_run = 0
        self.cut_asked = ""
        self.unmet: tuple[str, ...] = ()
        self.notes: tuple[str, ...] = ()
        self.closings = 0
        self._apart_k = limits["apart_k"]
        self._overshoot_s = limits["overshoot_s"]
        self.checking_until_s = float("-inf")
        self.open_high_c: dict[str, float] = {}
        self.open_peak_c: dict[str, float] = {}
        self.apart_since_s: float | None = None
        self._closed_at_frame = [0.0] * len(self.probes)
        self._pair_seen: dict[tuple[int, int], tuple[int, int]] = {}
        self._pair_runs: dict[tuple[int, int], int] = {}

    def take_frame(self, index: int, raw: bytes | None, time_s: float, hot: Reading, junction: Reading) -> None:
        """One judged frame of probe `index`."""
        heated_s = self.closed_total_s - self._closed_at_frame[index]
        self._closed_at_frame[index] = self.closed_total_s
        probe = self.probes[index]
        probe.take(raw, time_s, hot, junction, heated_s)
        if probe.is_oven and hot.value is not None and not self.heat_closed:
            name = probe.name
            if not self.peak_stands() and hot.value > self.open_peak_c.get(name, float("-inf")):
                self.open_peak_c[name] = hot.value
        if len(self.probes) > 1:
            self._compare(index)

    def begin_cycle(self, now_s: float) -> None:
        """Time passed since the last cycle, with the relay as it was then."""
        passed_s = self.passed_s = max(0.0, now_s - self.now_s)
        self.now_s = now_s
        if self.heat_closed:
            self.closed_total_s += passed_s
        if self.permitted:
            self.permitted_total_s += passed_s
        if len(self.ovens) > 1:
            self._spread(now_s)

    def heat_read_back(self, closed: bool) -> None:
        """The relay as the pin says after this cycle's write."""
        if closed == self.heat_closed:
            return
        self.heat_closed = closed
        self.heat_since_s = self.last_edge_s = self.now_s
        if closed:
            self.closings += 1
        else:
            self.open_high_c = {probe.name: probe.high_c for probe in self.ovens if probe.high_c is not None}
            self.open_peak_c.clear()

    def permit_began(self) -> None:
        """A person has just permitted heat."""
        self.permitted = True
        self.permitted_since_s = self.now_s
        self.permitted_total_s = 0.0
        for probe in self.probes:
            probe.effect.begin()

    def permit_ended(self) -> None:
        """Heat is not permitted any more, for whatever reason."""
        self.permitted = False

    def peak_stands(self) -> bool:
        """True once the relay has been open so long that the elements' own heat no longer explains a rise."""
        return not self.heat_closed and self.now_s - self.heat_since_s > self._overshoot_s

    def _spread(self, now_s: float) -> None:
        first, second = self.ovens[0], self.ovens[1]
        if first.value_c is None or second.value_c is None or first.bad_run or second.bad_run:
            return
        if abs(first.value_c - second.value_c) <= self._apart_k:
            self.apart_since_s = None
        elif self.apart_since_s is None:
            self.apart_since_s = now_s

    def identical(self) -> tuple[int, str, str]:
        """(frames in a row, one probe, the other) of the pair that has been bit-identical longest."""
        if not self._pair_runs:
            return 0, "", ""
        pair = max(self._pair_runs, key=self._pair_runs.__getitem__)
        return self._pair_runs[pair], self.probes[pair[0]].name, self.probes[pair[1]].name

    def _compare(self, index: int) -> None:
        """Two converters that answer at once give bit-identical frames, however noisy both are."""
        for other_index in range(len(self.probes)):
            if other_index == index:
                continue
            pair = (min(index, other_index), max(index, other_index))
            first, second = self.probes[pair[0]], self.probes[pair[1]]
            if first.raw is None or second.raw is None:
                continue
            changes = (first.raw_changes, second.raw_changes)
            seen = self._pair_seen.get(pair)
            # Compared only when both have changed: two quiet probes of equal temperature are no fault.
            if seen is not None and not (changes[0] > seen[0] and changes[1] > seen[1]):
                continue
            self._pair_seen[pair] = changes
            self._pair_runs[pair] = self._pair_runs.get(pair, 0) + 1 if first.raw == second.raw else 0
