"""The table of rules: complete, and refused whole when a row cannot be used."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from lastbubble.guard import rules as rules_file
from lastbubble.guard.rules import RULES, SETTINGS, Rule, Setting, check_rules


def test_no_setting_raises_the_ceiling() -> None:
    assert SETTINGS["limit_c"].allowed == (40.0, 150.0)


def row(**changes: object) -> Rule:
    base = Rule(
        "x",
        lambda *_: None,
        Setting("x_c", 1.0, (0.0, 2.0), "degC"),
        "trip",
        "trip",
        "n",
        "r",
        "s",
        ("F-01",),  # type: ignore[arg-type,return-value]
    )
    return replace(base, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rules", "text"),
    [
        ((row(), row()), "x is there twice"),
        ((row(setting=Setting("x_c", math.nan, (0.0, 2.0), "degC")),), "default nan is not within"),
        ((row(setting=Setting("x_c", 1.0, (0.0, math.inf), "degC")),), "is not within"),
        ((row(setting=Setting("x_c", 3.0, (0.0, 2.0), "degC")),), "default 3.0 is not within 0.0 to 2.0"),
        ((row(reason=""),), "a reason, a source"),
        ((row(source=""),), "a reason, a source"),
        ((row(covers=()),), "what it covers"),
        ((row(), row(name="y", setting=Setting("x_c", 1.5, (0.0, 2.0), "degC"))), "understood differently"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused(rules: tuple[Rule, ...], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        check_rules(rules)


def test_the_table_is_checked_when_it_is_read() -> None:
    assert check_rules(RULES) == dict(SETTINGS)
    assert rules_file.SETTINGS is SETTINGS


def test_the_settings_of_a_table_are_by_name_and_shared_ones_once() -> None:
    shared = Setting("x_c", 1.0, (0.0, 2.0), "degC")
    other = Setting("y_s", 2.0, (2.0, 2.0), "s")
    found = check_rules((row(setting=shared), row(name="y", setting=shared), row(name="z", setting=other)))
    assert found == {"x_c": shared, "y_s": other}


def test_rows_without_a_number_have_no_setting_and_the_rows_after_them_still_do() -> None:
    without = next(rule for rule in RULES if rule.name == "cut")
    after = row(name="after")
    assert check_rules((without, after)) == {"x_c": after.setting}
    with pytest.raises(ValueError, match="after is there twice"):
        check_rules((without, after, after))


@pytest.mark.parametrize("default", [0.0, 2.0])
def test_the_ends_of_a_range_are_allowed(default: float) -> None:
    assert check_rules((row(setting=Setting("x_c", default, (0.0, 2.0), "degC")),))


@pytest.mark.parametrize("allowed", [(math.nan, 2.0), (0.0, math.nan), (-math.inf, 2.0), (0.0, math.inf)])
def test_a_range_without_an_end_is_refused(allowed: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="rule x: default"):
        check_rules((row(setting=Setting("x_c", 1.0, allowed, "degC")),))


@pytest.mark.parametrize("field", ["reason", "source", "needs"])
def test_each_missing_word_of_a_row_is_refused_with_its_name(field: str) -> None:
    with pytest.raises(ValueError, match="rule x: a reason, a source, what it needs and what it covers are all wanted"):
        check_rules((row(**{field: ""}),))
