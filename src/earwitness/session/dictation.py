"""Listen to speech and carry on the dialogue with whoever dictates."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from earwitness.audio.recording import read_recording
from earwitness.session import machine
from earwitness.speech.dictation import checked, dictate, load_model
from earwitness.speech.grammar import grammar_in
from earwitness.speech.listener import Began, Guess, Listener, Said

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from earwitness.speech.detection import Detector
    from earwitness.speech.grammar import Expect, Grammar
    from earwitness.speech.heard import Heard
    from earwitness.speech.listener import Event
    from earwitness.speech.recogniser import SpeechModel
    from earwitness.units import Samples


@dataclass(frozen=True, eq=False, slots=True)
class Turn:
    """Something was said, and what the dialogue makes of it."""

    heard: Heard | None
    """None if it held no word and was kept as a note."""
    cylinder: int | None
    """The cylinder that was spoken about before it."""
    effects: tuple[machine.Effect, ...]
    """What to do, in this order."""
    said: Said
    """Its sound and when it was."""
    state: machine.State
    """Where the dialogue stands after it."""


Happening: TypeAlias = Began | Guess | Turn


class Dialogue:
    """A listener and the dialogue that it serves, over one stream of sound.

    It has no thread and no clock: whoever drives it feeds blocks as they come, carries out the
    effects, and says when the tool has finished talking. At `Began` with `while_talking` the tool
    should stop talking at once.

    Parameters
    ----------
    model : SpeechModel
        From `load_model`; its language is that of the dialogue.
    state : machine.State
        From `machine.begin`.
    fs : int
        Sample rate of the stream, any [Hz].
    aloud : bool, optional
        Whether what the tool says is heard in the room; then the microphone hears it too, until
        `fell_silent` is called.
    detector : Detector, optional
        Tells speech from noise; the Silero network if left out.
    """

    def __init__(
        self,
        model: SpeechModel,
        state: machine.State,
        *,
        fs: int,
        aloud: bool = False,
        detector: Detector | None = None,
    ) -> None:
        self.state = state
        self._aloud = aloud
        self._listener = Listener(model, self._grammar(), fs=fs, gate=model.gate, detector=detector)

    def feed(self, block: Samples) -> Iterator[Happening]:
        """Take samples, shape (frames,) [1]; yield what happened. Go through all of it."""
        return self._happenings(self._listener.feed(block))

    def finish(self) -> Iterator[Happening]:
        """End the stream; yield what was still being said."""
        return self._happenings(self._listener.finish())

    def talks(self, talking: bool) -> None:
        """Note that the tool begins to talk, or has fallen silent, from the next block on."""
        self._listener.talks(talking)

    def fell_silent(self) -> None:
        """Note that the tool has finished talking, or was stopped."""
        self.talks(False)

    def told(self, heard: Heard) -> tuple[machine.Effect, ...]:
        """Take in between two blocks what was pressed or typed; return what to do."""
        self.state, effects = machine.step(self.state, heard)
        self._listener.expect(self._grammar())
        return tuple(effects)

    def _happenings(self, events: Iterable[Event]) -> Iterator[Happening]:
        for event in events:
            if not isinstance(event, Said):
                yield event
                continue
            answered: set[machine.Say] = set()
            for heard in event.heard if not self.state.noting else (None,):
                turn = self._turn(heard, event)
                effects = tuple(e for e in turn.effects if e not in answered)
                answered |= {e for e in effects if isinstance(e, machine.Say)}
                yield replace(turn, effects=effects)

    def _turn(self, heard: Heard | None, said: Said) -> Turn:
        before = self.state
        if heard is None:
            self.state, effects = machine.keep_note(before, said.start_s, said.end_s)
        else:
            self.state, effects = machine.step(before, heard)
        self._listener.expect(self._grammar())
        if self._aloud and any(isinstance(e, machine.Say) for e in effects):
            self._listener.talks(True)
        return Turn(heard, before.cylinder, tuple(effects), said, self.state)

    def _grammar(self) -> Grammar:
        return grammar_in(machine.listening(self.state), self.state.vocabulary)


def turns_in(
    samples: Samples,
    fs: int,
    model: SpeechModel,
    state: machine.State,
    *,
    name: str,
    tool: Samples | None = None,
) -> Iterator[Turn]:
    """Carry on the dialogue with a whole recording.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        One channel relative to full scale [1].
    fs : int
        Its sample rate [Hz].
    model : SpeechModel
        From `load_model`.
    state : machine.State
        Where the dialogue begins.
    name : str
        What to call the recording in an error.
    tool : ndarray, shape (frames,), optional
        Zero where the tool was silent, anything else where it talked; it was mute if left out.

    Yields
    ------
    Turn
        Everything that was said, in order of time.

    Raises
    ------
    AudioFileError
        If a sample is not a finite number.
    """
    checked(samples, fs, name)
    dialogue = Dialogue(model, state, fs=fs)
    for start, stop, talking in _stretches(len(samples), tool):
        dialogue.talks(talking)
        for at in range(start, stop, fs):
            for happening in dialogue.feed(samples[at : min(at + fs, stop)]):
                if isinstance(happening, Turn):
                    yield happening
    yield from (h for h in dialogue.finish() if isinstance(h, Turn))


def _stretches(frames: int, tool: Samples | None) -> Iterator[tuple[int, int, bool]]:
    """Cut a recording where the tool began to talk or fell silent."""
    if tool is None or not frames:
        yield 0, frames, False
        return
    talking = tool != 0
    edges = [0, *(np.flatnonzero(talking[1:] != talking[:-1]) + 1).tolist(), frames]
    for start, stop in pairwise(edges):
        yield start, stop, bool(talking[start])


def dictate_file(
    audio: Path, model: Path | None, expect: Expect, *, tell: Callable[[str], None]
) -> list[Heard]:
    """Say what was said in a recording.

    Parameters
    ----------
    audio : Path
        WAV or FLAC at any sample rate; the first channel is used.
    model : Path or None
        Vosk model folder; the shipped one if None.
    expect : str
        "number", "command" or "any": what may be said.
    tell : callable
        Called with a sentence if the model lacks words of its vocabulary.

    Raises
    ------
    AudioFileError, ModelError
        If the recording or the model cannot be used.
    """
    recording = read_recording(audio)
    speech_model = load_model(model)
    lacking = speech_model.lacking(speech_model.vocabulary.words)
    if lacking:
        tell(
            f"The speech model {speech_model.path} does not know {', '.join(lacking)}:"
            " phrases with these words will not be understood."
        )
    return dictate(
        recording.mono(), recording.sample_rate_hz, speech_model, expect, name=str(audio)
    )
