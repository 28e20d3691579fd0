"""Turn away what has no business on the bay page, before anything is done for it.

Whoever may read the page holds its token, so that another program's page in the same browser can
do nothing here: it cannot read the token, and it may not send the header that carries it.
"""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-earwitness-token"  # noqa: S105  # its name, not the secret
TOKEN_BYTES = 32
"""Chance in a token [bytes]. Chosen: four times the 64 bits that NIST SP 800-63B, 7.1, asks of a
session secret (from memory)."""
CODE_DIGITS = 8
"""Length of a pairing code [digits]. Chosen: five tries find it once in twenty million times."""
MOST_TRIES = 5
"""Wrong codes after which nobody can pair any more [1]."""
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
        "require-trusted-types-for 'script'; trusted-types 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}
"""Sent with every answer. W3C Content Security Policy Level 3 and Trusted Types; Fetch."""


@dataclass(slots=True)
class Bucket:
    """Lets through so many requests a second, and short bursts.

    A token bucket: holds at most `burst`, gains `per_s` a second, each request takes one.
    """

    clock: Callable[[], float]
    """Monotonic time [s]."""
    per_s: float = 10.0
    """Chosen: faster than anyone presses."""
    burst: float = 20.0
    _held: float = field(init=False)
    _at: float = field(init=False)

    def __post_init__(self) -> None:
        self._held, self._at = self.burst, self.clock()

    def take(self) -> bool:
        """Take one, if there is one."""
        now = self.clock()
        self._held = min(self.burst, self._held + (now - self._at) * self.per_s)
        self._at = now
        if self._held < 1:
            return False
        self._held -= 1
        return True


class Door:
    """Knows the token, and gives it once to whoever knows the pairing code."""

    def __init__(self, *, pairing: bool) -> None:
        self.token = secrets.token_urlsafe(TOKEN_BYTES)
        self.code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}" if pairing else None
        self._tries = 0
        self._lock = threading.Lock()

    def knows(self, token: str) -> bool:
        """Tell whether this is the token, in a time that does not depend on it."""
        return secrets.compare_digest(token.encode(), self.token.encode())

    def pair(self, code: str) -> str | None:
        """Return the token for the right code, which is then used up; None for any other."""
        with self._lock:
            if self.code is None:
                return None
            if secrets.compare_digest(code.encode(), self.code.encode()):
                self.code = None
                return self.token
            self._tries += 1
            if self._tries >= MOST_TRIES:
                self.code = None
            return None


class Guard:
    """Wraps the application: checks Host and Origin, and puts `HEADERS` on every answer.

    Parameters
    ----------
    app : ASGI application
        What is guarded.
    hosts : callable
        Returns the values of Host that are this server's own; any other may be a name that someone
        else's name server made to point here.
    """

    def __init__(self, app: ASGIApp, hosts: Callable[[], frozenset[str]]) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request or turn it away."""
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                extra = [(k.encode(), v.encode()) for k, v in HEADERS.items()]
                message["headers"] = [*message["headers"], *extra]
            await send(message)

        headers = [(k.decode("latin-1"), v.decode("latin-1")) for k, v in scope["headers"]]
        fault = refusal(headers, self._hosts())
        if fault:
            answer = PlainTextResponse(f"{fault}\n", status_code=403)
            await answer(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)


def refusal(headers: list[tuple[str, str]], hosts: frozenset[str]) -> str | None:
    """Say why a request comes from elsewhere, None if it does not.

    Examples
    --------
    >>> refusal([("host", "127.0.0.1:8700")], frozenset({"127.0.0.1:8700"}))
    >>> refusal([("host", "evil.example")], frozenset({"127.0.0.1:8700"}))
    'This address is not the page.'
    """
    named = [value for name, value in headers if name == "host"]
    if len(named) != 1 or named[0].lower() not in hosts:
        return "This address is not the page."
    given: Mapping[str, str] = dict(headers)
    origin = given.get("origin")
    if origin is not None and origin.lower() not in {f"http://{named[0].lower()}"}:
        return "Another page may not ask this."
    if given.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        return "Another page may not ask this."
    return None
