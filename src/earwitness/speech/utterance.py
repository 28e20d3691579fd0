"""One utterance while it is being said: its sound, its pauses, and what it turns out to mean."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from earwitness.speech.detection import FRAME, FRAMES_TO_BEGIN
from earwitness.speech.level import FRAME_S, SpeakingLevel
from earwitness.speech.weighing import Weighed, weighed

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from earwitness.speech.grammar import Grammar
    from earwitness.speech.model_folder import Gate
    from earwitness.speech.recogniser import Recogniser, SpeechModel, Utterance
    from earwitness.units import Samples

LEAD_FRAMES = 28
"""Frames up to the moment when speech is found that belong to the utterance [1]: the two by which
it is found, and 830 ms. Chosen: decision record 0151; in noise a whole first word is found late,
and what is left of "nine sixty nine" is another number."""
PAUSE_BEGIN, PAUSE_END = 4, 8
"""Frames of the beginning and of the end of a pause that the recogniser hears [1]: together less
than the 0.5 s after which Vosk itself ends an utterance."""
PAD_FRAMES = 9
"""Frames that are put after the last word by mirroring the silence behind it [1]: 290 ms, more than
the 210 ms of sound that the shipped model looks ahead."""
MAX_HEARD_FRAMES = 375
"""Frames of an utterance that are recognised [1]: 12 s, twice the longest phrase; what goes on
longer is talk and means nothing."""
RAIL = 0.97
"""Size of a sample from which it may have been cut off [1]. Chosen: resampling rounds the edge."""
CLIPPED_SHARE = 0.03
"""Share of cut-off samples in speech from which its words are not believed [1]. Chosen: five clips
of the demonstration overdriven by 6 dB had 2 % and were heard right; by 9 dB 4 %, one was not."""
MAX_KEPT_FRAMES = 1875
"""Frames of an utterance whose sound is kept [1]: 60 s, a long note."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the recogniser made of an utterance."""

    grammar: Grammar
    gate: Gate
    utterance: Utterance | None
    """Its readings; None if no word was found."""
    found: Weighed | None
    order: tuple[int, ...]
    """Numbers of the stream's frames that were recognised, in order."""
    extends: bool = False
    """It is the utterance before, gone on with."""
    replaces: bool = False
    """And that one was surely heard: this takes its place, or puts it in doubt."""
    spoilt: bool = False
    """It means nothing, whatever was recognised: too long, cut off, or half of a number."""

    @property
    def understood(self) -> bool:
        """Whether it means something, surely enough."""
        if self.found is None or not self.found.phrases or self.spoilt:
            return False
        least = self.gate.number_from if self._numbered else self.gate.accept_from
        return self.found.probability >= least

    @property
    def doubtful(self) -> bool:
        """Whether it is a number that counts only if it is heard once more alike."""
        if self.found is None or not self.understood or not self._numbered:
            return False
        return self.found.probability < self.gate.number_sure_from

    @property
    def _numbered(self) -> bool:
        phrases = self.found.phrases if self.found else ()
        return any(p.meaning.value is not None for p in phrases)

    @property
    def begun(self) -> bool:
        """Whether it may be a phrase that lacks its rest."""
        return self.utterance is not None and self.grammar.is_begun(
            self.utterance.alternatives[0].text
        )

    @property
    def goes_on(self) -> bool:
        """Whether more words may make another meaning of it, or are the rest of a doubtful one."""
        if self.extends and not self.understood:
            return True
        return self.found is not None and self.grammar.goes_on(self.found.alternative.text)

    def at_s(self, time_s: float) -> float:
        """Return when in the stream a time in the recognised sound was [s]."""
        frame = min(int(time_s / FRAME_S), len(self.order) - 1)
        within = min(time_s - frame * FRAME_S, FRAME_S)
        return round(self.order[frame] * FRAME_S + within, 3)


class OpenUtterance:
    """Collect the frames of an utterance and have them recognised as they come.

    Parameters
    ----------
    model : SpeechModel
        The recogniser's model.
    grammar : Grammar
        What may be said.
    first : int
        Number of the first frame of `lead` in the stream.
    lead : sequence of ndarray, shape (512,)
        Frames before and up to the one that began it.
    before : tuple of OpenUtterance and Decoded, optional
        The utterance just before, if this may go on with it.
    spoilt : bool
        Its beginning may lie under the tool's own voice.
    """

    def __init__(
        self,
        model: SpeechModel,
        grammar: Grammar,
        first: int,
        lead: Sequence[Samples],
        *,
        before: tuple[OpenUtterance, Decoded] | None = None,
        spoilt: bool = False,
    ) -> None:
        self.spoilt = spoilt
        self.silence = 0
        self.decoded: Decoded | None = None
        self._model = model
        self._grammar = grammar
        self._first = first
        self._frames = list(lead)
        self._before = before
        self._chosen = list(range(len(lead)))
        self._pause: list[int] = []
        self._began = max(len(lead) - FRAMES_TO_BEGIN, 0)
        self._last = len(lead) - 1
        self._count = len(lead)
        self._cut_off = self._spoken = 0
        self._stream: _Stream | None = None

    def __len__(self) -> int:
        """Return the number of frames since its first."""
        return self._count

    @property
    def clipped(self) -> bool:
        """Whether so much of its speech was cut off that its words are not to be believed."""
        return self._cut_off > CLIPPED_SHARE * self._spoken

    @property
    def start_s(self) -> float:
        """When its speech began [s]."""
        return round((self._first + self._began) * FRAME_S, 3)

    @property
    def end_s(self) -> float:
        """When its last speech so far was [s]."""
        return round((self._first + self._last + 1) * FRAME_S, 3)

    @property
    def sound(self) -> Samples:
        """Its sound as recorded, at most 60 s, shape (frames,) [1]."""
        kept = self._frames[: self._last + 1 + PAUSE_BEGIN]
        return np.concatenate(kept).astype(np.float32)

    def add(self, frame: Samples, *, speaking: bool) -> None:
        """Take the next frame of the stream."""
        if self._count < MAX_KEPT_FRAMES:
            self._frames.append(frame)
        index, self._count = self._count, self._count + 1
        if not speaking:
            self.silence += 1
            self._pause.append(index)
            return
        self.silence, self.decoded = 0, None
        self._cut_off += int(np.count_nonzero(np.abs(frame) >= RAIL))
        self._spoken += len(frame)
        new = [*_shortened(self._pause), index]
        self._pause = []
        self._last = index
        if len(self._chosen) < MAX_HEARD_FRAMES:
            self._chosen += new
            if self._stream is not None:
                self._stream.feed(self._frames[i] for i in new)

    def guess(self) -> str:
        """Return the best guess so far."""
        if self._stream is None:
            self._stream = self._started(self._before)
        return self._stream.recogniser.partial()

    def decode(self, gate: Gate) -> Decoded:
        """Find out what was said, as if nothing came after it."""
        self.decoded = self._decode(gate)
        return self.decoded

    def tail(self) -> list[Samples]:
        """Return the frames after its last speech."""
        return self._frames[self._last + 1 :][-LEAD_FRAMES:]

    def _decode(self, gate: Gate) -> Decoded:
        if self._stream is None:
            self._stream = self._started(self._before)
        stream, self._stream = self._stream, None
        utterance = stream.finish(self._ending())
        before = self._before
        if before is None:
            return self._weighed(utterance, self._grammar, gate, self._padded_order())
        order = (*before[0].order(), *self._order())
        joined = self._weighed(utterance, before[1].grammar, gate, order)
        sure = before[1].understood and not before[1].doubtful
        joined = replace(joined, extends=True, replaces=sure or before[1].replaces)
        if _extends(joined, before[1]) or joined.begun:
            return joined
        alone = self._started(None).finish(self._ending())
        found = self._weighed(alone, self._grammar, gate, self._padded_order())
        if found.understood and not _is_bare(found):
            return found
        return replace(joined, spoilt=True)

    def _weighed(
        self,
        utterance: Utterance | None,
        grammar: Grammar,
        gate: Gate,
        order: Sequence[int],
    ) -> Decoded:
        found = weighed(utterance, grammar, gate) if utterance is not None else None
        spoilt = self.clipped or len(self._chosen) >= MAX_HEARD_FRAMES
        return Decoded(grammar, gate, utterance, found, tuple(order), spoilt=spoilt)

    def _started(self, before: tuple[OpenUtterance, Decoded] | None) -> _Stream:
        grammar = before[1].grammar if before else self._grammar
        stream = _Stream(self._model.recogniser(grammar.phrases()))
        if before:
            stream.feed(before[0].heard_frames())
        else:
            stream.feed([np.zeros(FRAME, dtype=np.float32)] * self._missing)
        stream.feed(self._frames[i] for i in self._chosen)
        return stream

    def heard_frames(self) -> list[Samples]:
        """Return the frames that were recognised, with the beginning of the pause after them."""
        own = [self._frames[i] for i in (*self._chosen, *self._pause[:PAUSE_BEGIN])]
        return [*self._extended.heard_frames(), *own] if self._extended else own

    def order(self) -> list[int]:
        """Return the numbers in the stream of `heard_frames`."""
        own = [self._first + i for i in (*self._chosen, *self._pause[:PAUSE_BEGIN])]
        return [*self._extended.order(), *own] if self._extended else own

    @property
    def _extended(self) -> OpenUtterance | None:
        """The utterance before, if this one went on with it."""
        joined = self._before is not None and self.decoded is not None and self.decoded.extends
        return self._before[0] if joined and self._before else None

    @property
    def _missing(self) -> int:
        """Frames of silence put before it, because the stream began so late."""
        return max(LEAD_FRAMES - FRAMES_TO_BEGIN - self._began, 0)

    def _order(self) -> list[int]:
        return [self._first + i for i in self._chosen]

    def _padded_order(self) -> list[int]:
        return [self._first] * self._missing + self._order()

    def _ending(self) -> list[Samples]:
        """Return the silence after the last word, and its mirror image until it is long enough."""
        silence = [self._frames[i] for i in self._pause if i < len(self._frames)]
        dead = np.zeros(FRAME, dtype=np.float32)
        mirrored = [f[::-1] for f in reversed(silence)] or [dead]
        repeated = mirrored * (PAD_FRAMES // len(mirrored) + 1)
        return [*silence, *repeated[:PAD_FRAMES]]


class _Stream:
    """A recogniser with the level control in front of it."""

    def __init__(self, recogniser: Recogniser) -> None:
        self.recogniser = recogniser
        self._level = SpeakingLevel()

    def feed(self, frames: Iterable[Samples]) -> None:
        for frame in frames:
            for ready in self._level.feed(frame):
                self.recogniser.feed(ready)

    def finish(self, frames: Sequence[Samples]) -> Utterance | None:
        self.feed(frames)
        for ready in self._level.finish():
            self.recogniser.feed(ready)
        return self.recogniser.finish()


def _shortened(pause: list[int]) -> list[int]:
    if len(pause) <= PAUSE_BEGIN + PAUSE_END:
        return pause
    return [*pause[:PAUSE_BEGIN], *pause[-PAUSE_END:]]


def _extends(joined: Decoded, before: Decoded) -> bool:
    """Tell whether two utterances together are the first one, surely or not heard, gone on with."""
    if joined.found is None or before.found is None:
        return False
    if not joined.understood or before.spoilt:
        return False
    now, then = joined.found.phrases, before.found.phrases
    same = [p.meaning.command for p in now] == [p.meaning.command for p in then]
    return same and len(joined.found.alternative.words) > len(before.found.alternative.words)


def _is_bare(decoded: Decoded) -> bool:
    """Tell whether it is a number alone, which may be the rest of another."""
    return decoded.found is not None and decoded.found.phrases[0].meaning.command is None
