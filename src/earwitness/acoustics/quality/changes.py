"""Find what befalls a whole recording: gain steps, voices, knocks, cut-offs.

`Changes` is fed the band powers of a take chunk by chunk. Of each third of a second it keeps one
spectrum.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft

from earwitness.acoustics.bands import LEAST_POWER, window_length

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.acoustics.bands import Bands
    from earwitness.units import Floats

    Sound = NDArray[np.float32]
    Truths = NDArray[np.bool_]

BLOCK_FRAMES = 32
"""Frames of one spectrum of the floor [1]: a third of a second."""
BLOCK_QUANTILE = 0.3
"""Quantile over these frames that stands for the floor [1]: below the shop's transients."""
STEP_BLOCKS = 6
"""Spectra compared on either side of a step [1]: 2 s."""
STEPS = ((math.inf, 0.2), (800.0, 0.35))
"""A change of gain is looked for below a frequency [Hz], of at least so much [Np of power]: 0.9 dB
in all bands, and 1.5 dB where there is least of a leak that comes and goes at the same time.
Chosen: benchmarks/quality.py; with the second twice as many steps are found."""
STEP_TOLERANCE = (0.03, 0.04)
"""How much the change may differ between bands beyond chance: a part [Np of power] and a share of
the change [1]. A gain changes all bands alike; nothing in a shop does. Chosen: as above."""
STEP_MISFIT = 1.0
"""Mean squared difference between bands over that expected, at most [1]. Chosen: as above."""
STEP_LASTS = 0.6
"""Share of the step by which the quietest moment of all that follows differs from that of all that
went before, at least [1]: a loud tool that fills all bands gets louder and softer alike, but it
stops. Chosen: as above."""
QUANTILE_EXCESS = 1.8
"""Variance of the 0.3 quantile over that of the mean, log of a chi-squared variable [1]:
p (1 - p) / f^2 at the quantile of a normal variable is 1.74."""
MEDIAN_EXCESS = 1.57
"""Variance of a median over that of the mean, normal distribution [1]: pi / 2."""

VOICE_HZ = (140.0, 1_000.0)
"""Where voices are looked for [Hz]: the first harmonics; metal rings above. Chosen: as below."""
VOICE_RISE = 1.4
"""How far a voice stands out of the floor [Np of power]: 6 dB. Chosen: benchmarks/quality.py."""
PITCH_S = (1 / 400, 1 / 70)
"""Periods of the human voice [s]. Common practice, no source."""
VOICED = 0.55
"""Autocorrelation at the period of a voiced sound, at least [1]. Chosen: benchmarks/quality.py."""
VOICED_SHARE = 0.3
"""Share of the frames that stand out which are voiced, at least [1]. Chosen: as above."""
VOICED_S = 0.9
"""Voiced sound that makes speech of it [s]: four or five syllables; the rings of struck metal stay
below. Chosen: benchmarks/quality.py."""
VOICE_FRAMES = 4
"""Every so many frames one is looked at [1]: 43 ms."""

KNOCK_BINS = (1, 2)
"""Bins of a frame in which a knock of the hand is looked for [1]: 47 and 94 Hz. Chosen:
benchmarks/quality.py; in sound takes of a busy shop they rise by 5 dB at most."""
BODY_HZ = (230.0, 480.0)
"""What a knock stands out of; a voice and a blow are as strong there [Hz]. Chosen: a vowel's
second harmonic and first formant."""
KNOCK_RISE = 3.0
"""How far a knock stands out of the floor [Np of power]: 13 dB. Chosen: benchmarks/quality.py."""
KNOCK_DULL = 1.2
"""How much further than the octave above [Np of power]: 5 dB. Chosen: benchmarks/quality.py."""
KNOCK_FRAMES = 3
"""Frames that a knock lasts, at least [1]: 32 ms."""

CUT_EDGES_HZ = (4_000.0, 5_512.5, 8_000.0)
"""Nyquist frequencies of speech channels [Hz]: 8, 11.025 and 16 kHz."""
CUT_NP = 12.0 * np.log(10) / 10
"""Fall across such an edge that no room has [Np of power]: 12 dB. Chosen: pink, brown and cubic
noise floors fall by 1 to 4 dB."""


class Changes:
    """What befalls a take as a whole.

    Parameters
    ----------
    bands : Bands
        Its bands.
    sample_rate_hz : int
        Sample rate [Hz].
    """

    def __init__(self, bands: Bands, sample_rate_hz: int) -> None:
        self.bands, self.fs = bands, sample_rate_hz
        self._hop = window_length(sample_rate_hz) // 2
        self._knocks = 0
        self._voiced = self._active = 0
        self._blocks: list[Floats] = []

    def feed(self, power: Floats, sound: Sound) -> None:
        """Look at the next frames.

        Parameters
        ----------
        power : ndarray, shape (frames, bands)
            Their band powers [full scale squared per bin].
        sound : ndarray, shape (samples,)
            The sound they were made from [1].
        """
        log_power = np.log(np.maximum(power, LEAST_POWER))
        for start in range(0, len(log_power) - BLOCK_FRAMES // 2, BLOCK_FRAMES):
            part = log_power[start : start + BLOCK_FRAMES]
            k = int(BLOCK_QUANTILE * len(part))
            self._blocks.append(np.partition(part, k, axis=0)[k].copy())
        self._knocks += self._knocks_in(log_power, sound)
        self._listen_for_voices(log_power, sound)

    @property
    def gain_stepped(self) -> bool:
        """Whether all bands, or all below those of a leak, changed at once by the same factor."""
        blocks = np.array(self._blocks)
        if len(blocks) < 2 * STEP_BLOCKS + 1:
            return False
        return any(self._stepped(blocks, below_hz, least) for below_hz, least in STEPS)

    def _stepped(self, blocks: Floats, below_hz: float, least: float) -> bool:
        n, kept = STEP_BLOCKS, self.bands.centre_hz < below_hz
        wide = np.lib.stride_tricks.sliding_window_view(blocks[:, kept], n, axis=0)
        middle = np.median(wide, axis=2)
        change = middle[n + 1 :] - middle[: -(n + 1)]
        variance = self.bands.log_variance[kept]
        chance = 2 * QUANTILE_EXCESS / BLOCK_FRAMES / n * MEDIAN_EXCESS * variance
        part, share = STEP_TOLERANCE
        common = np.abs(np.average(change, axis=1, weights=1 / (chance + part**2)))
        weight = 1 / (chance + (part + share * common[:, np.newaxis]) ** 2)
        gain = (change * weight).sum(axis=1) / weight.sum(axis=1)
        misfit = ((change - gain[:, np.newaxis]) ** 2 * weight).mean(axis=1)
        level = blocks @ self.bands.dof / self.bands.dof.sum()
        before = np.minimum.accumulate(level)[n - 1 : -n - 1]
        after = np.minimum.accumulate(level[::-1])[::-1][n + 1 : len(level) - n + 1]
        lasts = (after - before) * np.sign(gain) >= STEP_LASTS * np.abs(gain)
        flat = (np.abs(gain) >= least) & (misfit <= STEP_MISFIT)
        return bool((flat & lasts).any())

    @property
    def spoken_over(self) -> bool:
        """Whether someone spoke, in the bay or on a radio."""
        seconds = self._voiced * VOICE_FRAMES * self._hop / self.fs
        return seconds >= VOICED_S and self._voiced >= VOICED_SHARE * self._active

    @property
    def knocked(self) -> bool:
        """Whether there were dull thumps, as of a hand on the probe, that no deep voice made."""
        return self._knocks > 0 and not self.spoken_over

    @property
    def cut_off(self) -> bool:
        """Whether the spectrum falls off a cliff where a speech channel ends, and stays down."""
        if not self._blocks:
            return False
        level = np.median(np.array(self._blocks), axis=0)
        return any(_is_cut(self.bands.centre_hz, level, edge) for edge in CUT_EDGES_HZ)

    def _knocks_in(self, log_power: Floats, sound: Sound) -> int:
        f = self.bands.centre_hz
        low = _low_power(sound, 2 * self._hop)
        body = log_power[:, (f > BODY_HZ[0]) & (f < BODY_HZ[1])].mean(axis=1)
        smooth = np.full(KNOCK_FRAMES, 1 / KNOCK_FRAMES)
        rise, above = (np.convolve(x - np.median(x), smooth, "same") for x in (low, body))
        dull = (rise > KNOCK_RISE) & (rise - above > KNOCK_DULL)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], dull, [False]])))
        return int(np.count_nonzero(edges[1::2] - edges[::2] >= KNOCK_FRAMES))

    def _listen_for_voices(self, log_power: Floats, sound: Sound) -> None:
        f = self.bands.centre_hz
        level = log_power[:, (f > VOICE_HZ[0]) & (f < VOICE_HZ[1])].mean(axis=1)
        floor = np.partition(level, len(level) // 5)[len(level) // 5]
        length = 4 * self._hop
        frames = np.arange(0, len(level) - 2, VOICE_FRAMES)
        active = frames[level[frames] > floor + VOICE_RISE]
        if not active.size:
            return
        pieces = np.lib.stride_tricks.sliding_window_view(sound, length)[:: self._hop][active]
        self._active += len(active)
        self._voiced += int(np.count_nonzero(voicing(pieces, self.fs) >= VOICED))


def voicing(pieces: Floats | Sound, sample_rate_hz: float) -> Floats:
    """Return how periodic sounds are at the pitch of a voice.

    Parameters
    ----------
    pieces : ndarray, shape (pieces, frames)
        Sounds of about 40 ms each [1].
    sample_rate_hz : float
        Sample rate [Hz].

    Returns
    -------
    ndarray, shape (pieces,)
        Largest autocorrelation between the periods of a voice, over that at zero [1].
    """
    n = pieces.shape[1]
    window = np.hanning(n)
    bin_hz = sample_rate_hz / n
    first, last = (round(f / bin_hz) for f in VOICE_HZ)
    power = np.abs(scipy.fft.rfft(pieces * window, axis=1)[:, :last]) ** 2
    power[:, :first] = 0.0
    length = 1 << int(np.ceil(np.log2(16 * last)))
    step_s = n / sample_rate_hz / length
    r = scipy.fft.irfft(power, length, axis=1)
    lags = slice(int(PITCH_S[0] / step_s), int(PITCH_S[1] / step_s) + 1)
    own = _own_correlation(window, np.arange(length)[lags] * step_s * sample_rate_hz)
    ratio = r[:, lags] / np.maximum(r[:, :1], LEAST_POWER) / own
    return np.asarray(ratio.max(axis=1), dtype=np.float64)


def _low_power(sound: Sound, window: int) -> Floats:
    """Return the power in `KNOCK_BINS` of each half-overlapping frame, shape (frames,) [Np]."""
    at = np.arange(window) / window
    tones = np.exp(-2j * np.pi * np.outer(at, KNOCK_BINS)) * np.hanning(window)[:, np.newaxis]
    frames = np.lib.stride_tricks.sliding_window_view(sound, window)[:: window // 2]
    parts = np.concatenate([tones.real, tones.imag], axis=1).astype(sound.dtype)
    power = ((frames @ parts) ** 2).sum(axis=1, dtype=np.float64)
    return np.asarray(np.log(np.maximum(power, LEAST_POWER)), dtype=np.float64)


def _own_correlation(window: Floats, lags: Floats) -> Floats:
    """Return the window's own autocorrelation over that at zero, at lags in samples."""
    n = len(window)
    power = np.abs(scipy.fft.rfft(window, 2 * n)) ** 2
    r = scipy.fft.irfft(power)
    return np.asarray(np.interp(lags, np.arange(n), r[:n] / r[0]), dtype=np.float64)


def _is_cut(f: Floats, level: Floats, edge_hz: float) -> bool:
    below = level[(f > 0.80 * edge_hz) & (f < 0.93 * edge_hz)]
    above = level[(f > 1.07 * edge_hz) & (f < 1.25 * edge_hz)]
    beyond = level[f > 1.25 * edge_hz]
    if not (below.size and above.size):
        return False
    highest = float(np.median(above))
    if beyond.size:
        highest = max(highest, float(np.percentile(beyond, 90)))
    return bool(highest < float(np.median(below)) - CUT_NP)
