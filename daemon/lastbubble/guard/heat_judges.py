"""Judges of the heat: does what is commanded happen, and only that? Pure: evidence and setting in, finding out."""

from __future__ import annotations

from typing import Final

from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import CONTENT, Finding, unknown, violated
from lastbubble.guard.probe_evidence import NEAR_K, SLOW_AGE_S

__all__ = [
    "PULL_THE_PLUG",
    "contact_disagrees",
    "contact_worn",
    "cut_was_asked",
    "guard_stood_still",
    "heat_after_cut",
    "heat_without_effect",
    "lease_ran_out",
    "noted_at_start",
    "permitted_too_long",
    "pin_disagrees",
    "probes_swapped",
    "reading_fell",
    "reversed_polarity",
    "stays_hot",
    "stop_is_open",
    "unmet_at_start",
    "warms_unlike_before",
]

PULL_THE_PLUG: Final = "Pull the oven's plug now: it heats although its relay is open"

#: Below this an unexplained rise is the weather, not the oven [degC].
_WEATHER_C: Final = 40.0
#: A rise above all that was read until three minutes ago [K].
_AFTER_CUT_K: Final = 3.0
#: By so much no element's own heat lifts the air once the relay is open: 18 K at most, full power from cold, over the
#: ovens that the simulated bench draws [K].
_NO_OVERSHOOT_K: Final = 30.0
#: An open relay's oven above this that does not cool is being heated [degC], and "does not cool" [K].
_HOT_C: Final = 60.0
_COOLS_K: Final = 5.0
#: Reversed wires: below the junction and falling by this while heat is on [K].
_REVERSED_K: Final = 3.0
#: Heat needed before the air can be said to lead the piece [s].
_LEAD_S: Final = 300.0
_LEAD_MOST_K: Final = 100.0
#: How much longer a reading may stay at its converter's temperature than it may stand still.
_COLD_FACTOR: Final = 2.0
#: How much longer a reading may lie fallen, away from the room's temperature, than at it.
_FALLEN_FACTOR: Final = 10.0


def pin_disagrees(seen: Evidence, count: float) -> Finding:
    if seen.readback_wrong_run >= count:
        return violated(
            f"the relay's pin has not read as written {seen.readback_wrong_run} times in a row: who else drives it?",
            seen.readback_wrong_run,
            "relay",
        )
    return CONTENT


def contact_disagrees(seen: Evidence, limit_s: float) -> Finding:
    """The auxiliary contact (or mains sense) says the opposite of the command: welded, or it never pulled in."""
    if seen.contact_wrong_since_s is None:
        return CONTENT
    age_s = seen.now_s - seen.contact_wrong_since_s
    if age_s <= limit_s:
        return CONTENT
    if seen.contact_closed:
        return violated(f"the contactor is closed although told to open. {PULL_THE_PLUG}", age_s, "contact")
    return violated("the contactor is open although told to close: coil, driver or wire", age_s, "contact")


def contact_worn(seen: Evidence, rated_closings: float) -> Finding:
    if seen.closings > 0.8 * rated_closings:
        return violated(
            f"the relay has closed {seen.closings} times, 80 % of its rated {rated_closings:g}: plan to change it",
            seen.closings,
            "relay",
        )
    return CONTENT


def heat_after_cut(seen: Evidence, overshoot_s: float) -> Finding:  # noqa: ARG001  # the evidence holds the peak by it
    """A new high with the relay open long since, or far above all that was read before it opened. In every state."""
    finding = _beyond_overshoot(seen)
    if finding is not CONTENT:
        return finding
    if not seen.peak_stands() or seen.now_s <= seen.checking_until_s:
        return CONTENT
    for probe in seen.ovens:
        before_c = probe.history.max_before(SLOW_AGE_S)
        if before_c is None or probe.value_c is None or probe.value_c <= _WEATHER_C:
            continue
        peak_c = max(before_c, seen.open_peak_c.get(probe.name, before_c))
        rise_k = probe.value_c - peak_c
        if not rise_k <= _AFTER_CUT_K:
            return violated(
                f"{probe.name} has risen {rise_k:.1f} K with the relay open for "
                f"{seen.now_s - seen.heat_since_s:.0f} s. {PULL_THE_PLUG}",
                rise_k,
                probe.name,
            )
    return CONTENT


def _beyond_overshoot(seen: Evidence) -> Finding:
    """However short the time: an oven that shuts its door finds its old level again, and no higher."""
    if seen.heat_closed or seen.now_s <= seen.checking_until_s:
        return CONTENT
    for probe in seen.ovens:
        high_c = seen.open_high_c.get(probe.name)
        if high_c is None or probe.value_c is None or probe.value_c <= _WEATHER_C:
            continue
        rise_k = probe.value_c - high_c
        if not rise_k <= _NO_OVERSHOOT_K:
            return violated(
                f"{probe.name} has risen {rise_k:.1f} K above all it had read when the relay opened. {PULL_THE_PLUG}",
                rise_k,
                probe.name,
            )
    return CONTENT


def stays_hot(seen: Evidence, cool_s: float) -> Finding:
    """An oven whose relay opened long ago and that is as hot as it was."""
    if seen.heat_closed or seen.now_s - seen.heat_since_s <= cool_s or seen.now_s <= seen.checking_until_s:
        return CONTENT
    for probe in seen.ovens:
        peak_c = seen.open_peak_c.get(probe.name)
        if peak_c is None or probe.value_c is None or probe.value_c <= _HOT_C:
            continue
        if not probe.value_c < peak_c - _COOLS_K:
            return violated(
                f"{probe.name} still reads {probe.value_c:.1f} degC, {seen.now_s - seen.heat_since_s:.0f} s after the "
                f"relay opened at {peak_c:.1f}. {PULL_THE_PLUG}",
                probe.value_c,
                probe.name,
            )
    return CONTENT


def heat_without_effect(seen: Evidence, within_s: float) -> Finding:
    """From cold: heat is on and the reading does not rise, or never gets clear of the converter's temperature.

    The second sees what a few kelvins of rise would hide: leads that touch in the cable, a probe that an oven beside it
    warms.
    """
    for probe in seen.ovens:
        effect = probe.effect
        if effect.cold_s > _COLD_FACTOR * within_s:
            return violated(
                f"{effect.cold_s:.0f} s of heat, and {probe.name} still reads within {NEAR_K:g} K of its converter: "
                "probe out of the oven, its leads touching, or no power (dial, timer, fuse, element)",
                effect.cold_s,
                probe.name,
            )
        if effect.level_c is None and effect.heated_s > within_s:
            return violated(
                f"{effect.heated_s:.0f} s of heat have not moved {probe.name}: probe out of the oven, its leads "
                "touching, or no power (dial, timer, fuse, element)",
                effect.heated_s,
                probe.name,
            )
    return CONTENT


def reading_fell(seen: Evidence, within_s: float) -> Finding:
    """The reading has left the level it had reached and stays away: at the room's temperature, or anywhere for long."""
    for probe in seen.ovens:
        effect = probe.effect
        if effect.level_c is None or probe.value_c is None:
            continue
        if effect.near_s > within_s or effect.heated_s > _FALLEN_FACTOR * within_s:
            return violated(
                f"{probe.name} fell from {effect.level_c:.0f} to {probe.value_c:.0f} degC and does not come back with "
                f"the heat on: probe fallen out, door open, or no power (within {NEAR_K:g} K of the room for "
                f"{effect.near_s:.0f} s)",
                probe.value_c,
                probe.name,
            )
    return CONTENT


def reversed_polarity(seen: Evidence, after_s: float) -> Finding:
    """Reversed wires read down, below the junction, as the oven goes up."""
    for probe in seen.ovens:
        effect = probe.effect
        if (
            effect.total_s > after_s
            and effect.start_c is not None
            and probe.value_c is not None
            and probe.junction_c is not None
            and probe.value_c < probe.junction_c
            and not probe.value_c >= effect.start_c - _REVERSED_K
        ):
            return violated(
                f"{probe.name} has fallen from {effect.start_c:.1f} to {probe.value_c:.1f} degC since heat came on: "
                "its two wires are swapped",
                probe.value_c,
                probe.name,
            )
    return CONTENT


def probes_swapped(seen: Evidence, lead_k: float) -> Finding:
    """In the first minutes of heat the air leads the piece; if the piece leads, the two probes are swapped."""
    witness = next((probe for probe in seen.probes if not probe.is_oven), None)
    oven = seen.ovens[0]
    if witness is None or witness.effect.start_c is None or oven.effect.start_c is None:
        return CONTENT
    if witness.value_c is None or oven.value_c is None or not 60.0 <= oven.effect.total_s <= _LEAD_S:
        return CONTENT
    lead = (witness.value_c - witness.effect.start_c) - (oven.value_c - oven.effect.start_c)
    # Beyond what air can do in that time it is the piece's probe that is ill, and that is no reason to open.
    if lead_k < lead < _LEAD_MOST_K:
        return violated(
            f"the piece has risen {lead:.0f} K more than the air since heat came on: {oven.name} and {witness.name} "
            "are swapped",
            lead,
            f"{oven.name} {witness.name}",
        )
    return CONTENT


def warms_unlike_before(seen: Evidence, expected_k_min: float) -> Finding:
    """Warming from cold much slower or faster than this oven is known to: probe half out, or the dial elsewhere."""
    effect = seen.ovens[0].effect
    value_c = seen.ovens[0].value_c
    if (
        expected_k_min <= 0
        or effect.start_c is None
        or value_c is None
        or not _LEAD_S <= effect.total_s <= 1.1 * _LEAD_S
    ):
        return CONTENT
    rate_k_min = (value_c - effect.start_c) / (effect.total_s / 60)
    if expected_k_min / 1.5 <= rate_k_min <= expected_k_min / 0.7:
        return CONTENT
    return violated(
        f"this oven warms by {rate_k_min:.1f} K a minute, it used to be {expected_k_min:.1f}: probe half out, behind "
        "the load or on the wall?",
        rate_k_min,
        seen.ovens[0].name,
    )


def permitted_too_long(seen: Evidence, limit_s: float) -> Finding:
    if not seen.permitted_total_s <= limit_s:
        return violated(
            f"heat has been permitted for {seen.permitted_total_s / 3600:.1f} h; is the batch still wanted?",
            seen.permitted_total_s,
            "permit",
        )
    return CONTENT


def lease_ran_out(seen: Evidence, _: float) -> Finding:
    """The service renews it with every fresh sample that went through pipeline and ledger; no permit, no lease."""
    if not seen.permitted:
        return CONTENT
    if seen.lease_left_s is not None and seen.lease_left_s > 0:
        return CONTENT
    return violated(
        "the service has not renewed the lease: it is gone, blind or cannot write its ledger", None, "lease"
    )


def stop_is_open(seen: Evidence, count: float) -> Finding:
    if seen.stop_open_run >= count:
        return violated("the stop button is pressed, or its wire is broken", None, "stop")
    if seen.stop_open_run:
        return unknown("the stop input is open", None, "stop")
    return CONTENT


def cut_was_asked(seen: Evidence, _: float) -> Finding:
    if seen.cut_asked:
        return violated(f"cut: {seen.cut_asked}", None, "cut")
    return CONTENT


def unmet_at_start(seen: Evidence, _: float) -> Finding:
    if seen.unmet:
        return violated("; ".join(seen.unmet), None, "commissioning")
    return CONTENT


def noted_at_start(seen: Evidence, _: float) -> Finding:
    if seen.notes:
        return violated("; ".join(seen.notes), None, "machine")
    return CONTENT


def guard_stood_still(seen: Evidence, limit_s: float) -> Finding:
    """The guard itself was stopped or starved: for that long nobody watched the heat."""
    if not seen.passed_s <= limit_s:
        return violated(f"the guard itself stood still for {seen.passed_s:.1f} s", seen.passed_s, "guard")
    return CONTENT
