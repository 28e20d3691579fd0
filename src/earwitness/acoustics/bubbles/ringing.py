"""Find short, damped tones in a recording and fit them: the wave form of a bubble."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.units import Floats

    Complex = NDArray[np.complex128]

HOP_S = 0.001
"""Step in time of the filter bank's output [s]. Chosen: a third of the shortest ring."""
BLOCK = 4096
"""Samples filtered at once [1]. Chosen: four of the longest ring, within the processor's cache."""
BLOCKS = 8
"""Blocks filtered at once [1]. Chosen: as above."""
LENGTH = 3.0
"""Length of a filter of the bank [time constants]: e^-6 of the energy is left out."""
ABOVE_HZ = (6500.0, 16_000.0)
"""Band in which metal sounds and bubbles do not [Hz]. Chosen: clear of the highest bubble."""
WHITEN_FRAMES = 512
"""Frames of a spectrum of the noise that is taken out [1]: 23 Hz at 12 kHz."""
LOCAL_SHARE = 0.2
"""Width of the filter about a ring, standard deviation over its frequency [1]. Chosen: lets a
ring of the fastest damping through whole."""
BEFORE = (9, 5)
"""Hops before an onset between which the sound is taken for what was there before [hops]."""
NEAR_OCTAVES = 0.33
"""Filters this near a ring respond to it too [octaves]."""
TIMES = np.array([0.3, 0.45, 0.65, 1.0, 1.5, 2.2, 3.3, 5.0])
"""Time constants that are fitted, over that of a free bubble [1]."""
DETUNING = np.linspace(-0.06, 0.06, 9)
"""Frequencies that are fitted, relative to the filter's [1]: beyond half its step."""
RISING = np.array([0.0, 0.05, 0.1])
"""Rise of pitch that is fitted, share of the frequency in one time constant [1]. Bubbles rise
in pitch as they near the surface (van den Doel 2005, from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class Whitened:
    """Sound in which the steady noise has unit power at every frequency of the band."""

    samples: Floats
    """Shape (frames,) [standard deviations of the noise]."""
    fs: float
    above: Floats
    """Power above the band in each step of `HOP_S`, shape (hops,) [1]; zero where the recording
    holds no sound there."""


@dataclass(frozen=True, slots=True)
class Onset:
    """A peak of the filter bank."""

    at_s: float
    """To the nearest `HOP_S` [s]."""
    frequency_hz: float
    level_db: float
    """Energy in the filter over that of the noise [dB]."""
    share: float
    """Share of all energy that set in then which is near this frequency [1]."""
    click_db: float
    """Sound above the band just after over that just before [dB]; 0 where there is none."""


@dataclass(frozen=True, slots=True)
class Ring:
    """One damped tone, fitted to the sound about its frequency."""

    at_s: float
    frequency_hz: float
    """At its beginning [Hz]."""
    damping: float
    """Time constant over that of a free bubble [1]."""
    fit: float
    """Share of the energy about its frequency that it explains, noise taken off [1]."""
    rise_db: float
    """Sound about its frequency after the onset over that before [dB]."""
    level_db: float
    """Its energy over that of the noise in its filter [dB]."""


def time_constant_s(frequency_hz: Floats | float) -> Floats:
    """Return how long a free bubble rings: its amplitude falls by e in this time [s].

    References
    ----------
    van den Doel, ACM Trans. Appl. Percept. 2(4):534-546 (2005), from memory: damping of
    0.043 f + 0.0014 f^1.5 per second, thermal and by radiation.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(1 / (0.043 * f + 0.0014 * f**1.5))


def whitened(samples: Floats, fs: float, band_hz: tuple[float, float], least_fs: float) -> Whitened:
    """Return the band of a recording at a lower sample rate, with its steady noise made white.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Sound of one channel [1].
    fs : float
        Sample rate [Hz].
    band_hz : (float, float)
        Lowest and highest frequency kept [Hz].
    least_fs : float
        The sample rate is divided by a whole number, but not below this [Hz].
    """
    from scipy import signal

    above = _power_above(samples, fs, ABOVE_HZ)
    down = int(fs // least_fs)
    sound = signal.resample_poly(samples, 1, down) if down > 1 else np.asarray(samples, float)
    fs = fs / down
    top = min(band_hz[1], 0.46 * fs)
    f, _, spectrum = signal.stft(sound, fs, nperseg=WHITEN_FRAMES)
    power = np.median(np.abs(spectrum) ** 2, axis=1)
    power = np.convolve(power, np.full(9, 1 / 9), "same")
    gain = 1 / np.sqrt(power + power.max() * 1e-6 + np.finfo(float).tiny)
    gain *= (f > 0.8 * band_hz[0]) & (f < 1.04 * top)
    taps = signal.firwin2(WHITEN_FRAMES // 2 + 1, np.linspace(0, 1, len(gain)), gain / gain.max())
    white = signal.fftconvolve(sound, taps, "same")
    spread = float(np.median(np.abs(white))) / 0.6745
    return Whitened(white / max(spread, np.finfo(float).tiny), fs, above)


def onsets(sound: Whitened, frequencies: Floats, found_db: float) -> list[Onset]:
    """Return the peaks of a bank of damped tones, in order of time.

    Parameters
    ----------
    sound : Whitened
        The sound.
    frequencies : ndarray, shape (filters,)
        Frequencies of the bank, rising [Hz].
    found_db : float
        Least energy over that of the noise [dB].
    """
    from scipy.ndimage import maximum_filter

    power = bank_power(sound, frequencies)
    if power.shape[1] == 0:
        return []
    peak = (maximum_filter(power, size=(5, 11)) == power) & (power > 10 ** (found_db / 10))
    hops, filters = np.nonzero(peak.T)
    hop_s = round(HOP_S * sound.fs) / sound.fs
    return [
        _onset(power, frequencies, int(k), int(t), hop_s, sound.above)
        for k, t in zip(filters, hops, strict=True)
    ]


def bank_power(sound: Whitened, frequencies: Floats) -> Floats:
    """Return the energy in each filter over that of the noise, shape (filters, hops) [1].

    A filter is the wave form of a free bubble of its frequency, turned round in time; the noise
    alone has a mean of one.
    """
    from scipy.fft import fft

    hop = round(HOP_S * sound.fs)
    hops = len(sound.samples) // hop
    rings = [_ringing(f, float(time_constant_s(f)), sound.fs) for f in frequencies]
    filters = np.array([np.conj(fft(ring, BLOCK)) for ring in rings])
    energies = [float(np.sum(np.abs(ring) ** 2)) for ring in rings]
    step = (BLOCK - max(len(ring) for ring in rings)) // hop * hop
    padded = np.concatenate([sound.samples[: hops * hop], np.zeros(BLOCK)])
    power = np.empty((len(frequencies), hops))
    for begin in range(0, hops * hop, step * BLOCKS):
        starts = np.arange(begin, min(begin + step * BLOCKS, hops * hop), step)
        spectra = fft(padded[starts[:, np.newaxis] + np.arange(BLOCK)], axis=1)
        first, last = begin // hop, min(begin // hop + len(starts) * step // hop, hops)
        for row, response, energy in zip(power, filters, energies, strict=True):
            row[first:last] = _strongest(spectra * response, step, hop)[: last - first] / energy
    return power


def _strongest(spectra: Complex, step: int, hop: int) -> Floats:
    """Return the largest power of each hop in the first `step` samples of blocks, flattened."""
    from scipy.fft import ifft

    output = ifft(spectra, axis=1, overwrite_x=True)[:, :step]
    power = output.real**2 + output.imag**2
    return np.asarray(power.reshape(-1, hop).max(axis=1))


def fit_ring(sound: Whitened, onset: Onset) -> Ring | None:
    """Return the damped tone that fits best near an onset; None at the ends of the recording."""
    f, fs = onset.frequency_hz, sound.fs
    tau = float(time_constant_s(f))
    length = int(np.clip(2.2 * tau, 0.004, 0.04) * fs)
    before, shift = int(0.009 * fs), int(0.0025 * fs)
    at = round(onset.at_s * fs)
    cut = _about(sound, f, at - before, at + shift + length)
    if cut is None:
        return None
    local, gain = cut
    starts = np.arange(before - shift, before + shift + 1, max(1, int(fs / f / 4)))
    pieces = local[starts[:, np.newaxis] + np.arange(length)]
    explained, choice = _best_fit(pieces, f, tau, fs)
    k = int(np.argmax(explained))
    time, detuning, _ = choice[k]
    energy, noise = float(np.sum(pieces[k] ** 2)), gain * length
    return Ring(
        at_s=(at - before + int(starts[k])) / fs,
        frequency_hz=float(f * (1 + detuning)),
        damping=float(time),
        fit=min(1.0, float((explained[k] - 2 * gain) / max(energy - noise, 1e-9))),
        rise_db=_rise_db(local, int(starts[k]), f, fs, gain),
        level_db=10 * float(np.log10(explained[k] / gain / 2 + 1e-9)),
    )


def _ringing(f: float, tau: float, fs: float) -> Floats:
    t = np.arange(int(LENGTH * tau * fs)) / fs
    return np.asarray(np.exp(-t / tau + 2j * np.pi * f * t))


def _onset(
    power: Floats, frequencies: Floats, k: int, t: int, hop_s: float, above: Floats
) -> Onset:
    """Weigh what set in near a filter against what set in elsewhere at the same time."""
    after = power[:, max(t - 3, 0) : t + 4].max(axis=1)
    earlier = power[:, max(t - BEFORE[0], 0) : max(t - BEFORE[1], 1)].max(axis=1)
    rise = np.maximum(after - earlier, 0)
    near = np.abs(np.log2(frequencies / frequencies[k])) < NEAR_OCTAVES
    share = float(rise[near].sum() / max(float(rise.sum()), 1e-9))
    return Onset(
        t * hop_s,
        float(frequencies[k]),
        10 * float(np.log10(power[k, t])),
        share,
        _click_db(above, t),
    )


def _click_db(above: Floats, t: int) -> float:
    after = float(above[max(t - 3, 0) : t + 4].max(initial=0.0))
    before = float(above[max(t - 14, 0) : max(t - BEFORE[1], 1)].mean()) if len(above) else 0.0
    return 10 * float(np.log10(after / before)) if after > 0 < before else 0.0


def _power_above(samples: Floats, fs: float, band_hz: tuple[float, float]) -> Floats:
    from scipy import signal

    low, high = band_hz[0], min(band_hz[1], 0.45 * fs)
    if high < 1.2 * low:
        return np.zeros(0)
    sos = signal.butter(4, [low, high], "bandpass", fs=fs, output="sos")
    sound = signal.sosfilt(sos, samples) ** 2
    hop = round(HOP_S * fs)
    return np.asarray(sound[: len(sound) // hop * hop].reshape(-1, hop).mean(axis=1))


def _about(sound: Whitened, f: float, begin: int, end: int) -> tuple[Floats, float] | None:
    """Return a stretch filtered about a frequency, and the share of noise power let through."""
    pad = int(6 * sound.fs / (2 * np.pi * LOCAL_SHARE * f))
    if begin - pad < 0 or end + pad > len(sound.samples):
        return None
    piece = sound.samples[begin - pad : end + pad]
    grid = np.fft.rfftfreq(len(piece), 1 / sound.fs)
    gain = np.exp(-0.5 * ((grid - f) / (LOCAL_SHARE * f)) ** 2)
    local = np.fft.irfft(np.fft.rfft(piece) * gain, len(piece))
    return local[pad:-pad], float(np.mean(gain**2))


def _best_fit(
    pieces: Floats, f: float, tau: float, fs: float
) -> tuple[Floats, list[tuple[float, float, float]]]:
    """Return the energy that the best damped tone explains in each piece, and which one it is.

    Least squares over amplitude and phase, by search over time constant, frequency and rise.
    """
    grid, (c, s, cc, ss, cs) = _tones(f, tau, fs, pieces.shape[1])
    yc, ys = pieces @ c.T, pieces @ s.T
    explained = (yc**2 * ss - 2 * yc * ys * cs + ys**2 * cc) / (cc * ss - cs**2)
    best = explained.argmax(axis=1)
    return explained.max(axis=1), [grid[int(b)] for b in best]


@lru_cache(maxsize=64)
def _tones(
    f: float, tau: float, fs: float, length: int
) -> tuple[list[tuple[float, float, float]], tuple[Floats, ...]]:
    """Return what is fitted: the grid, and cosines and sines with their products."""
    t = np.arange(length) / fs
    grid = [(r, d, x) for r in TIMES for d in DETUNING for x in RISING]
    r, d, x = (np.array(column)[:, np.newaxis] for column in zip(*grid, strict=True))
    turns = f * (1 + d) * t * (1 + x * t / (2 * r * tau))
    tones = np.exp(-t / (r * tau) + 2j * np.pi * turns)
    c, s = tones.real, tones.imag
    cc, ss, cs = (c * c).sum(1), (s * s).sum(1), (c * s).sum(1)
    return grid, (c, s, cc, ss, cs)


def _rise_db(local: Floats, start: int, f: float, fs: float, gain: float) -> float:
    """Power after an onset over that before, leaving out what the filter smears [dB]."""
    smear = int(1.5 / (2 * np.pi * LOCAL_SHARE * f) * fs) + int(0.0003 * fs)
    span = int(0.0025 * fs)
    before = float(np.mean(local[max(start - smear - span, 0) : max(start - smear, 1)] ** 2))
    after = float(np.mean(local[start + int(0.0005 * fs) : start + int(0.003 * fs)] ** 2))
    return 10 * float(np.log10(max(after, 1e-12) / max(before, gain)))
