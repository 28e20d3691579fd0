"""Pass a band, and shift it down in frequency, without looking ahead.

Every filter keeps its state between blocks, so the size of the blocks changes no bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from earwitness.units import Floats

BAND_ORDER = 4
"""Order of the low-pass prototype of a band-pass [1]. Chosen: 24 dB an octave at 1 ms of delay."""
NYQUIST_SHARE = 0.92
"""Bands end at this share of the Nyquist frequency [1]; as in scoring."""
PAIR_ORDER = 11
"""Order of the half-band filter behind the all-pass pair [1]. Chosen: at 48 kHz the unwanted side
band stays 54 dB down from 1 kHz up, and the pair delays by less than a millisecond."""
IMAGE_DB = 60.0
"""Attenuation that the half-band filter is designed for [dB]."""


class Sections:
    """Second-order sections with a memory."""

    def __init__(self, sections: Floats) -> None:
        self._sections = sections
        self._state = np.zeros((len(sections), 2))

    def feed(self, samples: Floats) -> Floats:
        """Return the filtered block, shape (frames,)."""
        out, self._state = signal.sosfilt(self._sections, samples, zi=self._state)
        return np.asarray(out, dtype=np.float64)


def band_pass(sample_rate_hz: int, low_hz: float, high_hz: float) -> Sections:
    """Return a Butterworth band-pass; its upper end stays below the Nyquist frequency.

    Raises
    ------
    ValueError
        If nothing of the band is left at this sample rate.
    """
    high = min(high_hz, NYQUIST_SHARE * sample_rate_hz / 2)
    if not 0 < low_hz < high:
        raise ValueError(f"sample_rate_hz={sample_rate_hz} carries nothing above {low_hz:g} Hz")
    edges = (low_hz, high)
    return Sections(
        signal.butter(BAND_ORDER, edges, btype="bandpass", fs=sample_rate_hz, output="sos")
    )


def low_pass(sample_rate_hz: int, high_hz: float) -> Sections:
    """Return a Butterworth low-pass; its end stays below the Nyquist frequency."""
    high = min(high_hz, NYQUIST_SHARE * sample_rate_hz / 2)
    return Sections(signal.butter(2 * BAND_ORDER, high, fs=sample_rate_hz, output="sos"))


class Shift:
    """Moves every frequency down by the same amount, by a single side band.

    y = x cos(2 pi f t) + x^ sin(2 pi f t), where x and its Hilbert transform x^ come from two
    chains of all-pass sections that stay 90 degrees apart.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    down_hz : int
        Amount [Hz]; sound below it must have been filtered out, it would fold.
    """

    def __init__(self, sample_rate_hz: int, down_hz: int) -> None:
        self._fs, self._down = sample_rate_hz, down_hz
        in_phase, quadrature = _all_pass_pair()
        self._in_phase, self._quadrature = Sections(in_phase), Sections(quadrature)
        self._count = 0

    def feed(self, samples: Floats) -> Floats:
        """Return the shifted block, shape (frames,)."""
        n = np.arange(self._count, self._count + len(samples), dtype=np.int64)
        self._count += len(samples)
        turns = (n * self._down % self._fs) / self._fs
        i, q = self._in_phase.feed(samples), self._quadrature.feed(samples)
        return i * np.cos(2 * np.pi * turns) + q * np.sin(2 * np.pi * turns)


def _all_pass_pair() -> tuple[Floats, Floats]:
    """Return two chains of sections whose outputs stay 90 degrees apart, the second one behind.

    A half-band elliptic low-pass is the mean of two chains of all-pass sections in z^-2, one of
    them delayed by a sample; turning z by 90 degrees moves its pass-band to the positive
    frequencies and makes the two chains a Hilbert pair.

    References
    ----------
    P. P. Vaidyanathan, Multirate Systems and Filter Banks, 1993, 5.3 (from memory).
    """
    ripple_db = -10 * np.log10(1 - 10 ** (-IMAGE_DB / 10))  # power-complementary halves
    _, poles, _ = signal.ellipap(PAIR_ORDER, ripple_db, IMAGE_DB)
    s = poles[poles.imag > 1e-9]
    s = s / np.abs(s)  # the band edges of a half-band filter lie symmetrically about 1
    z = (1 + s) / (1 - s)
    squares = np.sort(np.abs(z) ** 2)
    chains = [np.array([[a, 0, -1, 1, 0, -a] for a in squares[k::2]]) for k in (0, 1)]
    delay = np.array([[0.0, 1.0, 0.0, 1.0, 0.0, 0.0]])
    return chains[0], np.concatenate([delay, chains[1]])
