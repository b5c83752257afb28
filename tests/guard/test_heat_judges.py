"""The judges of the heat on evidence built by hand: each side of every number, and what the finding says."""

from __future__ import annotations

import math

import pytest

from lastbubble.guard import heat_judges as judges
from lastbubble.guard.evidence import Evidence
from lastbubble.guard.probe_evidence import SLOW_AGE_S, ProbeEvidence
from lastbubble.guard.rules import Judge
from tests.guard.judged import NOW_S, evidence, is_content, is_unknown, is_violated, read

PLUG = "Pull the oven's plug now: it heats although its relay is open"


# -- pin, contact, machine -----------------------------------------------------------------------------------------


def test_a_pin_that_does_not_read_as_written() -> None:
    seen = evidence()
    is_content(judges.pin_disagrees(seen, 2))
    seen.readback_wrong_run = 1
    is_content(judges.pin_disagrees(seen, 2))
    for run in (2, 3):
        seen.readback_wrong_run = run
        is_violated(judges.pin_disagrees(seen, 2), run, "relay", str(run))


@pytest.mark.parametrize(("closed", "words"), [(True, ("closed although told to open", PLUG)), (False, ("coil",))])
def test_a_contact_that_differs_from_the_command(closed: bool, words: tuple[str, ...]) -> None:
    seen = evidence()
    seen.contact_closed = closed
    is_content(judges.contact_disagrees(seen, 1.0))
    seen.contact_wrong_since_s = NOW_S - 1.0
    is_content(judges.contact_disagrees(seen, 1.0))
    seen.contact_wrong_since_s = NOW_S - 1.25
    is_violated(judges.contact_disagrees(seen, 1.0), 1.25, "contact", *words)


def test_a_welded_contact_is_told_apart_from_one_that_does_not_pull_in() -> None:
    seen = evidence()
    seen.contact_wrong_since_s = NOW_S - 5.0
    seen.contact_closed = False
    text = "the contactor is open although told to close: coil, driver or wire"
    is_violated(judges.contact_disagrees(seen, 1.0), 5.0, "contact", text=text)
    seen.contact_closed = True
    is_violated(
        judges.contact_disagrees(seen, 1.0),
        5.0,
        "contact",
        text=f"the contactor is closed although told to open. {PLUG}",
    )


def test_a_contact_near_the_end_of_its_life() -> None:
    seen = evidence()
    seen.closings = 800
    is_content(judges.contact_worn(seen, 1000))
    seen.closings = 801
    is_violated(judges.contact_worn(seen, 1000), 801, "relay", "801", "1000")


def test_a_guard_that_stood_still() -> None:
    seen = evidence()
    for passed_s in (0.0, 0.1, 1.0):
        seen.passed_s = passed_s
        is_content(judges.guard_stood_still(seen, 1.0))
    seen.passed_s = 1.5
    is_violated(judges.guard_stood_still(seen, 1.0), 1.5, "guard", "1.5 s")
    seen.passed_s = math.nan
    assert judges.guard_stood_still(seen, 1.0).source == "guard"


def test_the_stop_input_opens_at_once_and_holds_at_the_second_cycle() -> None:
    seen = evidence()
    is_content(judges.stop_is_open(seen, 2))
    seen.stop_open_run = 1
    is_unknown(judges.stop_is_open(seen, 2), "the stop input is open", "stop")
    for run in (2, 3):
        seen.stop_open_run = run
        is_violated(
            judges.stop_is_open(seen, 2), None, "stop", text="the stop button is pressed, or its wire is broken"
        )


def test_a_cut_gives_its_reason() -> None:
    seen = evidence()
    is_content(judges.cut_was_asked(seen, 0))
    seen.cut_asked = "smells"
    is_violated(judges.cut_was_asked(seen, 0), None, "cut", text="cut: smells")


def test_findings_at_the_start_are_all_said() -> None:
    seen = evidence()
    is_content(judges.unmet_at_start(seen, 0))
    is_content(judges.noted_at_start(seen, 0))
    seen.unmet = ("no lamp test", "no check")
    seen.notes = ("no watchdog", "no proof")
    is_violated(judges.unmet_at_start(seen, 0), None, "commissioning", text="no lamp test; no check")
    is_violated(judges.noted_at_start(seen, 0), None, "machine", text="no watchdog; no proof")


# -- permit and lease ----------------------------------------------------------------------------------------------


def test_a_permit_that_stands_for_too_long() -> None:
    seen = evidence()
    seen.permitted_total_s = 86400.0
    is_content(judges.permitted_too_long(seen, 86400.0))
    seen.permitted_total_s = 90000.0
    is_violated(judges.permitted_too_long(seen, 86400.0), 90000.0, "permit", "25.0 h")
    seen.permitted_total_s = math.nan
    assert judges.permitted_too_long(seen, 86400.0).source == "permit"


@pytest.mark.parametrize("left_s", [None, 0.0, -1.0, math.nan])
def test_no_lease_is_left(left_s: float | None) -> None:
    seen = evidence()
    seen.lease_left_s = left_s
    is_content(judges.lease_ran_out(seen, 0))
    seen.permitted = True
    text = "the service has not renewed the lease: it is gone, blind or cannot write its ledger"
    is_violated(judges.lease_ran_out(seen, 0), None, "lease", text=text)


@pytest.mark.parametrize("left_s", [0.001, 0.5, 60.0])
def test_a_lease_that_has_time_left(left_s: float) -> None:
    seen = evidence()
    seen.permitted, seen.lease_left_s = True, left_s
    is_content(judges.lease_ran_out(seen, 0))


# -- heat with the relay open --------------------------------------------------------------------------------------


def cut_long_ago(*names: str, open_for_s: float = 400.0) -> Evidence:
    seen = evidence(*names)
    seen.heat_since_s = NOW_S - open_for_s
    for probe in seen.ovens:
        probe.history._maxima[SLOW_AGE_S] = 80.0
        read(seen, probe.name, 80.0)
    return seen


def test_a_new_high_with_the_relay_open() -> None:
    seen = cut_long_ago()
    is_content(judges.heat_after_cut(seen, 300))
    read(seen, "oven", 83.0)
    is_content(judges.heat_after_cut(seen, 300))
    read(seen, "oven", 83.5)
    is_violated(judges.heat_after_cut(seen, 300), 3.5, "oven", "3.5 K", "400 s", PLUG)


def test_the_second_probe_is_looked_at_although_the_first_is_blind_or_cold() -> None:
    for blind in (None, 20.0):
        seen = cut_long_ago("oven", "oven2")
        read(seen, "oven", blind)
        read(seen, "oven2", 90.0)
        is_violated(judges.heat_after_cut(seen, 300), 10.0, "oven2", "oven2")
    seen = cut_long_ago("oven", "oven2")
    seen.ovens[0].history._maxima[SLOW_AGE_S] = None
    read(seen, "oven2", 90.0)
    is_violated(judges.heat_after_cut(seen, 300), 10.0, "oven2")


def test_a_rise_that_the_elements_own_heat_explains_is_none() -> None:
    seen = cut_long_ago()
    read(seen, "oven", 90.0)
    seen.open_peak_c["oven"] = 88.0
    is_content(judges.heat_after_cut(seen, 300))
    seen.open_peak_c["oven"] = 70.0  # what was read before counts if it was more
    is_violated(judges.heat_after_cut(seen, 300), 10.0, "oven")
    seen.heat_since_s = NOW_S - 300.0
    is_content(judges.heat_after_cut(seen, 300))
    seen.heat_since_s, seen.heat_closed = NOW_S - 400.0, True
    is_content(judges.heat_after_cut(seen, 300))


@pytest.mark.parametrize(("value_c", "told"), [(39.0, False), (40.0, False), (40.5, True), (41.0, True)])
def test_below_40_it_is_the_weather(value_c: float, told: bool) -> None:
    seen = cut_long_ago()
    seen.ovens[0].history._maxima[SLOW_AGE_S] = 20.0
    read(seen, "oven", value_c)
    finding = judges.heat_after_cut(seen, 300)
    is_violated(finding, value_c - 20, "oven") if told else is_content(finding)


@pytest.mark.parametrize("judge", [judges.heat_after_cut, judges.stays_hot])
def test_a_probe_that_is_being_checked_in_hot_water_is_no_oven(judge: Judge) -> None:
    seen = cut_long_ago(open_for_s=2000.0)
    read(seen, "oven", 95.0)
    seen.open_peak_c["oven"] = 80.0
    seen.checking_until_s = NOW_S
    is_content(judge(seen, 1800))
    seen.checking_until_s = NOW_S - 0.1
    assert judge(seen, 1800).source == "oven"


def test_an_oven_that_does_not_cool() -> None:
    seen = cut_long_ago(open_for_s=1801.0)
    seen.open_peak_c["oven"] = 85.0
    is_violated(judges.stays_hot(seen, 1800), 80.0, "oven", "80.0 degC", "1801 s", "85.0", PLUG)
    read(seen, "oven", 79.9)
    is_content(judges.stays_hot(seen, 1800))
    read(seen, "oven", 81.0)
    seen.heat_since_s = NOW_S - 1800.0
    is_content(judges.stays_hot(seen, 1800))
    seen.heat_since_s, seen.heat_closed = NOW_S - 4000.0, True
    is_content(judges.stays_hot(seen, 1800))


@pytest.mark.parametrize(("value_c", "told"), [(59.0, False), (60.0, False), (60.5, True), (61.0, True)])
def test_below_60_it_may_be_as_warm_as_it_likes(value_c: float, told: bool) -> None:
    seen = cut_long_ago(open_for_s=1900.0)
    seen.open_peak_c["oven"] = value_c
    read(seen, "oven", value_c)
    finding = judges.stays_hot(seen, 1800)
    is_violated(finding, value_c, "oven") if told else is_content(finding)


def test_the_second_oven_probe_stays_hot_although_the_first_says_nothing() -> None:
    seen = cut_long_ago("oven", "oven2", open_for_s=1900.0)
    seen.open_peak_c["oven2"] = 80.0
    is_violated(judges.stays_hot(seen, 1800), 80.0, "oven2")
    seen.open_peak_c["oven"] = 80.0
    read(seen, "oven", None)
    is_violated(judges.stays_hot(seen, 1800), 80.0, "oven2")


# -- heat without effect -------------------------------------------------------------------------------------------


def test_heat_from_cold_without_a_rise() -> None:
    seen = evidence("oven", "oven2")
    is_content(judges.heat_without_effect(seen, 300))
    second = seen.ovens[1].effect
    second.heated_s = 300.0
    is_content(judges.heat_without_effect(seen, 300))
    second.heated_s = 310.0
    is_violated(judges.heat_without_effect(seen, 300), 310.0, "oven2", "310 s", "oven2")
    second.level_c = 60.0  # once it has risen, another rule looks after it
    is_content(judges.heat_without_effect(seen, 300))


def fallen(near_s: float = 0.0, heated_s: float = 0.0) -> Evidence:
    seen = evidence("oven", "oven2")
    read(seen, "oven2", 26.0)
    effect = seen.ovens[1].effect
    effect.level_c, effect.near_s, effect.heated_s = 95.0, near_s, heated_s
    return seen


def test_a_reading_that_fell_to_the_rooms_temperature() -> None:
    is_content(judges.reading_fell(fallen(near_s=240.0, heated_s=2400.0), 240))
    is_violated(judges.reading_fell(fallen(near_s=241.0), 240), 26.0, "oven2", "95", "26 degC", "5 K", "241 s")
    is_violated(judges.reading_fell(fallen(heated_s=2401.0), 240), 26.0, "oven2")


def test_a_fallen_reading_needs_a_level_and_a_value_of_its_own_probe() -> None:
    seen = fallen(near_s=1000.0)
    seen.ovens[1].effect.level_c = None
    is_content(judges.reading_fell(seen, 240))
    seen = fallen(near_s=1000.0)
    read(seen, "oven2", None)
    is_content(judges.reading_fell(seen, 240))
    seen = fallen(near_s=1000.0)
    seen.ovens[0].effect.level_c = 95.0  # has a level, has never read: the other one is still looked at
    is_violated(judges.reading_fell(seen, 240), 26.0, "oven2")


def mirrored(value_c: float = 15.0, junction_c: float = 25.0, start_c: float = 20.0, total_s: float = 61.0) -> Evidence:
    seen = evidence("oven", "oven2")
    probe = read(seen, "oven2", value_c, junction_c)
    probe.effect.start_c, probe.effect.total_s = start_c, total_s
    return seen


def test_swapped_wires_read_down() -> None:
    is_violated(judges.reversed_polarity(mirrored(), 60), 15.0, "oven2", "20.0", "15.0 degC", "oven2")
    is_violated(judges.reversed_polarity(mirrored(value_c=16.5), 60), 16.5, "oven2")


@pytest.mark.parametrize(
    "change",
    [
        {"total_s": 60.0},
        {"value_c": 17.0},
        {"value_c": 18.0},
        {"junction_c": 15.0},
        {"junction_c": 14.0},
    ],
)
def test_what_is_not_swapped(change: dict[str, float]) -> None:
    is_content(judges.reversed_polarity(mirrored(**change), 60))


@pytest.mark.parametrize("missing", ["start_c", "value_c", "junction_c"])
def test_nothing_is_swapped_before_all_of_it_is_known(missing: str) -> None:
    seen = mirrored()
    probe = seen.ovens[1]
    setattr(probe.effect if missing == "start_c" else probe, missing, None)
    is_content(judges.reversed_polarity(seen, 60))


# -- against what is known -----------------------------------------------------------------------------------------


def leading(lead_k: float, total_s: float = 120.0) -> Evidence:
    """The piece has risen 5 K more than `lead_k` says, the air 5 K, each from another start."""
    seen = evidence("oven", "oven2", "witness")
    oven, witness = read(seen, "oven", 25.0), read(seen, "witness", 35.0 + lead_k)
    oven.effect.start_c, witness.effect.start_c = 20.0, 30.0
    oven.effect.total_s = total_s
    return seen


@pytest.mark.parametrize(
    ("lead_k", "told"), [(-5.0, False), (3.0, False), (3.5, True), (99.0, True), (100.0, False), (100.5, False)]
)
def test_the_piece_must_not_lead_the_air(lead_k: float, told: bool) -> None:
    finding = judges.probes_swapped(leading(lead_k), 3)
    is_violated(finding, lead_k, "oven witness", f"{lead_k:.0f} K") if told else is_content(finding)


@pytest.mark.parametrize(
    ("total_s", "told"), [(59.0, False), (60.0, True), (300.0, True), (301.0, False), (0.0, False)]
)
def test_the_lead_is_judged_in_the_first_minutes_only(total_s: float, told: bool) -> None:
    finding = judges.probes_swapped(leading(10.0, total_s), 3)
    is_violated(finding, 10.0, "oven witness") if told else is_content(finding)


def blank(probe: ProbeEvidence, what: str) -> None:
    if what == "value":
        probe.value_c = None
    else:
        probe.effect.start_c = None


@pytest.mark.parametrize("name", ["oven", "witness"])
@pytest.mark.parametrize("what", ["value", "start"])
def test_no_lead_without_both(name: str, what: str) -> None:
    seen = leading(10.0)
    blank(next(probe for probe in seen.probes if probe.name == name), what)
    is_content(judges.probes_swapped(seen, 3))


def test_no_lead_without_a_witness() -> None:
    seen = evidence("oven", "oven2")
    for probe in seen.probes:
        read(seen, probe.name, 60.0)
        probe.effect.start_c, probe.effect.total_s = 20.0, 120.0
    is_content(judges.probes_swapped(seen, 3))


def warming(rate_k_min: float, total_s: float = 300.0) -> Evidence:
    seen = evidence()
    probe = read(seen, "oven", 20.0 + rate_k_min * total_s / 60)
    probe.effect.start_c, probe.effect.total_s = 20.0, total_s
    return seen


@pytest.mark.parametrize(
    ("rate_k_min", "told"),
    [(3.9, True), (4.05, False), (6.0, False), (8.5, False), (8.65, True), (-1.0, True)],
)
def test_an_oven_that_warms_otherwise_than_it_used_to(rate_k_min: float, told: bool) -> None:
    finding = judges.warms_unlike_before(warming(rate_k_min), 6.0)
    is_violated(finding, rate_k_min, "oven", f"{rate_k_min:.1f} K", "6.0") if told else is_content(finding)


def test_the_ends_of_what_is_usual() -> None:
    is_content(judges.warms_unlike_before(warming(4.0), 6.0))
    is_content(judges.warms_unlike_before(warming(10.0), 7.0))


@pytest.mark.parametrize(
    ("total_s", "told"), [(299.0, False), (300.0, True), (330.0, True), (331.0, False), (600.0, False)]
)
def test_the_warming_is_judged_after_five_minutes_of_heat(total_s: float, told: bool) -> None:
    finding = judges.warms_unlike_before(warming(1.0, total_s), 6.0)
    is_violated(finding, 1.0, "oven") if told else is_content(finding)


def test_nothing_is_unusual_where_nothing_is_known() -> None:
    for expected in (0.0, -1.0):
        is_content(judges.warms_unlike_before(warming(1.0), expected))
    is_violated(judges.warms_unlike_before(warming(2.0), 0.5), 2.0, "oven")
    for what in ("value", "start"):
        seen = warming(1.0)
        blank(seen.ovens[0], what)
        is_content(judges.warms_unlike_before(seen, 6.0))


# -- the mend ------------------------------------------------------------------------------------------------------


def test_each_sentence_ends_with_what_a_person_can_do() -> None:
    seen = evidence("oven", "oven2")
    seen.ovens[1].effect.heated_s = 310.0
    assert judges.heat_without_effect(seen, 300).text.endswith(
        " have not moved oven2: probe out of the oven, its leads touching, or no power (dial, timer, fuse, element)"
    )
    assert " degC and does not come back with the heat on: probe fallen out, door open, or no power (within 5 K" in (
        judges.reading_fell(fallen(near_s=241.0), 240).text
    )
    assert judges.reading_fell(fallen(near_s=241.0), 240).text.endswith(" of the room for 241 s)")
    assert judges.reversed_polarity(mirrored(), 60).text.endswith(" since heat came on: its two wires are swapped")
    assert judges.probes_swapped(leading(5.0), 3).text.endswith(
        " than the air since heat came on: oven and witness are swapped"
    )
    assert judges.warms_unlike_before(warming(1.0), 6.0).text.endswith(
        ": probe half out, behind the load or on the wall?"
    )
    seen.closings = 801
    assert judges.contact_worn(seen, 1000).text.endswith(": plan to change it")
    seen.permitted_total_s = 90000.0
    assert judges.permitted_too_long(seen, 86400.0).text.endswith("; is the batch still wanted?")
    seen.readback_wrong_run = 2
    assert judges.pin_disagrees(seen, 2).text.endswith(": who else drives it?")


# -- the short way -------------------------------------------------------------------------------------------------


def opened_at(high_c: float, value_c: float | None) -> Evidence:
    """The relay opened a moment ago; the first probe knows no level, the second one does."""
    seen = evidence("oven", "oven2")
    seen.heat_since_s = NOW_S - 5.0
    seen.open_high_c = {"oven2": high_c}
    read(seen, "oven", 25.0)
    read(seen, "oven2", value_c)
    return seen


@pytest.mark.parametrize(("rise_k", "told"), [(-5.0, False), (29.0, False), (30.0, False), (30.5, True)])
def test_far_above_all_that_was_read_before_the_relay_opened(rise_k: float, told: bool) -> None:
    finding = judges.heat_after_cut(opened_at(60.0, 60.0 + rise_k), 300)
    if told:
        text = f"oven2 has risen {rise_k:.1f} K above all it had read when the relay opened. {PLUG}"
        is_violated(finding, rise_k, "oven2", text=text)
    else:
        is_content(finding)


@pytest.mark.parametrize(("value_c", "told"), [(40.0, False), (40.5, True)])
def test_the_short_way_leaves_the_weather_alone_too(value_c: float, told: bool) -> None:
    finding = judges.heat_after_cut(opened_at(5.0, value_c), 300)
    is_violated(finding, value_c - 5.0, "oven2") if told else is_content(finding)


def test_the_short_way_is_for_an_open_relay_and_nobody_checking_probes() -> None:
    is_content(judges.heat_after_cut(opened_at(60.0, None), 300))
    seen = opened_at(60.0, 95.0)
    seen.heat_closed = True
    is_content(judges.heat_after_cut(seen, 300))
    seen = opened_at(60.0, 95.0)
    seen.checking_until_s = NOW_S
    is_content(judges.heat_after_cut(seen, 300))
    seen.checking_until_s = NOW_S - 0.1
    is_violated(judges.heat_after_cut(seen, 300), 35.0, "oven2")


def test_a_reading_that_never_gets_clear_of_its_converter() -> None:
    seen = evidence("oven", "oven2")
    effect = seen.ovens[1].effect
    effect.level_c = 28.0
    effect.cold_s = 600.0
    is_content(judges.heat_without_effect(seen, 300))
    effect.cold_s = 601.0
    text = (
        "601 s of heat, and oven2 still reads within 5 K of its converter: probe out of the oven, its leads touching, "
        "or no power (dial, timer, fuse, element)"
    )
    is_violated(judges.heat_without_effect(seen, 300), 601.0, "oven2", text=text)
