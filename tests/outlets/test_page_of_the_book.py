"""Plan, resin and report over real HTTP: words, forms that come back to where they were sent from, nothing to run."""

from __future__ import annotations

import http.client
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from urllib.parse import urlencode

import pytest

from lastbubble.book.asks import BOOK_ASKS
from lastbubble.clock import RealClock
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.page.book_routes import back_to
from lastbubble.outlets.page.server import PageServer, PageSettings
from lastbubble.units import Display
from tests.book.conftest import SMALL, fill
from tests.outlets.shelf import Shelf


@pytest.fixture
def page(tmp_path: Path) -> Iterator[tuple[int, Shelf]]:
    ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
    fill(ledger, name="<i>slabs</i>")
    source = Shelf(ledger)
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


def test_the_plan_is_there_without_a_script(page: tuple[int, Shelf]) -> None:
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


def test_every_field_of_a_form_has_its_label(page: tuple[int, Shelf]) -> None:
    port, source = page
    source.ask({"ask": "resin_open", "lot": "spring"})
    for path in ("/plan", "/resin", "/batch/1"):
        text = get(port, path)[1]
        for name in re.findall(r'<(?:input|select) id="([^"]+)"', text):
            assert f'<label for="{name}"' in text, (path, name)
        assert len(re.findall(r' id="([^"]+)"', text)) == len(set(re.findall(r' id="([^"]+)"', text))), path
        assert "/plan" in text
        assert "/resin" in text


def test_a_piece_and_a_note_go_into_the_book_and_lead_back(page: tuple[int, Shelf]) -> None:
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


def test_resin_is_told_and_shown(page: tuple[int, Shelf]) -> None:
    port, source = page
    assert "No lot yet" in get(port, "/resin")[1]
    source.ask({"ask": "resin_open", "lot": "spring <1>", "memory": True})
    event = {"ask": "resin_event", "lot": "spring <1>", "kind": "contaminated", "what": "red dye", "place": "fridge",
             "minutes": "", "temperature": "", "mass": "", "when": "", "who": "", "back": "/resin"}  # fmt: skip
    assert post(port, event)[2]["Location"].startswith("/resin?kept=")
    text = get(port, "/resin")[1]
    for words in ("spring &lt;1&gt;", "Contaminated", "red dye", "from memory: opened"):
        assert words in text


def test_the_report_stands_alone(page: tuple[int, Shelf]) -> None:
    port, _ = page
    status, text, headers = get(port, "/report/1")
    assert status == 200
    assert "&lt;i&gt;slabs" in text
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "script-src" not in headers["Content-Security-Policy"]
    assert get(port, "/report/99")[0] == 400
    assert '<a href="/report/1">' in get(port, "/batch/1")[1]


def test_a_kept_plan_comes_by_post_only(page: tuple[int, Shelf]) -> None:
    port, source = page
    get(port, "/plan?keep=on&thickness=22+mm")
    assert source.ledger.fact("plan_next") == ""
    post(port, {"ask": "plan", "keep": "on", "thickness": "22 mm", "material": "maple", "back": "/plan"})
    assert source.ledger.flush()
    assert "start_utc" in source.ledger.fact("plan_next")


def test_photos_come_from_the_machine_only(page: tuple[int, Shelf]) -> None:
    port, source = page
    assert not BOOK_ASKS["batch_photo"].page
    assert post(port, {"ask": "batch_photo", "batch": "1", "path": "/etc/passwd"})[0] == 400
    assert "photos" not in source.ledger.batch(1).book


# -- a form that is not taken ------------------------------------------------------------------------------------------


def input_of(text: str, ident: str) -> str:
    """The field of that name as it stands in the page."""
    found = re.search(rf'<(?:input|select|textarea) id="{ident}"[^>]*>', text)
    assert found is not None, f"there is no field {ident}"
    return found[0]


def test_a_refused_form_comes_back_with_what_was_typed_the_field_and_the_mend(page: tuple[int, Shelf]) -> None:
    port, source = page
    fields = {"ask": "batch_piece", "batch": "1", "label": "7 <b>", "dry": "95", "wet": "215.1 g", "shape": "cylinder",
              "who": "me", "back": "/batch/1"}  # fmt: skip
    status, text, headers = post(port, fields)
    assert status == 400
    assert headers["Content-Type"].startswith("text/html")
    assert "<title>Not taken: Batch 1" in text
    assert 'role="alert"' in text
    assert '<a href="#piece-dry">Dry mass</a>' in text
    assert "&#x27;95&#x27; has no unit" in text
    assert "write such as 95.2 g." in text
    bad = input_of(text, "piece-dry")
    for part in ('value="95"', 'aria-invalid="true"', 'aria-describedby="piece-dry-why"', "autofocus"):
        assert part in bad, part
    assert 'value="7 &lt;b&gt;"' in input_of(text, "piece-label")
    assert 'value="215.1 g"' in input_of(text, "piece-wet")
    assert "aria-invalid" not in input_of(text, "piece-wet")
    assert '<option value="cylinder" selected>' in text
    assert "<details open><summary>Weigh or describe a piece" in text
    assert "<details><summary>Write a note" in text, "the other form is as it was"
    assert all(str(piece.get("label")) != "7 <b>" for piece in source.ledger.batch(1).pieces), "and nothing is kept"


BAD = {
    "batch_piece": ({"batch": "1", "label": "1"}, "/batch/1", {
        "label": "", "dry": "x", "wet": "95", "cured": "-3 g", "thickness": "22", "length": "a lot", "width": "0 mm",
        "count": "many", "porosity": "300 %", "shape": "egg", "who": "x" * 300}),
    "batch_note": ({"batch": "1", "text": "n"}, "/batch/1", {"text": " ", "who": "y\n" * 3}),
    "resin_open": ({"lot": "new", "keeps": "1 d"}, "/resin", {
        "lot": "spring", "mass": "2", "keeps": "long", "keeps_at": "99 degC", "place": "roof", "when": "tomorrow"}),
    "resin_event": ({"lot": "spring", "kind": "note"}, "/resin", {
        "lot": "none", "kind": "sung to", "place": "roof", "minutes": "40", "temperature": "warm", "mass": "x",
        "when": "2999-01-01"}),
    "batch_begin": ({"name": "n"}, "/book", {
        "name": "x" * 130, "thickness": "12", "length": "9 m", "width": "0.1 mm", "soak": "a while", "hold": "99 d",
        "target_core": "300 degC", "shape": "egg"}),
}  # fmt: skip
CASES = [(ask, field, value) for ask, (_, _, bad) in BAD.items() for field, value in bad.items()]


@pytest.mark.parametrize(("ask", "field", "value"), CASES, ids=[f"{ask} {field}" for ask, field, _ in CASES])
def test_every_field_that_can_be_wrong_is_named_when_it_is(
    page: tuple[int, Shelf], ask: str, field: str, value: str
) -> None:
    port, source = page
    source.ask({"ask": "resin_open", "lot": "spring"})
    good, back, _ = BAD[ask]
    status, text, _ = post(port, {"ask": ask, "back": back, **good, field: value})
    assert status == 400, text[-400:]
    assert "Not kept" in text
    prefix = {"batch_piece": "piece", "batch_note": "note", "resin_open": "lot", "resin_event": "event"}.get(
        ask, "begin"
    )
    ident = f"{prefix}-{field.replace('_', '-')}"
    assert 'aria-invalid="true"' in input_of(text, ident), text[text.index("Not kept") :][:400]
    assert f'id="{ident}-why"' in text
    assert "_min" not in text[text.index("Not kept") :][:600], "no name of the log's header reaches a person"


def test_a_program_gets_json_with_the_field(page: tuple[int, Shelf]) -> None:
    port, _ = page
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"http://127.0.0.1:{port}"}
    link.request("POST", "/ask", urlencode({"ask": "batch_piece", "batch": "1", "label": "1", "dry": "95"}), headers)
    answer = link.getresponse()
    told = json.loads(answer.read())
    link.close()
    assert (answer.status, told["ok"]) == (400, False)
    assert told["fields"] == {"dry": "'95' has no unit; allowed units: kg, g, mg, oz, lb"}


def test_a_dial_that_is_none_stands_in_the_station_page_again(page: tuple[int, Shelf]) -> None:
    port, _ = page
    status, text, _ = post(port, {"ask": "mark", "dial": "2x0", "unit": "C"})
    assert status == 400
    assert 'value="2x0"' in input_of(text, "dial")
    assert 'aria-invalid="true"' in input_of(text, "dial")
    assert '<option value="C" selected>' in text
    assert "as 260F" in text[text.index('id="said"') :], "and it is said beside the thumb too"


def test_a_button_pressed_twice_does_its_work_once(page: tuple[int, Shelf]) -> None:
    port, source = page
    form = get(port, "/batch/1")[1]
    (once, *_) = re.findall(r'name="once" value="([^"]+)"', form)
    note = {"ask": "batch_note", "batch": "1", "text": "cloudy", "back": "/batch/1", "once": once}
    assert [post(port, note)[0] for _ in range(3)] == [303] * 3
    assert [kept["text"] for kept in source.ledger.batch(1).book["notes"]] == ["cloudy"]
    # Gone back to and filled in otherwise, it is another one.
    assert post(port, {**note, "text": "clear again"})[0] == 303
    assert [kept["text"] for kept in source.ledger.batch(1).book["notes"]] == ["cloudy", "clear again"]
    cuts = [{"ask": "cut", "once": once}] * 2
    assert [post(port, cut)[0] for cut in cuts] == [303, 303]
    assert len([asked for asked in source.asked if asked["ask"] == "cut"]) == 2, "a cut is never taken for a repeat"


def test_what_was_kept_is_said_with_its_time_and_nothing_else_is_believed(page: tuple[int, Shelf]) -> None:
    port, _ = page
    for path in ("/batch/1", "/resin", "/plan", "/book"):
        assert "Kept at 14:32:10." in get(port, f"{path}?kept=14:32:10")[1]
        assert "Kept at" not in get(port, f"{path}?kept=%3Cb%3E")[1]


def test_the_resin_in_the_chamber_is_said_on_the_page(page: tuple[int, Shelf]) -> None:
    port, source = page
    assert "which resin" not in get(port, "/batch/1")[1], "there is no lot yet"
    for lot in ("spring <1>", "autumn"):
        source.ask({"ask": "resin_open", "lot": lot})
    assert "Say which resin is in the chamber" in get(port, "/batch/1")[1]
    assert post(port, {"ask": "batch_resin", "batch": "1", "lot": "spring <1>", "back": "/batch/1"})[0] == 303
    text = get(port, "/batch/1")[1]
    assert "<dt>Resin lot</dt><dd>spring &lt;1&gt;</dd>" in text
    assert '<option value="spring &lt;1&gt;" selected>' in text
    status, text, _ = post(port, {"ask": "batch_resin", "batch": "1", "lot": "none", "back": "/batch/1"})
    assert status == 400
    assert 'aria-invalid="true"' in input_of(text, "resin-lot")


def test_a_batch_begins_on_the_page(page: tuple[int, Shelf]) -> None:
    port, source = page
    fields = {"ask": "batch_begin", "back": "/book", "name": "slabs 8", "material": "chalk turquoise", "shape": "slab",
              "thickness": "0.5 in", "hold": "40 min", "soak": "", "target_core": "200 degF"}  # fmt: skip
    assert post(port, fields)[2]["Location"].startswith("/book?kept=")
    header = source.ledger.batch(2).header
    assert (header["piece_thickness_mm"], header["hold_min"]) == ("12.7", "40.0")
    assert abs(float(header["target_core_c"]) - 93.333) < 0.001
    assert "soak_min" not in header
    text = get(port, "/book")[1]
    assert "slabs 8" in text
    assert "Close batch 2, slabs 8" in text


@pytest.mark.parametrize("path", ["/batch/99", "/nothing", "/report/99"])
def test_what_is_not_there_is_a_page_for_who_reads_pages(page: tuple[int, Shelf], path: str) -> None:
    status, text, headers = get(page[0], path)
    assert status in (400, 404)
    assert headers["Content-Type"].startswith("text/html")
    assert '<a href="/">' in text
