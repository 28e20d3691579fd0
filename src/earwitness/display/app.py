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

    from earwitness.session.snapshot import Board

PARTS = {
    "": ("index.html", "text/html"),
    "bay.css": ("bay.css", "text/css"),
    "bay.js": ("bay.js", "text/javascript"),
    "drawing.js": ("drawing.js", "text/javascript"),
    "words.js": ("words.js", "text/javascript"),
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
    """

    def __init__(
        self,
        board: Board,
        post: Callable[[Press], None],
        *,
        door: Door,
        bucket: Bucket,
        tries: Bucket,
    ) -> None:
        self._board, self._post, self._door = board, post, door
        self._bucket, self._tries = bucket, tries
        self._readers = 0
        self.closing = False
        """Set to end every stream of events."""

    def application(self, hosts: Callable[[], frozenset[str]]) -> ASGIApp:
        """Return the guarded application; `hosts` gives the values of Host that are its own."""
        routes = [
            Route("/events", self._events, methods=["GET"]),
            Route("/press", self._press, methods=["POST"]),
            Route("/pair", self._pair, methods=["POST"]),
            *(Route(f"/{path}", _part(*file), methods=["GET"]) for path, file in PARTS.items()),
        ]
        return Guard(Starlette(routes=routes), hosts)

    async def _events(self, request: Request) -> Response:
        if not self._may(request):
            return _no_token()
        if self._readers >= MOST_READERS:
            return _told(503, "Too many pages are open. Close one.")
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
            return _no_token()
        if not self._bucket.take():
            return _told(429, "Too fast. Wait a second.")
        told = await _object(request)
        if isinstance(told, Response):
            return told
        try:
            pressed = press(_text(told, "action"), _text(told, "value"))
        except ValueError as e:
            return _told(400, f"Not understood: {e}.")
        return self._hand_over(pressed)

    def _hand_over(self, pressed: Press) -> Response:
        _, shown = self._board.latest()
        if shown is None or pressed.action not in shown.actions:
            return _told(409, "Not now.")
        try:
            self._post(pressed)
        except queue.Full:
            return _told(503, "Busy. Press again.")
        return JSONResponse({"taken": pressed.action}, status_code=202)

    async def _pair(self, request: Request) -> Response:
        if not self._tries.take():
            return _told(429, "Too fast. Wait a second.")
        told = await _object(request)
        if isinstance(told, Response):
            return told
        token = self._door.pair(_text(told, "code"))
        if token is None:
            return _told(403, "Wrong code, or it was used. Start the inspection's page again.")
        return JSONResponse({"token": token})

    def _may(self, request: Request) -> bool:
        return self._door.knows(request.headers.get(TOKEN_HEADER, ""))


def _part(name: str, media_type: str) -> Callable[[Request], Any]:
    """Return the endpoint of one file of the page."""
    content = resources.files("earwitness.display").joinpath("page", name).read_bytes()

    async def answer(_: Request) -> Response:
        return Response(content, media_type=media_type)

    return answer


async def _object(request: Request) -> dict[str, Any] | Response:
    """Return the JSON object in a short body, or the refusal."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        return _told(415, "Send JSON.")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY:
            return _told(413, "Too long.")
    try:
        told = json.loads(body)
    except (ValueError, RecursionError):
        return _told(400, "Not JSON.")
    return told if isinstance(told, dict) else _told(400, "Not a JSON object.")


def _text(told: dict[str, Any], name: str) -> str:
    value = told.get(name, "")
    return value if isinstance(value, str) else "?" * (MOST_BODY + 1)


def _no_token() -> Response:
    return _told(401, "Open the page by the address that the program printed.")


def _told(status: int, text: str) -> Response:
    return PlainTextResponse(f"{text}\n", status_code=status)
