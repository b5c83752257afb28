"""The fault table of the safety page is the harness's, and leaves no failure out that a rule or a case names."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from lastbubble.guard.rules import RULES
from tools.fault_cases.cases import CASES
from tools.fault_cases.plan import Case, Outcome
from tools.fault_cases.table import BEGIN, END, FAILURES, markdown

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "safety.md").read_text(encoding="utf-8")
TABLE = PAGE[PAGE.index(BEGIN) : PAGE.index(END)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_page_has_a_row_of_each_case(case: Case) -> None:
    row = next((line for line in TABLE.splitlines() if line.startswith(f"| `{case.name}` |")), "")
    assert case.fault in row
    assert "UNSAFE" not in row
    assert "not run" not in row


def test_the_page_has_no_row_of_a_case_that_is_gone() -> None:
    shown = [line.split("`")[1] for line in TABLE.splitlines() if line.startswith("| `")]
    assert shown == [case.name for case in CASES]


def test_each_failure_is_on_the_page_with_its_cases_and_what_stands_beside_them() -> None:
    made = markdown({}).splitlines()
    for number in FAILURES:
        row = next(line for line in made if line.startswith(f"| {number} |"))
        assert row in TABLE.splitlines()


def test_nothing_is_named_that_the_table_does_not_know() -> None:
    named = {number for rule in RULES for number in rule.covers} | {number for case in CASES for number in case.rows}
    assert named <= FAILURES.keys()


def test_each_failure_has_a_case_or_says_what_covers_it() -> None:
    shown = {number for case in CASES for number in case.rows}
    assert [number for number, failure in FAILURES.items() if number not in shown and not failure.beside] == []


def test_names_are_there_once() -> None:
    names = [case.name for case in CASES]
    assert len(names) == len(set(names))


def test_an_unsafe_outcome_cannot_hide_in_the_table() -> None:
    made = markdown({CASES[0].name: Outcome(False, finding="the relay is closed")})
    assert "**UNSAFE** the relay is closed" in made
    assert "1 injected, 0 safe, 1 unsafe" in made


def test_the_readme_leads_to_the_table() -> None:
    assert "docs/safety.md#the-fault-table" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_harness_says_what_it_has() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tools.fault_cases", "--list", "--only", "F-41"],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stdout.splitlines()
    assert all("F-41" in line for line in done.stdout.splitlines())
    wrong = subprocess.run(
        [sys.executable, "-m", "tools.fault_cases", "--only", "no_such_case"],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert wrong.returncode == 2
    assert "no_such_case" in wrong.stderr
