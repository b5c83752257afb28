"""The table of steps, the records, and what is due."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as settings_of
from hypothesis import strategies as st

from lastbubble.commissioning.steps import (
    KEPT_MOST,
    STEPS,
    StepRecord,
    due,
    record_from,
    records_json,
    records_of,
    step,
    wanted,
)
from lastbubble.data import data_path
from lastbubble.settings import load_text
from tests.commissioning.standin import settings

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def kept(name: str, outcome: str = "done", days: float = 0.0) -> StepRecord:
    return StepRecord(name, outcome, (NOW - timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ"), "so it was")  # type: ignore[arg-type]  # words of the table


def states(records: dict[str, list[StepRecord]], now: datetime = NOW) -> dict[str, str]:
    return {one.step.name: one.state for one in due(wanted(settings()), records, now)}


def test_the_work_that_can_hurt_shows_its_cautions() -> None:
    for name, words in {
        "wiring": ("Mains", "qualified", "implode", "local code"),
        "points": ("scald",),
        "lamp": ("qualified", "pull the plug"),
        "proof": ("pull its plug", "welded"),
        "base": ("implode", "outdoors", "before the pump is stopped"),
        "leak": ("implode", "before the pump is stopped"),
        "dial": ("hot", "limit"),
    }.items():
        text = " ".join(step(name).cautions)
        for word in words:
            assert word in text, (name, word)


def test_a_station_is_only_asked_for_what_it_has() -> None:
    oven_only = load_text(data_path("config", "oven-only.yaml").read_text(encoding="utf-8"), "s").settings
    names = [row.name for row in wanted(oven_only)]
    assert {"base", "leak", "phone"} & set(names) == set()
    assert {"wiring", "points", "lamp", "proof", "dial"} <= set(names)
    assert [row.name for row in wanted(settings())] == [row.name for row in STEPS]


def test_a_new_station_has_everything_to_do_in_the_tables_order() -> None:
    assert list(states({})) == [row.name for row in STEPS]
    assert set(states({}).values()) == {"never"}


def test_done_begun_failed_overdue() -> None:
    done = {row.name: [kept(row.name)] for row in STEPS}
    assert states(done) == {}
    assert states(done | {"proof": [kept("proof", days=31)]}) == {"proof": "overdue"}
    assert states(done | {"proof": [kept("proof", days=29)]}) == {}
    assert states(done | {"dial": [kept("dial", days=5000)]}) == {}, "never due by itself"
    assert states(done | {"lamp": [kept("lamp", days=9), kept("lamp", "failed", 1)]}) == {"lamp": "failed"}
    assert states(done | {"base": [kept("base", "begun", 1)]}) == {"base": "begun"}
    assert states(done | {"base": [kept("base", "failed", 2), kept("base", days=1)]}) == {}, "mended"


def test_a_clock_from_before_the_record_makes_nothing_overdue() -> None:
    done = {row.name: [kept(row.name)] for row in STEPS}
    assert states(done, datetime(1970, 1, 1, tzinfo=UTC)) == {}


def test_records_come_back_as_they_were_kept_and_the_oldest_go() -> None:
    records = [StepRecord("base", "done", "2026-01-01T00:00:00Z", f"no {n}", {"base_pa": n}) for n in range(70)]
    back = records_of(records_json(records))
    assert back == records[-KEPT_MOST:]


_KEYS = st.sampled_from(["step", "outcome", "utc", "text", "found"])
_JSON = st.recursive(
    st.none() | st.integers() | st.text(max_size=5), lambda inner: st.lists(inner) | st.dictionaries(_KEYS, inner)
)


@settings_of(max_examples=50, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no finding
@given(st.text() | _JSON.map(json.dumps))
def test_junk_among_what_is_kept_is_left_out(junk: str) -> None:
    assert records_of(junk) == []


@settings_of(max_examples=50, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no finding
@given(_JSON)
def test_junk_is_refused_in_a_sentence(junk: object) -> None:
    with pytest.raises(ValueError, match=r"allowed: |is an object|are texts"):
        record_from(junk)


def test_a_record_that_is_too_long_is_refused() -> None:
    with pytest.raises(ValueError, match="more than"):
        record_from({"step": "base", "outcome": "done", "utc": "", "text": "x" * 20000, "found": {}})
