"""Serve the bay page from a thread, on this machine alone unless asked otherwise."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import EquipmentError
from earwitness.session.messages.catalogue import english

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.display.app import Bay
    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.snapshot import Board, Press

LOOPBACK = "127.0.0.1"
"""RFC 1122, 3.2.1.3: never leaves the machine."""
EVERYWHERE = "0.0.0.0"  # noqa: S104  # only with lan=True, which warns
MOST_CONNECTIONS = 32
"""Connections at a time; more are refused [1]. Chosen: four for each page that may follow."""
STOP_S = 5.0
"""Time to wait for the server to stop [s]."""
LAN_WARNING = (
    "The page can be reached from this network, and what it sends is not encrypted. "
    "Anyone who listens in can read it and press for you. Use it in a network of your own only."
)


@dataclass(frozen=True, slots=True)
class Page:
    """A page that is being served."""

    url: str
    """Address to open on this machine; what follows `#` lets you in and is never sent in a URL."""
    lan_urls: tuple[str, ...] = ()
    """Addresses for other machines; they ask for the pairing code."""
    pairing_code: str | None = None
    """Good once."""
    warning: str = ""


@contextmanager
def serve(
    board: Board,
    post: Callable[[Press], None],
    *,
    port: int = 0,
    lan: bool = False,
    clock: Callable[[], float] = time.monotonic,
    words: Catalogue | None = None,
) -> Iterator[Page]:
    """Serve the page while the context lasts.

    Parameters
    ----------
    board : Board
        What is shown.
    post : callable
        Takes what is asked; must return at once and may raise `queue.Full`.
    port : int
        TCP port; any free one if 0.
    lan : bool
        Let other machines of the network reach it, by a pairing code.
    clock : callable
        Monotonic time [s].
    words : Catalogue, optional
        The language of the page; English if left out.

    Raises
    ------
    EquipmentError
        If the port cannot be had.
    """
    from earwitness.display.app import Bay
    from earwitness.display.guard import Bucket, Door

    listener = _listen(EVERYWHERE if lan else LOOPBACK, port)
    port = listener.getsockname()[1]
    others = tuple(f"{a}:{port}" for a in _own_addresses()) if lan else ()
    hosts = frozenset({f"{LOOPBACK}:{port}", f"localhost:{port}", *others})
    door = Door(pairing=lan)
    buckets = {"bucket": Bucket(clock), "tries": Bucket(clock, 0.5, 3.0)}
    bay = Bay(board, post, door=door, words=words or english(), **buckets)
    with _running(bay, listener, hosts):
        yield Page(
            url=f"http://{LOOPBACK}:{port}/#{door.token}",
            lan_urls=tuple(f"http://{other}/" for other in others),
            pairing_code=door.code,
            warning=LAN_WARNING if lan else "",
        )


@contextmanager
def _running(bay: Bay, listener: socket.socket, hosts: frozenset[str]) -> Iterator[None]:
    """Answer requests in a thread while the context lasts."""
    import uvicorn

    server = uvicorn.Server(
        uvicorn.Config(
            bay.application(lambda: hosts),
            loop="asyncio",
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=1,
        )
    )
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listener]}, name="bay page", daemon=True
    )
    thread.start()
    try:
        yield
    finally:
        bay.closing = True
        server.should_exit = True
        thread.join(STOP_S)
        listener.close()


def _listen(address: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((address, port))
        listener.listen(MOST_CONNECTIONS)
    except (OSError, OverflowError) as e:
        listener.close()
        raise EquipmentError(
            f"The page cannot be served on port {port} ({e})",
            remedy="Choose another port, or 0 for any free one.",
        ) from e
    return listener


def _own_addresses() -> list[str]:
    """Return this machine's IPv4 addresses on its networks, as far as they can be told.

    A datagram socket that is connected sends nothing, but knows its own address.
    """
    found = set()
    with suppress(OSError):
        named = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        found |= {str(address[0]) for *_, address in named}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation
        found.add(str(probe.getsockname()[0]))
    return sorted(a for a in found if not a.startswith("127."))
