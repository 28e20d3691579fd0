"""What has no business on the bay page is turned away, byte by byte over a real socket."""

from __future__ import annotations

import gc
import http.client
import json
import queue
import socket
import time
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

from earwitness import display
from earwitness.display import app
from earwitness.display.guard import CODE_DIGITS, HEADERS, MOST_TRIES, Bucket, Door
from earwitness.errors import EquipmentError
from earwitness.session.snapshot import Board, Press, Snapshot
from scripted_inspection import inspection

if TYPE_CHECKING:
    from collections.abc import Iterator

JSON = "application/json"


class Client:
    """Asks a page that is being served, with whatever headers."""

    def __init__(self, page: display.Page, taken: list[Press], board: Board) -> None:
        parts = urlsplit(page.url)
        self.host, self.token = parts.netloc, parts.fragment
        self.port = int(parts.port or 0)
        self.taken, self.board = taken, board

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        *,
        token: str | None = None,
        **headers: str,
    ) -> tuple[int, dict[str, str], str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        sent = {k.replace("_", "-"): v for k, v in headers.items()}
        if token is not None:
            sent["X-Earwitness-Token"] = token
        connection.request(method, path, body=body, headers=sent)
        answer = connection.getresponse()
        read = (
            answer.read(200)
            if "event-stream" in (answer.getheader("content-type") or "")
            else answer.read()
        )
        told = answer.status, {k.lower(): v for k, v in answer.getheaders()}, read.decode()
        connection.close()
        return told

    def press(self, told: Any, **headers: str) -> tuple[int, str]:
        body = told if isinstance(told, bytes) else json.dumps(told).encode()
        sent = {"content_type": JSON, "token": self.token, **headers}
        status, _, text = self.ask("POST", "/press", body, **sent)
        return status, text


@pytest.fixture(scope="module")
def served() -> Iterator[Client]:
    board, taken = Board(), []
    board.publish(inspection()["read-back"])
    clock = iter(range(0, 10**9, 10))
    with display.serve(board, taken.append, clock=lambda: float(next(clock))) as page:
        yield Client(page, taken, board)


@pytest.fixture
def client(served: Client) -> Client:
    served.taken.clear()
    return served


def test_what_is_asked_arrives(client: Client) -> None:
    assert client.press({"action": "confirm"}) == (202, '{"taken":"confirm"}')
    assert client.taken == [Press("confirm")]


def test_it_listens_on_loopback_alone(client: Client) -> None:
    """RFC 1122: 127.0.0.0/8. Whoever comes by another address of this machine finds nobody."""
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.2", client.port), timeout=5)


@pytest.mark.parametrize("token", [None, "", "x", "é" * 8])
@pytest.mark.parametrize(("method", "path"), [("GET", "/events"), ("POST", "/press")])
def test_without_the_token_nothing_is_told_or_done(client, token, method, path) -> None:
    sent = None if token is None else token.encode().decode("latin-1")
    status, _, text = client.ask(
        method, path, b'{"action":"confirm"}', content_type=JSON, token=sent
    )
    assert (status, client.taken) == (401, [])
    assert "34" not in text


def test_the_token_is_never_asked_for_in_an_address(client: Client) -> None:
    status, _, _ = client.ask("GET", f"/events?token={client.token}")
    assert status == 401


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1", "[::1]:80", ""])
def test_a_foreign_host_is_refused(client: Client, host: str) -> None:
    """A name that someone else's name server makes point here (DNS rebinding)."""
    for path in ("/", "/events", "/bay.js"):
        assert client.ask("GET", path, token=client.token, host=host)[0] == 403
    assert client.press({"action": "confirm"}, host=host)[0] == 403
    assert client.taken == []


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "https://127.0.0.1"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
    ],
)
def test_another_page_may_ask_nothing(client: Client, headers: dict[str, str]) -> None:
    assert client.press({"action": "confirm"}, **headers)[0] == 403
    assert client.ask("GET", "/events", token=client.token, **headers)[0] == 403
    assert client.taken == []


def test_no_answer_invites_another_page(client: Client) -> None:
    """Fetch standard: without Access-Control headers the token cannot be sent from elsewhere."""
    status, headers, _ = client.ask(
        "OPTIONS",
        "/press",
        access_control_request_method="POST",
        access_control_request_headers="x-earwitness-token",
    )
    assert status == 405
    assert not [name for name in headers if name.startswith("access-control")]


@pytest.mark.parametrize(
    "path",
    [
        "/../server.py",
        "/..%2f..%2fserver.py",
        "/%2e%2e/app.py",
        "//etc/passwd",
        "/page/../app.py",
        "/bay.css/../../app.py",
        "/bay.css%00",
        "/index.html/",
        "/nothing",
    ],
)
def test_no_path_leads_out(client: Client, path: str) -> None:
    status, _, text = client.ask("GET", path)
    assert status in (307, 404)
    assert "import" not in text
    assert "root:" not in text


def test_every_answer_carries_the_policy(client: Client) -> None:
    for method, path in [("GET", "/"), ("GET", "/none"), ("POST", "/press"), ("GET", "/events")]:
        _, headers, _ = client.ask(method, path)
        assert {k: headers.get(k) for k in HEADERS} == HEADERS
        assert "server" not in headers
    policy = HEADERS["content-security-policy"]
    assert "unsafe" not in policy
    assert "*" not in policy


@pytest.mark.parametrize(
    ("told", "status"),
    [
        (b"", 400),
        (b"not json", 400),
        (b"[" * 500, 400),
        (b"[]", 400),
        ({}, 400),
        ({"action": 1}, 400),
        ({"action": "format-disk"}, 400),
        ({"action": "confirm", "value": "x"}, 400),
        ({"action": "cylinder", "value": ["3"]}, 400),
        ({"action": "point", "value": "a\u202eb"}, 400),
        ({"action": "cylinder", "value": "3"}, 409),
        (b'{"action":"' + b"x" * 2000 + b'"}', 413),
    ],
)
def test_a_bad_press_is_refused_in_a_sentence(client: Client, told: Any, status: int) -> None:
    got, text = client.press(told)
    assert got == status
    assert text.endswith(".\n")
    assert client.taken == []


def test_a_form_of_another_page_is_no_press(client: Client) -> None:
    """HTML forms can send these three types across origins without asking first."""
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        assert client.press({"action": "confirm"}, content_type=kind)[0] == 415
    assert client.taken == []


def test_a_busy_program_says_so() -> None:
    def full(_: Press) -> None:
        raise queue.Full

    board = Board()
    board.publish(Snapshot("x", "move", actions=("next",)))
    with display.serve(board, full) as page:
        assert Client(page, [], board).press({"action": "next"})[0] == 503


def test_a_flood_is_bounded() -> None:
    """At a clock that stands still, a burst of twenty passes and no more."""
    board, taken = Board(), []
    board.publish(Snapshot("x", "move", actions=("next",)))
    with display.serve(board, taken.append, clock=lambda: 0.0) as page:
        client = Client(page, taken, board)
        got = [client.press({"action": "next"})[0] for _ in range(40)]
    assert got.count(202) == len(taken) == 20
    assert got.count(429) == 20


@pytest.mark.slow
def test_a_flood_of_snapshots_is_thinned_out(client: Client) -> None:
    """Whatever is published, a page gets the newest ten times a second at most."""
    connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=10)
    connection.request("GET", "/events", headers={"X-Earwitness-Token": client.token})
    answer = connection.getresponse()
    started, told = time.monotonic(), b""
    for number in range(600):
        client.board.publish(Snapshot(f"flood {number}", "move"))
        time.sleep(0.001)
    while b"flood 599" not in told:
        told += answer.read1(65_536)
    seconds = time.monotonic() - started
    connection.close()
    client.board.publish(inspection()["read-back"])
    assert told.count(b"data: ") <= 10 * seconds + 2


@pytest.mark.slow
def test_a_long_session_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Events that a page has read are gone; `benchmarks/bay_page_memory.py` does four hours."""
    monkeypatch.setattr(app, "LOOK_S", 0.0005)
    board, held = Board(), []
    with display.serve(board, lambda _: None) as page:
        client = Client(page, [], board)
        connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=60)
        board.publish(Snapshot("event 0", "move"))
        connection.request("GET", "/events", headers={"X-Earwitness-Token": client.token})
        answer, told = connection.getresponse(), b""
        for number in range(1, 1001):
            board.publish(Snapshot(f"event {number}", "move"))
            while f'event {number}"'.encode() not in told:
                told = told[-100:] + answer.read1(65_536)
            if number % 250 == 0:
                gc.collect()
                held.append(len(gc.get_objects()))
        connection.close()
    assert max(held[1:]) - min(held[1:]) < 100, "a tenth of an object an event"


def test_a_bucket_fills_again() -> None:
    now = [0.0]
    bucket = Bucket(lambda: now[0], per_s=2.0, burst=3.0)
    assert [bucket.take() for _ in range(4)] == [True, True, True, False]
    now[0] = 1.0
    assert [bucket.take() for _ in range(3)] == [True, True, False]


def test_pages_that_follow_are_counted(client: Client) -> None:
    held = []
    for _ in range(8):
        connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=10)
        connection.request("GET", "/events", headers={"X-Earwitness-Token": client.token})
        answer = connection.getresponse()
        assert answer.status == 200
        answer.read(10)
        held.append((connection, answer))
    assert client.ask("GET", "/events", token=client.token)[0] == 503
    for connection, _ in held:
        connection.close()


def test_a_port_in_use_is_one_sentence(client: Client) -> None:
    with (
        pytest.raises(EquipmentError, match="port"),
        display.serve(client.board, client.taken.append, port=client.port),
    ):
        pass


def test_a_code_pairs_once() -> None:
    door = Door(pairing=True)
    code = door.code or ""
    assert len(code) == CODE_DIGITS
    assert door.pair(code) == door.token
    assert door.pair(code) is None


def test_guessing_a_code_ends_soon() -> None:
    door = Door(pairing=True)
    code = door.code or ""
    wrong = f"{(int(code) + 1) % 10**CODE_DIGITS:0{CODE_DIGITS}d}"
    assert [door.pair(wrong) for _ in range(MOST_TRIES)] == [None] * MOST_TRIES
    assert door.pair(code) is None


def test_on_loopback_there_is_no_pairing(client: Client) -> None:
    body = json.dumps({"code": ""}).encode()
    assert client.ask("POST", "/pair", body, content_type=JSON)[0] == 403


def test_a_network_must_be_asked_for_and_warns() -> None:
    board = Board()
    board.publish(Snapshot("x", "move"))
    with display.serve(board, lambda _: None, lan=True) as page:
        assert "not encrypted" in page.warning
        assert page.pairing_code
        client = Client(page, [], board)
        body = json.dumps({"code": page.pairing_code}).encode()
        status, _, text = client.ask("POST", "/pair", body, content_type=JSON)
        assert (status, json.loads(text)) == (200, {"token": client.token})
        assert client.ask("POST", "/pair", body, content_type=JSON)[0] == 403
        assert client.ask("GET", "/", host="evil.example")[0] == 403


def test_the_server_is_gone_afterwards() -> None:
    board = Board()
    with display.serve(board, lambda _: None) as page:
        port = urlsplit(page.url).port
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port or 0), timeout=2)
