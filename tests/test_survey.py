"""The oven's map: offsets of places, the coolest first."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from lastbubble.records import Sample
from lastbubble.survey import map_from_json, survey


def lying(offset_k: float, minutes: float = 40.0, column: str = "oven2_c") -> Iterator[Sample]:
    for k in range(int(minutes * 12)):
        time = 5.0 * k
        air = 105 + 5 * math.sin(time / 80)
        probe = 105 + offset_k + 3 * math.sin(time / 80 - 0.6) - 60 * math.exp(-time / 60)
        yield Sample(time, oven_c=air, **{column: probe})  # type: ignore[arg-type]


def test_the_coolest_place_comes_first_and_offsets_are_right() -> None:
    found = survey({"rear left": lying(-6.0), "front": lying(1.0, column="witness_c"), "middle": lying(-2.0)})
    assert [place.name for place in found.places] == ["rear left", "middle", "front"]
    assert found.coolest.offset_k == pytest.approx(-6.0, abs=0.4)
    assert found.span_k == pytest.approx(7.0, abs=0.6)
    words = "\n".join(found.in_words())
    assert "coolest: rear left" in words
    assert "more than 5 K" in words


def test_the_map_survives_the_stations_record() -> None:
    found = survey({"a": lying(-1.0), "b": lying(0.5)})
    again = map_from_json(found.to_json())
    assert again.coolest.name == "a"
    assert again.span_k == pytest.approx(found.span_k, abs=0.02)
    for text in ("{}", "[]", '{"places":[]}', "no"):
        with pytest.raises(ValueError, match="map"):
            map_from_json(text)


def test_too_little_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="place 'b' has 0 min"):
        survey({"a": lying(0.0), "b": lying(0.0, minutes=4)})
    with pytest.raises(ValueError, match="at least two places"):
        survey({"a": lying(0.0)})
