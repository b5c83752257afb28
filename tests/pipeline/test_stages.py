"""The tracker: the oven's word counts once the chamber is done, and only what may follow follows."""

from __future__ import annotations

from typing import get_args

from hypothesis import given
from hypothesis import strategies as st

from lastbubble.pipeline.stages import FOLLOWS, NEXT_ACTION, ChamberPhase, OvenPhase, StageTracker
from lastbubble.records import STAGES

CHAMBER: list[ChamberPhase] = list(get_args(ChamberPhase))
OVEN: list[OvenPhase] = list(get_args(OvenPhase))


def test_every_stage_has_a_row_and_a_word_for_the_person() -> None:
    assert set(FOLLOWS) == set(STAGES) == set(NEXT_ACTION)
    assert all(set(row) <= set(STAGES) for row in FOLLOWS.values())
    assert all(stage not in row for stage, row in FOLLOWS.items())


def test_a_whole_batch() -> None:
    tracker = StageTracker()
    story: list[tuple[ChamberPhase, OvenPhase]] = [
        ("idle", "cold"), ("idle", "cold"), ("pump_down", "cold"), ("degassing", "cold"), ("still", "cold"),
        ("degassing", "cold"), ("still", "cold"), ("venting", "cold"), ("soaking", "cold"), ("soaking", "heating"),
        ("soaking", "curing"), ("soaking", "cooling"), ("soaking", "finished"), ("idle", "finished"),
    ]  # fmt: skip
    said = [tracker.update(float(t), chamber, 0.0, oven, 0.0) for t, (chamber, oven) in enumerate(story)]
    assert [stage for stage in said if stage] == [
        "idle", "pump_down", "degassing", "still", "degassing", "still", "venting", "soaking", "heating", "curing",
        "cooling", "finished",
    ]  # fmt: skip


def test_a_chamber_pumped_again_after_the_cure_is_the_next_batch() -> None:
    tracker = StageTracker()
    tracker.update(0.0, "soaking", 0.0, "finished", 0.0)
    assert tracker.update(1.0, "idle", 0.0, "finished", 0.0) is None
    assert tracker.update(2.0, "pump_down", 1.5, "finished", 0.0) == "pump_down"
    assert tracker.since_s == 1.5


def test_a_chamber_still_pumping_when_the_cure_finishes_is_no_new_batch() -> None:
    tracker = StageTracker()
    tracker.update(0.0, "pump_down", 0.0, "heating", 0.0)
    assert tracker.update(1.0, "pump_down", 0.0, "finished", 0.0) == "finished"
    assert tracker.update(2.0, "pump_down", 0.0, "finished", 0.0) is None


@given(st.lists(st.tuples(st.sampled_from(CHAMBER), st.sampled_from(OVEN)), min_size=1, max_size=40))
def test_only_what_may_follow_follows(story: list[tuple[ChamberPhase, OvenPhase]]) -> None:
    tracker = StageTracker()
    last = None
    for t, (chamber, oven) in enumerate(story):
        stage = tracker.update(float(t), chamber, 0.0, oven, 0.0)
        if stage is not None:
            assert last is None or stage in FOLLOWS[last]
            last = stage
        assert tracker.stage == last
        assert tracker.since_s <= t
