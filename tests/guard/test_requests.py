"""Who may ask what: no row that the service or the network reaches makes things hotter, but for the lease."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastbubble.guard.protocol import StateName
from lastbubble.guard.requests import REQUESTS, Request, Who, check_request
from lastbubble.guard.states import STATES
from tests.guard.bench import Rig

EVERYBODY: tuple[Who, ...] = get_args(Who)


@pytest.mark.parametrize("row", REQUESTS.values(), ids=lambda row: row.name)
def test_rows_say_who_and_where(row: Request) -> None:
    assert row.who
    assert row.who <= set(EVERYBODY)
    assert row.states
    assert row.states <= set(STATES)
    assert row.says
    assert row.needed <= set(row.fields)


def test_the_service_reaches_nothing_hotter_but_the_renewal_of_a_permit() -> None:
    hotter = {row.name for row in REQUESTS.values() if row.direction == "hotter" and "service" in row.who}
    assert hotter == {"renew_lease"}
    assert REQUESTS["renew_lease"].states == {"permitted"}


def test_a_cut_may_be_asked_by_everybody_at_any_time() -> None:
    assert REQUESTS["cut"].who == set(EVERYBODY)
    assert REQUESTS["cut"].states == set(STATES)
    assert REQUESTS["cut"].direction == "safer"


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
asked = st.fixed_dictionaries(
    {"ask": st.sampled_from(list(REQUESTS)) | json_values},
    optional={name: json_values for row in REQUESTS.values() for name in row.fields},
)


@settings(deadline=None)
@given(json_values | asked, st.sampled_from(EVERYBODY), st.sampled_from(STATES))
def test_anything_is_granted_by_its_row_or_refused_with_a_reason(data: object, who: Who, state: StateName) -> None:
    why = check_request(data, who, state)
    if why == "":
        assert isinstance(data, dict)
        row = REQUESTS[data["ask"]]
        assert who in row.who
        assert state in row.states
        assert set(data) - {"ask"} <= set(row.fields)
    else:
        assert len(why) < 400


@settings(deadline=None)
@given(st.lists(asked, max_size=12), st.sampled_from(["service"]))
def test_by_nothing_that_the_service_asks_does_heat_come_on(requests: list[dict[str, object]], who: Who) -> None:
    rig = Rig()
    for _ in range(20):
        rig.step()
    for data in requests:
        rig.guard.ask(data, who)
        rig.step()
        assert not rig.closed
        assert rig.guard.state != "permitted"
