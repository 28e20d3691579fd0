"""What a microphone tells, and the thread that empties it; `Probe` and `Headset` are the two.

Each has a thread that does nothing but empty its microphone: it writes first, then
looks. What it finds it posts; what it is to do it finds in its inbox, between two blocks.
"""

from __future__ import annotations

import queue
import threading
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from earwitness.errors import EarwitnessError, EquipmentError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.audio.microphone import Block
    from earwitness.session import machine
    from earwitness.session.dictation import Turn
    from earwitness.session.machine import State

WAIT_S = 0.1
"""How long a thread waits for a block before it looks at its inbox again [s]."""
AGAIN_S = 1.0
"""How long it waits before it tries again to open a microphone that was lost [s]."""


class Source(Protocol):
    """A microphone, or what stands for one in a test."""

    sample_rate_hz: int
    channels: int

    def start(self) -> None:
        """Begin to record."""

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the next block, or None if none came in time."""

    def close(self) -> None:
        """Stop recording."""


@dataclass(frozen=True, slots=True)
class Begun:
    """The first sample of a take is on disk."""


@dataclass(frozen=True, slots=True)
class DueNow:
    """The moment has come to turn the valve, or to end the take."""


@dataclass(frozen=True, slots=True)
class Damaged:
    """What is being recorded cannot serve: the name of its quality flag."""

    flag: str


@dataclass(frozen=True, slots=True)
class Gone:
    """A microphone has stopped sending sound."""

    role: str
    error: EquipmentError


@dataclass(frozen=True, slots=True)
class Back:
    """A microphone sends sound again."""

    role: str


@dataclass(frozen=True, slots=True)
class Failed:
    """Something failed that the inspection cannot go on without."""

    error: EarwitnessError


@dataclass(frozen=True, slots=True, eq=False)
class Spoken:
    """Something was said, or pressed, in the gauge dialogue."""

    turn: Turn | None
    """None for what was pressed."""
    effects: tuple[machine.Effect, ...]
    state: State
    audio: Path | None
    """The file that holds its sound, while it is recorded."""


@dataclass(frozen=True, slots=True)
class SaidClosed:
    """A recording of what was said is closed."""

    audio: Path


class Worker(ABC):
    """A thread that empties one microphone."""

    def __init__(
        self, role: str, opened: Callable[[], Source], post: Callable[[object], None]
    ) -> None:
        self._role, self._opened, self._post = role, opened, post
        self._inbox: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._source: Source | None = opened()
        self.sample_rate_hz = self._source.sample_rate_hz
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=role, daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Close what is open and end the thread."""
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            if self._source is not None:
                self._source.start()
            while not self._stopping.is_set():
                self._obey()
                self._listen()
            self._obey()
            self._end()
        except EarwitnessError as e:
            self._post(Failed(e))
        finally:
            if self._source is not None:
                self._source.close()

    def _obey(self) -> None:
        while not self._inbox.empty():
            self._do(*self._inbox.get())

    def _listen(self) -> None:
        if self._source is None:
            self._reopen()
            return
        try:
            block = self._source.next_block(WAIT_S)
        except EquipmentError as e:
            self._source.close()
            self._source = None
            self._end()
            self._post(Gone(self._role, e))
            return
        if block is not None:
            self._hear(block)

    def _reopen(self) -> None:
        self._stopping.wait(AGAIN_S)
        try:
            source = self._opened()
            source.start()
        except EquipmentError:
            return
        if source.sample_rate_hz != self.sample_rate_hz:
            source.close()
            return
        self._source = source
        self._post(Back(self._role))

    @abstractmethod
    def _do(self, order: str, *what: Any) -> None:
        """Carry out an order from the inbox."""

    @abstractmethod
    def _hear(self, block: Block) -> None:
        """Take the next block."""

    @abstractmethod
    def _end(self) -> None:
        """Close what is being recorded."""
