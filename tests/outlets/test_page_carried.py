"""A session that ends while somebody types: it comes back after signing in, and nothing is done by itself."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest

from lastbubble.clock import RealClock
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.page import server as server_module
from lastbubble.outlets.page.auth import hash_password
from lastbubble.outlets.page.carried import MOST_CARRIED_B, carried_with, typed_in
from lastbubble.outlets.page.server import BODY_BYTES, PageServer, PageSettings
from lastbubble.units import Display
from tests.book.conftest import SMALL, fill
from tests.outlets.shelf import Shelf
from tests.outlets.test_page import FORM, call, own

PASSWORD = "correct horse"
NOTE = {"ask": "batch_note", "once": "x", "batch": "1", "back": "/batch/1", "who": "me",
        "text": 'Cloudy <b>&"after" rocking.\nTwice.'}  # fmt: skip
Guarded = tuple[PageServer, Shelf]


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Guarded]:
    ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
    fill(ledger)
    source = Shelf(ledger)
    server = PageServer(PageSettings(port=0, password=hash_password(PASSWORD)), "bench", Display(), RealClock(), source)
    server.start()
    yield server, source
    server.close()
    ledger.close()


def post(guarded: Guarded, path: str, fields: Mapping[str, str], **more: str) -> tuple[int, Mapping[str, str], str]:
    server = guarded[0]
    sent = {"Content_Type": FORM, "Origin": own(server), "Accept": "text/html", **more}
    return call(server, "POST", path, urlencode(fields), **sent)


def carried(text: str) -> dict[str, str]:
    """The hidden fields of the sign-in page."""
    found = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', text)
    return {unescape(name): unescape(value) for name, value in found}


def test_what_was_typed_comes_back_after_signing_in_and_is_sent_by_a_person(guarded: Guarded) -> None:
    source = guarded[1]
    status, headers, text = post(guarded, "/ask", NOTE)
    assert status == 401
    assert "Set-Cookie" not in headers
    assert "what you typed comes back" in text
    assert "<b>&" not in text, "it stands escaped"
    # A wrong password, and a brake, lose nothing of it either.
    status, _, text = post(guarded, "/sign-in", {"password": "wrong horse", **carried(text)})
    assert status == 403
    status, headers, text = post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})
    assert status == 200
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "<title>Not taken: Batch 1" in text
    assert "send it yourself" in text
    assert PASSWORD not in text
    area = re.search(r'<textarea id="note-text"[^>]*>(.*?)</textarea>', text, re.DOTALL)
    assert area is not None
    assert unescape(area[1]) == NOTE["text"]
    assert "<details open><summary>Write a note" in text
    assert not any(asked.get("ask") == "batch_note" for asked in source.asked), "nothing is done by itself"
    assert source.ledger.batch(1).book.get("notes", []) == []
    cookie = headers["Set-Cookie"].split(";")[0]
    told = {**NOTE, "text": "Cloudy."}
    assert post(guarded, "/ask", told, Cookie=cookie)[0] == 303
    assert [note["text"] for note in source.ledger.batch(1).book["notes"]] == ["Cloudy."]


FORMS: dict[str, tuple[dict[str, str], str]] = {
    "a piece": ({"ask": "batch_piece", "batch": "1", "back": "/batch/1", "label": "9", "dry": "95.2 g"},
                'value="95.2 g"'),
    "a batch": ({"ask": "batch_begin", "back": "/book", "name": "slabs 9"}, 'value="slabs 9"'),
    "a lot": ({"ask": "resin_open", "back": "/resin", "lot": "summer"}, 'value="summer"'),
    "a plan to keep": ({"ask": "plan", "back": "/plan", "keep": "on", "material": "maple", "thickness": "22 mm"},
                       'value="22 mm"'),
    "a dial": ({"ask": "mark", "dial": "262", "unit": "F"}, 'value="262"'),
}  # fmt: skip


@pytest.mark.parametrize("what", FORMS)
def test_every_form_comes_back(guarded: Guarded, what: str) -> None:
    fields, words = FORMS[what]
    text = post(guarded, "/ask", fields)[2]
    status, _, text = post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})
    assert status == 200
    assert words in text
    assert "send it yourself" in text
    asked = [one for one in guarded[1].asked if one["ask"] not in ("plan", "resin_show")]
    assert asked == []
    assert not any("keep" in one for one in guarded[1].asked)


def test_a_plan_that_was_asked_for_comes_back_too(guarded: Guarded) -> None:
    server = guarded[0]
    status, _, text = call(server, "GET", "/plan?material=maple&thickness=22+mm&ask=cut&back=%2F", Accept="text/html")
    assert status == 401
    status, _, text = post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})
    assert (status, 'value="22 mm"' in text) == (200, True)
    assert {asked["ask"] for asked in guarded[1].asked} == {"plan"}
    assert call(server, "GET", "/plan", Accept="text/html")[1]["Location"] == "/sign-in"


def test_a_cut_is_not_carried_out_and_that_is_said_loudly(guarded: Guarded) -> None:
    status, _, text = post(guarded, "/ask", {"ask": "cut"})
    assert status == 401
    assert "NOT CUT" in text
    assert "pull its plug" in text
    assert post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})[0] == 200
    assert not any(asked["ask"] == "cut" for asked in guarded[1].asked)


def test_a_photo_is_not_carried_and_that_is_said(guarded: Guarded) -> None:
    body = '--x\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n\xff\xd8\r\n--x--\r\n'
    server = guarded[0]
    status, _, text = call(server, "POST", "/batch/1/photo", body, Origin=own(server), Accept="text/html",
                           Content_Type="multipart/form-data; boundary=x")  # fmt: skip
    assert status == 401
    assert "a photo cannot be carried over" in text
    status, _, text = post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})
    assert "<title>Not taken: Batch 1" in text
    assert "<details open><summary>Add a photo" in text, "and it is where the photo is chosen again"


@pytest.mark.parametrize("back", ["https://elsewhere.example/", "//elsewhere.example", "/batch/1/../../x", "/sign-out"])
def test_signing_in_leads_nowhere_else(guarded: Guarded, back: str) -> None:
    status, headers, text = post(guarded, "/sign-in", {"password": PASSWORD, "typed:ask": "mark", "typed:back": back})
    assert status == 200
    assert "Location" not in headers
    assert "elsewhere.example" not in text
    assert 'id="cut"' in text or "Cut the heat" in text, "it is the station page"


def test_a_batch_that_is_not_there_hinders_no_signing_in(guarded: Guarded) -> None:
    fields = {"password": PASSWORD, "typed:ask": "batch_note", "typed:back": "/batch/99"}
    status, headers, _ = post(guarded, "/sign-in", fields)
    assert (status, headers["Location"]) == (303, "/")
    assert "Set-Cookie" in headers


def test_a_busy_station_loses_nothing(guarded: Guarded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "MOST_HEAVY", 0)
    text = post(guarded, "/ask", NOTE)[2]
    status, headers, text = post(guarded, "/sign-in", {"password": PASSWORD, **carried(text)})
    assert status == 503
    assert "Set-Cookie" not in headers
    assert carried(text)["typed:text"] == NOTE["text"]


def test_no_other_site_fills_the_sign_in_page(guarded: Guarded) -> None:
    for path in ("/ask", "/sign-in"):
        status, _, text = post(guarded, path, {**NOTE, "typed:text": "x"}, Origin="https://elsewhere.example")
        assert status == 403
        assert carried(text) == {}
    assert carried(call(guarded[0], "GET", "/sign-in?typed:text=x&text=y", Accept="text/html")[2]) == {}


def test_a_program_is_told_as_before_and_its_body_is_not_read(guarded: Guarded) -> None:
    status, _, text = post(guarded, "/ask", NOTE, Accept="application/json")
    assert (status, "Sign in first." in text) == (401, True)


def test_what_is_too_long_is_said_to_be(guarded: Guarded) -> None:
    status, _, text = post(guarded, "/ask", {**NOTE, "text": "y" * (MOST_CARRIED_B + 1)})
    assert status == 401
    assert "too long to be carried over" in text
    assert carried(text) == {}


def test_no_password_and_no_own_field_goes_along() -> None:
    assert carried_with({"password": "p", "New_Password": "p", "once": "x", "a": "1"}) == {"typed:a": "1"}
    assert typed_in({"password": "p", "a": "1", "typed:b": "2"}) == {"b": "2"}
    assert typed_in({"typed:b": "y" * MOST_CARRIED_B}) == {}


def test_what_is_carried_fits_with_the_longest_password() -> None:
    typed = {"a": ""}
    while carried_with({"a": typed["a"] + "\N{SNOWMAN}"}):
        typed["a"] += "\N{SNOWMAN}"
    body = urlencode({"password": "\N{SNOWMAN}" * 256, **carried_with(typed)})
    assert MOST_CARRIED_B * 0.9 < len(body) < BODY_BYTES
