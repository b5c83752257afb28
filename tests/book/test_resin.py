"""Resin lots: the age against Arrhenius reckoned outright, warnings before it thickens, and what spoils it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from lastbubble.book.resin import Keeping, Use, judge_lot, learnt_keeping, rate
from lastbubble.ledger.shelf import LotEvent, LotRow
from lastbubble.physics.kinetics import equivalent_rate, initiator

BEGIN = datetime(2026, 1, 1, 8, tzinfo=UTC)
DAY = timedelta(days=1)


def event(days: float, kind: str, *, memory: bool = False, **detail: object) -> LotEvent:
    at = BEGIN + days * DAY
    return LotEvent("spring", at, at, kind, dict(detail), memory)


def none(_: datetime, __: datetime) -> Sequence[tuple[float, float]]:
    return []


LOT = LotRow("spring")


def test_the_rate_is_that_of_the_initiator() -> None:
    """Van Hook & Tobolsky 1958's energy, as physics.kinetics has it."""
    azo = initiator("")
    assert rate(40.0, 93.0, azo.activation_j_mol) == pytest.approx(equivalent_rate(40.0, 93.0, azo))


def test_in_the_fridge_it_ages_by_the_clock() -> None:
    found = judge_lot(LOT, [event(0, "opened", place="fridge", temperature_c=5.0)], [], none, BEGIN + 30 * DAY)
    # The mean over what is not known of the fridge adds nothing to the middle.
    assert found.age_s == pytest.approx(30 * 86400, rel=0.02)
    assert found.level == "fresh"
    assert found.rests == {"measured": 30 * 86400.0}


def test_an_hour_beside_the_pump_is_many_in_the_fridge() -> None:
    base = [event(0, "opened", place="fridge", temperature_c=5.0)]
    visit = [*base, event(10, "moved", place="pump", minutes=60.0, temperature_c=40.0)]
    plain = judge_lot(LOT, base, [], none, BEGIN + 20 * DAY)
    warm = judge_lot(LOT, visit, [], none, BEGIN + 20 * DAY)
    azo = initiator("").activation_j_mol
    assert warm.age_s - plain.age_s == pytest.approx(
        3600 * (rate(40.0, 5.0, azo) - 1), rel=0.2
    )  # what is not known of the energy adds some
    assert warm.age_s - plain.age_s > 10 * 86400
    assert warm.place == "fridge"
    assert warm.age_high_s / warm.age_low_s > plain.age_high_s / plain.age_low_s


def test_recorded_temperatures_count_before_assumed_ones() -> None:
    asked: list[tuple[datetime, datetime]] = []

    def recorded(begin: datetime, end: datetime) -> list[tuple[float, float]]:
        asked.append((begin, end))
        return [(12.0, 30.0)] if begin == BEGIN else []

    opened = event(0, "opened", place="bench")
    found = judge_lot(LOT, [opened], [], recorded, BEGIN + DAY)
    assert asked == [(BEGIN, BEGIN + DAY)]
    assert [(s.basis, s.middle_c, s.seconds) for s in found.stretches] == [
        ("recorded", 30.0, 43200.0),
        ("assumed", 21.0, 43200.0),
    ]
    azo = initiator("").activation_j_mol
    assert found.age_s == pytest.approx(43200 * (rate(30.0, 5.0, azo) + rate(21.0, 5.0, azo)), rel=0.05)
    assert any("stands at the bench" in text for text in found.remarks)


def test_a_measurement_of_the_place_counts_before_the_assumption() -> None:
    events = [event(0, "opened", place="fridge"), event(5, "measured", place="fridge", temperature_c=9.0)]
    found = judge_lot(LOT, events, [], none, BEGIN + 10 * DAY)
    assert {(s.basis, s.middle_c) for s in found.stretches} == {("measured", 9.0)}


def test_a_batch_takes_it_into_the_chamber_and_back() -> None:
    use = Use(7, BEGIN + 2 * DAY, BEGIN + 2.5 * DAY, taken_kg=0.3, vacuum_s=3 * 3600)
    events = [event(0, "opened", place="fridge", mass_kg=2.0)]
    found = judge_lot(LOT, events, [use], none, BEGIN + 3 * DAY)
    assert [s.place for s in found.stretches] == ["fridge", "chamber", "fridge"]
    assert found.mass_kg == pytest.approx(1.7)
    assert found.vacuum_s == 3 * 3600
    during = judge_lot(LOT, events, [use], none, BEGIN + 2.2 * DAY)
    assert during.place == "chamber"


def test_the_warning_comes_before_it_thickens() -> None:
    told = LotRow("spring", {"keeps_s": 100 * 86400.0, "keeps_at_c": 5.0})
    events = [event(0, "opened", place="fridge", temperature_c=5.0)]
    levels = [judge_lot(told, events, [], none, BEGIN + days * DAY).level for days in (20, 85, 110)]
    assert levels == ["fresh", "soon", "likely"]
    early = judge_lot(told, events, [], none, BEGIN + 20 * DAY)
    assert early.soon_utc is not None
    assert 60 < (early.soon_utc - BEGIN) / DAY < 85
    assert early.keeping.basis == "told for this lot"
    late = judge_lot(told, events, [], none, BEGIN + 85 * DAY)
    assert any("use it up or top it up" in text for text in late.remarks)


def test_fresh_resin_thins_the_age_by_mass() -> None:
    events = [
        event(0, "opened", place="fridge", temperature_c=5.0, mass_kg=1.0),
        event(100, "topped_up", mass_kg=3.0),
    ]
    found = judge_lot(LOT, events, [], none, BEGIN + 100.0 * DAY)
    assert found.age_s == pytest.approx(25 * 86400, rel=0.03)
    assert found.mass_kg == pytest.approx(4.0)
    unknown = [event(0, "opened", place="fridge", temperature_c=5.0), event(50, "topped_up")]
    kept = judge_lot(LOT, unknown, [], none, BEGIN + 100 * DAY)
    assert kept.age_s == pytest.approx(100 * 86400, rel=0.03)
    assert any("does not count as fresh" in text for text in kept.remarks)


def test_contamination_travels_with_a_top_up() -> None:
    dirty = judge_lot(LOT, [event(0, "opened"), event(1, "contaminated", what="red dye")], [], none, BEGIN + 2 * DAY)
    assert (dirty.level, dirty.contaminated) == ("contaminated", ("red dye",))
    other = [event(0, "opened", mass_kg=1.0), event(1, "topped_up", mass_kg=0.2, **{"from": "autumn"})]
    found = judge_lot(LOT, other, [], none, BEGIN + 2 * DAY, tainted={"autumn": "water"})
    assert found.level == "contaminated"
    assert "autumn" in found.contaminated[0]


def test_what_is_from_memory_is_marked_so() -> None:
    found = judge_lot(LOT, [event(0, "opened", memory=True, place="bench")], [], none, BEGIN + DAY)
    assert found.from_memory == ("opened 2026-01-01",)
    assert all(stretch.memory for stretch in found.stretches)
    assert "from memory" in found.keeping.basis


def test_thick_and_ended_and_unopened() -> None:
    thick = judge_lot(LOT, [event(0, "opened"), event(9, "thickened")], [], none, BEGIN + 10 * DAY)
    assert thick.level == "thick"
    assert thick.soon_utc is None
    ended = judge_lot(LOT, [event(0, "opened"), event(9, "ended")], [], none, BEGIN + 100 * DAY)
    assert sum(s.seconds for s in ended.stretches) == 9 * 86400
    assert ended.level == "ended"
    unopened = judge_lot(LOT, [event(0, "note")], [], none, BEGIN + DAY)
    assert (unopened.age_s, unopened.chance) == (0.0, 0.0)
    assert any("no age" in text for text in unopened.remarks)


def test_lots_seen_to_thicken_teach_the_station() -> None:
    assert learnt_keeping([]) == Keeping()
    one, six = learnt_keeping([100 * 86400.0]), learnt_keeping([100 * 86400.0] * 6)
    assert 100 * 86400 < six.middle_s < one.middle_s < 365 * 86400
    assert six.ln_sd < one.ln_sd < Keeping().ln_sd
    assert math.exp(math.log(six.middle_s)) < 140 * 86400
    assert "6 lots" in six.basis
