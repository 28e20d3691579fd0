"""Turn sound into the columns of the running spectrogram, whatever the size of its blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.session.snapshot import Column

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.units import Floats

COLUMNS_PER_S = 10
"""Columns a second [1/s]. Chosen: an air cycle of 5 s is 50 columns wide."""
BANDS = 48
"""Bands of a column [1]: twelfths of an octave over four octaves."""
LOWEST_HZ, HIGHEST_HZ = 1000.0, 16000.0
"""Ends of the spectrogram [Hz]: the band over which a rise is stated."""
NYQUIST_SHARE = 0.92
"""The upper end stays below this share of the Nyquist frequency [1]; as in scoring."""
FLOOR_DB = -120.0
"""Level of byte 0 [dB re full scale]; byte 255 is 0 dB."""


class Columns:
    """A spectrogram that grows while sound comes in.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    first : int
        Number of the first column.
    """

    def __init__(self, sample_rate_hz: int, first: int = 0) -> None:
        self._hop = sample_rate_hz // COLUMNS_PER_S
        self._window = 2 ** int(np.log2(self._hop / 2))
        w = np.hanning(self._window)
        self._weights = w / np.sqrt((w**2).sum() * self._window / 2)
        self.band_hz = (LOWEST_HZ, min(HIGHEST_HZ, NYQUIST_SHARE * sample_rate_hz / 2))
        """Ends of the spectrogram [Hz]."""
        edges = np.geomspace(*self.band_hz, BANDS + 1) * self._window / sample_rate_hz
        self._low = np.floor(edges[:-1]).astype(int)
        self._high = np.maximum(np.ceil(edges[1:]).astype(int), self._low + 1)
        self._rest: NDArray[np.float32] = np.empty(0, dtype=np.float32)
        self._number = first

    def feed(self, samples: Floats | NDArray[np.float32]) -> list[Column]:
        """Take the next block, shape (frames,) relative to full scale; return what is complete."""
        self._rest = np.concatenate([self._rest, np.asarray(samples, dtype=np.float32)])
        made = []
        while len(self._rest) >= self._hop:
            made.append(Column(self._number, self._levels(self._rest[: self._hop])))
            self._rest = self._rest[self._hop :]
            self._number += 1
        return made

    def _levels(self, part: NDArray[np.float32]) -> bytes:
        starts = range(0, len(part) - self._window + 1, self._window)
        frames = np.stack([part[s : s + self._window] for s in starts]) * self._weights
        power = (np.abs(np.fft.rfft(frames, axis=1)) ** 2).mean(axis=0)
        sums = [power[a:b].sum() for a, b in zip(self._low, self._high, strict=True)]
        db = 10 * np.log10(np.maximum(sums, 1e-30))
        return bytes(np.clip(np.rint(255 * (db / -FLOOR_DB + 1)), 0, 255).astype(np.uint8))
