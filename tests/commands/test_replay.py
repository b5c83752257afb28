"""`lastbubble replay`: records as lines for a person."""

from __future__ import annotations

import pytest

from lastbubble.commands.replay import in_words
from lastbubble.records import Stage


@pytest.mark.parametrize(
    ("stage", "end"),
    [
        (Stage(4000.0, "venting", 3990.0), "venting"),
        (Stage(4000.0, "venting"), "venting"),
        (Stage(7200.0, "still", 3661.0), "still since 1:01:01, as is seen only now"),
    ],
)
def test_a_stage_that_began_long_ago_is_dated(stage: Stage, end: str) -> None:
    assert in_words(stage).endswith("  " + end)
