"""Plan, resin and report over real HTTP: words, forms that come back to where they were sent from, nothing to run."""

from __future__ import annotations

import http.client
import re
from collections.abc import Iterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from lastbubble.book.asks import BOOK_ASKS
from lastbubble.book.keeper import Keeper
from lastbubble.book.plan import Awake
from lastbubble.book.planner import Planner, PlanSettings
from lastbubble.book.report import report_html
from lastbubble.book.vessel import Vessel
from lastbubble.clock import RealClock
from lastbubble.context import Context
from lastbubble.desk import Desk
from lastbubble.errors import BadInput, LastbubbleError
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.page.book_routes import back_to
from lastbubble.outlets.page.server import PageServer, PageSettings
from lastbubble.units import Display
from tests.book.conftest import SMALL, UTC_0, fill


class Source:
    """The book's side of a station: a ledger, its keeper and planner, asked through the desk as the page does."""

    def __init__(self, ledger: Ledger) -> None:
        def utc() -> Any:
            return UTC_0 + timedelta(days=1)

        def open_batch() -> int:
            return max(row.id for row in ledger.batches())

        settings = PlanSettings(Awake(), None, Vessel(diameter_m=0.24, height_m=0.3))
        self.ledger = ledger
        self.keeper = Keeper(ledger, utc, open_batch, lambda fields: self.planner(fields))
        self.planner = Planner(ledger, utc, Context(soak_min=60.0), settings, open_batch, lots=self.keeper.lot_states)
        self._desk = Desk(lambda name, fields: self.keeper.answer(name, fields, "page"))

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        return self._desk.ask(dict(request), page=True)

    def snapshot(self) -> dict[str, Any]:
        return {"stage": "idle", "time_s": 1.0}

    def batch(self, number: int) -> dict[str, Any]:
        row = self.ledger.batch(number)
        return {"id": row.id, "name": row.name, "header": {}, "story": [], "pieces": row.pieces}

    def report(self, number: int) -> str:
        try:
            return report_html(self.ledger, number, Display())
        except LastbubbleError as exc:
            raise BadInput(str(exc)) from exc


@pytest.fixture
def page(tmp_path: Path) -> Iterator[tuple[int, Source]]:
    ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
    fill(ledger, name="<i>slabs</i>")
    source = Source(ledger)
    server = PageServer(PageSettings(port=0), "bench", Display(), RealClock(), source)  # type: ignore[arg-type]
    server.start()
    yield server.port, source
    server.close()
    ledger.close()


def get(port: int, path: str) -> tuple[int, str, Mapping[str, str]]:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    link.request("GET", path, headers={"Accept": "text/html"})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text, dict(answer.getheaders())


def post(port: int, fields: Mapping[str, str], origin: str = "") -> tuple[int, str, Mapping[str, str]]:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "text/html",
               "Origin": origin or f"http://127.0.0.1:{port}"}  # fmt: skip
    link.request("POST", "/ask", urlencode(fields), headers)
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text, dict(answer.getheaders())


def test_the_plan_is_there_without_a_script(page: tuple[int, Source]) -> None:
    port, _ = page
    status, text, headers = get(port, "/plan?" + urlencode({"material": "spalted maple", "thickness": "22 mm",
                                                             "length": "120 mm", "width": "80 mm"}))  # fmt: skip
    assert status == 200
    for words in ("When to start", "let air in", "To prepare", "ISO 13061-1", "never lean over", "Keep this plan"):
        assert words in text
    assert 'value="spalted maple"' in text
    assert "<script" not in text
    assert "script-src 'self'" in headers["Content-Security-Policy"]
    refused = get(port, "/plan?thickness=22")[1]
    assert 'role="alert"' in refused
    assert "no unit" in refused
    assert "<b>" not in get(port, "/plan?" + urlencode({"material": "<b>x</b>", "thickness": "22 mm"}))[1]


def test_every_field_of_a_form_has_its_label(page: tuple[int, Source]) -> None:
    port, source = page
    source.ask({"ask": "resin_open", "lot": "spring"})
    for path in ("/plan", "/resin", "/batch/1"):
        text = get(port, path)[1]
        for name in re.findall(r'<(?:input|select) id="([^"]+)"', text):
            assert f'<label for="{name}"' in text, (path, name)
        assert len(re.findall(r' id="([^"]+)"', text)) == len(set(re.findall(r' id="([^"]+)"', text))), path
        assert "/plan" in text
        assert "/resin" in text


def test_a_piece_and_a_note_go_into_the_book_and_lead_back(page: tuple[int, Source]) -> None:
    port, source = page
    fields = {"ask": "batch_piece", "batch": "1", "label": "1", "wet": "216.0 g", "dry": "", "back": "/batch/1"}
    status, _, headers = post(port, fields)
    assert status == 303
    assert re.fullmatch(r"/batch/1\?kept=\d\d:\d\d:\d\d", headers["Location"])
    assert f"Kept at {headers['Location'][-8:]}." in get(port, headers["Location"])[1]
    assert source.ledger.batch(1).pieces[0]["wet"] == "216.0 g"
    assert source.ledger.batch(1).pieces[0]["dry"] == "95.2 g", "an empty field takes nothing away"
    status, text, _ = post(port, {**fields, "wet": "216"})
    assert status == 400
    assert "no unit" in text
    note = {"ask": "batch_note", "batch": "1", "text": "cloudy", "back": "https://elsewhere.example/"}
    assert post(port, note)[2]["Location"] == "/"
    assert post(port, note, origin="https://elsewhere.example")[0] == 403
    assert len(source.ledger.batch(1).book["notes"]) == 1


@pytest.mark.parametrize(("path", "leads"), [("/plan", "/plan"), ("/batch/7", "/batch/7"), ("//x", "/"), ("", "/"),
                                             ("/batch/7/../..", "/"), ("/resin\nx", "/")])  # fmt: skip
def test_back_leads_only_to_our_own_pages(path: str, leads: str) -> None:
    assert back_to(path) == leads


def test_resin_is_told_and_shown(page: tuple[int, Source]) -> None:
    port, source = page
    assert "No lot yet" in get(port, "/resin")[1]
    source.ask({"ask": "resin_open", "lot": "spring <1>", "memory": True})
    event = {"ask": "resin_event", "lot": "spring <1>", "kind": "contaminated", "what": "red dye", "place": "fridge",
             "minutes": "", "temperature": "", "mass": "", "when": "", "who": "", "back": "/resin"}  # fmt: skip
    assert post(port, event)[2]["Location"].startswith("/resin?kept=")
    text = get(port, "/resin")[1]
    for words in ("spring &lt;1&gt;", "Contaminated", "red dye", "from memory: opened"):
        assert words in text


def test_the_report_stands_alone(page: tuple[int, Source]) -> None:
    port, _ = page
    status, text, headers = get(port, "/report/1")
    assert status == 200
    assert "&lt;i&gt;slabs" in text
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "script-src" not in headers["Content-Security-Policy"]
    assert get(port, "/report/99")[0] == 400
    assert '<a href="/report/1">' in get(port, "/batch/1")[1]


def test_a_kept_plan_comes_by_post_only(page: tuple[int, Source]) -> None:
    port, source = page
    get(port, "/plan?keep=on&thickness=22+mm")
    assert source.ledger.fact("plan_next") == ""
    post(port, {"ask": "plan", "keep": "on", "thickness": "22 mm", "material": "maple", "back": "/plan"})
    assert source.ledger.flush()
    assert "start_utc" in source.ledger.fact("plan_next")


def test_photos_come_from_the_machine_only(page: tuple[int, Source]) -> None:
    port, source = page
    assert not BOOK_ASKS["batch_photo"].page
    assert post(port, {"ask": "batch_photo", "batch": "1", "path": "/etc/passwd"})[0] == 400
    assert "photos" not in source.ledger.batch(1).book
