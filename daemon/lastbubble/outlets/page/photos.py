"""A photo for a batch, from a form in parts: read as it comes, written as it comes, never whole in memory.

It has other bounds than the small forms: more bytes and more time, but few at once, and one thread of its own, so that
a slow card under it holds up no mark and no cut. It always says how long it is, as browsers do, so that what is too
large is known before it is read.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
from collections.abc import Awaitable, Callable
from typing import Any, Final, Protocol

from aiohttp import BodyPartReader, web
from aiohttp.http_exceptions import HttpProcessingError

from lastbubble.clock import Clock
from lastbubble.errors import BadInput, faults_of
from lastbubble.outlets.page.answers import html, problem, reads_pages, see, told
from lastbubble.outlets.page.forms import Refused

__all__ = ["MOST_B", "PHOTO_ROUTE", "PhotoPlace", "PhotoRoute", "PhotoSource"]

#: Its name for the router.
PHOTO_ROUTE: Final = "photo"

#: The whole request: the largest photo, and its form around it [B].
MOST_B: Final = 10_050_000
#: All of it must come within this, and never stand still for longer than that [s].
PHOTO_S: Final = 180.0
STILL_S: Final = 15.0
#: Photos that come at the same time; more are told to come again.
MOST_AT_ONCE: Final = 3
_MOST_PARTS: Final = 12
_LONGEST_TEXT_B: Final = 2000
_CHUNK_B: Final = 65536
#: Of a refused one the rest is read up to this: some browsers read no answer before they have sent all [B].
_MOST_IN_VAIN_B: Final = 4 * MOST_B


class PhotoPlace(Protocol):
    """Where a photo comes in. Called from one worker thread; each raises BadInput to refuse."""

    def write(self, data: bytes) -> None:
        """Its next bytes."""
        ...

    def keep(self, note: str, who: str) -> dict[str, Any]:
        """All of it is there; `{"ok": ..., "why": ...}`."""
        ...

    def drop(self) -> None:
        """Leave nothing of it, where it was not kept."""
        ...


class PhotoSource(Protocol):
    """What this needs of the service. Called from a worker thread."""

    def photo(self, batch: int) -> PhotoPlace:
        """A place for a photo of that batch. Raises BadInput for no such batch, and where there is no room."""
        ...


class PhotoRoute:
    """off_loop : runs what may take a moment beside the loop, one after the other
    again : the page of a refused form, by its address
    """

    def __init__(
        self,
        source: PhotoSource,
        off_loop: Callable[[Callable[[], Any]], Awaitable[Any]],
        again: Callable[[str, Refused], Awaitable[str]],
        clock: Clock,
    ) -> None:
        self._source = source
        self._off_loop = off_loop
        self._again = again
        self._clock = clock
        self._here = 0

    def routes(self) -> list[web.RouteDef]:
        """Its one address."""
        return [web.post(r"/batch/{number:\d{1,9}}/photo", self._handle, name=PHOTO_ROUTE)]

    async def _handle(self, request: web.Request) -> web.StreamResponse:
        if self._here >= MOST_AT_ONCE:
            response = problem(request, 503, "Other photos are coming in just now; send it again in a moment.")
            response.headers["Retry-After"] = "10"
            return response
        self._here += 1
        try:
            return await self._answer(request, int(request.match_info["number"]))
        finally:
            self._here -= 1

    async def _answer(self, request: web.Request, number: int) -> web.StreamResponse:
        typed = {"ask": "batch_photo"}
        status = 400
        try:
            answer = await self._taken(request, number, typed)
        except BadInput as exc:
            answer = {"ok": False, "why": str(exc)}
            status = 413 if (request.content_length or 0) > MOST_B else 400
        except TimeoutError:
            answer = {
                "ok": False,
                "why": "photo is not all here in time; come nearer to the network, and send it again",
            }
            status = 408
        if answer.get("ok"):
            at = self._clock.utc().astimezone()
            return see(f"/batch/{number}?kept={at:%H:%M:%S}") if reads_pages(request) else told(answer)
        await self._read_out(request)
        why = str(answer.get("why"))
        faults = faults_of(why, {"photo", *typed})
        if not reads_pages(request):
            return told({"ok": False, "why": why, "fields": faults}, status)
        return html(await self._again(f"/batch/{number}", Refused(typed, why, faults)), status)

    async def _taken(self, request: web.Request, number: int, typed: dict[str, str]) -> dict[str, Any]:
        """Read it into its place; the book's answer. typed : gets the form's texts as they come"""
        place: PhotoPlace | None = None
        try:
            async with asyncio.timeout(PHOTO_S):
                place = await self._read(request, number, typed)
            keep = functools.partial(place.keep, typed.get("note", ""), typed.get("who", ""))
            answer: dict[str, Any] = await self._off_loop(keep)
            return answer
        finally:
            if place is not None:
                await self._off_loop(place.drop)

    async def _read(self, request: web.Request, number: int, typed: dict[str, str]) -> PhotoPlace:
        if request.content_type != "multipart/form-data" or request.content_length is None:
            raise _unreadable()
        place: PhotoPlace | None = None
        whole = False
        try:
            reader = await request.multipart()
            for _ in range(_MOST_PARTS):
                async with asyncio.timeout(STILL_S):
                    part = await reader.next()
                if part is None:
                    break
                if not isinstance(part, BodyPartReader) or (part.name == "photo" and place is not None):
                    raise _unreadable()
                if part.name == "photo":
                    if request.content_length > MOST_B:
                        raise BadInput(
                            f"photo is {request.content_length / 1e6:.0f} MB; at most {MOST_B // 1_000_000} MB is "
                            "taken; choose a smaller size in the camera's settings"
                        )
                    place = await self._off_loop(functools.partial(self._source.photo, number))
                    await self._fill(place, part)
                else:
                    typed[str(part.name)[:40]] = await _text(part)
            else:
                raise _unreadable()
            whole = True
        except BadInput:
            raise
        except (ValueError, LookupError, RuntimeError, AssertionError, HttpProcessingError) as exc:
            # What the library says of parts that are none, of the wrong kind, or without their end.
            raise _unreadable() from exc
        finally:
            if place is not None and not whole:
                await self._off_loop(place.drop)
        if place is None:
            raise BadInput("photo is missing; choose one")
        return place

    async def _fill(self, place: PhotoPlace, part: BodyPartReader) -> None:
        while not part.at_eof():
            async with asyncio.timeout(STILL_S):
                data = await part.read_chunk(_CHUNK_B)
            if data:
                await self._off_loop(functools.partial(place.write, bytes(data)))

    @staticmethod
    async def _read_out(request: web.Request) -> None:
        if (request.content_length or 0) > _MOST_IN_VAIN_B:
            return
        with contextlib.suppress(TimeoutError, ValueError, HttpProcessingError):
            async with asyncio.timeout(PHOTO_S):
                while not request.content.at_eof():
                    async with asyncio.timeout(STILL_S):
                        await request.content.readany()


async def _text(part: BodyPartReader) -> str:
    """A part's text, stripped. Raises BadInput for one that is too long, or no text."""
    data = b""
    while not part.at_eof():
        async with asyncio.timeout(STILL_S):
            data += await part.read_chunk(_LONGEST_TEXT_B)
        if len(data) > _LONGEST_TEXT_B:
            raise BadInput(f"{part.name!s:.40} is too long; write at most 200 characters")
    return data.decode("utf-8").strip()


def _unreadable() -> BadInput:
    return BadInput("The form cannot be read; open the batch's page, choose the photo there and send it again.")
