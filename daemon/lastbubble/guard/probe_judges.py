"""Judges of the probes: is what they say usable, possible, below the limits? Pure: evidence in, finding out.

Every comparison is written so that a value which compares with nothing (NaN) fails it.
"""

from __future__ import annotations

from typing import Final

from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import CONTENT, Finding, unknown, violated
from lastbubble.guard.probe_evidence import FAST_AGE_S, RATE_WINDOW_S, STEP_WINDOW_S

__all__ = [
    "above_limit",
    "bit_does_not_follow",
    "converters_answer_together",
    "faults_in_a_row",
    "faults_too_often",
    "frames_missing",
    "frozen",
    "frozen_long",
    "junction_hot",
    "junction_rising",
    "junction_warm",
    "no_usable_reading",
    "probes_disagree",
    "rising_fast",
    "spikes",
]

#: The smallest number of frames that a rate of faults is taken of.
_FEWEST_FRAMES: Final = 50
#: How long two oven probes may disagree [s].
_APART_FOR_S: Final = 60.0


def above_limit(seen: Evidence, limit_c: float) -> Finding:
    """Two usable readings in a row above the limit; the first already takes the heat away, the second trips."""
    for probe in seen.ovens:
        if probe.above_run >= 2:
            return violated(
                f"{probe.name} reads {probe.value_c:.1f} degC, limit {limit_c:g}", probe.value_c, probe.name
            )
    for probe in seen.ovens:
        if probe.value_c is None:
            return unknown(f"{probe.name} has not read yet", None, probe.name)
        if not probe.value_c <= limit_c:
            return unknown(f"{probe.name} has read {probe.value_c:.1f} degC once", probe.value_c, probe.name)
    return CONTENT


def frames_missing(seen: Evidence, stale_s: float) -> Finding:
    """Nothing comes from the thermometer."""
    for probe in seen.ovens:
        if probe.last_frame_s is None:
            if seen.now_s - seen.start_s > stale_s:
                return violated(f"no frame of {probe.name} has come yet; does the thermometer run?", None, probe.name)
            return unknown(f"no frame of {probe.name} has come yet", None, probe.name)
        age_s = seen.now_s - probe.last_frame_s
        if not age_s <= stale_s:
            return violated(f"no frame of {probe.name} for {age_s:.1f} s; does the thermometer run?", age_s, probe.name)
    return CONTENT


def no_usable_reading(seen: Evidence, stale_s: float) -> Finding:
    """Frames may come, but none that can be used."""
    for probe in seen.ovens:
        since_s = seen.start_s if probe.last_good_s is None else probe.last_good_s
        age_s = seen.now_s - since_s
        if not age_s <= stale_s:
            what = f"{probe.name} has given no usable reading for {age_s:.1f} s ({probe.bad_cause})"
            return violated(f"{what}. {probe.bad_detail}".strip(), age_s, probe.name)
        if probe.last_good_s is None:
            return unknown(f"{probe.name} has not read yet", None, probe.name)
    return CONTENT


def faults_in_a_row(seen: Evidence, count: float) -> Finding:
    for probe in seen.ovens:
        if probe.bad_run >= count:
            return violated(f"{probe.bad_run} unusable frames of {probe.name} in a row ({probe.bad_cause}). "
                            f"{probe.bad_detail}".strip(), probe.bad_run, probe.name)  # fmt: skip
    return CONTENT


def faults_too_often(seen: Evidence, share: float) -> Finding:
    for probe in seen.ovens:
        bad, frames = probe.fault_rate()
        if bad > share * max(frames, _FEWEST_FRAMES):
            return violated(
                f"{bad} of {frames} frames of {probe.name} in {RATE_WINDOW_S:g} s were unusable ({probe.bad_cause})",
                bad / frames,
                probe.name,
            )
    return CONTENT


def _frozen_for_s(seen: Evidence, since_s: float) -> float:
    """How long a probe has repeated itself although the heat gave it every reason to change [s]."""
    if seen.heat_closed:
        return seen.now_s - max(since_s, seen.heat_since_s)
    if seen.last_edge_s > since_s:
        return seen.now_s - since_s
    return 0.0


def _frozen(seen: Evidence, limit_s: float) -> Finding:
    for probe in seen.ovens:
        if probe.raw is None:
            continue
        age_s = _frozen_for_s(seen, probe.same_since_s)
        if not age_s <= limit_s:
            return violated(
                f"{probe.name} has sent the same 32 bits for {age_s:.0f} s with the heat on; noise alone would change "
                "them. Check chip select and clock of its converter",
                age_s,
                probe.name,
            )
    return CONTENT


def frozen(seen: Evidence, limit_s: float) -> Finding:
    """The same 32 bits, long enough to be sure."""
    return _frozen(seen, limit_s)


def frozen_long(seen: Evidence, limit_s: float) -> Finding:
    """The same 32 bits, long enough to say so."""
    return _frozen(seen, limit_s)


def spikes(seen: Evidence, per_minute: float) -> Finding:
    for probe in seen.ovens:
        count = probe.dropped_steps()
        if count > per_minute:
            return violated(
                f"{count} impossible steps of {probe.name} dropped in {STEP_WINDOW_S:g} s; look at its capacitor, "
                "its screws and the run of its wires",
                count,
                probe.name,
            )
    return CONTENT


def bit_does_not_follow(seen: Evidence, count: float) -> Finding:
    """Steps by one power of two, again and again, with a steady junction."""
    for probe in seen.ovens:
        step_k = probe.bit_step_k(int(count))
        if step_k is not None:
            return violated(
                f"{probe.name} has stepped by {step_k:g} K {count:g} times: one data bit or pin does not follow",
                step_k,
                probe.name,
            )
    return CONTENT


def _junction_above(seen: Evidence, limit_c: float) -> Finding:
    for probe in seen.ovens:
        if probe.junction_c is not None and not probe.junction_c <= limit_c:
            return violated(
                f"the converter of {probe.name} is at {probe.junction_c:.1f} degC, {limit_c:g} allowed; move it away "
                "from the oven",
                probe.junction_c,
                probe.name,
            )
    return CONTENT


def junction_hot(seen: Evidence, limit_c: float) -> Finding:
    """The electronics beside the oven cook; their readings drift and so does the relay's driver."""
    return _junction_above(seen, limit_c)


def junction_warm(seen: Evidence, limit_c: float) -> Finding:
    return _junction_above(seen, limit_c)


def junction_rising(seen: Evidence, limit_k_min: float) -> Finding:
    for probe in seen.ovens:
        rate_per_s = probe.junction_history.rate_per_s
        if rate_per_s is not None and not rate_per_s * 60 <= limit_k_min:
            return violated(
                f"the converter of {probe.name} warms by {rate_per_s * 60:.1f} K a minute; what blows on it?",
                rate_per_s * 60,
                probe.name,
            )
    return CONTENT


def probes_disagree(seen: Evidence, limit_k: float) -> Finding:
    if seen.apart_since_s is not None and seen.now_s - seen.apart_since_s > _APART_FOR_S:
        first, second = seen.ovens[0], seen.ovens[1]
        if first.value_c is not None and second.value_c is not None:
            apart_k = abs(first.value_c - second.value_c)
            return violated(
                f"{first.name} reads {first.value_c:.1f}, {second.name} {second.value_c:.1f} degC: over {limit_k:g} K "
                "apart for a minute. One is half out, mis-wired or of another type",
                apart_k,
                f"{first.name} {second.name}",
            )
    return CONTENT


def converters_answer_together(seen: Evidence, count: float) -> Finding:
    run, first, second = seen.identical()
    if run >= count:
        return violated(
            f"{first} and {second} have sent the same changing bits {run} times: two converters answer at once. "
            "Wire none to CE0 or CE1, or set dtoverlay=spi0-0cs",
            run,
            f"{first} {second}",
        )
    return CONTENT


def rising_fast(seen: Evidence, limit_k_min: float) -> Finding:
    """A new high, and by how much: a closed door that lets the air find its old temperature again is none."""
    for probe in seen.ovens:
        before_c = probe.history.max_before(FAST_AGE_S)
        if before_c is None or probe.value_c is None:
            continue
        rise_k = probe.value_c - before_c
        if not rise_k <= limit_k_min and seen.now_s > seen.checking_until_s:
            return violated(
                f"{probe.name} has risen {rise_k:.0f} K above all it read until a minute ago: look for fire or a "
                "reacting pot of resin",
                rise_k,
                probe.name,
            )
    return CONTENT
