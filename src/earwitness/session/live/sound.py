"""Sound while it comes in: takes on disk as they are made, and speech heard as it is spoken.

Each of the two has a thread that does nothing but empty its microphone: it writes first, then
looks. What it finds it posts; what it is to do it finds in its inbox, between two blocks.
"""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from earwitness.audio.broadcast_wav import BroadcastWavWriter
from earwitness.errors import EarwitnessError, EquipmentError
from earwitness.session import machine
from earwitness.session.dictation import Dialogue, Turn
from earwitness.session.live.taking import Take, TakeOrder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from numpy.typing import NDArray

    from earwitness.audio.bext import Bext
    from earwitness.audio.microphone import Block
    from earwitness.session.machine import State
    from earwitness.speech.heard import Heard
    from earwitness.speech.recogniser import SpeechModel

WAIT_S = 0.1
"""How long a thread waits for a block before it looks at its inbox again [s]."""
AGAIN_S = 1.0
"""How long it waits before it tries again to open a microphone that was lost [s]."""
MARK = 16384
"""Value of the second channel while the tool talks, 0 while it is silent [steps of 16 bits]."""


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


class _Worker:
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

    def _do(self, order: str, *what: Any) -> None:
        raise NotImplementedError

    def _hear(self, block: Block) -> None:
        raise NotImplementedError

    def _end(self) -> None:
        raise NotImplementedError


class Probe(_Worker):
    """The probe microphone, and the ambient one if it is on the same device.

    Parameters
    ----------
    opened : callable
        Opens the microphone.
    post : callable
        Takes `Begun`, `DueNow`, `Damaged`, `Recorded`, `Gone`, `Back` and `Failed`.
    channels : sequence of int
        Channel of the probe, then perhaps that of the ambient microphone, 0 is the first.
    show : callable
        Called with every block of the probe, shape (frames,), for a display.
    """

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channels: tuple[int, ...],
        show: Callable[[NDArray[np.float32]], None] = lambda _: None,
    ) -> None:
        self._channels, self._show = channels, show
        self._take: Take | None = None
        super().__init__("probe", opened, post)

    def begin(self, order: TakeOrder) -> None:
        """Record a take from the next block on."""
        self._inbox.put(("begin", order))

    def turned(self, moment_s: float) -> None:
        """Note when the cue to turn the valve was in the air [s of time.monotonic]."""
        self._inbox.put(("turned", moment_s))

    def end(self, why: str = "") -> None:
        """Stop recording; `why` if it is broken off."""
        self._inbox.put(("end", why))

    def _do(self, order: str, *what: Any) -> None:
        if order == "begin" and self._source is not None:
            self._take = Take(what[0], self.sample_rate_hz)
        elif order == "turned" and self._take is not None:
            self._take.turned(what[0])
        elif order == "end":
            self._end(what[0])

    def _hear(self, block: Block) -> None:
        self._show(block.samples[:, self._channels[0]])
        take = self._take
        if take is None:
            return
        first = take.frames == 0
        take.keep(block, self._channels)
        if first:
            self._post(Begun())
        if take.is_due():
            self._post(DueNow())
        if flag := take.damage():
            self._post(Damaged(flag))

    def _end(self, why: str = "the recording was cut short") -> None:
        if self._take is not None:
            take, self._take = self._take, None
            self._post(take.close(why))


class Headset(_Worker):
    """The headset: everything said is recorded, and heard by the gauge dialogue.

    The second channel of the recording says when the tool talked, so that a replay knows it too.

    Parameters
    ----------
    opened : callable
        Opens the microphone.
    post : callable
        Takes `Spoken`, `SaidClosed`, `Gone`, `Back` and `Failed`.
    channel : int
        Channel of the headset, 0 is the first.
    model : SpeechModel
        Recognises what is said.
    guess : callable
        Called with the best guess so far at what is being said, for a display.
    """

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channel: int,
        model: SpeechModel,
        guess: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._channel, self._model, self._guess = channel, model, guess
        self._dialogue: Dialogue | None = None
        self._writer: BroadcastWavWriter | None = None
        self._talking = self._marked = False
        super().__init__("headset", opened, post)

    def begin(self, audio: Path, bext: Bext, state: State) -> None:
        """Begin a recording and a dialogue of its own; the one before is closed."""
        self._inbox.put(("begin", audio, bext, state))

    def press(self, heard: Heard) -> None:
        """Put into the dialogue what was pressed or typed."""
        self._inbox.put(("press", heard))

    def talks(self, talking: bool) -> None:
        """Note that the tool begins to talk, or has fallen silent."""
        self._talking = talking

    def end(self) -> None:
        """Close the recording."""
        self._inbox.put(("end",))

    def _do(self, order: str, *what: Any) -> None:
        if order == "begin":
            self._end()
            audio, bext, state = what
            self._begin(audio, bext, state)
        elif order == "press" and self._dialogue is not None:
            effects = self._dialogue.told(what[0])
            self._post(Spoken(None, effects, self._dialogue.state, None))
        elif order == "end":
            self._end()

    def _begin(self, audio: Path, bext: Bext, state: State) -> None:
        self._writer = BroadcastWavWriter(
            audio, sample_rate_hz=self.sample_rate_hz, channels=2, subtype="PCM_16", bext=bext
        )
        self._dialogue, self._marked = Dialogue(self._model, state, fs=self.sample_rate_hz), False

    def _hear(self, block: Block) -> None:
        if self._writer is None or self._dialogue is None:
            return
        talking = self._talking
        if talking != self._marked:
            self._marked = talking
            self._dialogue.talks(talking)
        pcm = to_16_bits(block.samples[:, self._channel])
        mark = np.full_like(pcm, MARK if talking else 0)
        self._writer.append(np.stack([pcm, mark], axis=1))
        self._pass_on(self._dialogue.feed(from_16_bits(pcm)))

    def _pass_on(self, happenings: Iterable[object]) -> None:
        audio = self._writer.path if self._writer else None
        for happening in happenings:
            if isinstance(happening, Turn):
                self._post(Spoken(happening, happening.effects, happening.state, audio))
            elif text := getattr(happening, "text", ""):
                self._guess(text)

    def _end(self) -> None:
        if self._dialogue is None or self._writer is None:
            return
        self._pass_on(self._dialogue.finish())
        left = tuple(machine.finish(self._dialogue.state))
        self._post(Spoken(None, left, self._dialogue.state, None))
        self._writer.close()
        self._post(SaidClosed(self._writer.path))
        self._writer = self._dialogue = None


def to_16_bits(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    """Round samples to 16 bits, cut off at full scale, shape kept."""
    pcm: NDArray[np.int16] = np.clip(np.rint(samples * 32768.0), -32768, 32767).astype(np.int16)
    return pcm


def from_16_bits(samples: NDArray[np.int16]) -> NDArray[np.float32]:
    """Return what reading such samples from a file gives, shape kept [1]."""
    return samples.astype(np.float32) / np.float32(32768.0)
