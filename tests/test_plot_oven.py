"""The picture of the oven's side: what it keeps, and that it is drawn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.context import Context
from lastbubble.errors import BadInput
from lastbubble.plot_oven import OvenTrack, oven_track, plot_oven
from lastbubble.records import Sample
from tests.pipeline.oven_maker import Oven, make

CONTEXT = Context(piece_thickness_mm=25.0, material="chalk turquoise")


@pytest.fixture(scope="module")
def samples() -> list[Sample]:
    return make(Oven(marks={310.0: "oven_loaded"}, probe=True, period_s=20.0, hours=3.0)).samples


def test_the_track_keeps_air_core_probe_hold_and_calls(samples: list[Sample]) -> None:
    track = oven_track(CONTEXT, samples)
    assert len(track.hours) == len(track.air_c) == len(track.core_c) == len(track.held) == len(samples)
    assert [event.name for event in track.events] == ["cure_temperature_reached", "cure_complete"]
    assert track.held[0] == 0.0
    assert track.held[-1] == 1.0
    assert track.forecasts


def test_a_long_log_is_thinned_evenly() -> None:
    many = [Sample(float(k), oven_c=21.0) for k in range(20_000)]
    track = oven_track(CONTEXT, many)
    assert 2500 < len(track.hours) <= 6000
    assert track.hours[-1] * 3600 > 19_900


def test_a_picture_is_written(samples: list[Sample], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    for name in ("oven.png", "oven.svg"):
        plot_oven(CONTEXT, samples, tmp_path / name)
        assert (tmp_path / name).stat().st_size > 5_000


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"\.png, \.svg or \.pdf"):
        plot_oven(CONTEXT, [], tmp_path / "oven.jpeg")
    with pytest.raises(BadInput, match="nothing of an oven"):
        plot_oven(CONTEXT, [Sample(1.0, chamber_pa=9e4)], tmp_path / "oven.png")
    assert OvenTrack(93.0, 1800.0).hours == []
    assert replace(CONTEXT, hold_min=0.0).hold_s == 0
