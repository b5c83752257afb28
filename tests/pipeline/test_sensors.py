"""Faults that last are told once; values that cannot be never reach a model."""

from __future__ import annotations

from lastbubble.pipeline.sensors import FROZEN_S, SensorWatch, possible
from lastbubble.records import Sample


def causes(watch: SensorWatch, samples: list[Sample]) -> list[tuple[float, str]]:
    return [(c.t, c.cause) for sample in samples for c in watch.feed(sample)[1]]


def test_a_fault_that_lasts_is_told_once_and_again_only_after_it_was_well() -> None:
    watch = SensorWatch()
    rows = [Sample(float(t), oven_c=25.0 + t % 3) for t in range(20)]
    rows += [Sample(float(t), faults=("oven:open",)) for t in range(20, 60)]
    rows += [Sample(float(t), oven_c=25.0 + t % 3) for t in range(60, 140)]
    rows += [Sample(float(t), faults=("oven:open",)) for t in range(140, 160)]
    assert causes(watch, rows) == [(30.0, "sensor_oven_open"), (150.0, "sensor_oven_open")]


def test_a_flicker_is_not_told() -> None:
    watch = SensorWatch()
    rows = [Sample(float(t), oven_c=None if t % 5 == 0 else 25.0 + t % 3) for t in range(300)]
    assert causes(watch, rows) == []


def test_an_empty_column_that_never_read_is_no_fault() -> None:
    assert causes(SensorWatch(), [Sample(float(t), oven_c=20.0 + t % 2) for t in range(100)]) == []


def test_a_reading_that_stops_is_missing() -> None:
    watch = SensorWatch()
    rows = [Sample(float(t), chamber_pa=1e5 if t < 50 else None) for t in range(100)]
    assert causes(watch, rows) == [(60.0, "sensor_chamber_missing")]
    assert [c.cause for c in watch.standing] == ["sensor_chamber_missing"]


def test_in_a_slow_log_lasting_means_ten_rows() -> None:
    watch = SensorWatch()
    rows = [Sample(60.0 * t, chamber_pa=1e5 if t < 100 else None) for t in range(130)]
    assert causes(watch, rows) == [(60.0 * 110, "sensor_chamber_missing")]


def test_impossible_values_are_no_readings() -> None:
    clean, wrong = possible(Sample(0.0, oven_c=2000.0, chamber_pa=-9e9, witness_c=50.0))
    assert (clean.oven_c, clean.chamber_pa, clean.witness_c) == (None, None, 50.0)
    assert wrong == ("chamber", "oven")


def test_a_frozen_oven_is_told_and_a_quiet_one_is_not() -> None:
    moving = [Sample(float(t), oven_c=25.0 + t % 3 * 0.25, heat=True) for t in range(200)]
    watch = SensorWatch()
    frozen = [Sample(200.0 + t, oven_c=30.0, heat=True) for t in range(int(FROZEN_S) + 20)]
    told = causes(watch, moving + frozen)
    assert told == [(200.0 + FROZEN_S + 10, "sensor_oven_frozen")]
    cold = [Sample(200.0 + t, oven_c=30.0, heat=False) for t in range(int(FROZEN_S) + 20)]
    resting = [Sample(s.time_s, oven_c=s.oven_c, heat=False) for s in moving]
    assert causes(SensorWatch(), resting + cold) == []
