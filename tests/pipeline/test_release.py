"""The judge of the end: what levels, rises and glances do to its verdict."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from lastbubble.pipeline.release import KEPT, EndJudge, Verdict


def levels(
    judge: EndJudge, end_s: float, until_s: float, *, first_pa: float = 20.0, bursts: tuple[float, ...] = ()
) -> None:
    """A front that ends, with a tenth of a pascal of noise."""
    rng = np.random.default_rng(5)
    for middle_s in np.arange(450.0, until_s, 120.0):
        flow = (460.0 / (middle_s + 60.0)) ** 0.5 if middle_s < end_s else 0.0
        burst = 15.0 if any(abs(middle_s - at_s) < 60 for at_s in bursts) else 0.0
        judge.level(middle_s, 12.0 + first_pa * flow + burst + 0.1 * rng.standard_normal(), 0.01)


def verdict(judge: EndJudge, now_s: float) -> Verdict:
    said = judge.verdict(now_s)
    assert said is not None
    return said


def test_too_little_is_no_verdict() -> None:
    judge = EndJudge(0.0, 20.0)
    levels(judge, 9000.0, 900.0)
    assert judge.verdict(900.0) is None


def test_an_end_is_sure_within_a_quarter_of_an_hour_and_dated() -> None:
    judge = EndJudge(0.0, 20.0)
    levels(judge, 5000.0, 5900.0)
    said = verdict(judge, 5900.0)
    assert said.safe > 0.9
    assert said.since_s == pytest.approx(5000.0, abs=240.0)
    assert said.share_ends > 0.9
    assert said.flow_high_pa_s < 0.02


def test_before_it_there_is_a_forecast_and_no_sureness() -> None:
    judge = EndJudge(0.0, 20.0)
    levels(judge, 9000.0, 4800.0)
    said = verdict(judge, 4800.0)
    assert said.safe < 0.3
    assert 4800.0 < said.p10_s < said.p50_s < said.p90_s
    # 20 Pa at 400 s, falling with the root of time, drawn with 20 s: 0.31 Pa/s by now.
    assert said.flow_low_pa_s < 0.31 < said.flow_high_pa_s
    assert said.flow_low_pa_s <= said.flow_pa_s <= said.flow_high_pa_s


def test_times_count_from_the_log_not_from_the_pump() -> None:
    said = []
    for start_s in (0.0, 7200.0):
        judge = EndJudge(start_s, 20.0)
        rng = np.random.default_rng(5)
        for middle_s in np.arange(450.0, 4800.0, 120.0):
            judge.level(
                start_s + middle_s, 12 + 20 * (460 / (middle_s + 60)) ** 0.5 + 0.1 * rng.standard_normal(), 0.01
            )
        said.append(verdict(judge, start_s + 4800.0))
    assert said[1].p50_s - said[0].p50_s == pytest.approx(7200.0, abs=1.0)
    assert said[1].safe == pytest.approx(said[0].safe, abs=1e-6)


def test_glances_count_for_what_they_are() -> None:
    said = []
    for seen in (True, False):
        judge = EndJudge(0.0, 20.0)
        levels(judge, 9000.0, 6000.0, first_pa=1.0)
        for time_s in (4800.0, 5200.0, 5600.0, 5900.0):
            judge.glance(time_s, seen)
        said.append(verdict(judge, 6000.0))
    assert said[0].safe < 0.1
    assert said[1].safe > 3 * said[0].safe


def test_earlier_batches_of_this_station_sharpen_the_forecast() -> None:
    widths = []
    for earlier_s in ((), (6000.0, 6300.0, 5900.0, 6100.0)):
        judge = EndJudge(0.0, 20.0, earlier_s=earlier_s)
        levels(judge, 9000.0, 2400.0)
        said = verdict(judge, 2400.0)
        widths.append(said.p90_s - said.p10_s)
    assert widths[1] < 0.6 * widths[0]


def test_rises_seen_again_replace_what_was_told_first() -> None:
    """The newest are revised, an older one stays; the verdict is that of a judge who was told so at once."""
    told, revised = EndJudge(0.0, 20.0), EndJudge(0.0, 20.0)
    for judge, late in ((told, 0.25), (revised, 0.9)):
        levels(judge, 9000.0, 3600.0)
        judge.rise(1000.0, 0.3, 0.015**2)
        for time_s in (1400.0, 2300.0):
            judge.rise(time_s, late, 0.03**2)
    revised.revise([(0.25, 0.03**2), (0.25, 0.03**2)])
    assert verdict(revised, 3600.0) == verdict(told, 3600.0)
    told.revise([])
    told.revise([(7.0, 1.0)] * 3 + [(0.3, 0.015**2), (0.25, 0.03**2), (0.25, 0.03**2)])
    assert verdict(revised, 3600.0) == verdict(told, 3600.0)


def test_a_burst_does_not_make_an_end() -> None:
    calm, rocked = EndJudge(0.0, 20.0), EndJudge(0.0, 20.0)
    levels(calm, 9000.0, 4800.0)
    levels(rocked, 9000.0, 4800.0, bursts=(3330.0,))
    assert verdict(rocked, 4800.0).safe < 0.3
    assert verdict(rocked, 4800.0).p50_s == pytest.approx(verdict(calm, 4800.0).p50_s, rel=0.35)


def test_a_first_rise_that_was_none_does_not_make_an_end() -> None:
    """What looked like a rise between others was none: later rises are far steeper, and gas does not come back."""
    judge = EndJudge(0.0, 20.0)
    levels(judge, 9000.0, 3600.0)
    judge.rise(1000.0, 0.02, 0.005**2)
    for time_s in (1400.0, 2300.0, 3200.0):
        judge.rise(time_s, 0.25, 0.015**2)
    said = verdict(judge, 3600.0)
    assert said.stopped < 0.2
    assert said.p50_s > 4200.0


def test_memory_is_bounded_over_two_days() -> None:
    judge = EndJudge(0.0, 20.0)
    for middle_s in np.arange(450.0, 172_800.0, 120.0):
        judge.level(float(middle_s), 15.0, 0.01)
    assert len(judge._levels) <= KEPT
    assert all(b.from_s > a.from_s for a, b in itertools.pairwise(judge._levels))


def test_the_same_observations_give_the_same_verdict() -> None:
    said = []
    for _ in range(2):
        judge = EndJudge(0.0, 20.0)
        levels(judge, 5000.0, 5200.0)
        said.append(verdict(judge, 5200.0))
    assert said[0] == said[1]


def _drawn_twice(judge: EndJudge, end_s: float, until_s: float) -> None:
    """A front whose pump stood still from 1800 to 3600 s; the base is 2 Pa higher afterwards."""
    rng = np.random.default_rng(5)
    for middle_s in np.arange(450.0, until_s, 120.0):
        if 1800.0 < middle_s < 3900.0:
            continue
        inner_s = middle_s - (1800.0 if middle_s > 3600.0 else 0.0)
        flow = (460.0 / (inner_s + 60.0)) ** 0.5 if inner_s < end_s else 0.0
        if middle_s == 3930.0:
            judge.resume(1800.0, 3600.0)
        base_pa = 14.0 if middle_s > 3600.0 else 12.0
        judge.level(middle_s, base_pa + 20.0 * flow + 0.1 * rng.standard_normal(), 0.01)


def test_after_air_was_in_the_release_goes_on_where_it_stood() -> None:
    judge = EndJudge(0.0, 20.0)
    _drawn_twice(judge, 5000.0, 7700.0)
    said = verdict(judge, 7700.0)
    assert said.safe > 0.85
    assert said.since_s == pytest.approx(6800.0, abs=240.0)
    going = EndJudge(0.0, 20.0)
    _drawn_twice(going, 9000.0, 7700.0)
    assert verdict(going, 7700.0).safe < 0.4


def test_what_the_weather_does_is_no_release_for_a_gauge_that_reads_against_the_room() -> None:
    """The level falls by 40 Pa in an hour and then stands, and it is the barometer: nothing has ended."""
    said = []
    for against_room in (False, True):
        judge = EndJudge(0.0, 20.0, against_room=against_room)
        rng = np.random.default_rng(5)
        for middle_s in np.arange(450.0, 6000.0, 120.0):
            room_pa = -40.0 * min(middle_s, 4500.0) / 3600.0
            judge.level(middle_s, 112.0 + room_pa + 0.5 * rng.standard_normal(), 0.25)
        said.append(verdict(judge, 6000.0))
    assert said[0].safe > 0.8
    assert said[1].safe < 0.7
