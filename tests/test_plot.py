"""A batch as a picture: every kind of file, bounded memory, and plain refusals."""

from __future__ import annotations

from pathlib import Path

import pytest

from lastbubble.errors import BadInput
from lastbubble.plot import POINTS, collect, plot_log
from lastbubble.records import Stage
from tests.pipeline.chamber_maker import Case, make


@pytest.fixture(scope="module")
def case() -> Case:
    return make(3, isolate=True, hours=1.0, period_s=2.0)


@pytest.mark.parametrize(
    ("ending", "head"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".html", b"<!doctype html>"), (".pdf", b"%PDF")]
)
def test_every_kind(tmp_path: Path, case: Case, ending: str, head: bytes) -> None:
    path = tmp_path / f"batch{ending}"
    plot_log(case.context, case.samples, path)
    data = path.read_bytes()
    assert data.startswith(head)
    assert len(data) > 5000
    if ending == ".html":
        assert b"<svg" in data
        assert b"http-equiv" not in data
        assert b"<script" not in data


def test_the_story_holds_what_was_said_and_what_was_shut(case: Case) -> None:
    story = collect(case.context, case.samples)
    assert [record.stage for record in story.records if isinstance(record, Stage)][:3] == [
        "idle", "pump_down", "degassing",
    ]  # fmt: skip
    assert story.isolations
    assert all(150 <= end - begin <= 210 for begin, end in story.isolations[:-1])
    assert story.end_s == case.samples[-1].time_s


def test_pressures_are_thinned_and_keep_their_extremes(case: Case) -> None:
    from dataclasses import replace

    many = [
        replace(sample, time_s=sample.time_s + part / 10, marks=(), isolated=None)
        for sample in case.samples
        for part in range(6)
    ]
    story = collect(case.context, many)
    assert len(story.pressures) < 2 * POINTS
    assert max(high for _, _, high in story.pressures) == max(s.chamber_pa for s in many if s.chamber_pa is not None)


def test_refusals_are_plain(tmp_path: Path, case: Case) -> None:
    with pytest.raises(BadInput, match=r"a plot is one of \.png, \.svg, \.pdf, \.html"):
        plot_log(case.context, case.samples, tmp_path / "batch.gif")
    with pytest.raises(BadInput, match="no rows"):
        plot_log(case.context, [], tmp_path / "batch.png")
