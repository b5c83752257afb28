"""The addresses of the book on the station page: plan, resin, and a batch's report."""

from __future__ import annotations

import functools
import re
from collections.abc import Awaitable, Callable
from typing import Any, Final, Protocol

from aiohttp import web

from lastbubble.outlets.page.plan import PLAN_FIELDS, render_plan, render_resin

__all__ = ["BookSource", "back_to", "book_routes"]

#: A report stands alone: its style is its own, its pictures are in it, and it has no script.
_REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_BACK: Final = re.compile(r"/(?:plan|resin|batch/\d{1,9})")


class BookSource(Protocol):
    """What these pages need of the service. Called from the page's worker threads."""

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """One of the desk's requests; `{"ok": ..., "why": ...}`."""
        ...

    def report(self, number: int) -> str:
        """A batch's report as HTML. Raises BadInput when there is no such batch."""
        ...


def back_to(path: str) -> str:
    """Where a form leads after it was taken: one of the book's own pages, else the station page."""
    return path if _BACK.fullmatch(path) else "/"


def _html(text: str) -> web.Response:
    return web.Response(text=text, content_type="text/html", charset="utf-8")


def book_routes(
    source: Any, station: str, off_loop: Callable[[Callable[[], Any]], Awaitable[Any]]
) -> list[web.RouteDef]:
    """The routes. off_loop : runs what may take a moment beside the loop"""
    book: BookSource = source

    async def plan(request: web.Request) -> web.Response:
        asked = {name: request.query[name].strip()[:200] for name, _, _ in PLAN_FIELDS if request.query.get(name)}
        answer = await off_loop(functools.partial(book.ask, {"ask": "plan", **asked}))
        return _html(render_plan(station, answer, asked))

    async def resin(_: web.Request) -> web.Response:
        answer = await off_loop(functools.partial(book.ask, {"ask": "resin_show"}))
        return _html(render_resin(station, answer.get("lots", ())))

    async def report(request: web.Request) -> web.Response:
        number = int(request.match_info["number"])
        response = _html(await off_loop(functools.partial(book.report, number)))
        response.headers["Content-Security-Policy"] = _REPORT_POLICY
        return response

    return [web.get("/plan", plan), web.get("/resin", resin), web.get(r"/report/{number:\d{1,9}}", report)]
