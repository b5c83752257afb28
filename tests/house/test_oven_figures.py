"""The README's figures of the oven's side are those of the measured page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MEASURED = (ROOT / "docs" / "measured" / "oven.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
REACHED = "cure_temperature_reached"


def figure(table: str, what: str) -> str:
    """The figure beside `what` in the table whose heading begins so."""
    part = next(one for one in MEASURED.split("\n### ") if one.startswith(table))
    found = re.search(rf"^\| {re.escape(what)} \| (.+) \|$", part, re.MULTILINE)
    assert found, f"{table}: {what}"
    return found[1]


def row(begins: str) -> list[str]:
    """The cells of the README's row that begins so."""
    return next(
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in README.splitlines()
        if line.startswith(f"| {begins}")
    )


def minutes(text: str) -> int:
    found = re.search(r"([\d.]+) min", text)
    assert found, text
    return int(float(found[1]) + 0.5)


@pytest.mark.parametrize(
    ("begins", "table"),
    [
        ("the air, nothing of the oven", "40 cases without a probe"),
        ("whether the oven has a fan", "The same, told whether"),
        ("three earlier batches", "The same batches on a station"),
    ],
)
def test_the_readme_tells_the_measured_minutes(begins: str, table: str) -> None:
    cells = row(begins)
    assert minutes(cells[2]) == minutes(figure(table, f"{REACHED}: half within"))
    assert minutes(cells[3]) == minutes(figure(table, f"{REACHED}: half dated within"))
    assert figure(table, "calls more than 4 K early").startswith("0%")
    early = figure(table, "calls more than 2 K early")
    assert cells[1].split(" (")[0] in (early.split(" (")[0].replace("%", " %"), early.split("(")[1].rstrip(")"))


def test_a_probe_in_the_slowest_piece_is_as_good_as_the_readme_says() -> None:
    assert row("a witness probe in the piece")[1:] == ["none", "half a minute", "half a minute"]
    table = "The same with a probe"
    assert figure(table, "calls more than 2 K early").startswith("0%")
    for what in ("half within", "half dated within"):
        found = re.search(r"([\d.]+) min", figure(table, f"{REACHED}: {what}"))
        assert found
        assert float(found[1]) <= 0.6


def test_the_dial_is_as_good_as_the_readme_says() -> None:
    told = re.search(r"after four logs: within ([\d.]+) K \(median\) and ([\d.]+) K \(nine in ten\)", README)
    assert told
    assert figure("The dial", "4").startswith(f"{told[1]} K | {told[2]} K |")
