"""The headset: what is said is recorded, and heard as it is spoken."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.audio.broadcast_wav import BroadcastWavWriter
from earwitness.session import machine
from earwitness.session.dictation import Dialogue, Turn
from earwitness.session.equipment.sound import SaidClosed, Spoken, Worker
from earwitness.speech.grammar import Grammar
from earwitness.speech.listener import Began, Listener, Said

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable
    from pathlib import Path

    from numpy.typing import NDArray

    from earwitness.audio.bext import Bext
    from earwitness.audio.microphone import Block
    from earwitness.session.equipment.sound import Source
    from earwitness.session.machine import State
    from earwitness.speech.heard import Heard
    from earwitness.speech.recogniser import SpeechModel

MARK = 16384
"""Value of the second channel while the tool talks, 0 while it is silent [steps of 16 bits]."""

LATE_S = 0.1
"""How late a block may say it was captured [s]. Chosen: decision 0111."""


class _Recorded(Worker):
    """A headset whose sound is recorded, with a second channel that says when the tool talked."""

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channel: int,
        broke_in: Callable[[], None],
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._channel, self._broke_in, self._now = channel, broke_in, now
        self._writer: BroadcastWavWriter | None = None
        self._talking = self._marked = False
        self._ceased_s = -math.inf
        super().__init__("headset", opened, post)

    def talks(self, talking: bool) -> None:
        """Note that the tool begins to talk, or has fallen silent."""
        if not talking:
            self._ceased_s = self._now()
        self._talking = talking

    def end(self) -> None:
        """Close the recording."""
        self._inbox.put(("end",))

    def _begin(self, audio: Path, bext: Bext) -> None:
        self._marked = False
        self._writer = BroadcastWavWriter(
            audio, sample_rate_hz=self.sample_rate_hz, channels=2, subtype="PCM_16", bext=bext
        )

    def _keep(self, block: Block, told: Callable[[bool], None]) -> NDArray[np.float32]:
        """Write a block; return its samples as a file gives them, shape (frames,).

        `told` is called first if the tool begins to talk here or falls silent. A busy machine
        looks at a block late, when the tool has long ceased: what counts is when it was captured.
        """
        talking = self._talking or block.captured_s < self._ceased_s + LATE_S
        if talking != self._marked:
            self._marked = talking
            told(talking)
        pcm = to_16_bits(block.samples[:, self._channel])
        mark = np.full_like(pcm, MARK if talking else 0)
        if self._writer is not None:
            self._writer.append(np.stack([pcm, mark], axis=1))
        return from_16_bits(pcm)

    def _note(self, happening: object) -> None:
        """Let the tool fall silent if somebody breaks in."""
        if isinstance(happening, Began) and happening.while_talking:
            self._broke_in()

    def _close(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._post(SaidClosed(self._writer.path))
        self._writer = None


class Headset(_Recorded):
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
    broke_in : callable
        Called when somebody begins to speak while the tool talks.
    guess : callable
        Called with the best guess so far at what is being said, for a display.
    now : callable, optional
        The clock that the blocks are stamped by [s].
    """

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channel: int,
        model: SpeechModel,
        broke_in: Callable[[], None] = lambda: None,
        guess: Callable[[str], None] = lambda _: None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._model, self._guess = model, guess
        self._dialogue: Dialogue | None = None
        super().__init__(opened, post, channel=channel, broke_in=broke_in, now=now)

    def begin(self, audio: Path, bext: Bext, state: State) -> None:
        """Begin a recording and a dialogue of its own; the one before is closed."""
        self._inbox.put(("begin", audio, bext, state))

    def press(self, heard: Heard) -> None:
        """Put into the dialogue what was pressed or typed."""
        self._inbox.put(("press", heard))

    def _do(self, order: str, *what: Any) -> None:
        if order == "begin":
            self._end()
            audio, bext, state = what
            self._begin(audio, bext)
            self._dialogue = Dialogue(self._model, state, fs=self.sample_rate_hz)
        elif order == "press" and self._dialogue is not None:
            effects = self._dialogue.told(what[0])
            self._post(Spoken(None, effects, self._dialogue.state, None))
        elif order == "end":
            self._end()

    def _hear(self, block: Block) -> None:
        if self._dialogue is not None:
            samples = self._keep(block, self._dialogue.talks)
            self._pass_on(self._dialogue.feed(samples))

    def _pass_on(self, happenings: Iterable[object]) -> None:
        audio = self._writer.path if self._writer else None
        for happening in happenings:
            self._note(happening)
            if isinstance(happening, Turn):
                self._post(Spoken(happening, happening.effects, happening.state, audio))
            elif text := getattr(happening, "text", ""):
                self._guess(text)

    def _end(self) -> None:
        if self._dialogue is None:
            return
        self._pass_on(self._dialogue.finish())
        left = tuple(machine.finish(self._dialogue.state))
        self._post(Spoken(None, left, self._dialogue.state, None))
        self._dialogue = None
        self._close()


class Answers(_Recorded):
    """A headset that hears the answers to one kind of question; what is said is recorded too.

    Parameters
    ----------
    opened : callable
        Opens the microphone.
    post : callable
        Takes `Heard`, `SaidClosed`, `Gone`, `Back` and `Failed`.
    channel : int
        Channel of the headset, 0 is the first.
    model : SpeechModel
        Recognises what is said.
    commands : collection of str
        The commands of its vocabulary that may be said.
    broke_in : callable
        Called when somebody begins to speak while the tool talks.
    """

    def __init__(
        self,
        opened: Callable[[], Source],
        post: Callable[[object], None],
        *,
        channel: int,
        model: SpeechModel,
        commands: Collection[str],
        broke_in: Callable[[], None],
    ) -> None:
        known = model.vocabulary
        self._model = model
        self._grammar = Grammar(known, tuple(e for e in known.entries if e.command in commands))
        self._listener: Listener | None = None
        super().__init__(opened, post, channel=channel, broke_in=broke_in)

    def begin(self, audio: Path, bext: Bext) -> None:
        """Begin a recording, and to listen."""
        self._inbox.put(("begin", audio, bext))

    def _do(self, order: str, *what: Any) -> None:
        self._end()
        if order == "begin":
            self._begin(*what)
            fs, gate = self.sample_rate_hz, self._model.gate
            self._listener = Listener(self._model, self._grammar, fs=fs, gate=gate)

    def _hear(self, block: Block) -> None:
        if self._listener is not None:
            samples = self._keep(block, self._listener.talks)
            self._pass_on(self._listener.feed(samples))

    def _pass_on(self, happenings: Iterable[object]) -> None:
        for happening in happenings:
            self._note(happening)
            if isinstance(happening, Said):
                for heard in happening.heard:
                    self._post(heard)

    def _end(self) -> None:
        if self._listener is not None:
            self._pass_on(self._listener.finish())
            self._listener = None
            self._close()


def to_16_bits(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    """Round samples to 16 bits, cut off at full scale, shape kept."""
    pcm: NDArray[np.int16] = np.clip(np.rint(samples * 32768.0), -32768, 32767).astype(np.int16)
    return pcm


def from_16_bits(samples: NDArray[np.int16]) -> NDArray[np.float32]:
    """Return what reading such samples from a file gives, shape kept [1]."""
    return samples.astype(np.float32) / np.float32(32768.0)
