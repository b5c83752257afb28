"""What is asked of the desk from a page: by a form without a script, by the page's script, or by a program.

A form's answer is a page: where it was taken, the page that it came from, saying so; where it was refused, that page
with what was typed, the field, and the mend. A program gets JSON. A button that is pressed twice does its work once.
"""

from __future__ import annotations

import asyncio
import functools
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final, Protocol

from aiohttp import web
from aiohttp.http_exceptions import PayloadEncodingError

from lastbubble.clock import Clock
from lastbubble.errors import BadInput, faults_of
from lastbubble.outlets.page.answers import html, reads_pages, see, told
from lastbubble.outlets.page.book_routes import back_to
from lastbubble.outlets.page.forms import Refused

__all__ = ["BODY_S", "Asking", "form_of"]

#: A request's body must come within this [s].
BODY_S: Final = 5.0
#: Forms whose second sending is still known.
_REMEMBERED: Final = 64
_LONGEST_ONCE: Final = 40


class _Off(Protocol):
    def __call__(self, work: Callable[[], Any], *, urgent: bool = False) -> Awaitable[Any]: ...


async def form_of(request: web.Request) -> dict[str, str]:
    """The form's fields; files are none. Raises TimeoutError for a body that does not come, BadInput for no form."""
    async with asyncio.timeout(BODY_S):
        try:
            form = await request.post()
        except (ValueError, LookupError, PayloadEncodingError) as exc:  # no parts, no text, no such charset
            raise BadInput("The form cannot be read; open the page and press the button there.") from exc
    return {name: value for name, value in form.items() if isinstance(value, str)}


class Asking:
    """ask : one of the desk's requests, called beside the loop by `off_loop`
    again : the page of a refused form, by its address;  news : the page's words after what was done
    """

    def __init__(
        self,
        ask: Callable[[Mapping[str, Any]], dict[str, Any]],
        off_loop: _Off,
        again: Callable[[str, Refused], Awaitable[str]],
        news: Callable[[], Awaitable[dict[str, Any]]],
        clock: Clock,
    ) -> None:
        self._ask = ask
        self._off_loop = off_loop
        self._again = again
        self._news = news
        self._clock = clock
        self._sent: OrderedDict[tuple[Any, ...], asyncio.Future[dict[str, Any]]] = OrderedDict()

    async def handle(self, request: web.Request) -> web.StreamResponse:
        """Take a request, do it, and answer in the asker's way."""
        if request.content_type == "application/json":
            wanted = await self._json(request)
            return await self._plainly(await self._done(wanted))
        typed = await form_of(request)
        wanted = dict(typed)
        once = wanted.pop("once", "")[:_LONGEST_ONCE]
        back = back_to(wanted.pop("back", ""))
        if "dial" in wanted:
            wanted["mark"] = f"dial={wanted.pop('dial').strip()}{wanted.pop('unit', '')}"
        answer = await self._once(once, wanted)
        if not reads_pages(request):
            return await self._plainly(answer)
        if answer.get("ok"):
            at = self._clock.utc().astimezone()
            return see(back if back == "/" else f"{back}?kept={at:%H:%M:%S}")
        why = str(answer.get("why"))
        return html(await self._again(back, Refused(typed, why, faults_of(why, typed))), 400)

    @staticmethod
    async def _json(request: web.Request) -> dict[str, Any]:
        async with asyncio.timeout(BODY_S):
            try:
                wanted = await request.json()
            except (ValueError, LookupError, RecursionError, PayloadEncodingError):
                raise BadInput('The body is not JSON; send an object, as {"ask": "cut"}.') from None
        if not isinstance(wanted, dict):
            raise BadInput('The body must be a JSON object, as {"ask": "cut"}.')
        return wanted

    async def _done(self, wanted: Mapping[str, Any]) -> dict[str, Any]:
        answer: dict[str, Any] = await self._off_loop(
            functools.partial(self._ask, wanted), urgent=wanted.get("ask") == "cut"
        )
        return answer

    async def _once(self, once: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """The answer; to a form that was sent before, the answer it got. The cut is done each time it is asked for."""
        if not once or wanted.get("ask") == "cut":
            return await self._done(wanted)
        # With what it held: a form that is gone back to and filled in otherwise is another.
        key = (once, *sorted(wanted.items()))
        if key in self._sent:
            return await asyncio.shield(self._sent[key])
        while len(self._sent) >= _REMEMBERED:
            self._sent.popitem(last=False)
        # A task of its own: who goes away after pressing twice must not take the answer from the second.
        self._sent[key] = asyncio.ensure_future(self._done(wanted))
        return await asyncio.shield(self._sent[key])

    async def _plainly(self, answer: dict[str, Any]) -> web.Response:
        if answer.get("ok"):
            answer = {**answer, "words": await self._news()}
        return told(answer, 200 if answer.get("ok") else 400)
