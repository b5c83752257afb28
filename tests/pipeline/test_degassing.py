"""The chamber's side as a whole: what it says of batches and faults that a small chamber of the tests plays to it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest

from lastbubble.context import Context
from lastbubble.pipeline.chamber_watch import ChamberWatch, Level
from lastbubble.pipeline.degassing import SURE, ChamberModel
from lastbubble.pipeline.release import EndJudge, Verdict
from lastbubble.records import Caution, Event, Forecast, Record, Sample
from tests.pipeline.chamber_maker import Case, make


def run(case: Case) -> tuple[list[Record], list[tuple[float, str, float]]]:
    """Everything said, and the phases as (said at, phase, since)."""
    model = ChamberModel(case.context)
    said: list[Record] = []
    phases: list[tuple[float, str, float]] = []
    for sample in case.samples:
        said += model.feed(sample)
        if not phases or phases[-1][1] != model.phase:
            phases.append((sample.time_s, model.phase, model.phase_since_s))
    return said, phases


def causes(said: list[Record]) -> list[str]:
    return [record.cause for record in said if isinstance(record, Caution)]


def watched(context: Context, samples: list[Sample], method: str) -> tuple[list[tuple[float, ...]], list[Record]]:
    """What the judge of the end was told by this method, call by call, and everything said."""
    told: list[tuple[float, ...]] = []
    real = getattr(EndJudge, method)

    def note(judge: EndJudge, *values: float) -> None:
        told.append(values)
        real(judge, *values)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EndJudge, method, note)
        model = ChamberModel(context)
        said = [record for sample in samples for record in model.feed(sample)]
    return told, said


def moved(samples: list[Sample], begun_s: float, to: Callable[[float, float], float]) -> list[Sample]:
    """The samples with another pressure from `begun_s` on. to : of the seconds since then and the pressure before"""
    return [
        one
        if one.chamber_pa is None or one.time_s <= begun_s
        else replace(one, chamber_pa=to(one.time_s - begun_s, one.chamber_pa))
        for one in samples
    ]


@cache
def whole() -> tuple[Case, list[Record], list[tuple[float, str, float]]]:
    case = make(22, law="pieces", isolate=True)
    return (case, *run(case))


def test_a_whole_batch_is_told_in_order() -> None:
    case, said, phases = whole()
    assert [phase for _, phase, _ in phases] == [
        "idle", "pump_down", "degassing", "still", "venting", "soaking",
    ]  # fmt: skip
    assert causes(said) == []
    truth = case.truth
    since = {phase: start for _, phase, start in phases}
    assert since["pump_down"] == pytest.approx(truth.pump_s, abs=30)
    assert since["degassing"] == pytest.approx(truth.knee_s, abs=90)
    assert since["venting"] == pytest.approx(truth.vent_s, abs=30)


def test_the_stop_is_called_after_it_and_dated_near_it() -> None:
    case, said, _ = whole()
    calls = [record for record in said if isinstance(record, Event) and record.name == "bubbles_stopped"]
    assert len(calls) == 1
    assert calls[0].t >= case.truth.safe_s
    assert calls[0].t - case.truth.stop_s < 3600
    assert abs(calls[0].since - case.truth.stop_s) < 1800
    assert calls[0].sure is not None
    assert calls[0].sure >= SURE
    assert calls[0].basis in ("flow", "isolation", "forecast")


def test_forecasts_come_from_the_first_half_hour_and_are_ordered() -> None:
    case, said, _ = whole()
    forecasts = [record for record in said if isinstance(record, Forecast)]
    assert forecasts
    assert forecasts[0].t - case.truth.pump_s < 2100
    assert all(f.t <= f.p10 <= f.p50 <= f.p90 for f in forecasts)
    assert all(b.t - a.t >= 250 for a, b in pairwise(forecasts))


def test_the_same_samples_at_another_time_give_the_same_story_shifted() -> None:
    case = make(6, law="pieces", hours=1.2)
    shift = 86400.0
    moved = replace_times(case, shift)
    here, _ = run(case)
    there, _ = run(moved)
    assert len(here) == len(there)
    for one, other in zip(here, there, strict=True):
        assert type(one) is type(other)
        assert other.t - one.t == pytest.approx(shift, abs=1e-3)
        if isinstance(one, Forecast) and isinstance(other, Forecast):
            assert other.p50 - one.p50 == pytest.approx(shift, abs=1.0)


def replace_times(case: Case, shift: float) -> Case:
    return Case(case.context, [replace(sample, time_s=sample.time_s + shift) for sample in case.samples], case.truth)


def test_two_runs_say_the_same() -> None:
    case = make(9, hours=1.0)
    assert run(case) == run(case)


@pytest.mark.parametrize("step_pa", [24.4, 100.0, 400.0])
def test_a_coarse_gauge_is_told_within_ten_minutes_and_never_guesses(step_pa: float) -> None:
    case = make(22, step_pa=step_pa, noise_pa=0.3 * step_pa, hours=2.5)
    said, _ = run(case)
    told = [record for record in said if isinstance(record, Caution) and record.cause == "gauge_too_coarse"]
    assert len(told) == 1
    assert told[0].t - case.truth.pump_s < 600
    assert f"{step_pa:.0f} Pa" in told[0].text
    assert not [record for record in said if isinstance(record, Event) and record.name == "bubbles_stopped"]


@pytest.mark.parametrize("step_pa", [1.0, 10.0])
def test_a_gauge_that_can_tell_is_not_called_coarse(step_pa: float) -> None:
    said, _ = run(make(22, step_pa=step_pa, noise_pa=step_pa, hours=1.0))
    assert causes(said) == []


def test_a_stopped_pump_is_told_within_three_minutes() -> None:
    case = make(22, pump_stop=(5000.0, 1e9), hours=1.8)
    said, _ = run(case)
    told = {record.cause: record.t for record in said if isinstance(record, Caution)}
    assert set(told) == {"pump_stopped", "vent_before_pump_off"}
    assert 0 < told["pump_stopped"] - (case.truth.pump_s + 5000) < 180


@pytest.mark.parametrize("leak_pa_s", [30.0, 300.0, 3000.0])
def test_a_lid_that_opens_is_told_within_a_minute(leak_pa_s: float) -> None:
    case = make(3, lid=(3000.0, leak_pa_s), hours=1.2)
    said, _ = run(case)
    lost = [record for record in said if isinstance(record, Caution) and record.cause == "vacuum_lost"]
    assert len(lost) == 1
    assert 0 < lost[0].t - (case.truth.pump_s + 3000) <= 60


def test_a_leak_from_the_start_is_a_high_base_within_35_minutes() -> None:
    case = make(3, leak_pa_s=200.0, hours=1.2)
    said, _ = run(case)
    high = [record for record in said if isinstance(record, Caution)]
    assert [record.cause for record in high] == ["base_pressure_high"]
    assert high[0].t - case.truth.pump_s < 35 * 60
    for part in ("lid", "hose", "ballast", "oil", "resin"):
        assert part in high[0].text


def test_an_isolation_that_the_log_tells_is_no_fault() -> None:
    _, said, _ = whole()
    assert not {"pump_stopped", "vacuum_lost"} & set(causes(said))


@pytest.mark.parametrize("column", [False, True])
def test_a_mark_that_comes_after_the_rise_changes_nothing(column: bool) -> None:
    """Wet gloves: shut, opened, and only then told; the level that follows is no rise."""
    case = make(3, isolate=True, hours=1.4, vent=False)
    starts = [s.time_s for s in case.samples if "isolated" in s.marks]
    late = {start + 215.0: ("isolated",) for start in starts} | {start + 390.0: ("rejoined",) for start in starts}
    samples = [
        replace(s, marks=late.get(s.time_s, ()), isolated=s.isolated if column else None)
        for s in (replace(s, time_s=round(s.time_s)) for s in case.samples)
    ]
    assert any(s.marks for s in samples)
    rises: list[float] = []
    judged = EndJudge.rise

    def kept(judge: EndJudge, time_s: float, pa_s: float, variance: float) -> None:
        rises.append(pa_s)
        judged(judge, time_s, pa_s, variance)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EndJudge, "rise", kept)
        model = ChamberModel(case.context)
        for sample in samples:
            model.feed(sample)
    if column:
        assert len(rises) >= len(starts) - 1
    assert all(pa_s > 0.01 for pa_s in rises)


def test_a_valve_that_is_shut_for_seconds_still_says_how_much_gas_comes() -> None:
    """A bath that boils over is shut off for five seconds only: too short for a fit, but not for nothing."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    rises: list[float] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EndJudge, "rise", lambda _judge, _time_s, pa_s, _variance: rises.append(pa_s))
        for t in range(2400):
            pumped = 101325.0 * math.exp(-t / 20.0) + 60.0 + 40.0 / math.sqrt(1 + t / 300.0)
            shut = 1800 <= t < 1805
            pressure = pumped + (200.0 * (t - 1799) if shut else 1000.0 * math.exp(-(t - 1805) / 8.0) * (t >= 1805))
            model.feed(Sample(float(t), round(pressure + 0.3 * math.sin(12.9898 * t), 1), isolated=shut))
    assert len(rises) == 1
    assert 120.0 < rises[0] < 300.0


@pytest.mark.parametrize("late_mark", [False, True])
def test_air_that_is_pumped_out_again_at_once_is_told_all_the_same(late_mark: bool) -> None:
    """A hose slips off and is pushed back within seconds, and a mark `isolated` that belongs to nothing comes then."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(2400):
        pressure = 101325.0 * math.exp(-t / 20.0) + 60.0 + 40.0 / math.sqrt(1 + t / 300.0)
        pressure += 54_000.0 * math.exp(-(t - 2000) / 4.5) if t >= 2000 else 0.3 * math.sin(12.9898 * t)
        marks = ("isolated",) if late_mark and t == 2017 else ()
        said += model.feed(Sample(float(t), round(pressure, 1), marks=marks))
    lost = [record for record in said if isinstance(record, Caution)]
    assert [record.cause for record in lost] == ["vacuum_lost"]
    assert 2000 < lost[0].t <= 2060
    assert model.phase == "degassing"


def test_a_hump_while_the_gas_is_strong_is_no_stopped_pump() -> None:
    """Soon after the pump-down the level climbs by a tenth and stays there: behind a stopped pump it would soar."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(2000):
        pressure = 101325.0 * math.exp(-t / 15.0) + 20.0 + 60.0 / math.sqrt(1 + t / 120.0)
        pressure += min(max(t - 1000, 0) / 30.0, 6.0) * math.exp(-max(t - 1180, 0) / 400.0)
        said += model.feed(Sample(float(t), round(pressure + 0.4 * math.sin(12.9898 * t * t), 1), isolated=False))
    assert causes(said) == []


def test_glitches_gaps_and_jitter_raise_nothing() -> None:
    said, phases = run(make(3, glitches=0.01, empty=0.2, jitter=0.6))
    assert set(causes(said)) <= {"vented_fast"}
    assert [phase for _, phase, _ in phases if phase != "still"] == [
        "idle", "pump_down", "degassing", "venting", "soaking",
    ]  # fmt: skip


def test_a_rocked_chamber_is_no_fault() -> None:
    said, _ = run(make(3, rock_s=4000.0, hours=2.0))
    assert causes(said) == []


def test_pump_off_under_vacuum_is_said_at_once() -> None:
    model = ChamberModel(Context())
    samples = [Sample(float(t), 101325.0) for t in range(30)]
    samples += [Sample(30.0 + t, 101325.0 * 0.9**t + 50.0) for t in range(120)]
    for sample in samples:
        model.feed(sample)
    said = model.feed(Sample(150.0, 50.0, marks=("pump_off",)))
    assert causes(said) == ["vent_before_pump_off"]


@pytest.mark.parametrize("told", ["column", "marks"])
@pytest.mark.parametrize("stands", [True, False])
def test_a_pump_that_stopped_while_the_chamber_was_shut_off_is_told_after_it(told: str, stands: bool) -> None:
    """The valve is open again, and the pressure goes on rising as before."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(4200):
        shut_s = min(max(t - 3600, 0), math.inf if stands else 180)
        pressure = 101325.0 * math.exp(-t / 15.0) + 20.0 + 60.0 / math.sqrt(1 + t / 120.0) + 0.2 * shut_s
        if not stands and t > 3780:
            pressure += -36.0 + 36.0 * math.exp(-(t - 3780) / 15.0)
        marks = {3600: ("isolated",), 3780: ("rejoined",)}.get(t, ()) if told == "marks" else ()
        shut = 3600 <= t < 3780 if told == "column" else None
        said += model.feed(
            Sample(float(t), round(pressure + 0.4 * math.sin(12.9898 * t * t), 1), isolated=shut, marks=marks)
        )
    stopped = [record.t for record in said if isinstance(record, Caution) and record.cause == "pump_stopped"]
    assert len(stopped) == stands
    assert all(3780 < t <= 3870 for t in stopped)


@pytest.mark.parametrize("isolated", [True, False])
def test_a_climb_far_slower_than_the_last_isolation_is_no_stopped_pump(isolated: bool) -> None:
    """Behind a pump that stands it would rise as it did while it was shut off."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(4600):
        pressure = 101325.0 * math.exp(-t / 8.0) + 20.0 + 60.0 / math.sqrt(1 + t / 120.0) + 0.03 * max(t - 4200, 0)
        shut = isolated and 3600 <= t < 3780
        pressure += 0.5 * (t - 3600) if shut else 90.0 * math.exp(-(t - 3780) / 8.0) * (isolated and t >= 3780)
        said += model.feed(Sample(float(t), round(pressure + 0.4 * math.sin(12.9898 * t * t), 1), isolated=shut))
    assert ("pump_stopped" in causes(said)) == (not isolated)


def test_a_pump_off_that_is_told_after_the_next_pump_down_has_begun_is_of_the_one_before() -> None:
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(4000):
        drawn_s = t - 3000 if t >= 3000 else t
        pressure = 101325.0 * math.exp(-drawn_s / 15.0) + 60.0
        if 2400 <= t < 3000:
            pressure = min(60.0 + 1000.0 * (t - 2400), 101325.0)
        marks = {2390: ("vent_open",), 3090: ("pump_off",), 3500: ("pump_off",)}.get(t, ())
        said += model.feed(Sample(float(t), round(pressure + 0.4 * math.sin(12.9898 * t * t), 1), marks=marks))
    off = [record.t for record in said if isinstance(record, Caution) and record.cause == "vent_before_pump_off"]
    assert off == [3500.0]


def test_a_wild_reading_after_the_pump_down_does_not_hide_a_base_that_is_too_high() -> None:
    """It is no vacuum switch that lets the pressure climb."""
    model = ChamberModel(Context(barometer_pa=101325.0))
    said: list[Record] = []
    for t in range(0, 2100, 5):
        pressure = 5000.0 if t == 400 else 101325.0 * math.exp(-t / 15.0) + 4000.0 + math.sin(12.9898 * t * t)
        said += model.feed(Sample(float(t), round(pressure)))
    assert "base_pressure_high" in causes(said)


def test_a_fall_too_quick_to_follow_leaves_a_level_at_once() -> None:
    """A small chamber is down again within a block: what the rise left is over, however slow the pump-down looked."""
    watch = ChamberWatch(Context(barometer_pa=101325.0))
    levels: list[float] = []
    for t in range(3200):
        drawn_pa = 101325.0 * math.exp(-t / 15.0) + 3000.0 + 200.0 * math.exp(-t / 90.0)
        risen_pa = float(t - 2400) if 2400 <= t < 2600 else 0.0
        sample = Sample(float(t), round(drawn_pa + risen_pa + 3 * math.sin(12.9898 * t * t)), isolated=2400 <= t < 2600)
        levels += [seen.block.end_s for seen in watch.feed(sample) if isinstance(seen, Level)]
    assert min(end_s for end_s in levels if end_s > 2600) < 2660


def test_the_soak_is_over_after_its_time() -> None:
    case = make(3, hours=1.0)
    case = Case(replace(case.context, soak_min=5.0), case.samples, case.truth)
    said, _ = run(case)
    events = {record.name: record for record in said if isinstance(record, Event)}
    assert events["soak_complete"].since - events["vented"].since == pytest.approx(300.0)


def test_a_minute_a_sample_is_enough_for_phases() -> None:
    case = make(3, period_s=60.0, hours=1.5)
    said, phases = run(case)
    assert [phase for _, phase, _ in phases] == ["idle", "pump_down", "degassing", "venting", "soaking"]
    assert causes(said) == []


def test_nothing_is_said_without_a_pump_down() -> None:
    model = ChamberModel(Context())
    said: list[Record] = []
    for t in range(4000):
        said += model.feed(Sample(float(t), 3.3 + 0.01 * max(0, t - 600)))
    assert said == []
    assert model.phase == "idle"


def test_a_coarse_gauge_is_asked_for_an_isolation_and_not_while_it_is_one() -> None:
    case = make(22, step_pa=100.0, noise_pa=30.0, hours=0.9, vent=False)
    model = ChamberModel(case.context)
    for sample in case.samples:
        model.feed(sample)
    assert model.phase == "degassing"
    assert "5 minutes" in model.outlook_part()["next_action"]
    last = case.samples[-1]
    model.feed(Sample(last.time_s + 1.0, last.chamber_pa, marks=("isolated",)))
    assert model.outlook_part()["next_action"] == ""


@pytest.mark.parametrize("mark", ["", "drained"])
def test_after_a_lid_that_opened_the_same_pieces_are_judged_on_unless_they_are_out(mark: str) -> None:
    case = make(3, hours=2.0)
    opened_s = case.truth.pump_s + 3000.0
    samples = []
    for sample in case.samples:
        after_s = sample.time_s - opened_s
        air_pa = 0.0
        if after_s > 0:
            # Two minutes of air, then the pump draws it out again.
            air_pa = 60e3 * (1 - math.exp(-min(after_s, 120.0) / 60.0)) * math.exp(-max(after_s - 120.0, 0.0) / 15.0)
        pa = None if sample.chamber_pa is None else sample.chamber_pa + air_pa
        marks = (mark,) if mark and 100.0 <= after_s < 101.0 else ()
        samples.append(replace(sample, chamber_pa=pa, marks=(*sample.marks, *marks)))
    resumed, _ = watched(case.context, samples, "resume")
    assert len(resumed) == (0 if mark else 1)
    for from_s, to_s in resumed:
        assert from_s == pytest.approx(opened_s, abs=60.0)
        assert 60.0 < to_s - from_s < 400.0


def test_a_pump_that_a_vacuum_switch_cycles_is_never_called() -> None:
    for number in (3, 5, 8):
        said, _ = run(make(number, switch_pa=(1500.0, 1900.0), hours=3))
        assert not [record for record in said if isinstance(record, Event) and record.name == "bubbles_stopped"]
        assert sum(isinstance(record, Forecast) for record in said) <= 2


def test_a_burst_before_an_isolation_is_no_part_of_its_rise() -> None:
    case = make(3, hours=1.2)
    begun_s = case.truth.pump_s + 3000.0

    def burst_and_rise(after_s: float, pa: float) -> float:
        shut_s = max(after_s - 180.0, 0.0)
        return (
            pa
            + 20.0 * math.exp(-after_s / 300.0)
            + 0.5 * min(shut_s, 120.0) * math.exp(-max(shut_s - 120.0, 0.0) / 20.0)
        )

    samples = [
        replace(one, isolated=180.0 <= one.time_s - begun_s < 300.0)
        for one in moved(case.samples, begun_s, burst_and_rise)
    ]
    told, _ = watched(case.context, samples, "rise")
    rises = [pa_s for _, pa_s, _ in told]
    assert len(rises) == 1
    assert rises[0] == pytest.approx(0.5, rel=0.15)


@pytest.mark.parametrize("told", [True, False])
def test_an_isolation_whose_mark_is_missing_counts_where_isolations_are_told(told: bool) -> None:
    case = make(3, hours=1.5)
    first_s = case.truth.pump_s + 2400.0

    def rise(after_s: float, pa: float) -> float:
        return pa + 0.5 * min(after_s, 120.0) * math.exp(-max(after_s - 120.0, 0.0) / 20.0)

    samples = []
    for sample in moved(moved(case.samples, first_s, rise), first_s + 1200.0, rise):
        after_s, marks = sample.time_s - first_s, sample.marks
        if told:
            marks += ("isolated",) * (0.0 <= after_s < 1.0) + ("rejoined",) * (120.0 <= after_s < 121.0)
        samples.append(replace(sample, isolated=None, marks=marks))
    rows, said = watched(case.context, samples, "rise")
    rises = [pa_s for _, pa_s, _ in rows]
    assert len(rises) == (2 if told else 0)
    assert rises == pytest.approx([0.5] * len(rises), rel=0.15)
    assert causes(said) == []


def test_a_hose_that_slips_off_is_told_once_however_likely_the_bubbles_have_stopped() -> None:
    case = make(3, hours=1.6)
    opened_s = case.truth.pump_s + 3000.0

    def off_and_on(after_s: float, pa: float) -> float:
        """Up within seconds, seven minutes of air with a flutter, and drawn down again."""
        air_pa = 95e3 * (1 - math.exp(-after_s / 2.0)) if after_s < 420.0 else 95e3 * math.exp((420.0 - after_s) / 25.0)
        return max(air_pa + 40.0 * math.sin(after_s), pa)

    samples = moved(case.samples, opened_s, off_and_on)
    likely = Verdict(0.6, 0.2, 5.0, 4000.0, 5000.0, 6000.0, 7000.0, 0.1, 0.05, 0.2, 0.5)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EndJudge, "verdict", lambda *_: likely)
        model = ChamberModel(case.context)
        said = [record for sample in samples for record in model.feed(sample)]
    lost = [record.t for record in said if isinstance(record, Caution) and record.cause == "vacuum_lost"]
    assert len(lost) == 1
    assert lost[0] - opened_s < 60.0


@pytest.mark.parametrize("period_s", [5.0, 20.0, 60.0])
def test_levels_come_at_whatever_pace_the_gauge_is_read(period_s: float) -> None:
    case = make(3, hours=1.5, period_s=period_s)
    levels, _ = watched(case.context, case.samples, "level")
    assert len(levels) > 15
