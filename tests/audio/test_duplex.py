"""The streams between probe and headphones, with a sound system that stops."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from earwitness.audio import duplex
from earwitness.audio.duplex import BLOCK_FRAMES, LOOK_EVERY, MOST_RESTARTS, SPARE, Duplex, Line
from earwitness.errors import EquipmentError


class Stream:
    """Calls back so many times at each start, and then no more."""

    latency = 0.003
    active = False

    def __init__(self, callback: Any, calls: list[int], heard: list[np.ndarray]) -> None:
        self._callback, self._calls, self._heard = callback, calls, heard

    def start(self) -> None:
        for number in range(self._calls.pop(0) if self._calls else 0):
            buffer = np.full((BLOCK_FRAMES, 2), number, dtype=np.float32)
            self._callback(buffer, BLOCK_FRAMES, None, None)
            self._heard.append(buffer)

    def close(self, ignore_errors: bool) -> None:
        self.closed = True


class System:
    """Gives streams; `captured` and `played` say how often each calls back at each start."""

    class PortAudioError(Exception):
        pass

    def __init__(self, captured: list[int] = [], played: list[int] = []) -> None:  # noqa: B006
        self._captured, self._played = list(captured), list(played)
        self.heard: list[np.ndarray] = []

    def InputStream(self, *, callback: Any, **_: Any) -> Stream:  # noqa: N802  # sounddevice's name
        return Stream(callback, self._captured, [])

    def OutputStream(self, *, callback: Any, **_: Any) -> Stream:  # noqa: N802  # sounddevice's name
        return Stream(callback, self._played, self.heard)


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(duplex, "LOOK_S", 0.01)


def opened(monkeypatch: pytest.MonkeyPatch, system: System) -> Duplex:
    monkeypatch.setattr(duplex, "portaudio", lambda: system)
    return Duplex(None, None, sample_rate_hz=48_000)


def block(value: float) -> np.ndarray:
    return np.full(BLOCK_FRAMES, value, dtype=np.float32)


def test_a_stream_that_stops_is_opened_again(monkeypatch) -> None:
    with opened(monkeypatch, System(captured=[2, 1])) as stream:
        blocks = [stream.next_block() for _ in range(3)]
    assert [b[0] for b in blocks] == [0, 1, 0]
    assert stream.restarts == 1


def test_a_microphone_that_is_gone_is_one_sentence(monkeypatch) -> None:
    with (
        opened(monkeypatch, System()) as stream,
        pytest.raises(EquipmentError, match="microphone has stopped sending"),
    ):
        stream.next_block()
    assert stream.restarts == MOST_RESTARTS


def test_headphones_that_are_gone_are_one_sentence(monkeypatch) -> None:
    monkeypatch.setattr(duplex, "SILENT_S", 10 * BLOCK_FRAMES / 48_000)
    with opened(monkeypatch, System()) as stream:
        for number in range(29):
            stream.play(block(number))
        with pytest.raises(EquipmentError, match="headphones have stopped taking"):
            stream.play(block(29))
    assert stream.restarts == MOST_RESTARTS


def test_headphones_that_refuse_leave_no_microphone_open(monkeypatch) -> None:
    system = System()
    streams = opened(monkeypatch, system)
    microphone, headphones = streams._streams

    def refuse() -> None:
        raise System.PortAudioError("Device unavailable")

    headphones.start = refuse
    with (
        pytest.raises(EquipmentError, match="headphones cannot be used"),
        streams,
    ):
        pass
    assert microphone.closed


def test_nothing_plugged_in_is_one_plain_sentence(monkeypatch) -> None:
    def nothing(**_: object) -> None:
        raise System.PortAudioError("Error querying device -1")

    system = System()
    monkeypatch.setattr(system, "InputStream", nothing)
    with pytest.raises(EquipmentError, match="No microphone found"):
        opened(monkeypatch, system)


def test_silence_where_nothing_is_ready(monkeypatch) -> None:
    """The device's buffer holds anything; none of it is heard."""
    system = System(played=[3])
    with opened(monkeypatch, system) as stream:
        assert len(system.heard) == stream.starved == 3
    assert not np.any(system.heard)


def test_both_ears_hear_the_block_that_was_made(monkeypatch) -> None:
    system = System(played=[0, 1])
    with opened(monkeypatch, system) as stream:
        stream.play(block(0.25))
        with stream:
            assert system.heard[0].tolist() == [[0.25, 0.25]] * BLOCK_FRAMES


def test_devices_that_call_evenly_are_soon_heard_within_15_ms(monkeypatch) -> None:
    """In samples, from capture to play, with the 2.4 ms of the chain, which test_assist measures.

    The machine was late at first: twenty blocks wait.
    """
    with opened(monkeypatch, System()) as stream:
        captured, played = np.zeros((BLOCK_FRAMES, 1), "f4"), np.zeros((BLOCK_FRAMES, 2), "f4")
        for _ in range(20):
            stream._on_capture(captured)
            stream.play(stream.next_block())
        for _ in range(2 * LOOK_EVERY):
            stream._on_capture(captured)
            stream.play(stream.next_block())
            stream._on_play(played, BLOCK_FRAMES)
        assert 0 < stream.delay_frames / 48_000 + 0.0024 <= 0.015


def test_a_line_that_is_never_short_is_shortened() -> None:
    """Nine wait whenever one is taken: all but the spare one are left out at the next look."""
    line = Line()
    for number in range(10):
        line.put(block(number))
    for number in range(LOOK_EVERY):
        line.take()
        line.put(block(10 + number))
    assert len(line) == SPARE + 1
    assert line.left_out == 9 - SPARE


def test_a_line_keeps_what_a_burst_needs() -> None:
    """Eight come at once and eight go at once: none is left out, none is missing."""
    line = Line()
    line.put(block(0))
    heard = []
    for number in range(1, 3 * LOOK_EVERY + 1):
        line.put(block(number))
        if number % 8 == 0:
            heard += [line.take() for _ in range(8)]
    assert [h[0] for h in heard if h is not None] == list(range(3 * LOOK_EVERY))
    assert line.left_out == 0


def test_a_missing_library_is_one_sentence(monkeypatch) -> None:
    import builtins

    real = builtins.__import__

    def missing(name: str, *rest: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(EquipmentError, match="libportaudio2"):
        Duplex(None, None, sample_rate_hz=48_000)
