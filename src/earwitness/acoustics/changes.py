"""Find what befalls a whole recording: gain steps, automatic gain, voices, knocks, cut-offs.

`Changes` is fed the band powers of a take chunk by chunk. Of each third of a second it keeps one
spectrum, of each 43 ms four levels.
"""

from __future__ import annotations

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
GROUP_FRAMES = 4
"""Frames of one level of a group of bands [1]: 43 ms."""
GROUP_EDGES_HZ = (960.0, 2_500.0, 6_000.0)
"""The four groups [Hz], those of `floor.GROUP_EDGES_HZ`."""

STEP_BLOCKS = 4
"""Spectra compared on either side of a step [1]: 1.4 s."""
LEAST_STEP = 0.2
"""Least change of gain that is looked for [Np of power]: 0.9 dB. Chosen: benchmarks/quality.py."""
STEP_TOLERANCE = 0.025
"""How much the change may differ between bands beyond chance [Np of power]: 0.1 dB. A gain changes
all bands alike; nothing in a shop does. Chosen: benchmarks/quality.py."""
STEP_MISFIT = 2.0
"""Mean squared difference between bands over that expected, at most [1]. Chosen: as above."""
QUANTILE_EXCESS = 1.8
"""Variance of the 0.3 quantile over that of the mean, log of a chi-squared variable [1]:
p (1 - p) / f^2 at the quantile of a normal variable is 1.74."""

LOUD = 2.0
"""An event stands out of the floor by this [Np of power]: 9 dB. Chosen: benchmarks/quality.py."""
AFTER_STEPS = ((4, 11), (14, 24))
"""Times after an event that are compared [steps of 43 ms]: 0.17-0.47 s and 0.6-1.0 s."""
LEAST_RECOVERY = 0.12
"""Rise between them, in every group of bands, that no room makes [Np of power]: 0.5 dB. Rooms die
away; a gain that was turned down by the event comes back. Chosen: benchmarks/quality.py."""
LEAST_EVENTS = 2
"""Events that must show it on the median [1]."""

VOICE_HZ = (200.0, 3_000.0)
"""Where voices are looked for [Hz]. Telephone band, but for its top."""
VOICE_RISE = 1.4
"""How far a voice stands out of the floor [Np of power]: 6 dB. Chosen: benchmarks/quality.py."""
PITCH_S = (1 / 400, 1 / 70)
"""Periods of the human voice [s]. Common practice, no source."""
VOICED = 0.55
"""Autocorrelation at the period of a voiced sound, at least [1]. Chosen: benchmarks/quality.py."""
VOICED_SHARE = 0.3
"""Share of the frames that stand out which are voiced, at least [1]. Chosen: as above."""
VOICED_S = 0.5
"""Voiced sound that makes speech of it [s]: two or three syllables. Chosen."""
VOICE_FRAMES = 4
"""Every so many frames one is looked at [1]: 43 ms."""

KNOCK_HZ = 210.0
"""A knock of the hand is below this [Hz]. Common practice, no source."""
BODY_HZ = (480.0, 960.0)
"""What a knock stands out of, and a voice or a blow does not [Hz]. Chosen: a vowel's body."""
KNOCK_RISE = 3.2
"""How far a knock stands out of the floor [Np of power]: 14 dB. Chosen: benchmarks/quality.py."""
KNOCK_DULL = 2.3
"""How much further than the octave above [Np of power]: 10 dB. Chosen: benchmarks/quality.py."""
KNOCK_FRAMES = 3
"""Frames that a knock lasts, at least [1]: 32 ms."""

CUT_EDGES_HZ = (4_000.0, 5_512.5, 8_000.0)
"""Nyquist frequencies of speech channels [Hz]: 8, 11.025 and 16 kHz."""
CUT_NP = 12.0 * np.log(10) / 10
"""Fall across such an edge that no room has [Np of power]: 12 dB. Chosen: pink, brown and cubic
noise floors fall by 1 to 4 dB."""


class Changes:
    """What changes in a take but hiss.

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
        self.knocks = 0
        """Dull thumps, as of a hand on the probe."""
        self._voiced = self._active = 0
        self._blocks: list[Floats] = []
        self._levels: list[Floats] = []
        weight = 1 / bands.log_variance
        groups = np.searchsorted(GROUP_EDGES_HZ, bands.centre_hz)
        shares = np.array([weight * (groups == g) for g in np.unique(groups)]).T
        self._groups = shares / shares.sum(axis=0)

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
            self._blocks.append(np.partition(part, k, axis=0)[k])
        whole = len(log_power) // GROUP_FRAMES * GROUP_FRAMES
        levels = (log_power[:whole] @ self._groups).reshape(-1, GROUP_FRAMES, self._groups.shape[1])
        self._levels.append(levels.mean(axis=1))
        self.knocks += self._knocks_in(log_power)
        self._listen_for_voices(log_power, sound)

    @property
    def gain_stepped(self) -> bool:
        """Whether all bands changed at once by the same factor."""
        blocks = np.array(self._blocks)
        n = STEP_BLOCKS
        if len(blocks) < 2 * n + 1:
            return False
        wide = np.lib.stride_tricks.sliding_window_view(blocks, n, axis=0)
        middle = np.median(wide, axis=2)
        change = middle[n + 1 :] - middle[: -(n + 1)]
        variance = 2 * QUANTILE_EXCESS / BLOCK_FRAMES / n * 1.57 * self.bands.log_variance
        variance = variance + STEP_TOLERANCE**2
        w = 1 / variance
        common = change @ w / w.sum()
        misfit = ((change - common[:, np.newaxis]) ** 2 * w).mean(axis=1)
        return bool(((np.abs(common) >= LEAST_STEP) & (misfit <= STEP_MISFIT)).any())

    @property
    def gain_rides(self) -> bool:
        """Whether the sound comes back up after loud events, as under automatic gain."""
        levels = np.concatenate(self._levels) if self._levels else np.zeros((0, 4))
        (a, b), (c, d) = AFTER_STEPS
        ends = _ends_of_events(levels.mean(axis=1), d)
        rises = [
            float((levels[i + c : i + d].mean(axis=0) - levels[i + a : i + b].mean(axis=0)).min())
            for i in ends
        ]
        return len(rises) >= LEAST_EVENTS and float(np.median(rises)) >= LEAST_RECOVERY

    @property
    def spoken_over(self) -> bool:
        """Whether someone spoke, in the bay or on a radio."""
        seconds = self._voiced * VOICE_FRAMES * self._hop / self.fs
        return seconds >= VOICED_S and self._voiced >= VOICED_SHARE * self._active

    @property
    def cut_off(self) -> bool:
        """Whether the spectrum falls off a cliff where a speech channel ends, and stays down."""
        if not self._blocks:
            return False
        level = np.median(np.array(self._blocks), axis=0)
        return any(_is_cut(self.bands.centre_hz, level, edge) for edge in CUT_EDGES_HZ)

    def _knocks_in(self, log_power: Floats) -> int:
        f = self.bands.centre_hz
        low = log_power[:, f < KNOCK_HZ].mean(axis=1)
        body = log_power[:, (f > BODY_HZ[0]) & (f < BODY_HZ[1])].mean(axis=1)
        rise, above = low - np.median(low), body - np.median(body)
        dull = (rise > KNOCK_RISE) & (rise - np.maximum(above, 0) > KNOCK_DULL)
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
    length = 1 << int(np.ceil(np.log2(8 * last)))
    step_s = n / sample_rate_hz / length
    r = scipy.fft.irfft(power, length, axis=1)
    lags = slice(int(PITCH_S[0] / step_s), int(PITCH_S[1] / step_s) + 1)
    own = _own_correlation(window, np.arange(length)[lags] * step_s * sample_rate_hz)
    ratio = r[:, lags] / np.maximum(r[:, :1], LEAST_POWER) / own
    return np.asarray(ratio.max(axis=1), dtype=np.float64)


def _own_correlation(window: Floats, lags: Floats) -> Floats:
    """Return the window's own autocorrelation over that at zero, at lags in samples."""
    n = len(window)
    power = np.abs(scipy.fft.rfft(window, 2 * n)) ** 2
    r = scipy.fft.irfft(power)
    return np.asarray(np.interp(lags, np.arange(n), r[:n] / r[0]), dtype=np.float64)


def _ends_of_events(level: Floats, quiet_for: int) -> NDArray[np.int_]:
    """Return where something loud was over, and nothing loud followed for some steps."""
    if len(level) < quiet_for + 2:
        return np.zeros(0, dtype=np.int_)
    loud = level > np.percentile(level, 20) + LOUD
    last = np.flatnonzero(loud)
    following = np.append(last[1:], len(level) + quiet_for)
    ends = last[(following - last > quiet_for) & (last + quiet_for <= len(level))]
    return np.asarray(ends, dtype=np.int_)


def _is_cut(f: Floats, level: Floats, edge_hz: float) -> bool:
    below = level[(f > 0.80 * edge_hz) & (f < 0.93 * edge_hz)]
    above = level[(f > 1.07 * edge_hz) & (f < 1.25 * edge_hz)]
    beyond = level[f > 1.25 * edge_hz]
    if not (below.size and above.size and beyond.size):
        return False
    highest = max(float(np.median(above)), float(np.percentile(beyond, 90)))
    return bool(highest < float(np.median(below)) - CUT_NP)
