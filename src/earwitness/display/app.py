"""The five things the bay page can be asked for: itself, its parts, events, a press, pairing."""

from __future__ import annotations

import asyncio
import json
import queue
from importlib import resources
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from earwitness.display.guard import TOKEN_HEADER, Bucket, Door, Guard
from earwitness.display.wire import event
from earwitness.session.snapshot import Press, press

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from starlette.requests import Request
    from starlette.types import ASGIApp

    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.snapshot import Board

JAVASCRIPT = "text/javascript"
PARTS = {
    "": ("index.html", "text/html"),
    "bay.css": ("bay.css", "text/css"),
    "bay.js": ("bay.js", JAVASCRIPT),
    "drawing.js": ("drawing.js", JAVASCRIPT),
    "choosing.js": ("choosing.js", JAVASCRIPT),
    "told.js": ("told.js", JAVASCRIPT),
    "mark.svg": ("mark.svg", "image/svg+xml"),
}
"""Every path that leads to a file; a path is looked up here and never joined to a folder."""
MOST_BODY = 512
"""Longest request body [bytes]. Chosen: the longest reading needs 120."""
MOST_READERS = 8
"""Pages that may follow at the same time [1]. Chosen: a screen, a tablet, and those forgotten."""
LOOK_S = 0.1
"""Time between looks at the board [s]: ten events a second at most, whatever is published."""
STILL_HERE_S = 2.0
"""A sign of life at least this often [s]; the page takes twice as long for a loss."""


class Bay:
    """The page's application.

    Parameters
    ----------
    board : Board
        What is shown.
    post : callable
        Takes a `Press`; called between requests, so it must return at once. It may raise
        `queue.Full`.
    door : Door
        Who may read and ask.
    bucket, tries : Bucket
        How often anyone may press, and how often a pairing code may be tried.
    words : Catalogue
        The language of the page.
    """

    def __init__(
        self,
        board: Board,
        post: Callable[[Press], None],
        *,
        door: Door,
        bucket: Bucket,
        tries: Bucket,
        words: Catalogue,
    ) -> None:
        self._board, self._post, self._door = board, post, door
        self._bucket, self._tries, self._words = bucket, tries, words
        self._readers = 0
        self.closing = False
        """Set to end every stream of events."""

    def application(self, hosts: Callable[[], frozenset[str]]) -> ASGIApp:
        """Return the guarded application; `hosts` gives the values of Host that are its own."""
        routes = [
            Route("/events", self._events, methods=["GET"]),
            Route("/press", self._press, methods=["POST"]),
            Route("/pair", self._pair, methods=["POST"]),
            Route("/words.js", _answering(_words_of(self._words), JAVASCRIPT), methods=["GET"]),
            *(Route(f"/{path}", _part(*file), methods=["GET"]) for path, file in PARTS.items()),
        ]
        return Guard(Starlette(routes=routes), hosts)

    async def _events(self, request: Request) -> Response:
        if not self._may(request):
            return self._refuse(401, "token")
        if self._readers >= MOST_READERS:
            return self._refuse(503, "readers")
        return StreamingResponse(self._stream(), media_type="text/event-stream")

    async def _stream(self) -> AsyncIterator[str]:
        """Send the newest snapshot whenever there is one; what was missed in between is old."""
        sent, column, idle_s = 0, -1, 0.0
        self._readers += 1
        try:
            while not self.closing:
                number, snapshot = self._board.latest()
                if snapshot is not None and number != sent:
                    text, column = event(number, snapshot, column)
                    sent, idle_s = number, 0.0
                    yield text
                elif idle_s >= STILL_HERE_S:
                    idle_s = 0.0
                    yield ": still here\n\n"
                await asyncio.sleep(LOOK_S)
                idle_s += LOOK_S
        finally:
            self._readers -= 1

    async def _press(self, request: Request) -> Response:
        if not self._may(request):
            return self._refuse(401, "token")
        if not self._bucket.take():
            return self._refuse(429, "fast")
        told = await _object(request)
        if isinstance(told, tuple):
            return self._refuse(*told)
        try:
            pressed = press(_text(told, "action"), _text(told, "value"))
        except ValueError:
            return self._refuse(400, "not_understood")
        return self._hand_over(pressed)

    def _hand_over(self, pressed: Press) -> Response:
        _, shown = self._board.latest()
        if shown is None or pressed.action not in shown.actions:
            return self._refuse(409, "not_now")
        try:
            self._post(pressed)
        except queue.Full:
            return self._refuse(503, "busy")
        return JSONResponse({"taken": pressed.action}, status_code=202)

    async def _pair(self, request: Request) -> Response:
        if not self._tries.take():
            return self._refuse(429, "fast")
        told = await _object(request)
        if isinstance(told, tuple):
            return self._refuse(*told)
        token = self._door.pair(_text(told, "code"))
        if token is None:
            return self._refuse(403, "wrong_code")
        return JSONResponse({"token": token})

    def _refuse(self, status: int, why: str) -> Response:
        return PlainTextResponse(f"{self._words.refusals[why]}\n", status_code=status)

    def _may(self, request: Request) -> bool:
        return self._door.knows(request.headers.get(TOKEN_HEADER, ""))


def _part(name: str, media_type: str) -> Callable[[Request], Any]:
    """Return the endpoint of one file of the page."""
    content = resources.files("earwitness.display").joinpath("page", name).read_bytes()
    return _answering(content, media_type)


def _answering(content: bytes, media_type: str) -> Callable[[Request], Any]:
    async def answer(_: Request) -> Response:
        return Response(content, media_type=media_type)

    return answer


def _words_of(words: Catalogue) -> bytes:
    """Return the words of the page as the module that its scripts read them from."""
    told = {
        "language": words.language,
        "page": words.page,
        "points": words.points,
        "air": {"air-on": words.text("air_on"), "air-off": words.text("air_off")},
    }
    return f"export const WORDS = {json.dumps(told)};\n".encode()


async def _object(request: Request) -> dict[str, Any] | tuple[int, str]:
    """Return the JSON object in a short body, or the refusal."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        return 415, "no_json"
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY:
            return 413, "too_long"
    try:
        told = json.loads(body)
    except (ValueError, RecursionError):
        return 400, "bad_json"
    return told if isinstance(told, dict) else (400, "bad_json")


def _text(told: dict[str, Any], name: str) -> str:
    value = told.get(name, "")
    return value if isinstance(value, str) else "?" * (MOST_BODY + 1)
