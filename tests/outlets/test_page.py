"""The station page over real HTTP: what it shows, who may, and what the rude get."""

from __future__ import annotations

import http.client
import json
import re
import socket
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import urlencode

import pytest

from lastbubble.clock import RealClock
from lastbubble.errors import BadInput
from lastbubble.outlets.page.auth import Brake, Sessions, check_password, hash_password
from lastbubble.outlets.page.curves import chart_rows
from lastbubble.outlets.page.photos import PhotoPlace
from lastbubble.outlets.page.server import BODY_BYTES, PageServer, PageSettings
from lastbubble.outlets.page.view import MARK_BUTTONS, STAGE_WORDS, texts
from lastbubble.records import MARKS, STAGES
from lastbubble.units import Display
from tests.outlets.brokers import wait_for


class Source:
    """Stands where the service does."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.reckoned = 0
        self.state: dict[str, Any] = {"stage": "degassing", "time_s": 3600.0, "chamber_pa": 250.0, "oven_c": 21.5}

    def snapshot(self) -> dict[str, Any]:
        return dict(self.state)

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.asked.append(dict(request))
        return {"ok": True} if request.get("ask") in ("cut", "mark") else {"ok": False, "why": "allowed: cut, mark"}

    def series(self, batch: int | None, points: int) -> dict[str, list[tuple[float, float | None]]]:
        assert 10 <= points <= 5000
        self.reckoned += 1
        if batch == 99:
            raise BadInput("there is no batch 99")
        names = ("chamber_pa", "oven_c", "core_c", "core_low_c", "core_high_c")
        return {name: [(0.0, None), (60.0, 20.0)] for name in names}

    def pump_down_s(self, batch: int) -> float:
        if batch == 99:
            raise BadInput("there is no batch 99")
        return 30.0 * batch

    def batches(self) -> list[dict[str, Any]]:
        return [{"id": 1, "name": "<b>slabs</b>", "opened_utc": "2026-03-01T12:00:00Z", "closed_utc": ""}]

    def photo(self, batch: int) -> PhotoPlace:
        raise BadInput(f"there is no batch {batch}")

    def report(self, number: int) -> str:
        raise BadInput(f"there is no batch {number}")

    def batch(self, number: int) -> dict[str, Any]:
        if number != 1:
            raise BadInput(f"there is no batch {number}")
        return {"id": 1, "name": "slabs", "header": {}, "story": [{"t": 5.0, "kind": "stage", "stage": "idle"}]}


Served = tuple[PageServer, Source]


def serve(password: str = "") -> Served:
    source = Source()
    stored = hash_password(password) if password else ""
    server = PageServer(PageSettings(port=0, password=stored, every_s=0.05), "bench", Display(), RealClock(), source)
    server.start()
    return server, source


@pytest.fixture
def served() -> Iterator[Served]:
    server, source = serve()
    yield server, source
    server.close()
    server.close()


def call(
    server: PageServer, method: str, path: str, body: str | None = None, **headers: str
) -> tuple[int, http.client.HTTPMessage, str]:
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    link.request(method, path, body, sent)
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, answer.msg, text


def own(server: PageServer) -> str:
    return f"http://127.0.0.1:{server.port}"


FORM = "application/x-www-form-urlencoded"


def test_the_page_says_what_is_before_any_script_runs(served: Served) -> None:
    status, headers, text = call(served[0], "GET", "/")
    assert status == 200
    assert "Bubbling" in text
    assert "2.50 mbar" in re.sub("<[^>]*>", "", text)
    assert 'lang="en"' in text
    assert "no substitute for an independent thermal fuse" in text
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert "<script>" not in text


def test_the_cut_works_without_script(served: Served) -> None:
    server, source = served
    body = urlencode({"ask": "cut", "reason": "from the page"})
    status, headers, _ = call(server, "POST", "/ask", body, Content_Type=FORM, Origin=own(server), Accept="text/html")
    assert (status, headers["Location"]) == (303, "/")
    assert source.asked == [{"ask": "cut", "reason": "from the page"}]


def test_a_dial_becomes_the_logs_mark(served: Served) -> None:
    server, source = served
    body = urlencode({"ask": "mark", "dial": "260", "unit": "F"})
    assert call(server, "POST", "/ask", body, Content_Type=FORM, Origin=own(server))[0] == 200
    assert source.asked == [{"ask": "mark", "mark": "dial=260F"}]


@pytest.mark.parametrize(
    "headers",
    [{}, {"Origin": "http://elsewhere.example"}, {"Sec_Fetch_Site": "cross-site"}, {"Origin": "null"}],
    ids=["nothing said", "another origin", "cross-site", "null"],
)
def test_a_change_from_another_site_is_refused(served: Served, headers: dict[str, str]) -> None:
    server, source = served
    status, _, text = call(server, "POST", "/ask", urlencode({"ask": "cut"}), Content_Type=FORM, **headers)
    assert status == 403
    assert json.loads(text)["why"]
    assert source.asked == []


def test_the_live_stream_is_not_for_other_sites(served: Served) -> None:
    assert call(served[0], "GET", "/live", Origin="http://elsewhere.example")[0] == 403


def test_another_name_for_this_machine_is_refused(served: Served) -> None:
    assert call(served[0], "GET", "/", Host="rebound.example")[0] == 403


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/static/../server.py", 404),
        ("/static/%2e%2e%2fserver.py", 404),
        ("/static/..%2f..%2f..%2fetc%2fpasswd", 404),
        ("/nothing", 404),
        ("/batch/99", 400),
        ("/batch/x", 404),
        ("/series.json?points=7", 400),
        ("/series.json?points=1e3", 400),
        ("/series.json?batch=99", 400),
    ],
)
def test_what_is_not_there_gets_one_answer(served: Served, path: str, status: int) -> None:
    found, _, text = call(served[0], "GET", path)
    assert found == status
    assert json.loads(text)["ok"] is False
    assert "Traceback" not in text


@pytest.mark.parametrize("body", ["{", "[]", "null", '"x"', "[" * 4000, '{"ask": NaN'])
def test_malformed_json_gets_one_answer(served: Served, body: str) -> None:
    server, source = served
    status, _, text = call(server, "POST", "/ask", body, Content_Type="application/json", Origin=own(server))
    assert status == 400
    assert json.loads(text)["why"]
    assert source.asked == []


def test_a_large_body_is_refused(served: Served) -> None:
    server, _ = served
    status, _, text = call(
        server, "POST", "/ask", "a=" + "x" * (BODY_BYTES + 10), Content_Type=FORM, Origin=own(server)
    )
    assert status == 413
    assert str(BODY_BYTES) in text


def test_live_news_arrive_and_a_stalled_listener_stops_nobody(served: Served) -> None:
    server, source = served
    stalled = socket.create_connection(("127.0.0.1", server.port))
    stalled.sendall(f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n\r\n".encode())
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    link.request("GET", "/live", headers={"Sec-Fetch-Site": "same-origin"})
    stream = link.getresponse()
    source.state["stage"] = "still"
    for _ in range(200):
        line = stream.readline().decode()
        if line.startswith("data:") and json.loads(line[5:])["stage"] == STAGE_WORDS["still"]:
            break
    else:
        pytest.fail("the new stage never came")
    assert call(server, "GET", "/")[0] == 200
    link.close()
    stalled.close()


def test_a_listener_never_begins_with_old_news(served: Served) -> None:
    """What was said to the last listener is not what a later one hears first."""
    server, source = served
    for stage in ("degassing", "still", "venting"):
        source.state["stage"] = stage
        link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
        link.request("GET", "/live", headers={"Sec-Fetch-Site": "same-origin"})
        stream = link.getresponse()
        assert json.loads(stream.readline().decode()[5:])["stage"] == STAGE_WORDS[stage]
        link.close()
        wait_for(lambda: not server._listeners, "the listener left")


def test_the_book_and_a_batch_escape_what_people_wrote(served: Served) -> None:
    assert "<b>slabs" not in call(served[0], "GET", "/book")[2]
    assert "Idle" in call(served[0], "GET", "/batch/1")[2]


def test_with_a_password_nothing_is_told_before_signing_in() -> None:
    server, source = serve("correct horse")
    try:
        for path in ("/", "/now.json", "/live", "/series.json", "/book"):
            assert call(server, "GET", path)[0] == 401
        assert call(server, "GET", "/", Accept="text/html")[1]["Location"] == "/sign-in"
        assert call(server, "POST", "/ask", urlencode({"ask": "cut"}), Content_Type=FORM, Origin=own(server))[0] == 401
        wrong = call(server, "POST", "/sign-in", urlencode({"password": "x"}), Content_Type=FORM, Origin=own(server))
        assert wrong[0] == 403
        status, headers, _ = call(
            server, "POST", "/sign-in", urlencode({"password": "correct horse"}), Content_Type=FORM, Origin=own(server)
        )
        cookie = headers["Set-Cookie"]
        assert status == 303
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert call(server, "GET", "/", Cookie=cookie.split(";")[0])[0] == 200
        assert source.asked == []
    finally:
        server.close()


def test_beyond_the_loopback_a_password_is_wanted() -> None:
    with pytest.raises(BadInput, match="password"):
        PageSettings(host="0.0.0.0")


def test_passwords() -> None:
    stored = hash_password("correct horse")
    assert check_password("correct horse", stored)
    assert not check_password("correct horsf", stored)
    assert hash_password("correct horse") != stored
    with pytest.raises(BadInput, match="8 to 256"):
        hash_password("short")
    for broken in ("", "x", "scrypt$1$2$3$4$5", "scrypt$99999999$8$1$AAAA$AAAA", "scrypt$16384$8$1$!$!"):
        with pytest.raises(BadInput, match="password"):
            check_password("x", broken)


def test_the_brake_doubles_and_lets_go() -> None:
    brake = Brake(free=2, first_s=4.0)
    for _ in range(2):
        assert brake.wait_s("a", 0.0) == 0.0
        brake.wrong("a", 0.0)
    assert brake.wait_s("a", 0.0) == 4.0
    assert brake.wait_s("b", 0.0) == 0.0
    brake.wrong("a", 4.0)
    assert brake.wait_s("a", 4.0) == 8.0
    brake.right("a")
    assert brake.wait_s("a", 4.0) == 0.0


def test_sessions_end() -> None:
    sessions = Sessions(idle_s=10.0, longest_s=15.0, most=2)
    name = sessions.begin(0.0)
    assert sessions.holds(name, 9.0)
    assert not sessions.holds(name, 15.5)
    first = sessions.begin(20.0)
    sessions.begin(21.0)
    sessions.begin(22.0)
    assert not sessions.holds(first, 22.0)


def test_every_stage_and_every_mark_has_words() -> None:
    assert set(STAGE_WORDS) == set(STAGES)
    assert {mark for mark, _ in MARK_BUTTONS} <= set(MARKS)


def test_a_closed_relay_without_permit_is_said_loudly() -> None:
    words = texts({"heat_state": "withheld", "relay_closed": True}, Display())
    assert "PULL THE PLUG" in words["heat"]


def test_texts_stand_an_empty_snapshot() -> None:
    assert texts({}, Display())["chamber"] == "no reading"


def test_the_caution_of_the_hour_stands_beside_what_comes_next() -> None:
    said = {stage: texts({"stage": stage}, Display())["care"] for stage in STAGES}
    for stage in ("pump_down", "degassing", "still"):
        assert "lean over" in said[stage]
        assert "before the pump stops" in said[stage]
    assert all("thermal fuse" in said[stage] and "Ventilate" in said[stage] for stage in ("heating", "curing"))
    assert "hot inside" in said["cooling"]
    assert "pump stops last" in said["venting"]
    assert "ignite" in said["soaking"]


def test_the_dials_scale_is_the_stations_own(served: Served) -> None:
    assert texts({}, Display("degF"))["dial_unit"] == "F"
    assert '<option value="C" selected>' in call(served[0], "GET", "/")[2]


def test_the_hold_is_drawn_as_far_as_it_is() -> None:
    for held, share in ((0.0, "0.0"), (900.0, "50.0"), (4000.0, "100.0")):
        assert texts({"stage": "curing", "held_s": held, "hold_s": 1800.0}, Display())["hold_share"] == share


def test_a_reading_stands_with_how_far_it_may_be_off() -> None:
    """IEC 60584-1: class 1 1.5 K, class 2 2.5 K near 100 degC."""
    snapshot = {
        "oven_c": 104.2,
        "witness_c": 88.0,
        "grades": {
            "oven": {"grade": "class_2", "limit_k": 2.5},
            "witness": {"grade": "checked", "limit_k": 1.04},
        },
    }
    words = texts(snapshot, Display())
    assert words["oven_trust"] == "± 2.5 K (IEC 60584-1 class 2)"
    assert words["witness_trust"] == "± 1.0 K (checked at two points)"
    assert texts({**snapshot, "air_mean_c": 103.0}, Display())["oven_trust"].endswith("; mean 103.0 °C over its cycles")
    assert texts({**snapshot, "air_k_min": 3.14}, Display())["oven_trust"].endswith("; warms by 3.1 K a minute")
    assert texts({**snapshot, "air_k_min": -1.0}, Display("degF"))["oven_trust"] == (
        "± 4.5 °F (IEC 60584-1 class 2); cools by 1.8 °F a minute"
    )
    assert texts({"grades": snapshot["grades"]}, Display())["oven_trust"] == "", "no reading, nothing to doubt"


def test_the_hold_stands_with_its_dose() -> None:
    snapshot = {"stage": "curing", "held_s": 600.0, "hold_s": 1800.0, "dose_s": 1500.0}
    words = texts(snapshot, Display())["hold"]
    assert words == "10 min of 30 min at cure temperature; to the initiator as 25 min at the target"
    assert texts({**snapshot, "dose_s": None}, Display())["hold"].endswith("at cure temperature")


def test_charts_are_in_the_stations_units() -> None:
    curves = Source().series(None, 10)
    rows = chart_rows(curves, Display("degF", "inHg vacuum"))
    assert rows["temperature"][1][1] == [68.0, 68.0, 68.0]
    assert rows["pressure_log"] is False
    assert rows["pressure"][0][1] is None
