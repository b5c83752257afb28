"""The dial's picture."""

from __future__ import annotations

from pathlib import Path

import pytest

from lastbubble.dial import learn
from lastbubble.errors import BadInput
from lastbubble.plot_dial import plot_dial
from tests.test_dial import stretch


def test_a_picture_of_sessions_band_and_answer(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    model = learn([stretch(120.0, 96.0, "a"), stretch(130.0, 104.0, "b")])
    plot_dial(model, 100.0, tmp_path / "dial.svg")
    text = (tmp_path / "dial.svg").read_text(encoding="utf-8")
    assert text.lstrip().startswith("<?xml")
    assert len(text) > 5_000


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"\.png, \.svg or \.pdf"):
        plot_dial(learn([stretch(120.0, 96.0, "a")]), 100.0, tmp_path / "dial.bmp")
