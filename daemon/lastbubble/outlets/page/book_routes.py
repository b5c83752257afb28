"""The pages of the book: plan, resin, all batches, one batch, its report; and a page again whose form was refused."""

from __future__ import annotations

import functools
import re
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final, Protocol

from aiohttp import web

from lastbubble.errors import faults_of
from lastbubble.outlets.page.assets import has_charts
from lastbubble.outlets.page.book import render_batch, render_book
from lastbubble.outlets.page.forms import NOTHING, Refused
from lastbubble.outlets.page.plan import PLAN_FIELDS, render_plan
from lastbubble.outlets.page.resin import render_resin
from lastbubble.units import Display

__all__ = ["BookPages", "BookSource", "back_to", "kept_at"]

#: A report stands alone: its style is its own, its pictures are in it, and it has no script.
_REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_BACK: Final = re.compile(r"/(?:plan|resin|book|batch/\d{1,9})")
_KEPT: Final = re.compile(r"\d\d:\d\d:\d\d")


class BookSource(Protocol):
    """What these pages need of the service. Called from the page's worker threads."""

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """One of the desk's requests; `{"ok": ..., "why": ...}`."""
        ...

    def batches(self) -> list[dict[str, Any]]:
        """The batch book's rows, newest first."""
        ...

    def batch(self, number: int) -> dict[str, Any]:
        """One batch with its records as `story`. Raises BadInput when it is not there."""
        ...

    def report(self, number: int) -> str:
        """A batch's report as HTML. Raises BadInput when there is no such batch."""
        ...


def back_to(path: str) -> str:
    """Where a form leads after it was taken: one of the book's own pages, else the station page."""
    return path if _BACK.fullmatch(path) else "/"


def kept_at(request: web.Request) -> str:
    """When the form was taken that led here, "" for none; nothing but a time of day is believed."""
    text = request.query.get("kept", "")
    return text if _KEPT.fullmatch(text) else ""


def _html(text: str) -> web.Response:
    return web.Response(text=text, content_type="text/html", charset="utf-8")


class BookPages:
    """The pages. off_loop : runs what may take a moment beside the loop"""

    def __init__(
        self,
        source: BookSource,
        station: str,
        display: Display,
        off_loop: Callable[[Callable[[], Any]], Awaitable[Any]],
    ) -> None:
        self._source = source
        self._station = station
        self._display = display
        self._off_loop = off_loop

    def routes(self) -> list[web.RouteDef]:
        """Their addresses; all of them only show."""
        return [
            web.get("/plan", self._plan_page),
            web.get("/resin", self._resin_page),
            web.get("/book", self._book_page),
            web.get(r"/batch/{number:\d{1,9}}", self._batch_page),
            web.get(r"/report/{number:\d{1,9}}", self._report_page),
        ]

    async def again(self, back: str, refused: Refused) -> str:
        """The page that a refused form came from, with what was typed in it. Raises BadInput where there is none."""
        if back == "/plan":
            names = {one.name for one in PLAN_FIELDS}
            asked = {name: text for name, text in refused.typed.items() if name in names and text}
            return await self._plan(asked, refused)
        if back == "/resin":
            return await self._resin(refused)
        if back == "/book":
            return await self._book(refused)
        return await self._batch(int(back.rpartition("/")[2]), refused)

    # -- what is shown ---------------------------------------------------------------------------------------------

    async def _plan(self, asked: Mapping[str, str], refused: Refused = NOTHING, kept: str = "") -> str:
        answer = await self._off_loop(functools.partial(self._source.ask, {"ask": "plan", **asked}))
        if not answer.get("ok") and not refused.why:
            refused = Refused(asked, str(answer.get("why")), faults_of(str(answer.get("why")), asked))
        return render_plan(self._station, answer, asked, refused, kept)

    async def _resin(self, refused: Refused = NOTHING, kept: str = "") -> str:
        answer = await self._off_loop(functools.partial(self._source.ask, {"ask": "resin_show"}))
        return render_resin(self._station, answer.get("lots", ()), refused, kept)

    async def _book(self, refused: Refused = NOTHING, kept: str = "") -> str:
        return render_book(self._station, await self._off_loop(self._source.batches), refused, kept)

    async def _batch(self, number: int, refused: Refused = NOTHING, kept: str = "") -> str:
        batch = await self._off_loop(functools.partial(self._source.batch, number))
        answer = await self._off_loop(functools.partial(self._source.ask, {"ask": "resin_show"}))
        lots = [str(lot["lot"]) for lot in answer.get("lots", ()) if lot["level"] != "ended"]
        return render_batch(self._station, batch, self._display, refused, kept, lots=lots, charts=has_charts())

    # -- the routes ------------------------------------------------------------------------------------------------

    async def _plan_page(self, request: web.Request) -> web.Response:
        asked = {one.name: request.query[one.name].strip()[:200] for one in PLAN_FIELDS if request.query.get(one.name)}
        return _html(await self._plan(asked, kept=kept_at(request)))

    async def _resin_page(self, request: web.Request) -> web.Response:
        return _html(await self._resin(kept=kept_at(request)))

    async def _book_page(self, request: web.Request) -> web.Response:
        return _html(await self._book(kept=kept_at(request)))

    async def _batch_page(self, request: web.Request) -> web.Response:
        return _html(await self._batch(int(request.match_info["number"]), kept=kept_at(request)))

    async def _report_page(self, request: web.Request) -> web.Response:
        number = int(request.match_info["number"])
        response = _html(await self._off_loop(functools.partial(self._source.report, number)))
        response.headers["Content-Security-Policy"] = _REPORT_POLICY
        return response
