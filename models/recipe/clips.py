"""Speech on disk: many clips in one Ogg Vorbis file, with an index of who says what and where."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf
import soxr

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

RATE_HZ = 16_000
PEAK = 0.7
"""Peak of every clip, of full scale [1]."""
MARGIN = 480
"""Samples left before and after the voice: 30 ms."""
GAP = 1600
"""Samples of silence between clips."""
LONGEST_S = 9.0
"""Clips that are longer are left out [s]."""
COMPRESSION = 0.9
"""Of libsndfile's Vorbis, 0 (best) to 1: about 28 kbit/s for one voice at 16 kHz."""


@dataclass(frozen=True, slots=True)
class Clip:
    """One utterance."""

    speaker: str
    text: str
    samples: NDArray[np.float32]
    """Shape (frames,), at `RATE_HZ`, of full scale [1]."""


class Pack:
    """Clips that are gathered and written together; or read again."""

    def __init__(self) -> None:
        self.index: list[tuple[int, int, str, str]] = []
        """First sample, samples, speaker, text."""
        self._parts: list[NDArray[np.float32]] = []
        self._length = 0

    def add(self, speaker: str, text: str, sound: NDArray[np.float32], fs: int) -> None:
        """Add a clip of any rate; one that is empty, silent or too long is left out."""
        clip = trimmed(sound, fs)
        if clip is None:
            return
        self.index.append((self._length + GAP, len(clip), speaker, text))
        self._parts += [np.zeros(GAP, np.float32), clip]
        self._length += GAP + len(clip)

    def write(self, path: Path) -> None:
        """Write `path`.ogg and `path`.json."""
        everything = np.concatenate([*self._parts, np.zeros(GAP, np.float32)])
        with sf.SoundFile(
            path.with_suffix(".ogg"),
            "w",
            RATE_HZ,
            1,
            "VORBIS",
            format="OGG",
            compression_level=COMPRESSION,
        ) as file:
            for start in range(0, len(everything), RATE_HZ * 60):
                file.write(everything[start : start + RATE_HZ * 60])
        path.with_suffix(".json").write_text(json.dumps(self.index))


def read(paths: Iterable[Path]) -> tuple[NDArray[np.int16], list[tuple[int, int, str, str]]]:
    """Return the sound of several packs in one row, shape (samples,), and the index into it."""
    sounds, index, start = [], [], 0
    for path in paths:
        sound, _ = sf.read(path.with_suffix(".ogg"), dtype="int16")
        clips = json.loads(path.with_suffix(".json").read_text())
        index += [(start + at, n, who, what) for at, n, who, what in clips if at + n <= len(sound)]
        sounds.append(sound)
        start += len(sound)
    return np.concatenate(sounds), index


def trimmed(sound: NDArray[np.float32], fs: int) -> NDArray[np.float32] | None:
    """Return the sound at `RATE_HZ` and `PEAK`, its ends trimmed; None if nothing is left."""
    sound = np.asarray(sound, np.float32)
    if len(sound) < fs // 20 or len(sound) > LONGEST_S * fs or not np.max(np.abs(sound)) > 1e-3:
        return None
    sound = soxr.resample(sound, fs, RATE_HZ)
    sound *= PEAK / np.max(np.abs(sound))
    loud = np.flatnonzero(np.abs(sound) > 0.01 * PEAK)
    return sound[max(0, loud[0] - MARGIN) : loud[-1] + MARGIN]
