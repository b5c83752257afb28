"""The judges of the probes on evidence built by hand: each side of every number, and what the finding says."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from lastbubble.guard import probe_judges as judges
from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import Finding
from lastbubble.guard.probe_evidence import FAST_AGE_S
from tests.guard.judged import NOW_S, evidence, is_content, is_unknown, is_violated, read


def both(first_c: float | None = 60.0, second_c: float | None = 60.0) -> Evidence:
    seen = evidence("oven", "oven2", "witness")
    for name, value_c in (("oven", first_c), ("oven2", second_c), ("witness", 60.0)):
        read(seen, name, value_c)
    return seen


# -- limit ---------------------------------------------------------------------------------------------------------


def test_one_above_opens_and_two_trip() -> None:
    seen = both()
    is_content(judges.above_limit(seen, 120))
    read(seen, "oven2", 121.0).above_run = 1
    is_unknown(judges.above_limit(seen, 120), "oven2 has read 121.0 degC once", "oven2", 121.0)
    for run in (2, 3):
        seen.ovens[1].above_run = run
        is_violated(judges.above_limit(seen, 120), 121.0, "oven2", "oven2", "121.0 degC", "120")


def test_a_probe_that_has_not_read_does_not_hide_the_other_ones_trip() -> None:
    seen = both(first_c=None)
    is_unknown(judges.above_limit(seen, 120), "oven has not read yet", "oven")
    read(seen, "oven2", 125.0).above_run = 2
    is_violated(judges.above_limit(seen, 120), 125.0, "oven2")


def test_the_limit_itself_is_allowed_and_no_number_is_not() -> None:
    seen = both(second_c=120.0)
    is_content(judges.above_limit(seen, 120))
    read(seen, "oven2", math.nan)
    assert judges.above_limit(seen, 120).source == "oven2"


# -- silence -------------------------------------------------------------------------------------------------------


def test_frames_that_stop() -> None:
    seen = both()
    is_content(judges.frames_missing(seen, 1.0))
    seen.ovens[1].last_frame_s = NOW_S - 1.0
    is_content(judges.frames_missing(seen, 1.0))
    seen.ovens[1].last_frame_s = NOW_S - 1.25
    is_violated(judges.frames_missing(seen, 1.0), 1.25, "oven2", "oven2", "1.2 s")
    seen.ovens[1].last_frame_s = math.nan
    assert judges.frames_missing(seen, 1.0).source == "oven2"


def test_frames_that_never_came() -> None:
    seen = both()
    seen.ovens[1].last_frame_s = None
    text = "no frame of oven2 has come yet; does the thermometer run?"
    is_violated(judges.frames_missing(seen, 1.0), None, "oven2", text=text)
    for age_s in (0.5, 1.0):
        seen.start_s = NOW_S - age_s
        is_unknown(judges.frames_missing(seen, 1.0), "no frame of oven2 has come yet", "oven2")


def test_frames_that_come_and_cannot_be_used() -> None:
    seen = both()
    is_content(judges.no_usable_reading(seen, 1.0))
    probe = seen.ovens[1]
    probe.bad_cause, probe.bad_detail = "open", "check its screws"
    probe.last_good_s = NOW_S - 1.0
    is_content(judges.no_usable_reading(seen, 1.0))
    probe.last_good_s = NOW_S - 1.5
    is_violated(
        judges.no_usable_reading(seen, 1.0),
        1.5,
        "oven2",
        text="oven2 has given no usable reading for 1.5 s (open). check its screws",
    )
    probe.bad_detail = ""
    assert not judges.no_usable_reading(seen, 1.0).text.endswith(" ")


def test_a_probe_that_never_read() -> None:
    seen = both()
    seen.ovens[1].last_good_s = None
    seen.start_s = NOW_S - 1.0
    is_unknown(judges.no_usable_reading(seen, 1.0), "oven2 has not read yet", "oven2")
    seen.start_s = NOW_S - 2.0
    is_violated(judges.no_usable_reading(seen, 1.0), 2.0, "oven2", "no_frame")


def test_unusable_frames_in_a_row() -> None:
    seen = both()
    probe = seen.ovens[1]
    probe.bad_cause, probe.bad_detail = "bus", "check its supply"
    probe.bad_run = 9
    is_content(judges.faults_in_a_row(seen, 10))
    for run in (10, 11):
        probe.bad_run = run
        text = f"{run} unusable frames of oven2 in a row (bus). check its supply"
        is_violated(judges.faults_in_a_row(seen, 10), run, "oven2", text=text)
    probe.bad_detail = ""
    is_violated(judges.faults_in_a_row(seen, 10), 11, "oven2", text="11 unusable frames of oven2 in a row (bus).")


@pytest.mark.parametrize(
    ("bad", "frames", "told"),
    [(0, 0, False), (5, 50, False), (6, 50, True), (5, 10, False), (6, 10, True), (10, 100, False), (11, 100, True)],
)
def test_a_share_of_unusable_frames_of_fifty_at_least(bad: int, frames: int, told: bool) -> None:
    seen = both()
    probe = seen.ovens[1]
    probe.bad_cause = "open"
    probe._bad_times.extend([NOW_S] * bad)
    probe._frame_times.extend([NOW_S] * frames)
    finding = judges.faults_too_often(seen, 0.1)
    if told:
        is_violated(finding, bad / frames, "oven2", f"{bad} of {frames}", "10 s", "open")
    else:
        is_content(finding)


# -- frozen --------------------------------------------------------------------------------------------------------

FROZEN = [judges.frozen, judges.frozen_long]


def repeating(since_s: float, heat_since_s: float = 1000.0, closed: bool = True, edge_s: float = -math.inf) -> Evidence:
    seen = both()
    seen.ovens[1].raw = b"1234"
    seen.ovens[1].same_since_s = NOW_S - since_s
    seen.heat_closed, seen.heat_since_s, seen.last_edge_s = closed, NOW_S - heat_since_s, NOW_S + edge_s
    return seen


@pytest.mark.parametrize("judge", FROZEN)
def test_the_same_bits_with_the_heat_on(judge: Callable[[Evidence, float], Finding]) -> None:
    is_content(judge(repeating(120.0), 120))
    is_violated(judge(repeating(121.0), 120), 121.0, "oven2", "oven2", "121 s")
    # Only the time with heat counts.
    is_content(judge(repeating(500.0, heat_since_s=120.0), 120))
    is_violated(judge(repeating(500.0, heat_since_s=130.0), 120), 130.0, "oven2")


@pytest.mark.parametrize("judge", FROZEN)
def test_the_same_bits_without_heat_need_an_edge_of_the_relay(judge: Callable[[Evidence, float], Finding]) -> None:
    is_content(judge(repeating(500.0, closed=False), 120))
    is_content(judge(repeating(500.0, closed=False, edge_s=-600.0), 120))
    is_content(judge(repeating(500.0, closed=False, edge_s=-500.0), 120))
    is_violated(judge(repeating(500.0, closed=False, edge_s=-100.0), 120), 500.0, "oven2")
    # Nothing is "frozen for no time" either.
    is_content(judge(repeating(0.5, closed=False), 0.5))


@pytest.mark.parametrize("judge", FROZEN)
def test_a_probe_whose_transfers_fail_is_not_frozen(judge: Callable[[Evidence, float], Finding]) -> None:
    seen = repeating(500.0)
    seen.ovens[1].raw = None
    is_content(judge(seen, 120))
    seen = repeating(500.0)
    assert seen.ovens[0].raw is None, "the first has nothing: the second is still looked at"
    is_violated(judge(seen, 120), 500.0, "oven2")


# -- steps ---------------------------------------------------------------------------------------------------------


def test_dropped_steps_are_counted() -> None:
    seen = both()
    seen.ovens[1]._step_times.extend([NOW_S] * 6)
    is_content(judges.spikes(seen, 6))
    seen.ovens[1]._step_times.append(NOW_S)
    is_violated(judges.spikes(seen, 6), 7, "oven2", "7 impossible steps of oven2", "60 s")


def test_steps_by_one_power_of_two() -> None:
    seen = both()
    probe = seen.ovens[1]
    probe._bit_steps.extend([(NOW_S - 10, 16)] * 5 + [(NOW_S - 10, 32)] * 5)
    is_content(judges.bit_does_not_follow(seen, 6.0))
    probe._bit_steps.append((NOW_S, 16))
    is_violated(judges.bit_does_not_follow(seen, 6.0), 4.0, "oven2", "oven2", "4 K", "6 times")


# -- junction ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("judge", [judges.junction_hot, judges.junction_warm])
def test_a_converter_that_is_too_warm(judge: Callable[[Evidence, float], Finding]) -> None:
    seen = both()
    seen.ovens[0].junction_c = None
    seen.ovens[1].junction_c = 58.0
    is_content(judge(seen, 58))
    seen.ovens[1].junction_c = 58.5
    is_violated(judge(seen, 58), 58.5, "oven2", "oven2", "58.5 degC", "58")
    seen.ovens[1].junction_c = math.nan
    assert judge(seen, 58).source == "oven2"


@pytest.mark.parametrize(("k_min", "told"), [(None, False), (1.0, False), (2.0, False), (2.1, True), (6.0, True)])
def test_a_converter_that_warms_fast(k_min: float | None, told: bool) -> None:
    seen = both()
    seen.ovens[1].junction_history.rate_per_s = None if k_min is None else k_min / 60
    finding = judges.junction_rising(seen, 2)
    if told:
        assert k_min is not None
        is_violated(finding, k_min, "oven2", "oven2", f"{k_min:.1f} K a minute")
    else:
        is_content(finding)


def test_a_slope_that_is_no_number_is_a_fault() -> None:
    seen = both()
    seen.ovens[1].junction_history.rate_per_s = math.nan
    assert judges.junction_rising(seen, 2).source == "oven2"


# -- two probes ----------------------------------------------------------------------------------------------------


def test_two_probes_apart_for_a_minute() -> None:
    seen = both(80.0, 65.5)
    is_content(judges.probes_disagree(seen, 10))
    seen.apart_since_s = NOW_S - 60.0
    is_content(judges.probes_disagree(seen, 10))
    seen.apart_since_s = NOW_S - 60.5
    is_violated(judges.probes_disagree(seen, 10), 14.5, "oven oven2", "oven", "80.0", "oven2", "65.5 degC", "10 K")


@pytest.mark.parametrize("values", [(None, 60.0), (60.0, None)])
def test_nobody_disagrees_with_a_probe_that_does_not_read(values: tuple[float | None, float | None]) -> None:
    seen = both(*values)
    seen.apart_since_s = NOW_S - 100.0
    is_content(judges.probes_disagree(seen, 10))


def test_two_converters_that_answer_at_once() -> None:
    seen = both()
    is_content(judges.converters_answer_together(seen, 8))
    seen._pair_runs = {(0, 1): 2, (0, 2): 7}
    is_content(judges.converters_answer_together(seen, 8))
    for run in (8, 9):
        seen._pair_runs[0, 2] = run
        finding = judges.converters_answer_together(seen, 8)
        is_violated(finding, run, "oven witness", "oven and witness", f"{run} times")
        assert "Wire none to CE0 or CE1, or set dtoverlay=spi0-0cs" in finding.text


# -- rise ----------------------------------------------------------------------------------------------------------


def risen(rise_k: float) -> Evidence:
    seen = both()
    seen.ovens[1].history._maxima[FAST_AGE_S] = 60.0
    read(seen, "oven2", 60.0 + rise_k)
    return seen


@pytest.mark.parametrize(("rise_k", "told"), [(-50.0, False), (44.0, False), (45.0, False), (45.5, True), (99.0, True)])
def test_a_rise_above_all_that_was_read_until_a_minute_ago(rise_k: float, told: bool) -> None:
    finding = judges.rising_fast(risen(rise_k), 45)
    is_violated(finding, rise_k, "oven2", "oven2", f"{rise_k:.0f} K") if told else is_content(finding)


def test_a_rise_that_is_no_number_is_told() -> None:
    assert judges.rising_fast(risen(math.nan), 45).source == "oven2"


def test_a_probe_in_hot_water_is_no_fire_while_probes_are_checked() -> None:
    seen = risen(70.0)
    seen.checking_until_s = NOW_S
    is_content(judges.rising_fast(seen, 45))
    seen.checking_until_s = NOW_S - 0.1
    is_violated(judges.rising_fast(seen, 45), 70.0, "oven2")


def test_no_rise_without_a_before_or_a_now() -> None:
    seen = risen(70.0)
    seen.ovens[1].history._maxima[FAST_AGE_S] = None
    is_content(judges.rising_fast(seen, 45))
    seen = risen(70.0)
    seen.ovens[0].history._maxima[FAST_AGE_S] = 60.0
    read(seen, "oven", None)
    is_violated(judges.rising_fast(seen, 45), 70.0, "oven2")


# -- the mend ------------------------------------------------------------------------------------------------------


def test_each_sentence_ends_with_what_a_person_can_do() -> None:
    seen = repeating(500.0)
    assert judges.frozen(seen, 120).text.endswith(
        "; noise alone would change them. Check chip select and clock of its converter"
    )
    seen = both()
    seen.ovens[1]._step_times.extend([NOW_S] * 7)
    assert judges.spikes(seen, 6).text.endswith("; look at its capacitor, its screws and the run of its wires")
    seen.ovens[1].junction_c = 59.0
    assert judges.junction_hot(seen, 58).text.endswith("; move it away from the oven")
    seen = both(80.0, 65.0)
    seen.apart_since_s = NOW_S - 61.0
    assert judges.probes_disagree(seen, 10).text.endswith(
        " K apart for a minute. One is half out, mis-wired or of another type"
    )
    seen._pair_runs = {(0, 1): 9}
    assert judges.converters_answer_together(seen, 8).text.endswith(
        ": two converters answer at once. Wire none to CE0 or CE1, or set dtoverlay=spi0-0cs"
    )
    assert judges.rising_fast(risen(50.0), 45).text.endswith(": look for fire or a reacting pot of resin")
