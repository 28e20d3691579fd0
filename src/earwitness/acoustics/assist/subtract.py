"""Turn down what was there with the air off, band by band, and leave what came with the air.

The shop's own sound is learnt with the air off. It is a help for the ear and no measurement: it
swells faint leaks and slow changes of the shop alike.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from earwitness.acoustics.assist.filters import NYQUIST_SHARE

if TYPE_CHECKING:
    from earwitness.units import Floats

BANDS = 20
"""Bands of the bank [1]. Chosen: a fifth of an octave each over four octaves."""
SMOOTHING_S = 0.15
"""Time constant of a band's power [s]. Chosen: shorter and the bands chirp, longer and the air's
coming is missed."""
LEAST_GAIN = 0.1
"""Gain of a band that holds nothing new [1]: 20 dB down, so that the shop stays audible."""


class Subtraction:
    """A bank of bands, each turned down by the share of the baseline in its power.

    g = sqrt(max(1 - b / p, 0)), at least `LEAST_GAIN`, where p is the smoothed power of a band now
    and b its mean power with the air off. Until a baseline is there, nothing is turned down.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    low_hz, high_hz : float
        The band that the bank covers [Hz].
    """

    def __init__(self, sample_rate_hz: int, low_hz: float, high_hz: float) -> None:
        high = min(high_hz, NYQUIST_SHARE * sample_rate_hz / 2)
        edges = np.geomspace(low_hz, high, BANDS + 1)
        self._filters = [
            signal.butter(1, pair, btype="bandpass", fs=sample_rate_hz)
            for pair in itertools.pairwise(edges)
        ]
        self._scale = 1 / _median_gain(self._filters, edges, sample_rate_hz)
        self._states = [np.zeros(2) for _ in self._filters]
        decay = np.exp(-1 / (SMOOTHING_S * sample_rate_hz))
        self._smoother = (np.array([1 - decay]), np.array([1.0, -decay]))
        self._smoothed = np.zeros((BANDS, 1))
        self._learnt, self._frames = np.zeros((BANDS, 1)), 0

    @property
    def baseline(self) -> Floats | None:
        """Mean power of each band with the air off, shape (bands,); None before it is known."""
        return self._learnt[:, 0] / self._frames if self._frames else None

    def forget(self) -> None:
        """Drop the baseline: the probe has moved."""
        self._learnt, self._frames = np.zeros((BANDS, 1)), 0

    def feed(self, samples: Floats, *, learning: bool = False) -> Floats:
        """Return the block with the baseline turned down, shape (frames,).

        With `learning` the air is off, and the block goes into the baseline as well.
        """
        bands = self._split(samples)
        power = self._power(bands)
        base = self._base(bands, learning=learning)
        if base is None:
            return _sum(bands)
        share = base / np.maximum(power, 1e-30)
        gain = np.maximum(np.sqrt(np.maximum(1 - share, 0.0)), LEAST_GAIN)
        return _sum(gain * bands)

    def _base(self, bands: Floats, *, learning: bool) -> Floats | None:
        """Return the baseline at each sample, shape (bands, frames) or (bands, 1)."""
        if learning and bands.size:
            sums = self._learnt + np.cumsum(bands**2, axis=1)
            base = sums / (self._frames + np.arange(1, bands.shape[1] + 1))
            self._learnt, self._frames = sums[:, -1:], self._frames + bands.shape[1]
            return np.asarray(base, dtype=np.float64)
        return self._learnt / self._frames if self._frames else None

    def _split(self, samples: Floats) -> Floats:
        """Return the bands of a block, shape (bands, frames)."""
        out, scaled = np.empty((BANDS, len(samples))), samples * self._scale
        for k, (b, a) in enumerate(self._filters):
            out[k], self._states[k] = signal.lfilter(b, a, scaled, zi=self._states[k])
        return out

    def _power(self, bands: Floats) -> Floats:
        b, a = self._smoother
        power, self._smoothed = signal.lfilter(b, a, bands**2, axis=1, zi=self._smoothed)
        return np.asarray(power, dtype=np.float64)


def _median_gain(filters: list[tuple[Floats, Floats]], edges: Floats, sample_rate_hz: int) -> float:
    """Gain of all bands together, in the median over the inside of their range [1]."""
    hz = np.geomspace(edges[1], edges[-2], 8 * BANDS)
    together = sum(signal.freqz(b, a, worN=hz, fs=sample_rate_hz)[1] for b, a in filters)
    return float(np.median(np.abs(together)))


def _sum(bands: Floats) -> Floats:
    """Put the bands together again."""
    return np.asarray(bands.sum(axis=0), dtype=np.float64)
