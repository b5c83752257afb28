"""What the pipeline is told travels in the log's head, exactly, and what cannot be is refused by name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.context import Context, context_from_header, context_header
from lastbubble.errors import BadInput

contexts = st.builds(
    Context,
    station=st.text("abc -", max_size=8).map(str.strip),
    barometer_pa=st.none() | st.floats(40e3, 110e3),
    piece_thickness_mm=st.none() | st.floats(0.5, 500),
    piece_shape=st.sampled_from(["", "slab", "cylinder", "sphere"]),
    target_core_c=st.none() | st.floats(30, 150),
    hold_min=st.none() | st.floats(0, 2880),
    gauge_kind=st.sampled_from(["", "absolute", "gauge", "vacuum"]),
    history=st.sampled_from(["", '{"stops_s":[100.5]}']),
)


@given(contexts)
def test_there_and_back(context: Context) -> None:
    assert context_from_header(context_header(context)) == context


def test_the_station_fills_what_the_log_does_not_tell() -> None:
    context = context_from_header({"hold_min": "45"}, Context(target_core_c=90.0, hold_min=30.0))
    assert (context.target_core_c, context.hold_min) == (90.0, 45.0)


def test_nothing_told_means_the_defaults() -> None:
    assert (Context().target_c, Context().hold_s) == (93.0, 1800.0)


def test_every_fault_is_named() -> None:
    with pytest.raises(BadInput) as refused:
        context_from_header({"hold_min": "soon", "target_core_c": "200", "piece_shape": "cube", "barometer_pa": "nan"})
    lines = str(refused.value).splitlines()
    assert [line.split()[0] for line in lines] == ["hold_min", "target_core_c", "piece_shape", "barometer_pa"]
    assert all("allowed" in line for line in lines)
