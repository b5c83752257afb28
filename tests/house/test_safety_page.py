"""The safety page names every rule of the guard with its own numbers, and what software cannot cover."""

from __future__ import annotations

from pathlib import Path

import pytest

from lastbubble.guard.rules import RULES, Rule
from lastbubble.guard.states import drawing

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "safety.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_the_page_has_the_row_of_the_table(rule: Rule) -> None:
    row = next((line for line in PAGE.splitlines() if line.startswith(f"| `{rule.name}` |")), "")
    assert rule.needs in row
    assert f"| {rule.reaction} | {rule.idle} |" in row
    if rule.setting.name:
        assert f"`{rule.setting.name}` {rule.setting.default:g} {rule.setting.unit}" in row


@pytest.mark.parametrize("page", ["README.md", "docs/safety.md"])
def test_the_cut_off_is_never_a_substitute(page: str) -> None:
    text = " ".join((ROOT / page).read_text(encoding="utf-8").lower().replace("\n> ", " ").split())
    for caution in ("no substitute for", "qualified person", "implode", "fumes", "local code"):
        assert caution in text, caution


def test_the_drawing_is_the_tables() -> None:
    assert drawing() in PAGE
