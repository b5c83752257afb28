"""Every request's row by hand: what it takes, from whom, when, and the sentence of each refusal."""

from __future__ import annotations

import math
from typing import Any

import pytest

from lastbubble.guard.protocol import StateName
from lastbubble.guard.requests import MAX_FIELD_CHARS, REQUESTS, Request, Who, _number, _row, check_request

GRANTED: list[tuple[dict[str, Any], Who, StateName]] = [
    ({"ask": "listen"}, "service", "tripped"),
    ({"ask": "listen", "every_s": 0.05}, "bench", "withheld"),
    ({"ask": "listen", "every_s": 3600}, "bench", "permitted"),
    ({"ask": "cut"}, "button", "tripped"),
    ({"ask": "cut", "reason": ""}, "service", "permitted"),
    ({"ask": "cut", "reason": "x" * MAX_FIELD_CHARS}, "bench", "withheld"),
    ({"ask": "renew_lease"}, "service", "permitted"),
    ({"ask": "permit"}, "button", "withheld"),
    ({"ask": "permit", "hours": 0.01}, "bench", "withheld"),
    ({"ask": "permit", "hours": 72}, "bench", "withheld"),
    ({"ask": "reset"}, "button", "tripped"),
    ({"ask": "reset", "false_alarm": True}, "bench", "tripped"),
    ({"ask": "prove"}, "bench", "permitted"),
    ({"ask": "check_probe", "probe": "oven", "true_c": -5}, "bench", "withheld"),
    ({"ask": "check_probe", "probe": "oven2", "true_c": 150.0}, "bench", "withheld"),
    ({"ask": "check_probe", "true_c": 0, "probe": "witness"}, "bench", "withheld"),
    ({"ask": "lamp_seen", "both": False}, "bench", "withheld"),
]

NUMBER = "a number from 0.01 to 72 is wanted"
REFUSED: list[tuple[Any, Who, StateName, str]] = [
    (None, "bench", "withheld", "a request is an object with a key `ask`"),
    (["permit"], "bench", "withheld", "a request is an object with a key `ask`"),
    ({}, "bench", "withheld", f"ask is None; allowed: {', '.join(REQUESTS)}"),
    ({"ask": 7}, "bench", "withheld", f"ask is 7; allowed: {', '.join(REQUESTS)}"),
    ({"ask": ["permit"]}, "bench", "withheld", f"ask is ['permit']; allowed: {', '.join(REQUESTS)}"),
    ({"ask": "heat"}, "bench", "withheld", f"ask is 'heat'; allowed: {', '.join(REQUESTS)}"),
    ({"ask": "permit"}, "service", "withheld", "permit may be asked by bench or button, not by service"),
    ({"ask": "reset"}, "service", "tripped", "reset may be asked by bench or button, not by service"),
    ({"ask": "renew_lease"}, "bench", "permitted", "renew_lease may be asked by service, not by bench"),
    ({"ask": "prove"}, "button", "permitted", "prove may be asked by bench, not by button"),
    ({"ask": "permit", "now": 1}, "bench", "withheld", "permit.now is not known; allowed: hours"),
    ({"ask": "prove", "now": 1}, "bench", "permitted", "prove.now is not known; allowed: nothing"),
    ({"ask": "check_probe", "x": 1}, "bench", "withheld", "check_probe.x is not known; allowed: probe, true_c"),
    ({"ask": "permit", "hours": 0.009}, "bench", "withheld", f"permit.hours is 0.009; {NUMBER}"),
    ({"ask": "permit", "hours": 72.5}, "bench", "withheld", f"permit.hours is 72.5; {NUMBER}"),
    ({"ask": "permit", "hours": True}, "bench", "withheld", f"permit.hours is True; {NUMBER}"),
    ({"ask": "permit", "hours": "6"}, "bench", "withheld", f"permit.hours is '6'; {NUMBER}"),
    ({"ask": "permit", "hours": None}, "bench", "withheld", f"permit.hours is None; {NUMBER}"),
    ({"ask": "permit", "hours": math.nan}, "bench", "withheld", f"permit.hours is nan; {NUMBER}"),
    ({"ask": "permit", "hours": math.inf}, "bench", "withheld", f"permit.hours is inf; {NUMBER}"),
    ({"ask": "cut", "reason": 3}, "service", "withheld", "cut.reason is 3; a text of at most 200 characters is wanted"),
    ({"ask": "reset", "false_alarm": 1}, "bench", "tripped", "reset.false_alarm is 1; true or false is wanted"),
    (
        {"ask": "check_probe", "probe": "air", "true_c": 0},
        "bench",
        "withheld",
        "check_probe.probe is 'air'; oven, oven2 or witness is wanted",
    ),
    ({"ask": "check_probe"}, "bench", "withheld", "check_probe needs probe and true_c"),
    ({"ask": "check_probe", "true_c": 0}, "bench", "withheld", "check_probe needs probe"),
    ({"ask": "lamp_seen"}, "bench", "withheld", "lamp_seen needs both"),
    ({"ask": "permit"}, "bench", "tripped", "permit is granted while withheld; the guard is tripped"),
    ({"ask": "permit"}, "bench", "permitted", "permit is granted while withheld; the guard is permitted"),
    ({"ask": "reset"}, "bench", "withheld", "reset is granted while tripped; the guard is withheld"),
    ({"ask": "renew_lease"}, "service", "withheld", "renew_lease is granted while permitted; the guard is withheld"),
]


@pytest.mark.parametrize(("data", "who", "state"), GRANTED)
def test_granted(data: dict[str, Any], who: Who, state: StateName) -> None:
    assert check_request(data, who, state) == ""


@pytest.mark.parametrize(("data", "who", "state", "why"), REFUSED)
def test_refused_with_the_reason(data: Any, who: Who, state: StateName, why: str) -> None:
    assert check_request(data, who, state) == why


@pytest.mark.parametrize("reason", ["x" * (MAX_FIELD_CHARS + 1), "a\nb", "\x1b[2J", "\x00"])
def test_a_text_that_is_too_long_or_moves_a_terminal_is_refused_and_not_repeated_whole(reason: str) -> None:
    why = check_request({"ask": "cut", "reason": reason}, "service", "permitted")
    assert why.endswith("; a text of at most 200 characters is wanted")
    assert len(why) < 140
    assert check_request({"ask": "cut", "reason": "a b"}, "service", "permitted") == ""


def test_a_refused_field_is_named_although_others_are_right() -> None:
    asked = {"true_c": 0, "ask": "check_probe", "probe": "oven", "also": 1}
    assert check_request(asked, "bench", "withheld").startswith("check_probe.also is not known")


def test_the_ends_of_a_number() -> None:
    check = _number(1, 2)
    assert [check(value) for value in (1, 1.5, 2)] == ["", "", ""]
    for value in (0.99, 2.01, -math.inf, math.nan, "1", False, None):
        assert check(value) == "a number from 1 to 2"


def test_a_row_out_of_its_words() -> None:
    check = _number(0, 1)
    row = _row("try", "bench button", "withheld tripped", "safer", "try it", "a b", a=check, b=check)
    assert row == Request(
        "try",
        frozenset({"bench", "button"}),
        frozenset({"withheld", "tripped"}),
        "safer",
        "try it",
        {"a": check, "b": check},
        frozenset({"a", "b"}),
    )
    assert _row("all", "bench", "all", "none", "x").states == {"withheld", "permitted", "tripped"}
    assert _row("all", "bench", "all", "none", "x").needed == frozenset()
