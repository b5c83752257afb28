"""The session's cookie: `Secure` where it is sure that the browser came over TLS, which is not anybody's to say."""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Mapping
from http.cookies import SimpleCookie
from ipaddress import ip_address
from unittest.mock import Mock
from urllib.parse import urlencode

import pytest
from aiohttp.test_utils import make_mocked_request

from lastbubble.clock import RealClock
from lastbubble.outlets.page.answers import over_tls
from lastbubble.outlets.page.auth import hash_password
from lastbubble.outlets.page.server import COOKIE, SECURE_COOKIE, PageServer, PageSettings
from lastbubble.units import Display
from tests.outlets.test_page import FORM, Source, call, own

PASSWORD = "correct horse"


def serve(*proxies: str) -> PageServer:
    settings = PageSettings(port=0, password=hash_password(PASSWORD), proxies=proxies)
    server = PageServer(settings, "bench", Display(), RealClock(), Source())
    server.start()
    return server


@pytest.fixture
def behind() -> Iterator[PageServer]:
    made = serve("::1", "127.0.0.1")
    yield made
    made.close()


def sign_in(server: PageServer, **headers: str) -> tuple[str, Mapping[str, str], str]:
    """Its name, its marks, and what a browser sends back."""
    sent = {"Content_Type": FORM, "Origin": own(server), **headers}
    status, answered, _ = call(server, "POST", "/sign-in", urlencode({"password": PASSWORD}), **sent)
    assert status == 303
    ((name, told),) = SimpleCookie(answered["Set-Cookie"]).items()
    return name, told, f"{name}={told.value}"


@pytest.mark.parametrize("said", ["https", "HTTPS", "http, https", " https "])
def test_behind_a_named_proxy_the_cookie_is_for_tls_only(behind: PageServer, said: str) -> None:
    name, told, _ = sign_in(behind, X_Forwarded_Proto=said)
    assert name == SECURE_COOKIE
    assert (told["secure"], told["httponly"], told["samesite"]) == (True, True, "Strict")
    assert (told["path"], told["domain"]) == ("/", ""), "what a name of this kind asks for"


@pytest.mark.parametrize("said", ["http", "https, http", "", "httpsx", "wss"])
def test_a_named_proxy_that_says_otherwise_is_believed_too(behind: PageServer, said: str) -> None:
    name, told, _ = sign_in(behind, X_Forwarded_Proto=said)
    assert (name, told["secure"]) == (COOKIE, "")


@pytest.mark.parametrize("proxies", [(), ("127.0.0.2", "fd00::2")], ids=["none named", "others named"])
def test_nobody_elses_word_counts(proxies: tuple[str, ...]) -> None:
    server = serve(*proxies)
    try:
        name, told, _ = sign_in(server, X_Forwarded_Proto="https", Forwarded="proto=https", X_Forwarded_Ssl="on")
        assert (name, told["secure"]) == (COOKIE, "")
    finally:
        server.close()


def test_each_way_in_has_a_session_of_its_own(behind: PageServer) -> None:
    """Who signed in over TLS can do so by the plain address, too; neither cookie is good on the other way."""
    tls, plain = {"X_Forwarded_Proto": "https"}, {"X_Forwarded_Proto": "http"}
    over, under = sign_in(behind, **tls)[2], sign_in(behind, **plain)[2]
    assert call(behind, "GET", "/now.json", Cookie=over, **tls)[0] == 200
    assert call(behind, "GET", "/now.json", Cookie=under)[0] == 200
    assert call(behind, "GET", "/now.json", Cookie=under, **tls)[0] == 401, "somebody on the way may have set that one"
    assert call(behind, "GET", "/now.json", Cookie=over)[0] == 401


def test_signing_out_over_tls_takes_that_cookie_back(behind: PageServer) -> None:
    tls = {"X_Forwarded_Proto": "https"}
    cookie = sign_in(behind, **tls)[2]
    status, answered, _ = call(behind, "POST", "/sign-out", "", Cookie=cookie, Origin=own(behind), **tls)
    assert status == 303
    ((name, told),) = SimpleCookie(answered["Set-Cookie"]).items()
    assert (name, told.value, told["max-age"], told["secure"]) == (SECURE_COOKIE, "", "0", True)
    assert call(behind, "GET", "/now.json", Cookie=cookie, **tls)[0] == 401


def mocked(peer: object, *, tls: bool = False, **headers: str) -> bool:
    transport = Mock()
    transport.get_extra_info.side_effect = {"peername": peer}.get
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER) if tls else None
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    request = make_mocked_request("GET", "/", sent, transport=transport, sslcontext=context)
    return over_tls(request, frozenset({ip_address("127.0.0.1"), ip_address("fd00::2")}))


def test_tls_of_our_own_needs_nobodys_word() -> None:
    assert mocked(("192.0.2.1", 1), tls=True)
    assert not mocked(("192.0.2.1", 1), X_Forwarded_Proto="https")


@pytest.mark.parametrize(
    ("peer", "believed"),
    [
        (("127.0.0.1", 1), True),
        (("::ffff:127.0.0.1", 1, 0, 0), True),
        (("fd00:0:0::2", 1, 0, 0), True),
        (("::1", 1, 0, 0), False),
        (("127.0.0.11", 1), False),
        ("", False),
        ("/run/some.sock", False),
        (None, False),
    ],
)
def test_a_proxy_is_known_by_its_address_however_it_is_written(peer: object, believed: bool) -> None:
    assert mocked(peer, X_Forwarded_Proto="https") is believed
