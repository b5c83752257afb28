"""A lot that comes near its end is told once, again after it was fresh, and not again by a restart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from lastbubble import resin_watch as module
from lastbubble.book.resin import LotState, judge_lot
from lastbubble.errors import LastbubbleError
from lastbubble.ledger.shelf import LotEvent, LotRow
from lastbubble.resin_watch import TOLD_FACT, ResinWatch
from tests.outlets.brokers import wait_for

OPENED = datetime(2026, 1, 1, tzinfo=UTC)


class Facts(dict[str, str]):
    def fact(self, name: str) -> str:
        return self.get(name, "")

    def set_fact(self, name: str, value: str) -> None:
        self[name] = value


def lot(days: float, name: str = "spring 1") -> LotState:
    """A real judgement of a lot that keeps 100 days on the bench and stood there for so many."""
    row = LotRow(name, {"keeps_s": 100 * 86400.0, "keeps_at_c": 21.0})
    event = LotEvent(name, OPENED, OPENED, "opened", {"place": "bench"})
    return judge_lot(row, [event], [], lambda _begin, _end: [], OPENED + timedelta(days=days))


class Watch(ResinWatch):
    def __init__(self, facts: Facts) -> None:
        self.now: Sequence[LotState] = ()
        self.told: list[tuple[str, str, str, str]] = []
        super().__init__(lambda: self.now, facts, lambda *words: self.told.append(words))


def test_the_levels_of_the_model_are_those_that_are_told() -> None:
    assert [lot(days).level for days in (5, 60, 130)] == ["fresh", "soon", "likely"]


def test_a_lot_near_its_end_is_told_once_and_then_that_it_thickens() -> None:
    watch = Watch(Facts())
    for days, told in ((5.0, 0), (60.0, 1), (60.1, 1), (130.0, 2), (131.0, 2)):
        watch.now = [lot(days)]
        watch.look()
        assert len(watch.told) == told, days
    (_, title, finding, advice), (_, later, *_) = watch.told
    assert title == "Resin may thicken before long"
    assert finding == "Resin lot spring 1 was reckoned to come near its end"
    assert "look at how it runs before every use" in advice
    assert later == "Resin is likely thickening"
    assert watch.lines[0].startswith("resin lot spring 1: It is likely thickening")


def test_a_restart_tells_nothing_twice_and_a_fresh_lot_may_come_to_it_again() -> None:
    facts = Facts()
    first = Watch(facts)
    first.now = [lot(60), lot(5, "autumn")]
    first.look()
    second = Watch(facts)
    second.now = first.now
    second.look()
    assert (len(first.told), second.told) == (1, [])
    second.now = [lot(5)]  # topped up
    second.look()
    assert second.lines == ()
    second.now = [lot(62)]
    second.look()
    assert len(second.told) == 1
    assert second.told[0][0] != first.told[0][0], "a matter of its own"


def test_used_up_and_contaminated_lots_are_not_told_of_again() -> None:
    watch = Watch(Facts())
    watch.now = [replace(lot(60), level=level) for level in ("ended", "thick", "contaminated", "fresh")]
    watch.look()
    assert (watch.told, watch.lines) == ([], ())


def test_without_a_phone_the_page_says_it_still() -> None:
    watch = ResinWatch(lambda: [lot(60)], Facts())
    watch.look()
    assert len(watch.lines) == 1


def test_what_was_told_may_be_unreadable() -> None:
    watch = Watch(Facts({TOLD_FACT: "{"}))
    watch.now = [lot(60)]
    watch.look()
    assert len(watch.told) == 1


def test_the_thread_looks_by_itself_and_stands_a_sick_ledger(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_FIRST_S", 0.0)
    monkeypatch.setattr(module, "_EVERY_S", 0.01)
    looks: list[int] = []

    def states() -> list[LotState]:
        looks.append(1)
        if len(looks) == 1:
            raise LastbubbleError("the card cannot be read")
        return [lot(60)]

    watch = ResinWatch(states, Facts())
    watch.start()
    wait_for(lambda: bool(watch.lines), "the second look")
    watch.close()
    watch.close()
    seen = len(looks)
    assert not watch._thread.is_alive()
    assert len(looks) == seen
