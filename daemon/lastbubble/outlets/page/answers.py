"""What an address answers with: a page for whoever reads pages, JSON for everybody else. And who asks from here."""

from __future__ import annotations

import gzip
from collections.abc import Collection, Mapping
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any, Final
from urllib.parse import urlsplit

from aiohttp import web

from lastbubble.errors import BadInput
from lastbubble.outlets.page.view import render_problem, render_sign_in

__all__ = [
    "PROBLEMS", "html", "later", "over_tls", "packed", "problem", "reads_pages", "same_origin", "see", "told", "whole",
]  # fmt: skip

PROBLEMS: Final[Mapping[int, str]] = {
    404: "There is no such page here; the station page is at /.",
    405: "That is not done here in this way.",
}


def reads_pages(request: web.Request) -> bool:
    """Whether a browser asks for a page, and no script or program."""
    return "text/html" in request.headers.get("Accept", "")


def html(text: str, status: int = 200) -> web.Response:
    """A page."""
    return web.Response(text=text, status=status, content_type="text/html", charset="utf-8")


def told(data: Any, status: int = 200) -> web.Response:
    """JSON."""
    return web.json_response(data, status=status)


def problem(request: web.Request, status: int, why: str) -> web.Response:
    """Why something was not done: a page, or `{"ok": false, "why": ...}`."""
    return html(render_problem(why), status) if reads_pages(request) else told({"ok": False, "why": why}, status)


def see(path: str) -> web.Response:
    """Look there."""
    return web.Response(status=303, headers={"Location": path})


def later(why: str, wait_s: float, carried: Mapping[str, str], status: int = 429) -> web.Response:
    """Sign in, but not yet. carried : what the page takes along"""
    response = html(render_sign_in(f"{why} Try again in {wait_s:.0f} s.", carried), status)
    response.headers["Retry-After"] = str(int(wait_s) + 1)
    return response


def packed(request: web.Request, body: bytes) -> web.Response:
    """JSON that was packed already; unpacked for who cannot."""
    if "gzip" not in request.headers.get("Accept-Encoding", ""):
        return web.Response(body=gzip.decompress(body), content_type="application/json", charset="utf-8")
    headers = {"Content-Encoding": "gzip"}
    return web.Response(body=body, content_type="application/json", charset="utf-8", headers=headers)


def same_origin(request: web.Request, *, must: bool = True) -> bool:
    """Whether the browser says that this very page asks. `must`: saying nothing is a no."""
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("Origin")
    if origin is not None:
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and parts.netloc == request.host
    return site == "same-origin" or not must


def over_tls(request: web.Request, proxies: Collection[IPv4Address | IPv6Address]) -> bool:
    """Whether the browser came over TLS: to us, or as one of these proxies says. Nobody else's word counts."""
    if request.secure:
        return True
    try:
        peer = ip_address(request.remote or "")
    except ValueError:  # no address, as on a local socket
        return False
    mapped = peer.ipv4_mapped if isinstance(peer, IPv6Address) else None
    if peer not in proxies and mapped not in proxies:
        return False
    # Of several words the last is the proxy's own; those before it came with the request.
    told = ",".join(request.headers.getall("X-Forwarded-Proto", []))
    return told.rpartition(",")[2].strip().lower() == "https"


def whole(text: str, name: str, low: int, high: int) -> int:
    """A whole number of a query. Raises BadInput."""
    if not (text.isascii() and text.isdigit() and len(text) < 12 and low <= int(text) <= high):
        raise BadInput(f"{name} is {text!r:.30}; a whole number from {low} to {high} is allowed.")
    return int(text)
