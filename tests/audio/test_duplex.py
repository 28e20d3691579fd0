"""The stream between probe and headphones, with a sound system that stops."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from earwitness.audio import duplex
from earwitness.audio.duplex import BLOCK_FRAMES, MOST_RESTARTS, MOST_WAITING, Duplex
from earwitness.errors import EquipmentError


class System:
    """Opens streams of which each delivers so many blocks when it is started, and then stops."""

    class PortAudioError(Exception):
        pass

    def __init__(self, *deliveries: int) -> None:
        self.deliveries = list(deliveries)
        self.outputs: list[np.ndarray] = []

    def Stream(self, *, callback: Any, **_: Any) -> Any:  # noqa: N802  # sounddevice's name
        return Stream(self, callback)


class Stream:
    latency = (0.003, 0.004)

    def __init__(self, system: System, callback: Any) -> None:
        self.system, self.callback = system, callback

    def start(self) -> None:
        for number in range(self.system.deliveries.pop(0) if self.system.deliveries else 0):
            out = np.ones((BLOCK_FRAMES, 2), dtype=np.float32)
            self.callback(np.full((BLOCK_FRAMES, 1), number, dtype=np.float32), out, BLOCK_FRAMES)
            self.system.outputs.append(out)

    def close(self, ignore_errors: bool) -> None:
        pass


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(duplex, "SILENT_S", 0.01)


def opened(monkeypatch: pytest.MonkeyPatch, system: System) -> Duplex:
    monkeypatch.setattr(duplex, "portaudio", lambda: system)
    return Duplex(None, None, sample_rate_hz=48_000)


def test_a_stream_that_stops_is_opened_again(monkeypatch) -> None:
    with opened(monkeypatch, System(2, 1)) as stream:
        blocks = [stream.next_block() for _ in range(3)]
    assert [b[0] for b in blocks] == [0, 1, 0]
    assert stream.restarts == 1


def test_a_device_that_is_gone_is_one_sentence(monkeypatch) -> None:
    with (
        opened(monkeypatch, System(0)) as stream,
        pytest.raises(EquipmentError, match="stopped sending"),
    ):
        stream.next_block()
    assert stream.restarts == MOST_RESTARTS


def test_silence_where_nothing_is_ready(monkeypatch) -> None:
    system = System(3)
    with opened(monkeypatch, system) as stream:
        assert not np.concatenate(system.outputs).any()
        assert stream.starved == 3


def test_what_is_late_is_left_out(monkeypatch) -> None:
    """Ten blocks wait; the oldest are skipped, so that the delay does not stay."""
    system = System(0, 1)
    with opened(monkeypatch, system) as stream:
        for number in range(10):
            stream.play(np.full(BLOCK_FRAMES, number, dtype=np.float32))
        stream.next_block()
    assert system.outputs[0][0, 0] == 10 - MOST_WAITING


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
