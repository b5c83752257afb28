"""The joined pipeline: what it says beyond what its parts say."""

from __future__ import annotations

import pytest

from lastbubble.pipeline import degassing
from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Event, Record, Stage
from tests.pipeline.chamber_maker import Case, make


def played(case: Case) -> list[Record]:
    pipeline = Pipeline(case.context)
    said: list[Record] = []
    for sample in case.samples:
        said += pipeline.feed(sample)
    return said


def stages(said: list[Record]) -> list[Stage]:
    return [record for record in said if isinstance(record, Stage)]


def test_a_stop_that_was_never_called_is_dated_when_air_is_let_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """It stays out of the calls: nobody could act on it any more."""
    case = make(3)
    monkeypatch.setattr(degassing, "SURE", 1.1)
    said = played(case)
    assert not any(isinstance(record, Event) and record.name == "bubbles_stopped" for record in said)
    names = [record.stage for record in stages(said)]
    assert names[names.index("degassing") :] == ["degassing", "still", "venting", "soaking"]
    still, venting = (next(one for one in stages(said) if one.stage == name) for name in ("still", "venting"))
    assert still.t == venting.t
    assert still.since == pytest.approx(case.truth.stop_s, abs=1800.0)


def test_what_is_called_in_time_is_not_dated_again() -> None:
    names = [record.stage for record in stages(played(make(3)))]
    assert names.count("still") == 1


def test_air_let_in_while_it_bubbles_is_no_stop() -> None:
    case = make(3, hours=0.7)
    assert case.truth.stop_s > case.truth.vent_s
    assert "still" not in [record.stage for record in stages(played(case))]
