"""The pages of docs/: they name everything that the program says, and what they show can be used."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path
from xml.etree import ElementTree

import pytest
import yaml

from lastbubble.context import _RANGES, Context
from lastbubble.guard.rules import RULES
from lastbubble.ledger.logfile import COLUMNS
from lastbubble.records import CAUTION_CAUSES, EVENT_NAMES, MARKS, STAGES
from lastbubble.sensing import gauge, thermocouple
from lastbubble.settings import load_text

DOCS = Path(__file__).resolve().parents[1] / "docs"
PAGES = sorted(DOCS.glob("*.md"))


def text(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def words(page: str) -> set[str]:
    """Everything in backquotes, and the words inside."""
    quoted = re.findall(r"`([^`\n]+)`", page)
    return set(quoted) | {word for one in quoted for word in re.split(r"[\s,;=.]+", one)}


def test_the_log_page_names_every_column_mark_key_and_word() -> None:
    page = text("log-format.md")
    named = words(page)
    assert set(COLUMNS) <= named
    assert set(MARKS) <= named
    assert {field.name for field in fields(Context)} - named == set()
    assert set(STAGES) <= named
    assert set(EVENT_NAMES) <= named


def test_the_log_page_tells_the_ranges_that_are_held() -> None:
    rows = [line for line in text("log-format.md").splitlines() if line.startswith("| `")]
    for key, (low, high) in _RANGES.items():
        row = next(line for line in rows if f"`{key}`" in line)
        bounds = [float(number) for number in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", row.rsplit("|", 2)[1])]
        assert low in bounds, (key, row)
        assert high in bounds, (key, row)


def test_troubleshooting_names_every_trip_and_every_cause() -> None:
    page = text("troubleshooting.md")
    named = words(page)
    trips = {rule.name for rule in RULES if rule.reaction == "trip" or rule.idle == "trip"}
    assert trips - named == set()
    assert set(thermocouple.CAUSES) - named == set()
    assert set(gauge.CAUSES) - named == set()
    said = {cause for cause in CAUTION_CAUSES if not cause.endswith("*")}
    assert said - named == set()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if not target.startswith(("http://", "https://")):
            assert (page.parent / target).exists(), target
    for target in re.findall(r"docs/[a-z-]+\.md", page.read_text(encoding="utf-8")):
        assert (DOCS.parent / target).exists(), target


@pytest.mark.parametrize("drawing", sorted(DOCS.glob("*.svg")), ids=lambda path: path.name)
def test_drawings_can_be_drawn_and_are_told_in_words(drawing: Path) -> None:
    root = ElementTree.parse(drawing).getroot()
    space = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{space}svg"
    assert len(root.findtext(f"{space}title") or "") > 5
    assert len(root.findtext(f"{space}desc") or "") > 50


CAUTIONS = {
    "wiring.md": ("qualified person", "thermal fuse", "local code", "implode", "Ventilate", "ignite"),
    "calibration.md": ("scalds", "unplugged"),
    "troubleshooting.md": ("pull its plug",),
}


@pytest.mark.parametrize("name", CAUTIONS)
def test_cautions_come_first(name: str) -> None:
    """Before the first heading of a section."""
    head = text(name).split("\n## ")[0]
    for word in CAUTIONS[name]:
        assert word in head, word


def test_the_settings_that_are_shown_can_be_used() -> None:
    shown = re.findall(r"```yaml\n(.*?)```", text("calibration.md"), re.S)
    assert shown
    for block in shown:
        whole = {"station": "a", "guard": {"limit": "125 degC", "relay_pin": 17}} | yaml.safe_load(block)
        load_text(yaml.safe_dump(whole), "calibration.md")
