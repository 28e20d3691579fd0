"""Listen to a stream: find the speech in it, and say what each utterance means.

Nothing here has a thread or a clock: time is the number of samples that were fed.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from earwitness.speech.detection import FRAMES_TO_BEGIN, SileroDetector, SpeechGate
from earwitness.speech.framing import Framing
from earwitness.speech.heard import Heard, understood
from earwitness.speech.level import FRAME_S, DetectorLevel
from earwitness.speech.own_voice import OwnVoice
from earwitness.speech.utterance import LEAD_FRAMES, OpenUtterance

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.speech.detection import Detector
    from earwitness.speech.grammar import Grammar
    from earwitness.speech.model_folder import Gate
    from earwitness.speech.recogniser import SpeechModel
    from earwitness.speech.utterance import Decoded
    from earwitness.units import Samples

QUICK_FRAMES = 3
"""Frames of silence after which a phrase that cannot go on is over [1]: 100 ms, after the 110 ms
that the network takes to see the silence, 150 in noise. Chosen: benchmarks/dictation_latency.py and
dictation_talk.py."""
OPEN_FRAMES = 6
"""Frames of silence after which a number without its unit is taken for whole [1]: 190 ms. Chosen:
benchmarks/dictation_latency.py; should more follow, it is put right or dropped."""
BEGUN_FRAMES = 36
"""Frames of silence that end a phrase which lacks its rest [1]: 1.15 s. Chosen: longer than a
glance at the gauge between "cylinder" and "three"."""
TALK_FRAMES = 19
"""Frames of silence that end what is not understood [1]: 0.6 s. Chosen: benchmarks/
dictation_talk.py; a command must stand alone, not close behind other talk."""
PARTIAL_FRAMES = 6
"""Frames between two looks at the best guess so far [1]: 190 ms, faster than words are read."""
SUSPECT_FRAMES = 10
"""Frames before an utterance in which the tool's voice spoils it [1]: its beginning may be lost
under that voice."""


@dataclass(frozen=True, slots=True)
class Began:
    """Somebody began to speak; if the tool is talking, it should stop."""

    at_s: float
    while_talking: bool


@dataclass(frozen=True, slots=True)
class Guess:
    """The best guess so far at what is being said, for a display."""

    at_s: float
    text: str


@dataclass(frozen=True, eq=False, slots=True)
class Said:
    """An utterance has ended."""

    heard: tuple[Heard, ...]
    """What it means; one rejected if nothing."""
    start_s: float
    end_s: float
    """Where its speech lies in the stream [s]."""
    decided_s: float
    """How far the stream had come when its meaning was known [s]."""
    samples: Samples
    """Its sound at 16 kHz as it was recorded, shape (frames,) [1]."""


Event: TypeAlias = Began | Guess | Said


class Listener:
    """Listen to one stream with one grammar at a time.

    Parameters
    ----------
    model : SpeechModel
        From `load_model`.
    grammar : Grammar
        What may be said at first.
    fs : int
        Sample rate of the stream, any [Hz].
    gate : Gate
        How sure the recogniser must be.
    detector : Detector, optional
        Tells speech from noise; a Silero network of its own if left out.
    """

    def __init__(
        self,
        model: SpeechModel,
        grammar: Grammar,
        *,
        fs: int,
        gate: Gate,
        detector: Detector | None = None,
    ) -> None:
        self._model = model
        self._grammar = grammar
        self._gate = gate
        self._framing = Framing(fs)
        self._detector = SileroDetector() if detector is None else detector
        self._detector.reset()
        self._speech = SpeechGate()
        self._level = DetectorLevel()
        self._own_voice = OwnVoice()
        self._past: deque[Samples] = deque(maxlen=LEAD_FRAMES)
        self._frames = 0
        self._spoilt_until = -1
        self._open: OpenUtterance | None = None
        self._before: tuple[OpenUtterance, Decoded] | None = None

    def expect(self, grammar: Grammar) -> None:
        """Change what may be said, from the next utterance on."""
        self._grammar = grammar

    def talks(self, talking: bool) -> None:
        """Note that the tool itself begins to talk, or has ceased to."""
        self._own_voice.talks(talking)

    def feed(self, block: Samples) -> Iterator[Event]:
        """Take samples, shape (frames,) [1]; yield what happened, as it happened.

        How the stream is cut into blocks does not change what is heard, and what the listener is
        told between two events is in force from that moment of the stream. Go through all of it.
        """
        for frame in self._framing.feed(block):
            yield from self._frame(frame)

    def finish(self) -> Iterator[Event]:
        """End the stream; yield what was still being said."""
        for frame in self._framing.finish():
            yield from self._frame(frame)
        if self._open is not None:
            yield from self._ended(self._open)

    def _frame(self, frame: Samples) -> list[Event]:
        speaking = self._is_speech(frame)
        self._frames += 1
        if self._open is None:
            self._past.append(frame)
            self._forget_before()
            return self._begin() if speaking else []
        self._open.add(frame, speaking=speaking)
        self._open.spoilt = self._open.spoilt or (speaking and self._own_voice.audible)
        if speaking:
            return self._guessed(self._open)
        return self._paused(self._open)

    def _is_speech(self, frame: Samples) -> bool:
        amplified, level_db = self._level.feed(frame)
        probability = self._detector.probability(amplified)
        own = self._own_voice.is_own(level_db)
        if own or self._own_voice.audible:
            self._spoilt_until = self._frames + SUSPECT_FRAMES
        probability = 0.0 if own else probability
        return self._speech.feed(probability)

    def _begin(self) -> list[Event]:
        spoilt = self._frames <= self._spoilt_until
        lead = self._lead(spoilt=spoilt)
        self._open = OpenUtterance(
            self._model,
            self._grammar,
            self._frames - len(lead),
            lead,
            before=None if spoilt else self._before,
            spoilt=spoilt,
        )
        self._past.clear()
        self._before = None
        return [Began(self._now_s, spoilt)]

    def _lead(self, *, spoilt: bool) -> list[Samples]:
        """Return the frames that belong to an utterance which is found now.

        None that the tool's own voice is in, unless it spoils the utterance anyway.
        """
        clean = self._frames - (self._spoilt_until - SUSPECT_FRAMES) - 1
        count = SUSPECT_FRAMES + FRAMES_TO_BEGIN if spoilt else clean
        return list(self._past)[-count:]

    def _guessed(self, current: OpenUtterance) -> list[Event]:
        if len(current) % PARTIAL_FRAMES:
            return []
        text = current.guess()
        return [Guess(self._now_s, text)] if text else []

    def _paused(self, current: OpenUtterance) -> list[Event]:
        """Find out at once what was said, so that the answer is there when the wait is over."""
        decoded = current.decoded or current.decode(self._gate)
        return self._ended(current) if current.silence >= _patience(decoded) else []

    def _ended(self, current: OpenUtterance) -> list[Event]:
        decoded = current.decoded or current.decode(self._gate)
        self._open = None
        self._past.extend(current.tail())
        self._before = (current, decoded) if decoded.goes_on else None
        heard = understood(decoded, while_talking=current.spoilt, clipped=current.clipped)
        return [Said(heard, current.start_s, current.end_s, self._now_s, current.sound)]

    def _forget_before(self) -> None:
        """Give up waiting for an utterance to be gone on with."""
        if self._before and self._now_s - self._before[0].end_s > BEGUN_FRAMES * FRAME_S:
            self._before = None

    @property
    def _now_s(self) -> float:
        return round(self._frames * FRAME_S, 3)


def _patience(decoded: Decoded) -> int:
    """Return the frames of silence after which an utterance is over."""
    if decoded.understood:
        return OPEN_FRAMES if decoded.goes_on else QUICK_FRAMES
    return BEGUN_FRAMES if decoded.begun else TALK_FRAMES
