"""What the rude get: crowds, trickles, half requests, guesses, and everything that would make things hotter."""

from __future__ import annotations

import gzip
import http.client
import json
import socket
import threading
from collections.abc import Callable, Iterator
from urllib.parse import urlencode

import pytest

from lastbubble.desk import REQUESTS, Desk
from lastbubble.guard.requests import REQUESTS as GUARD_REQUESTS
from lastbubble.outlets.page import asking as asking_module
from lastbubble.outlets.page import server as server_module
from lastbubble.outlets.page.server import BODY_BYTES
from tests.outlets.brokers import wait_for
from tests.outlets.test_page import FORM, Served, call, own, serve


@pytest.fixture
def served() -> Iterator[Served]:
    made = serve()
    yield made
    made[0].close()


@pytest.fixture
def guarded() -> Iterator[Served]:
    made = serve("correct horse")
    yield made
    made[0].close()


def link_to(served: Served, words: bytes = b"") -> socket.socket:
    link = socket.create_connection(("127.0.0.1", served[0].port), 20)
    if words:
        link.sendall(words)
    return link


def ended(link: socket.socket) -> bool:
    """Whether the far side has let go."""
    link.settimeout(20)
    try:
        return link.recv(65536) == b""
    except ConnectionError:
        return True


def test_two_hundred_listeners_all_hear_the_news(served: Served) -> None:
    server, source = served
    request = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nSec-Fetch-Site: same-origin\r\n\r\n".encode()
    links = [link_to(served, request) for _ in range(200)]
    try:
        wait_for(lambda: len(server._listeners) == 200, "all are heard")
        source.state["stage"] = "venting"
        for link in links:
            heard = b""
            while b"Letting air in" not in heard:
                more = link.recv(65536)
                assert more, "the stream ended"
                heard = (heard + more)[-20000:]
        assert call(server, "GET", "/")[0] == 200
        body = urlencode({"ask": "cut"})
        assert call(server, "POST", "/ask", body, Content_Type=FORM, Origin=own(server))[0] == 200
    finally:
        for link in links:
            link.close()
    wait_for(lambda: not server._listeners, "whoever left is forgotten")


def test_more_streams_than_allowed_are_told_so(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "MOST_LISTENERS", 1)
    server = served[0]
    request = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n\r\n".encode()
    with link_to(served, request):
        wait_for(lambda: len(server._listeners) == 1)
        status, _, text = call(server, "GET", "/live")
    assert status == 503
    assert "close one" in text


def test_a_crowd_takes_no_more_connections_than_it_may(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "MOST_CALLERS", 5)
    assert served[0]._runner is not None
    inner = served[0]._runner.server
    assert inner is not None
    links = [link_to(served) for _ in range(5)]
    wait_for(lambda: len(inner.connections) == 5)
    with link_to(served) as late:
        assert ended(late)
    links.pop().close()
    wait_for(lambda: len(inner.connections) == 4)
    assert call(served[0], "GET", "/")[0] == 200
    for link in links:
        link.close()


@pytest.mark.parametrize(
    "words",
    [b"", b"GET / HTT", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: a"],
    ids=["nothing", "half a line", "half a head"],
)
def test_who_asks_nothing_or_by_the_letter_is_let_go(monkeypatch: pytest.MonkeyPatch, words: bytes) -> None:
    monkeypatch.setattr(server_module, "SILENT_S", 0.3)
    made = serve()
    try:
        with link_to(made, words) as link:
            assert ended(link)
        request = f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{made[0].port}\r\n\r\n".encode()
        with link_to(made, request) as listener:
            wait_for(lambda: len(made[0]._listeners) == 1)
            with link_to(made, words) as link:
                assert ended(link)
            assert len(made[0]._listeners) == 1, "who listens is not silent"
            assert listener.recv(10)
    finally:
        made[0].close()


@pytest.mark.parametrize("kind", [FORM, "application/json"])
def test_a_body_that_never_comes_is_waited_for_a_little(
    served: Served, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    monkeypatch.setattr(asking_module, "BODY_S", 0.2)
    server, source = served
    head = (
        f"POST /ask HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nOrigin: {own(server)}\r\n"
        f"Content-Type: {kind}\r\nContent-Length: 20\r\n\r\nask="
    )
    with link_to(served, head.encode()) as link:
        answer = http.client.HTTPResponse(link)
        answer.begin()
        assert answer.status == 408
        assert "did not come in time" in json.loads(answer.read())["why"]
    assert source.asked == []


def test_a_body_without_a_length_is_measured_as_it_comes(served: Served) -> None:
    server, source = served

    def chunks() -> Iterator[bytes]:
        for _ in range(8):
            yield b"a=" + b"x" * 4000

    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    try:
        link.request("POST", "/ask", chunks(), {"Content-Type": FORM, "Origin": own(server)}, encode_chunked=True)
        assert link.getresponse().status == 413
    except (BrokenPipeError, ConnectionResetError):
        pass  # it hung up before the rest was sent, which is as good
    finally:
        link.close()
    assert source.asked == []


@pytest.mark.parametrize(
    "words",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET  HTTP/1.1\r\n\r\n",
        b"POST /ask HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 20000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a b\x00c\r\n\r\n",
    ],
    ids=["another protocol", "no path", "two lengths", "a long head", "a broken host"],
)
def test_what_is_no_request_ends_its_connection_only(served: Served, words: bytes) -> None:
    server, source = served
    with link_to(served, words) as link:
        link.settimeout(20)
        first = link.recv(65536)
    assert not first or first.split(b" ")[1] in (b"400", b"403"), first[:200]
    assert b"Traceback" not in first
    assert call(server, "GET", "/")[0] == 200
    assert source.asked == []


CHANGES = ("POST", "PUT", "PATCH", "DELETE")
ELSEWHERE: list[dict[str, str]] = [
    {},
    {"Origin": "http://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": ""},
    {"Origin": "http://127.0.0.1"},
    {"Origin": "http://127.0.0.1:1"},
    {"Origin": "file://"},
    {"Origin": "http://user@{host}"},
    {"Origin": "ftp://{host}"},
    {"Origin": "http://{host}.elsewhere.example"},
    {"Origin": "http://elsewhere.example/{host}"},
    {"Origin": "http://{host}", "Sec_Fetch_Site": "cross-site"},
    {"Origin": "http://{host}", "Sec_Fetch_Site": "same-site"},
    {"Sec_Fetch_Site": "cross-site"},
    {"Sec_Fetch_Site": "none"},
    {"Referer": "http://{host}/"},
]


def test_every_route_that_changes_anything_is_known(served: Served) -> None:
    """What the next test goes through is the router's own table; a new way to change something stands here too."""
    told = {method: served[0].addresses(method) for method in CHANGES}
    posts = ["/ask", "/batch/{number}/photo", "/sign-in", "/sign-out"]
    assert told == {"POST": posts, "PUT": [], "PATCH": [], "DELETE": []}
    assert served[0].addresses("*") == []


@pytest.mark.parametrize("password", ["", "correct horse"], ids=["loopback", "with a password"])
@pytest.mark.parametrize("headers", ELSEWHERE, ids=lambda headers: " ".join(headers.values()) or "nothing said")
def test_no_change_comes_from_elsewhere(password: str, headers: dict[str, str]) -> None:
    """Each changing route of the router's table, by each way to say where it comes from, or not to; signed in too."""
    made = serve(password)
    server, source = made
    try:
        cookie = {"Cookie": f"lastbubble={server._sessions.begin(server._clock.now())}"}
        sent = {name: value.format(host=f"127.0.0.1:{server.port}") for name, value in headers.items()}
        for method in CHANGES:
            for path in server.addresses(method):
                path = path.replace("{number}", "1")
                for kind, body in ((FORM, urlencode({"ask": "cut"})), ("application/json", '{"ask": "cut"}'),
                                   ("text/plain", '{"ask": "cut"}')):  # fmt: skip
                    status, answered, text = call(server, method, path, body, Content_Type=kind, **cookie, **sent)
                    assert status == 403, (path, kind)
                    assert "Set-Cookie" not in answered
                    assert "must come from this page itself" in text
        assert source.asked == []
    finally:
        server.close()


@pytest.mark.parametrize("password", ["", "correct horse"], ids=["loopback", "with a password"])
def test_nothing_that_only_shows_can_be_asked_to_change(password: str) -> None:
    """GET and HEAD of every address, also with a change in the query, ask the desk for nothing but to be told."""
    made = serve(password)
    server, source = made
    try:
        cookie = {"Cookie": f"lastbubble={server._sessions.begin(server._clock.now())}"}
        for path in server.addresses("GET"):
            if path == "/live":
                continue
            for method in ("GET", "HEAD"):
                address = path.replace("{number}", "1").replace("{name}", "page.js")
                query = urlencode({"ask": "cut", "keep": "on", "mark": "vented", "lot": "x"})
                call(server, method, f"{address}?{query}", **cookie)
        assert {asked["ask"] for asked in source.asked} <= {"plan", "resin_show"}
        assert not any({"keep", "mark"} & set(asked) for asked in source.asked)
    finally:
        server.close()


@pytest.mark.parametrize("path", ["/", "/live", "/now.json", "/series.json", "/overlay.json?a=1&b=1", "/book"])
@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "POST"])
def test_only_asking_changes_anything(served: Served, path: str, method: str) -> None:
    assert call(served[0], method, path, "", Origin=own(served[0]))[0] == 405
    assert served[1].asked == []


@pytest.mark.parametrize("upgrade", ["websocket", "h2c"])
def test_there_is_no_other_way_in_than_the_live_stream(served: Served, upgrade: str) -> None:
    """There is no WebSocket: a cross-site one (or any) gets an ordinary answer, or the refusal of its origin."""
    headers = {
        "Connection": "Upgrade",
        "Upgrade": upgrade,
        "Sec_WebSocket_Key": "dGhlIHNhbXBsZQ==",
        "Sec_WebSocket_Version": "13",
    }
    for path in ("/", "/ask", "/live"):
        status = call(served[0], "GET", path, Origin="http://elsewhere.example", **headers)[0]
        assert status in (200, 403, 405), path
        assert status != 101


def test_nothing_that_the_page_may_ask_makes_things_hotter() -> None:
    asked: list[str] = []

    def answer(name: str, _: dict[str, object]) -> dict[str, object]:
        asked.append(name)
        return {}

    desk = Desk(answer)
    for name in GUARD_REQUESTS:
        if name not in REQUESTS:
            assert desk.ask({"ask": name}, page=True)["ok"] is False
    for name in (
        "permit",
        "reset",
        "prove",
        "renew_lease",
        "heat",
        "close_relay",
        "PERMIT",
        "cut\n",
        ["permit"],
        None,
        1,
    ):
        assert desk.ask({"ask": name}, page=True)["ok"] is False
    assert asked == []
    hotter = {name for name, row in GUARD_REQUESTS.items() if row.direction == "hotter"}
    assert hotter >= {"permit", "reset"}
    assert not hotter & set(REQUESTS), "the desk knows no request that the guard calls hotter"


def sign_in(served: Served, password: str) -> int:
    body = urlencode({"password": password})
    return call(served[0], "POST", "/sign-in", body, Content_Type=FORM, Origin=own(served[0]))[0]


def test_guessing_is_slowed_down_and_says_for_how_long(guarded: Served) -> None:
    answers = [sign_in(guarded, f"guess {n}") for n in range(6)]
    assert answers == [403] * 5 + [429]
    body = urlencode({"password": "correct horse"})
    status, headers, text = call(guarded[0], "POST", "/sign-in", body, Content_Type=FORM, Origin=own(guarded[0]))
    assert status == 429, "also the right one must wait: a guesser must not learn it"
    assert int(headers["Retry-After"]) >= 1
    assert "Try again in" in text


def test_guesses_that_come_at_once_all_count(guarded: Served) -> None:
    answers: list[int] = []
    threads = [threading.Thread(target=lambda n=n: answers.append(sign_in(guarded, f"guess {n}"))) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(answers) == 12
    assert answers.count(403) <= 5
    assert set(answers) <= {403, 429}


def test_a_made_up_session_is_none(guarded: Served) -> None:
    for cookie in ("lastbubble=", "lastbubble=x", "lastbubble=" + "A" * 43, "lastbubble=../../x", "other=1"):
        assert call(guarded[0], "GET", "/now.json", Cookie=cookie)[0] == 401


def test_signing_out_ends_the_session(guarded: Served) -> None:
    server = guarded[0]
    body = urlencode({"password": "correct horse"})
    cookie = call(server, "POST", "/sign-in", body, Content_Type=FORM, Origin=own(server))[1]["Set-Cookie"].split(";")[
        0
    ]
    assert call(server, "GET", "/now.json", Cookie=cookie)[0] == 200
    assert call(server, "POST", "/sign-out", "", Cookie=cookie)[0] == 403, "not by another site"
    assert call(server, "POST", "/sign-out", "", Cookie=cookie, Origin=own(server))[0] == 303
    assert call(server, "GET", "/now.json", Cookie=cookie)[0] == 401


@pytest.mark.parametrize("path", ["/", "/book", "/history", "/sign-in", "/static/page.js", "/now.json", "/nothing"])
def test_every_answer_carries_the_rules(served: Served, path: str) -> None:
    headers = call(served[0], "GET", path)[1]
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"


def test_the_cut_waits_behind_nothing_else(served: Served) -> None:
    """Every other worker is held by something slow; the cut still goes through."""
    server, source = served
    held, go = threading.Semaphore(0), threading.Event()
    real: Callable[..., dict[str, object]] = source.ask

    def slow(request: dict[str, object]) -> dict[str, object]:
        if request.get("ask") == "phone_test":
            held.release()
            assert go.wait(30)
        return real(request)

    source.ask = slow  # type: ignore[method-assign, assignment]
    asking = [
        threading.Thread(
            target=call,
            args=(server, "POST", "/ask", urlencode({"ask": "phone_test"})),
            kwargs={"Content_Type": FORM, "Origin": own(server)},
        )
        for _ in range(3)
    ]
    for thread in asking:
        thread.start()
    try:
        for _ in asking:
            assert held.acquire(timeout=20)
        cutting = threading.Thread(
            target=call,
            args=(server, "POST", "/ask", urlencode({"ask": "cut"})),
            kwargs={"Content_Type": FORM, "Origin": own(server)},
        )
        cutting.start()
        wait_for(lambda: {"ask": "cut"} in source.asked, "the cut was asked for while all others wait")
    finally:
        go.set()
        for thread in (*asking, cutting):
            thread.join(20)


def test_a_crowd_that_draws_holds_up_nobody_at_the_bench(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that reckons is held; the station page, its news, a mark and the cut come through; too many are told so."""
    monkeypatch.setattr(server_module, "MOST_HEAVY", 4)
    server, source = served
    held, go = threading.Semaphore(0), threading.Event()

    def slow(number: int) -> dict[str, object]:
        held.release()
        assert go.wait(30)
        return {"id": number, "header": {}, "story": []}

    source.batch = slow  # type: ignore[method-assign]
    answers: list[int] = []
    drawing = [threading.Thread(target=lambda: answers.append(call(server, "GET", "/batch/1")[0])) for _ in range(4)]
    for thread in drawing:
        thread.start()
    try:
        for _ in range(2):
            assert held.acquire(timeout=20)
        wait_for(lambda: server._waiting == 4, "two are reckoned and two wait")
        status, headers, text = call(server, "GET", "/batch/1")
        assert (status, headers["Retry-After"]) == (503, "5")
        assert "busy" in text
        assert call(server, "GET", "/series.json")[0] == 503
        assert call(server, "GET", "/")[0] == 200
        assert call(server, "GET", "/now.json")[0] == 200
        for asked in ({"ask": "mark", "mark": "rocked"}, {"ask": "cut"}):
            assert call(server, "POST", "/ask", urlencode(asked), Content_Type=FORM, Origin=own(server))[0] == 200
    finally:
        go.set()
        for thread in drawing:
            thread.join(20)
    assert answers == [200] * 4
    assert call(server, "GET", "/series.json")[0] == 200, "a refusal for want of room is not kept"


def test_a_body_that_unpacks_to_much_is_not_unpacked(served: Served) -> None:
    server, source = served
    bomb = gzip.compress(b"ask=cut&x=" + b"a" * 20_000_000)
    assert len(bomb) > BODY_BYTES, "and its packed size alone is too much"
    small = gzip.compress(b"ask=cut&x=" + b"a" * 5_000_000)
    assert len(small) < BODY_BYTES
    for body in (bomb, small):
        link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
        headers = {"Content-Type": FORM, "Origin": own(server), "Content-Encoding": "gzip"}
        try:
            link.request("POST", "/ask", body, headers)
            assert link.getresponse().status == 415
        except (BrokenPipeError, ConnectionResetError):
            pass  # it hung up before the rest was sent, which is as good
        finally:
            link.close()
    assert source.asked == []
    assert call(server, "GET", "/")[0] == 200


KINDS = [
    FORM,
    "application/json",
    "multipart/form-data; boundary=x",
    "multipart/form-data",
    "multipart/form-data; boundary=" + "x" * 200,
    f"{FORM}; charset=nonsense",
    f"{FORM}; charset=utf-16",
    "application/json; charset=nonsense",
    "application/json; charset=utf-7",
    "text/plain",
    "nonsense",
    "",
]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("coding", ["", "gzip", "br"])
@pytest.mark.parametrize("body", [b"\xff\x00 no such thing", b"--x\r\nno: head"], ids=["bytes", "a part"])
def test_a_body_that_cannot_be_read_is_no_fault_of_ours(served: Served, kind: str, coding: str, body: bytes) -> None:
    server, source = served
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    headers = {"Content-Type": kind, "Origin": own(server)} | ({"Content-Encoding": coding} if coding else {})
    link.request("POST", "/ask", body, headers)
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    # Where there is no library to unpack it, the server itself says so before we are asked.
    assert answer.status in ((400, 415) if coding == "br" else (415,) if coding else (400,)), text
    assert "Traceback" not in text
    assert coding == "br" or json.loads(text)["why"]
    assert all(asked == {} or asked.get("ask") != "cut" for asked in source.asked)


@pytest.mark.parametrize(
    "body",
    [
        b"a=" * 5000,
        b"%ff%fe%00=1&ask=cut%00",
        "ask=mark&mark=\ud7ff\u202e".encode(),
        b"ask=cut&ask=mark",
        b"=" * 8000,
        b"ask=batch_piece&label=" + b"%0d%0aSet-Cookie:x" * 10,
    ],
    ids=["many fields", "no text", "odd text", "twice the same", "empty names", "line ends"],
)
def test_odd_forms_get_one_answer(served: Served, body: bytes) -> None:
    server, source = served
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    link.request("POST", "/ask", body, {"Content-Type": FORM, "Origin": own(server), "Accept": "text/html"})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    assert answer.status in (303, 400)
    assert "Traceback" not in text
    assert "Set-Cookie" not in dict(answer.getheaders())
    assert all(asked.get("ask") != "cut" or set(asked) == {"ask"} for asked in source.asked)


def test_a_form_in_parts_with_files_asks_for_no_file(served: Served) -> None:
    server, source = served
    body = (
        '--x\r\nContent-Disposition: form-data; name="ask"\r\n\r\ncut\r\n'
        '--x\r\nContent-Disposition: form-data; name="f"; filename="../../evil"\r\n\r\nstuff\r\n--x--\r\n'
    )
    kind = "multipart/form-data; boundary=x"
    assert call(server, "POST", "/ask", body, Content_Type=kind, Origin=own(server))[0] == 200
    assert source.asked == [{"ask": "cut"}]


def test_heads_without_end_are_ended(served: Served) -> None:
    """Fields upon fields: the connection ends, and the page goes on."""
    server = served[0]
    with link_to(served, f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n".encode()) as link:
        link.settimeout(20)
        first = b""
        try:
            for number in range(20000):
                link.sendall(b"X-%d: %s\r\n" % (number, b"y" * 100))
            link.sendall(b"\r\n")
            first = link.recv(65536)
        except (BrokenPipeError, ConnectionResetError):
            pass  # it hung up, which is as good
    assert not first or first.split(b" ")[1] in (b"400", b"431"), first[:100]
    assert call(server, "GET", "/")[0] == 200


def test_curves_are_reckoned_once_for_everybody(served: Served) -> None:
    server, source = served
    for points in (401, 500, 600):
        assert call(server, "GET", f"/series.json?batch=1&points={points}")[0] == 200
    assert source.reckoned == 1
    assert call(server, "GET", "/series.json?batch=99")[0] == 400
    assert call(server, "GET", "/series.json?batch=99")[0] == 400, "and a refusal is not kept"
    rows = json.loads(call(server, "GET", "/overlay.json?a=1&b=2")[2])
    assert rows["axis"] == "hours since pump-down"
