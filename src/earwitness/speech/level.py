"""Bring speech to one level without looking ahead further than a word."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from earwitness.speech.detection import FRAME
from earwitness.speech.recogniser import RECOGNISER_RATE_HZ

if TYPE_CHECKING:
    from earwitness.units import Floats, Samples

FRAME_S = FRAME / RECOGNISER_RATE_HZ
"""Length of a frame [s]."""
WORD_FRAMES = 9
"""Frames that a level is averaged over: 290 ms, a word; a bang is shorter [1]."""
TARGET_LEVEL_DB = -10.0
"""Level to which the loudest word of an utterance is brought [dB re full scale].

Chosen: benchmarks/dictation_level.py.
"""
MAX_GAIN_DB = 60.0
"""Most amplification [dB]. Chosen: brings speech that peaks near -60 dB re full scale to level."""
DITHER = 1e-3
"""Root mean square of the noise added to every sample, of full scale [1].

Chosen: benchmarks/dictation_level.py.
"""
DITHER_SEED = 16_000
"""Seed of the added noise, so that the same utterance is always heard the same."""
DETECTOR_LEVEL_DB = -20.0
"""Level to which the loudest word of the last seconds is brought before speech is looked for
[dB re full scale]. Chosen: benchmarks/dictation_level.py; the network misses speech below -40."""
DETECTOR_GAIN_DB = 40.0
"""Most amplification before speech is looked for [dB]."""
OFFSET_PACE = 0.1
"""Share of a frame's mean in the running mean that is taken for a sound card's constant offset [1].
Chosen: it follows within a third of a second, far below any voice."""
MEMORY_FRAMES = 156
"""Frames for which a loud word is remembered there: 5 s [1]. Chosen: longer than any phrase."""


class WordLevel:
    """Mean power of the last word's length of sound, frame by frame."""

    def __init__(self) -> None:
        self._powers: deque[float] = deque(maxlen=WORD_FRAMES)

    def feed(self, frame: Samples) -> float:
        """Return the mean power up to and with this frame, about the mean of each [1]."""
        self._powers.append(float(np.var(frame)))
        return sum(self._powers) / WORD_FRAMES


class DetectorLevel:
    """Amplify a stream for the detector, by what was loudest in the last seconds."""

    def __init__(self) -> None:
        self._level = WordLevel()
        self._loudest: deque[float] = deque(maxlen=MEMORY_FRAMES)

    def feed(self, frame: Samples) -> tuple[Samples, float]:
        """Return the frame amplified, shape (512,) [1], and the level of the last word [dB]."""
        power = self._level.feed(frame)
        self._loudest.append(power)
        gain_db = min(DETECTOR_LEVEL_DB - _db(max(self._loudest)), DETECTOR_GAIN_DB)
        amplified = np.clip(frame * 10 ** (gain_db / 20), -1, 1).astype(np.float32)
        return amplified, _db(power)


class SpeakingLevel:
    """Bring one utterance to the speaking level; the gain only falls while it goes on.

    Frames are held back for the length of a word, so that the first of them already get the
    gain of the word that they belong to.
    """

    def __init__(self) -> None:
        self._level = WordLevel()
        self._loudest = 10 ** ((TARGET_LEVEL_DB - MAX_GAIN_DB) / 10)
        self._gain: float | None = None
        self._offset: float | None = None
        self._held: deque[Samples] = deque()
        self._rng = np.random.default_rng(DITHER_SEED)

    def feed(self, frame: Samples) -> list[Samples]:
        """Take the next frame; return those that are ready, shape (512,) [1]."""
        mean = float(np.mean(frame))
        self._offset = (
            mean if self._offset is None else self._offset + OFFSET_PACE * (mean - self._offset)
        )
        self._held.append(frame - self._offset)
        self._loudest = max(self._loudest, self._level.feed(frame))
        return [self._amplified()] if len(self._held) > WORD_FRAMES else []

    def finish(self) -> list[Samples]:
        """Return the frames that were still held back."""
        return [self._amplified() for _ in range(len(self._held))]

    def _amplified(self) -> Samples:
        frame = self._held.popleft()
        gain = float(10 ** (TARGET_LEVEL_DB / 20) / np.sqrt(self._loudest))
        ramp: Floats = np.linspace(self._gain or gain, gain, len(frame))
        self._gain = gain
        dithered = frame * ramp + DITHER * self._rng.standard_normal(len(frame))
        return np.clip(dithered, -1.0, 1.0).astype(np.float32)


def _db(power: float) -> float:
    return 10 * float(np.log10(max(power, 1e-12)))
