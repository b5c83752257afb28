"""The prompt to isolate is given only where the answer would change something."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from lastbubble.pipeline.isolation_prompt import EVERY_S, OPEN_FROM, OPEN_TO, isolation_prompt


def ask(**over: object) -> object:
    given_: dict[str, object] = {
        "now_s": 6000.0,
        "pump_start_s": 0.0,
        "last_rise_s": None,
        "safe": 0.5,
        "coarse": False,
        "resolution_pa": 1.0,
    }
    return isolation_prompt(**{**given_, **over})  # type: ignore[arg-type]  # the keywords above


def test_an_open_question_is_worth_two_minutes_on_a_fine_gauge_and_four_on_others() -> None:
    fine, medium = ask(), ask(resolution_pa=8.0)
    assert "2 minutes" in fine.text  # type: ignore[attr-defined]
    assert "4 minutes" in medium.text  # type: ignore[attr-defined]
    assert "leave the pump running" in fine.text  # type: ignore[attr-defined]


@given(st.floats(0, 1))
def test_a_settled_question_is_not_asked(safe: float) -> None:
    assert (ask(safe=safe) is not None) == (OPEN_FROM <= safe <= OPEN_TO)


def test_a_coarse_gauge_always_needs_it() -> None:
    for safe in (None, 0.01, 0.99):
        assert "cannot show" in ask(coarse=True, safe=safe).text  # type: ignore[attr-defined]


def test_not_again_within_a_quarter_of_an_hour_and_not_in_the_first_half_hour() -> None:
    assert ask(last_rise_s=5800.0).at_s == 5800.0 + EVERY_S  # type: ignore[attr-defined]
    assert ask(now_s=600.0, coarse=True).at_s == 1800.0  # type: ignore[attr-defined]
    assert ask(last_rise_s=2000.0).at_s == 6000.0  # type: ignore[attr-defined]
