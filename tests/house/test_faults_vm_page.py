"""The whole machine's table, on its own page and on the safety page: the harness's, in time, nothing left unsaid."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tools.vm.cases import CASES, Case

ROOT = Path(__file__).resolve().parents[2]
MEASURED = (ROOT / "docs" / "measured" / "faults_vm.md").read_text(encoding="utf-8")
SAFETY = (ROOT / "docs" / "safety.md").read_text(encoding="utf-8")
#: Names what has no row of a run that was safe: not run, or not held in the last run; the page says which and why.
NOT_RUN = "Without a row: "


def row(page: str, does: str) -> list[str] | None:
    """The cells of the row that begins so; None where there is none."""
    lines = [line for line in page.splitlines() if line.startswith(f"| {does} |")]
    assert len(lines) <= 1
    return [cell.strip() for cell in lines[0].strip("|").split("|")] if lines else None


def not_run(page: str) -> set[str]:
    """The faults that the page says have no row."""
    return {name for line in page.splitlines() if line.startswith(NOT_RUN) for name in re.findall(r"`([\w-]+)`", line)}


@pytest.mark.parametrize("page", [MEASURED, SAFETY], ids=["measured", "safety"])
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_fault_was_put_in_and_the_line_was_low_in_time_or_it_is_said(case: Case, page: str) -> None:
    found = row(page, case.does)
    assert (found is None) == (case.name in not_run(page))
    if found is not None:
        _, low_s, aim_s, _, verdict = found
        assert float(low_s) <= float(aim_s) == case.within_s
        assert verdict == "safe"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_both_pages_say_the_same(case: Case) -> None:
    assert row(SAFETY, case.does) == row(MEASURED, case.does)


def test_the_power_cuts_lost_nothing() -> None:
    (line,) = [line for line in MEASURED.splitlines() if line.startswith("| power cut while the ledger is written")]
    found = re.fullmatch(
        r"\| power cut while the ledger is written, (\d+) times \| - \| - "
        r"\| \d+ samples said to be kept, none lost \| safe \|",
        line,
    )
    assert found is not None
    assert line in SAFETY.splitlines()
    assert int(found[1]) > 0
