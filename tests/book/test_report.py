"""The one-page report: complete, standing alone, and never more than what the ledger says."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from lastbubble.book.drawing import Band, Curve, Moment, Shade, chart
from lastbubble.book.keeper import Keeper
from lastbubble.book.report import report_html
from lastbubble.cli import main
from lastbubble.errors import LastbubbleError
from lastbubble.ledger.store import Ledger
from lastbubble.records import Trip
from lastbubble.units import Display
from tests.book.conftest import fill

#: The smallest picture there is: one white dot.
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63f8ffff3f0005fe02fe0def46b8"
    "0000000049454e44ae426082"
)


class _Tags(HTMLParser):
    """Every tag that opens is closed, in order."""

    VOID = frozenset({"meta", "img", "link", "br", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def tags(page: str) -> _Tags:
    parser = _Tags()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    return parser


@pytest.fixture
def page(ledger: Ledger, keeper: Keeper) -> str:
    keeper.answer("resin_open", {"lot": "spring"})
    number = fill(ledger, book=keeper.new_book())
    keeper.answer("batch_resin", {"lot": "spring", "who": "first of two"})
    keeper.answer("batch_note", {"text": "<script>alert(1)</script>", "who": "second & first"})
    ledger.append_records(number, 0, [Trip(17000.0, "over_limit")])
    assert ledger.flush()
    return report_html(ledger, number, Display())


def test_it_is_whole_and_stands_alone(page: str) -> None:
    found = tags(page)
    names = [tag for tag, _ in found.seen]
    assert "script" not in names
    for _, attributes in found.seen:
        for key in ("src", "href"):
            assert not (attributes.get(key) or "").startswith(("http", "//", "/"))
    assert names.count("svg") == 2
    assert "&lt;script&gt;" in page
    assert "second &amp; first" in page
    assert "@media print" in page
    assert "@page{size:A4" in page


WORDS = (
    "maple blanks",
    "spalted maple",
    "first try",
    "spring",
    "93%",
    "flow",
    "witness",
    "bubbles stopped",
    "The pump does not reach its base",
    "THE GUARD OPENED THE RELAY: over limit",
    "30 of 30 min",
    "AIBN, assumed",
    "no substitute for",
    "never lean over",
    "fumes",
    "215.1 g",
    "125.9%",
    "from a table",
    "first of two, from a terminal",
    "shed-bench",
    "80 % band",
    "oven loaded",
)


def test_it_says(page: str) -> None:
    for words in WORDS:
        assert words in page


def test_pressure_is_drawn_on_decades_with_the_stages(page: str) -> None:
    svg = ElementTree.fromstring(re.findall(r"<svg.*?</svg>", page, re.S)[0])
    space = "{http://www.w3.org/2000/svg}"
    texts = [element.text for element in svg.iter(f"{space}text")]
    assert {"1", "10", "100", "1000"} <= set(texts)
    assert {"bubbling", "soaking"} <= set(texts)
    assert "bubbles stopped" in texts
    assert "Chamber pressure" in (svg.findtext(f"{space}title") or "")


def test_in_the_station_s_units(ledger: Ledger) -> None:
    page = report_html(ledger, fill(ledger), Display(temperature="degF", pressure="Torr"))
    assert "199.4 °F" in page
    assert "Torr, absolute" in page


def test_photos_are_laid_in_when_they_can_be_read(ledger: Ledger, keeper: Keeper, tmp_path: Path) -> None:
    number = fill(ledger)
    (tmp_path / "before.png").write_bytes(PNG)
    (tmp_path / "notes.txt").write_text("no picture")
    for name in ("before.png", "gone.png", "notes.txt"):
        keeper.answer("batch_photo", {"path": str(tmp_path / name), "note": name})
    page = report_html(ledger, number, Display(), photos=True)
    images = [attributes for tag, attributes in tags(page).seen if tag == "img"]
    assert [image["alt"] for image in images] == ["before.png"]
    assert page.count("not laid in") == 2
    assert "<img" not in report_html(ledger, number, Display())


def test_a_photo_as_phones_take_them_is_laid_in(ledger: Ledger, keeper: Keeper, tmp_path: Path) -> None:
    number = fill(ledger)
    for name, size_b in (("ordinary.png", 6_000_000), ("too large.png", 10_000_001)):
        (tmp_path / name).write_bytes(PNG + bytes(size_b - len(PNG)))
        keeper.answer("batch_photo", {"path": str(tmp_path / name), "note": name})
    page = report_html(ledger, number, Display(), photos=True)
    assert [of["alt"] for tag, of in tags(page).seen if tag == "img"] == ["ordinary.png"]


def test_an_empty_batch_has_a_report_too(ledger: Ledger) -> None:
    from lastbubble.context import Context
    from tests.book.conftest import UTC_0

    number = ledger.open_batch(Context(), opened_utc=UTC_0)
    assert ledger.flush()
    page = report_html(ledger, number, Display())
    tags(page)
    assert "nothing was read" in page
    with pytest.raises(LastbubbleError, match="not in the ledger"):
        report_html(ledger, 99, Display())


def test_the_command_writes_it(ledger: Ledger, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    number = fill(ledger)
    assert ledger.flush()
    out = tmp_path / "report.html"
    assert main(["batch", "report", str(number), "-o", str(out), "--ledger", str(ledger.path)]) == 0
    assert str(out) in capsys.readouterr().out
    tags(out.read_text(encoding="utf-8"))
    assert main(["batch", "report", "77", "-o", str(out), "--ledger", str(ledger.path)]) == 1
    assert "batch 77 is not in the ledger" in capsys.readouterr().err
    nowhere = tmp_path / "no" / "report.html"
    assert main(["batch", "report", str(number), "-o", str(nowhere), "--ledger", str(ledger.path)]) == 1
    assert "cannot be written" in capsys.readouterr().err


def test_a_chart_of_anything_can_be_drawn() -> None:
    assert chart("t", "u", [Curve("none", [(0.0, None)], "#000")]) == ""
    for points in (
        [(0.0, 5.0)],
        [(0.0, 0.0), (1.0, -3.0)],
        [(0.0, 1e-9), (9e9, 1e12)],
        [(0.0, 1.0), (5.0, None), (9.0, 1.0)],
    ):
        for log in (False, True):
            drawn = chart("a & b", "<Pa>", [Curve("x", points, "#000")], log=log,
                          bands=[Band("b", [(0.0, 1.0, 2.0), (1.0, 1.0, 2.0)], "#111")],
                          shades=[Shade(0.0, 1e9, "stage", "#eee")], moments=[Moment(1.0, "here")],
                          levels=[(1.0, "level")])  # fmt: skip
            ElementTree.fromstring(drawn)
            assert "nan" not in drawn
            assert "inf" not in drawn
