"""What the tool says is marked as its own where it was captured, however late it is looked at."""

from __future__ import annotations

import queue
import time
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf

from earwitness.audio.bext import Bext
from earwitness.audio.microphone import Block
from earwitness.session import machine
from earwitness.session.equipment import headset
from earwitness.session.equipment.headset import LATE_S, Headset
from earwitness.session.equipment.sound import SaidClosed
from earwitness.speech.listener import Began

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

FS, BLOCK = 16_000, 1600


class Backlog:
    """A headset whose blocks all wait already: each of 0.1 s, captured one after another."""

    sample_rate_hz, channels = FS, 1

    def __init__(self, blocks: int) -> None:
        self.begun_s = time.monotonic() - blocks * BLOCK / FS
        self._left = list(range(blocks))

    def start(self) -> None: ...

    def next_block(self, timeout_s: float) -> Block | None:
        if not self._left:
            time.sleep(min(timeout_s, 0.01))
            return None
        n = self._left.pop(0)
        silence = np.zeros((BLOCK, 1), "f4")
        return Block(silence, n * BLOCK, self.begun_s + n * BLOCK / FS)

    def close(self) -> None: ...


class Deaf:
    """A dialogue that hears nothing."""

    def __init__(self, *_: object, **__: object) -> None:
        self.state = machine.begin(cylinders=4)

    def feed(self, _: object) -> list[object]:
        return []

    def finish(self) -> list[object]:
        return []

    def talks(self, talking: bool) -> None: ...


def test_what_was_captured_while_it_talked_is_marked_though_it_is_silent_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten blocks of 0.1 s wait; the tool ceased after 0.5 s of them, before any was looked at."""
    monkeypatch.setattr(headset, "Dialogue", Deaf)
    source, posted = Backlog(10), queue.Queue[object]()
    ceased_s = source.begun_s + 0.45
    clock = lambda: ceased_s  # noqa: E731
    heard = Headset(lambda: source, posted.put, channel=0, model=None, now=clock)
    heard.talks(True)
    heard.talks(False)
    heard.begin(tmp_path / "said.wav", Bext(), machine.begin(cylinders=4))
    heard.start()
    while source._left:
        time.sleep(0.01)
    heard.stop()
    while not isinstance(posted.get(timeout=5), SaidClosed):
        pass
    marks = sf.read(tmp_path / "said.wav")[0][::BLOCK, 1] != 0
    assert marks.tolist() == [n * 0.1 < 0.45 + LATE_S for n in range(10)]


def test_the_tool_is_told_when_somebody_breaks_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Loud(Deaf):
        """Somebody speaks twice, first while the tool talks."""

        def feed(self, _: object) -> list[object]:
            talks.append(not talks)
            return [Began(0.0, talks[-1])]

    talks: list[bool] = []
    told: list[bool] = []
    monkeypatch.setattr(headset, "Dialogue", Loud)
    source, posted = Backlog(2), queue.Queue[object]()
    heard = Headset(
        lambda: source, posted.put, channel=0, model=None, broke_in=lambda: told.append(talks[-1])
    )
    heard.begin(tmp_path / "said.wav", Bext(), machine.begin(cylinders=4))
    heard.start()
    while len(talks) < 2:
        time.sleep(0.01)
    heard.stop()
    assert told == [True]
