"""The station page's server: aiohttp in a thread of its own, inside the service.

Rules
- Everything it shows comes from a `PageSource`; everything it changes is one of the desk's requests, and none of those
  makes things hotter.
- Beyond the loopback it wants a password. Every change, and the live stream, wants an Origin (or Sec-Fetch-Site) of
  this very page, also on the loopback, where the Host must be one of the loopback's names: that is what keeps other
  sites in the same browser out.
- A slow or stalled caller holds up nobody: the live stream keeps one message a caller (the latest), bodies are small
  and must come within seconds (a photo is larger, and goes to the card as it comes: `photos`), who asks nothing is
  let go, and there are at most `MOST_LISTENERS` live streams and `MOST_CALLERS` connections, so that no crowd takes
  the files that the ledger needs.
- The cut waits behind nothing else that is asked here: it has a thread of its own. What takes long (curves, plans,
  reports) has its own threads too, so that a crowd that draws does not make the page of a person at the bench old;
  of those who wait for it, `MOST_HEAVY` are let in.
"""

from __future__ import annotations

import asyncio
import functools
import gzip
import json
import logging
import threading
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any, Final, Protocol
from urllib.parse import urlsplit

from aiohttp import web
from aiohttp.web_protocol import RequestHandler

from lastbubble.clock import Clock
from lastbubble.errors import BadInput
from lastbubble.outlets.page.answers import (
    PROBLEMS,
    html,
    later,
    over_tls,
    packed,
    problem,
    reads_pages,
    same_origin,
    see,
    told,
    whole,
)
from lastbubble.outlets.page.asking import Asking, form_of
from lastbubble.outlets.page.assets import asset, has_charts
from lastbubble.outlets.page.auth import LONGEST, Brake, Sessions, check_password
from lastbubble.outlets.page.book_routes import BookPages, back_to
from lastbubble.outlets.page.carried import again, carried_with, typed_in, why_not
from lastbubble.outlets.page.compare import render_compare
from lastbubble.outlets.page.curves import Curve, chart_rows, overlay_rows
from lastbubble.outlets.page.forms import NOTHING, Refused
from lastbubble.outlets.page.now import render_now
from lastbubble.outlets.page.photos import PHOTO_ROUTE, PhotoPlace, PhotoRoute
from lastbubble.outlets.page.view import bands, render_sign_in, texts
from lastbubble.units import Display

__all__ = ["PageServer", "PageSettings", "PageSource"]

log = logging.getLogger("lastbubble.page")

LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})
MOST_LISTENERS: Final = 256
MOST_CALLERS: Final = 400
#: A connection that asks nothing, or takes so long to ask, is let go [s].
SILENT_S: Final = 20.0
#: Curves, plans, reports and batches that are reckoned or wait for it; more are told to come again.
MOST_HEAVY: Final = 64
#: Passwords that wait to be checked; checking one is meant to be slow.
MOST_GUESSES: Final = 8
#: Curves are reckoned anew after this; everybody who asks in between gets the same [s].
CURVES_S: Final = 10.0
BODY_BYTES: Final = 16384
COOKIE: Final = "lastbubble"
#: Over TLS it has a name that no browser lets plain HTTP set. And the one without can be set beside it: under one name,
#: who signed in over TLS could not sign in by the plain address of the same host any more.
SECURE_COOKIE: Final = f"__Host-{COOKIE}"

HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class PageSource(Protocol):
    """What the page needs of the service. Called from the page's worker threads."""

    def snapshot(self) -> dict[str, Any]:
        """What is: see `view.texts` for the keys."""
        ...

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """One of the desk's requests; `{"ok": ..., "why": ...}`."""
        ...

    def series(self, batch: int | None, points: int) -> Mapping[str, Curve]:
        """Thinned curves of a batch (None: the open one), each with points at its own times, extremes kept:
        `chamber_pa`, `oven_c`, `core_c`, `core_low_c`, `core_high_c`. Raises BadInput for a batch that is not there."""
        ...

    def pump_down_s(self, batch: int) -> float:
        """When that batch's pump-down began, batch time; 0 where it never did. Raises BadInput as `series`."""
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

    def photo(self, batch: int) -> PhotoPlace:
        """A place for a photo of that batch. Raises BadInput for no such batch, and where there is no room."""
        ...


@dataclass(frozen=True, slots=True)
class PageSettings:
    """host, port : where to listen (port 0: any free one);  password : what `hash_password` gave, "" for none
    names : host names by which the page may be called on the loopback, besides its own
    proxies : addresses of the proxies that are believed when they say that a browser came over TLS
    every_s : shortest time between two live updates, real time                                            [s]
    """

    host: str = "127.0.0.1"
    port: int = 8087
    password: str = ""
    names: tuple[str, ...] = ()
    proxies: tuple[str, ...] = ()
    every_s: float = 1.0

    def __post_init__(self) -> None:
        if self.host not in LOOPBACK and not self.password:
            raise BadInput(
                f"page.host is {self.host}: beyond the loopback the page wants a password; "
                "make one with 'lastbubble page password' and put it at page.password"
            )


Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class PageServer:
    """`start()` opens the port (OSError when it cannot), `close()` ends it; `port` is the one it got."""

    def __init__(
        self, settings: PageSettings, station: str, display: Display, clock: Clock, source: PageSource
    ) -> None:
        self._settings = settings
        self._station = station
        self._display = display
        self._clock = clock
        self._source = source
        self._proxies = frozenset(ip_address(text) for text in settings.proxies)
        self._sessions = Sessions()
        self._brake = Brake()
        self._listeners: set[asyncio.Queue[str]] = set()
        self._words: dict[str, str] = {}
        self._busy: set[RequestHandler] = set()
        self._silent: dict[RequestHandler, float] = {}
        self._curves: dict[tuple[Any, ...], tuple[float, asyncio.Task[bytes]]] = {}
        self._guesses = 0
        self._book = BookPages(source, station, display, self._slowly)
        self._asking = Asking(lambda wanted: source.ask(wanted), self._off_loop, self._again, self._fresh_words, clock)
        self._photos = PhotoRoute(source, self._carding, self._again, clock)
        self._guessing = asyncio.Lock()
        self._urgent = ThreadPoolExecutor(1, thread_name_prefix="page-cut")
        self._pool = ThreadPoolExecutor(3, thread_name_prefix="page")
        self._slow = ThreadPoolExecutor(2, thread_name_prefix="page-slow")
        self._card = ThreadPoolExecutor(1, thread_name_prefix="page-photo")
        self._waiting = 0
        self._loop = asyncio.new_event_loop()
        self._thread: threading.Thread | None = None
        self._runner: web.AppRunner | None = None
        self.port = settings.port

    # -- life ----------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Listen; returns when the port is open."""
        opened: threading.Event = threading.Event()
        failed: list[BaseException] = []

        def live() -> None:
            asyncio.set_event_loop(self._loop)
            try:
                self._loop.run_until_complete(self._open())
            except OSError as exc:
                failed.append(exc)
                opened.set()
                self._loop.close()
                return
            opened.set()
            self._loop.run_forever()
            self._loop.run_until_complete(self._shut())
            self._loop.close()

        self._thread = threading.Thread(target=live, name="page", daemon=True)
        self._thread.start()
        opened.wait(30)
        if failed:
            raise failed[0]

    def close(self) -> None:
        """End every stream and the port; closing twice is fine."""
        if self._thread is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(10)
        for pool in (self._pool, self._slow, self._urgent, self._card):
            pool.shutdown(wait=False, cancel_futures=True)

    async def _open(self) -> None:
        app = web.Application(client_max_size=BODY_BYTES, middlewares=[self._careful])
        app.add_routes(
            [
                web.get("/", self._now),
                web.get("/live", self._live),
                web.get("/now.json", self._now_json),
                web.get("/series.json", self._series),
                web.get("/overlay.json", self._overlay),
                web.get("/history", self._history),
                web.post("/ask", self._asking.handle),
                web.get("/sign-in", self._sign_in_page),
                web.post("/sign-in", self._sign_in),
                web.post("/sign-out", self._sign_out),
                web.get("/static/{name}", self._static),
                *self._book.routes(),
                *self._photos.routes(),
            ]
        )
        self._runner = web.AppRunner(app, access_log=None, keepalive_timeout=20, shutdown_timeout=2)
        await self._runner.setup()
        self._socket = await self._loop.create_server(
            self._caller, self._settings.host, self._settings.port, backlog=256, reuse_address=True
        )
        self.port = self._socket.sockets[0].getsockname()[1]
        self._chores = [self._loop.create_task(self._tell()), self._loop.create_task(self._let_go())]

    async def _shut(self) -> None:
        for chore in self._chores:
            chore.cancel()
        self._socket.close()
        if self._runner is not None:
            await self._runner.cleanup()
        left = [task for task in asyncio.all_tasks(self._loop) if task is not asyncio.current_task()]
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)

    def _caller(self) -> asyncio.Protocol:
        """Who takes a new connection: the server, or where there are too many, nobody."""
        assert self._runner is not None
        server = self._runner.server
        assert server is not None
        return _Refused() if len(server.connections) >= MOST_CALLERS else server()

    async def _let_go(self) -> None:
        """End connections on which nothing is asked: the idle, and those who ask a letter a minute."""
        assert self._runner is not None
        while True:
            await asyncio.sleep(SILENT_S / 10)
            server = self._runner.server
            now = self._loop.time()
            here = list(server.connections) if server is not None else []
            self._silent = {one: self._silent.get(one, now) for one in here if one not in self._busy}
            for one, since in self._silent.items():
                if now - since > SILENT_S and one.transport is not None:
                    one.transport.abort()

    async def _off_loop(self, work: Callable[[], Any], *, urgent: bool = False) -> Any:
        """Run what may take a moment beside the loop, so that no caller waits for another's."""
        return await self._loop.run_in_executor(self._urgent if urgent else self._pool, work)

    async def _carding(self, work: Callable[[], Any]) -> Any:
        """Run what writes a photo, one after the other, behind nobody and before nobody else."""
        return await self._loop.run_in_executor(self._card, work)

    def addresses(self, method: str) -> list[str]:
        """What is answered to this method, as the router has it."""
        app = self._runner.app if self._runner is not None else web.Application()
        found = (route.resource.canonical for route in app.router.routes() if route.method == method and route.resource)
        return sorted(set(found))

    async def _slowly(self, work: Callable[[], Any]) -> Any:
        """Run what takes long, behind others of its kind only. Raises `_TooMany` where too many wait."""
        if self._waiting >= MOST_HEAVY:
            raise _TooMany
        self._waiting += 1
        try:
            return await self._loop.run_in_executor(self._slow, work)
        finally:
            self._waiting -= 1

    # -- who may ---------------------------------------------------------------------------------------------------

    @web.middleware
    async def _careful(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        caller = request.protocol
        self._busy.add(caller)
        try:
            refused = await self._refusal(request)
            response = refused if refused is not None else await handler(request)
        except BadInput as exc:
            response = problem(request, 400, str(exc))
        except _TooMany:
            response = problem(request, 503, "The station is busy drawing for others; ask again in a moment.")
            response.headers["Retry-After"] = "5"
        except web.HTTPException as exc:
            large = f"The request is too large; at most {BODY_BYTES} bytes are taken."
            response = problem(
                request, exc.status, large if exc.status == 413 else PROBLEMS.get(exc.status, exc.reason)
            )
        except TimeoutError:
            response = problem(request, 408, "The request's body did not come in time; send it again.")
        finally:
            self._busy.discard(caller)
            self._silent[caller] = self._loop.time()
        if not response.prepared:
            response.headers.update({k: v for k, v in HEADERS.items() if k not in response.headers})
        return response

    async def _refusal(self, request: web.Request) -> web.Response | None:
        host = urlsplit(f"//{request.host}").hostname or ""
        if not self._settings.password and host not in LOOPBACK | set(self._settings.names):
            return problem(
                request, 403, f"This page is not called {host!r:.60}. Open it by 127.0.0.1, or set page.names."
            )
        changes = request.method not in ("GET", "HEAD")
        if changes and not same_origin(request):
            return problem(
                request, 403, "A change must come from this page itself. Open the page and press the button there."
            )
        if "Content-Encoding" in request.headers:
            return problem(request, 415, "Send it as it is: nothing is unpacked here.")
        if request.path == "/live" and not same_origin(request, must=False):
            return problem(request, 403, "The live stream is for this page only.")
        if not self._settings.password or request.path.startswith(("/static/", "/sign-in")):
            return None
        if self._sessions.holds(self._session(request), self._clock.now()):
            return None
        if not reads_pages(request):
            return problem(request, 401, "Sign in first.")
        typed = await self._typed(request)
        if not typed:
            return see("/sign-in")
        carried = carried_with(typed)
        return html(render_sign_in(why_not(typed, bool(carried)), carried), 401)

    @staticmethod
    async def _typed(request: web.Request) -> dict[str, str]:
        """What a form held that came without a session; of a photo only where it belongs, its file is not read."""
        if request.method == "POST" and request.path == "/ask":
            return await form_of(request)
        if request.match_info.route.name == PHOTO_ROUTE:
            return {"ask": "batch_photo", "back": f"/batch/{request.match_info['number']}"}
        if request.path == "/plan" and request.query:
            return {**request.query, "ask": "plan", "back": "/plan"}
        return {}

    def _cookie(self, request: web.Request) -> tuple[str, bool]:
        """The name of its session's cookie, and whether it is for TLS only."""
        secure = over_tls(request, self._proxies)
        return SECURE_COOKIE if secure else COOKIE, secure

    def _session(self, request: web.Request) -> str:
        return request.cookies.get(self._cookie(request)[0], "")

    async def _sign_in_page(self, _: web.Request) -> web.Response:
        return html(render_sign_in())

    async def _sign_in(self, request: web.Request) -> web.StreamResponse:
        caller = request.remote or "?"
        form = await form_of(request)
        typed = typed_in(form)
        carried = carried_with(typed)
        password = form.get("password", "")[: LONGEST + 1]
        if self._guesses >= MOST_GUESSES:
            return later("Too many sign in at once.", 5.0, carried)
        self._guesses += 1
        try:
            # One after the other: many at once would all be checked before the first wrong one counts.
            async with self._guessing:
                wait = self._brake.wait_s(caller, self._clock.now())
                if wait > 0:
                    return later("Too many wrong passwords.", wait, carried)
                right = bool(self._settings.password) and await self._off_loop(
                    functools.partial(check_password, password, self._settings.password)
                )
                if not right:
                    self._brake.wrong(caller, self._clock.now())
        finally:
            self._guesses -= 1
        if not right:
            log.warning("event=page_wrong_password caller=%s", caller)
            return html(render_sign_in("That is not the password of this station.", carried), 403)
        self._brake.right(caller)
        try:
            response = await self._back_with(typed)
        except _TooMany:
            return later("The station is busy drawing for others.", 5.0, carried, 503)
        cookie, secure = self._cookie(request)
        response.set_cookie(
            cookie,
            self._sessions.begin(self._clock.now()),
            httponly=True,
            samesite="Strict",
            path="/",
            secure=secure,
            max_age=30 * 86400,
        )
        return response

    async def _back_with(self, typed: Mapping[str, str]) -> web.Response:
        """The page of a form that came without a session, filled in; the station page where there was none."""
        if not typed:
            return see("/")
        try:
            return html(await self._again(back_to(typed.get("back", "")), again(typed)))
        except BadInput:  # a batch that is not there
            return see("/")

    async def _sign_out(self, request: web.Request) -> web.StreamResponse:
        self._sessions.end(self._session(request))
        response = see("/sign-in" if self._settings.password else "/")
        cookie, secure = self._cookie(request)
        response.set_cookie(cookie, "", httponly=True, samesite="Strict", path="/", secure=secure, max_age=0)
        return response

    # -- what is ---------------------------------------------------------------------------------------------------

    async def _fresh_words(self) -> dict[str, Any]:
        """The page's words, and its forecasts as rows to draw (`bands`)."""
        snapshot = await self._off_loop(self._source.snapshot)
        return {**texts(snapshot, self._display), "bands": bands(snapshot)}

    async def _now(self, _: web.Request) -> web.Response:
        return html(await self._station_page())

    async def _station_page(self, refused: Refused = NOTHING) -> str:
        words = await self._fresh_words()
        rows = words.pop("bands")
        signed_in = bool(self._settings.password)
        return render_now(self._station, words, rows, refused, signed_in=signed_in, charts=has_charts())

    async def _again(self, back: str, refused: Refused) -> str:
        """The page that a refused form came from, with what was typed."""
        return await (self._station_page(refused) if back == "/" else self._book.again(back, refused))

    async def _now_json(self, _: web.Request) -> web.Response:
        return told(await self._off_loop(self._source.snapshot))

    async def _live(self, request: web.Request) -> web.StreamResponse:
        if len(self._listeners) >= MOST_LISTENERS:
            return problem(request, 503, "Too many pages are open at once; close one.")
        response = web.StreamResponse(headers={**HEADERS, "Content-Type": "text/event-stream"})
        queue: asyncio.Queue[str] = asyncio.Queue(maxsize=1)
        await response.prepare(request)
        self._listeners.add(queue)
        try:
            # Never the message that was made last: while nobody listened none was made, and it may be hours old.
            first = await self._news()
            if queue.empty():
                queue.put_nowait(first)
            while True:
                message = await queue.get()
                async with asyncio.timeout(10):
                    await response.write(message.encode())
        except (ConnectionError, TimeoutError, BadInput):
            pass  # gone, or the service has not begun: whoever listens begins again
        finally:
            self._listeners.discard(queue)
        return response

    async def _tell(self) -> None:
        """Make one message of what is, and lay it before every listener; a slow one finds only the latest."""
        while True:
            await asyncio.sleep(self._settings.every_s)
            if not self._listeners:
                continue
            try:
                message = await self._news()
            except BadInput as exc:
                log.warning("event=page_snapshot_failed why=%r", str(exc))
                continue
            for queue in tuple(self._listeners):
                if queue.full():
                    queue.get_nowait()
                queue.put_nowait(message)

    async def _news(self) -> str:
        """What is, as one message of the live stream."""
        return f"data: {json.dumps(await self._fresh_words(), separators=(',', ':'))}\n\n"

    async def _series(self, request: web.Request) -> web.Response:
        points = self._points(request)
        text = request.query.get("batch", "")
        batch = whole(text, "batch", 1, 10**9) if text else None

        def work() -> dict[str, Any]:
            return chart_rows(self._source.series(batch, points), self._display)

        return packed(request, await self._reckoned(("series", batch, points), work))

    async def _overlay(self, request: web.Request) -> web.Response:
        points = self._points(request)
        numbers = [whole(request.query.get(name, ""), name, 1, 10**9) for name in ("a", "b")]

        def work() -> dict[str, Any]:
            both = []
            for number in numbers:
                begin_s = self._source.pump_down_s(number)
                curves = self._source.series(number, points)
                moved = {name: [(t - begin_s, value) for t, value in curve] for name, curve in curves.items()}
                both.append((f"batch {number}", moved))
            return overlay_rows(both[0], both[1], self._display)

        return packed(request, await self._reckoned(("overlay", *numbers, points), work))

    @staticmethod
    def _points(request: web.Request) -> int:
        """How fine, in few steps, so that many screens share what is reckoned."""
        points = whole(request.query.get("points", "600"), "points", 10, 5000)
        return -(-points // 200) * 200

    async def _reckoned(self, key: tuple[Any, ...], work: Callable[[], dict[str, Any]]) -> bytes:
        """The work's JSON, packed; made once for everybody who asks within `CURVES_S`."""
        now = self._loop.time()
        self._curves = {name: kept for name, kept in self._curves.items() if now - kept[0] < CURVES_S}
        if key not in self._curves:
            if len(self._curves) >= 32:
                del self._curves[next(iter(self._curves))]

            def whole() -> bytes:
                return gzip.compress(json.dumps(work(), separators=(",", ":")).encode(), 5, mtime=0)

            async def make() -> bytes:
                made: bytes = await self._slowly(whole)
                return made

            self._curves[key] = (now, self._loop.create_task(make()))
        task = self._curves[key][1]
        try:
            # Shielded: who goes away must not take it from the others.
            return await asyncio.shield(task)
        except (BadInput, _TooMany):
            self._curves.pop(key, None)
            raise

    async def _history(self, request: web.Request) -> web.Response:
        rows = await self._off_loop(self._source.batches)
        numbers = [row["id"] for row in rows]
        chosen: list[int] = []
        for name, default in zip(
            ("a", "b"), [*numbers[:2], *numbers[:1]] if len(numbers) == 1 else numbers, strict=False
        ):
            text = request.query.get(name, "")
            chosen.append(whole(text, name, 1, 10**9) if text else default)
        both = [await self._slowly(functools.partial(self._source.batch, number)) for number in chosen]
        return html(render_compare(self._station, rows, both, charts=has_charts()))

    async def _static(self, request: web.Request) -> web.StreamResponse:
        found = asset(request.match_info["name"])
        if found is None:
            return problem(request, 404, "There is no such file.")
        tag = f'"{found.tag}"'
        headers = {"Cache-Control": "max-age=3600", "ETag": tag, "Vary": "Accept-Encoding"}
        if request.headers.get("If-None-Match") == tag:
            return web.Response(status=304, headers=headers)
        if "gzip" in request.headers.get("Accept-Encoding", ""):
            headers["Content-Encoding"] = "gzip"
            return web.Response(body=found.packed, content_type=found.content_type, charset="utf-8", headers=headers)
        return web.Response(body=found.plain, content_type=found.content_type, charset="utf-8", headers=headers)


class _TooMany(Exception):  # no fault of the asker's
    """More wait for what takes long than are let in."""


class _Refused(asyncio.Protocol):
    """Ends a connection as it comes."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.abort()
