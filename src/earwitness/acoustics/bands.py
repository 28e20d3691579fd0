"""Band powers of a recording over time: third octaves below 1 kHz, sixth octaves above.

Band edges follow IEC 61260-1:2014 (base ten); a bin that an edge cuts counts by its share.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
import scipy.special

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    from earwitness.units import Floats

    Sound = NDArray[Any]

OCTAVE_RATIO = 10 ** (3 / 10)
"""G, frequency ratio of an octave [1]. IEC 61260-1:2014, eq. (1)."""
REFERENCE_HZ = 1000.0
"""Frequency that the mid-bands are counted from [Hz]. IEC 61260-1:2014, 3.1."""
THIRD_OCTAVES = range(-9, 0)
"""Mid-bands 126 Hz to 794 Hz; their sound tells the shop's gain and tilt from a hiss [1]."""
SIXTH_OCTAVES = range(-1, 25)
"""Mid-bands 944 Hz to 16.8 kHz [1]."""
ULTRASOUND = range(25, 32)
"""Mid-bands 18.8 kHz to 37.6 kHz [1], used where the sample rate carries all of them: from 88.2 kHz
on. Little in a shop sounds there, and a jet does: its peak is at 63 kHz for a
gap of 1 mm (IEC 60534-8-3, Strouhal number 0.2)."""
ULTRASOUND_HZ = 17_700.0
"""Bands above this are ultrasound [Hz]: the lower edge of the first, 17.78 kHz, rounded down."""
HISS_HZ = (REFERENCE_HZ, REFERENCE_HZ * OCTAVE_RATIO**4)
"""Band over which a rise is stated, 1 kHz to 15.85 kHz, called 1-16 kHz [Hz]."""
NYQUIST_SHARE = 0.92
"""Bands end at this share of the Nyquist frequency: anti-alias filters roll off above [1]."""
HALF_WINDOW_S = 512 / 48_000
"""Half the Hann window, and the hop [s]. Chosen: 1024 samples at 48 kHz, 47 Hz bins."""
NEAR_BINS = (1.0, 4 / 9, 1 / 36)
"""Correlation of the powers of Hann bins 0, 1 and 2 apart [1]: (2/3)^2 and (1/6)^2."""
NEXT_FRAME = 1 / 36
"""Correlation of the powers of half-overlapping Hann frames [1]: (1/6)^2."""
BATCH_FRAMES = 32
"""Frames transformed at once [1]. Chosen: fits the processor's cache; 64 are as fast, 8 and 256
take half as long again."""
LEAST_POWER = 1e-30
"""Stands for the power of digital silence, so that its logarithm exists [full scale squared]."""


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """The bands that a sample rate can carry; arrays have shape (bands,) unless said otherwise."""

    lower_hz: Floats
    upper_hz: Floats
    centre_hz: Floats
    """Geometric centre [Hz]."""
    weights: Floats
    """Share of each bin in each band, shape (bins, bands) [1]."""
    width_bins: Floats
    """Bandwidth [bins]."""
    dof: Floats
    """Independent complex bins that a band's power is worth (half its chi-squared dof) [1]."""
    log_bias: Floats
    """Mean of the log of a unit band power, digamma(dof) - ln dof [Np of power]."""
    log_variance: Floats
    """Variance of the log of a band power, trigamma(dof) [Np squared]."""

    @property
    def hiss(self) -> Floats:
        """Weight of each band in a mean over 1-16 kHz, summing to one, shape (bands,)."""
        inside = (self.lower_hz > HISS_HZ[0] - 1) & (self.upper_hz < HISS_HZ[1] + 1)
        w = np.where(inside, self.width_bins, 0.0)
        return np.asarray(w / w.sum(), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class BandPowers:
    """Mean power per bin in each band and frame."""

    bands: Bands
    power: Floats
    """Shape (frames, bands) [full scale squared per bin; white noise gives its variance]."""
    sample_rate_hz: int
    window: int
    """Samples in a frame; frames start half a window apart."""

    def frames_between(self, start_s: float, end_s: float) -> slice:
        """Return the frames that lie wholly between two times [s]."""
        hop = self.window // 2
        first = max(0, int(np.ceil(start_s * self.sample_rate_hz / hop)))
        last = int(np.floor((end_s * self.sample_rate_hz - self.window) / hop))
        return slice(first, max(first, min(last + 1, len(self.power))))


def window_length(sample_rate_hz: int) -> int:
    """Return the even window length that gives 47 Hz bins at this sample rate [samples]."""
    return 2 * max(1, round(HALF_WINDOW_S * sample_rate_hz))


def band_powers(samples: Sound, sample_rate_hz: int) -> BandPowers:
    """Return the power in each band for each half-overlapping Hann frame.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Sound relative to full scale [1]; an incomplete last frame is left out. In single precision
        it is transformed so too: errors are 130 dB below the loudest sound of a frame.
    sample_rate_hz : int
        Sample rate [Hz].

    Returns
    -------
    BandPowers
        Power per bin, so that white noise of variance v gives v in every band.
    """
    n = window_length(sample_rate_hz)
    bands = bands_for(sample_rate_hz)
    w = _hann(n).astype(samples.dtype)
    count = max(0, 1 + (len(samples) - n) // (n // 2))
    power = np.empty((count, len(bands.centre_hz)))
    mean_weights = (bands.weights / bands.width_bins).astype(samples.dtype)
    windowed = np.empty((min(BATCH_FRAMES, count), n), dtype=samples.dtype)
    for start in range(0, count, BATCH_FRAMES):
        stop = min(start + BATCH_FRAMES, count)
        part = windowed[: stop - start]
        np.multiply(_frames(samples, start, stop, n), w, out=part)
        spectrum = scipy.fft.rfft(part, axis=1, overwrite_x=True)
        squared = spectrum.real**2
        squared += spectrum.imag**2
        power[start:stop] = squared[:, : len(mean_weights)] @ mean_weights
    return BandPowers(bands, power, sample_rate_hz, n)


@lru_cache(maxsize=16)
def bands_for(sample_rate_hz: int) -> Bands:
    """Return the bands below the Nyquist frequency: 35 from 39 kHz up, 42 from 87 kHz, fewer below.

    Raises
    ------
    ValueError
        If the sample rate is too low for a single band of hiss.
    """
    lower, upper = _edges(NYQUIST_SHARE * sample_rate_hz / 2)
    if upper.size == 0 or upper[-1] < HISS_HZ[0] + 100:
        raise ValueError(f"sample_rate_hz={sample_rate_hz} carries no band above 1 kHz")
    bin_hz = sample_rate_hz / window_length(sample_rate_hz)
    weights = _bin_shares(lower / bin_hz, upper / bin_hz)
    dof = effective_dof(weights)
    return Bands(
        lower_hz=lower,
        upper_hz=upper,
        centre_hz=np.sqrt(lower * upper),
        weights=weights,
        width_bins=weights.sum(axis=0),
        dof=dof,
        log_bias=scipy.special.digamma(dof) - np.log(dof),
        log_variance=scipy.special.polygamma(1, dof),
    )


def effective_dof(weights: Floats) -> Floats:
    """Return (sum w)^2 / sum of w_i w_j rho_ij for each column of bin weights.

    Parameters
    ----------
    weights : ndarray, shape (bins, bands)
        Share of each bin [1]; rho is the correlation of Hann bin powers.

    Returns
    -------
    ndarray, shape (bands,)
        Number of independent complex bins with the same relative variance [1].
    """
    variance = (weights**2).sum(axis=0)
    for apart, rho in enumerate(NEAR_BINS[1:], start=1):
        variance = variance + 2 * rho * (weights[apart:] * weights[:-apart]).sum(axis=0)
    return np.asarray(weights.sum(axis=0) ** 2 / variance, dtype=np.float64)


def _edges(highest_hz: float) -> tuple[Floats, Floats]:
    """Band edges, IEC 61260-1:2014, eq. (2) to (5): odd and even fractions of an octave."""
    thirds = np.array([(2 * x - 1, 2 * x + 1) for x in THIRD_OCTAVES]) / 6
    top = REFERENCE_HZ * OCTAVE_RATIO ** (ULTRASOUND.stop / 6)
    high = (*SIXTH_OCTAVES, *(ULTRASOUND if top <= highest_hz else ()))
    sixths = np.array([(x, x + 1) for x in high]) / 6
    edges = REFERENCE_HZ * OCTAVE_RATIO ** np.concatenate([thirds, sixths])
    edges = edges[edges[:, 1] <= highest_hz]
    return edges[:, 0], edges[:, 1]


def _bin_shares(lower: Floats, upper: Floats) -> Floats:
    """Overlap of each bin, half a bin to both sides, with each band; edges in bins."""
    k = np.arange(int(np.ceil(upper[-1])) + 2)[:, np.newaxis]
    shares = np.clip(np.minimum(k + 0.5, upper) - np.maximum(k - 0.5, lower), 0.0, 1.0)
    return np.asarray(shares, dtype=np.float64)


def _hann(n: int) -> Floats:
    """Periodic Hann window with unit energy."""
    w = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    return np.asarray(w / np.sqrt((w**2).sum()), dtype=np.float64)


def _frames(samples: Sound, start: int, stop: int, n: int) -> Sound:
    """Half-overlapping frames start to stop, shape (stop - start, n), as a view."""
    hop = n // 2
    part = samples[start * hop : (stop - 1) * hop + n]
    frames: Sound = np.lib.stride_tricks.sliding_window_view(part, n)[::hop]
    return frames
