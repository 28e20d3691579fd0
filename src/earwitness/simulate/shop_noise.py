"""Simulate the steady part of a shop's noise: fan, microphone, mains hum, compressor, and drift.

Noise is made in the frequency domain: independent normal spectrum, shaped by the square root of a
power density, transformed back once. Levels are relative to full scale, densities one-sided.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from earwitness.units import Floats

GRID_POINTS = 4097
"""Points of the frequency grid from 0 to half the sample rate on which spectra are drawn [1].

Chosen: at 48 kHz a point every 5.9 Hz, finer than any feature of a spectrum here.
"""
LEVEL_BAND_HZ = (1_000.0, 16_000.0)
"""Band in which a hiss is compared with the quiet floor [Hz]. Decision record 0020."""
LOWEST_HZ = 40.0
"""Where the microphone's own high-pass begins [Hz]. Common practice, no source."""
MAINS_HZ = 60.0
"""Frequency of the mains [Hz]. North American grid."""
HUM_HARMONICS = (2, 3, 4, 6, 8, 10)
"""Harmonics of the mains that motors and lamps give off [1]. Guess, decision record 0020."""
CONTROL_HZ = 20.0
"""Rate at which slow changes are drawn before they are interpolated [Hz]. Chosen: >> 1 / 5 s."""


def frequency_grid(fs: float) -> Floats:
    """Frequencies at which spectra are drawn, shape (GRID_POINTS,); the first is above 0 [Hz]."""
    grid = np.linspace(0, fs / 2, GRID_POINTS)
    grid[0] = grid[1] / 2
    return grid


def band_power(density: Floats, fs: float, band_hz: tuple[float, float] = LEVEL_BAND_HZ) -> float:
    """Power of a density in a band, which ends at half the sample rate if that is lower.

    Parameters
    ----------
    density : ndarray, shape (GRID_POINTS,)
        One-sided power density on the grid [1/Hz].
    fs : float
        Sample rate [Hz].
    band_hz : (float, float)
        Lower and upper edge [Hz].

    Returns
    -------
    float
        Power relative to full scale [1].
    """
    grid = frequency_grid(fs)
    inside = (grid >= band_hz[0]) & (grid <= band_hz[1])
    return float(density[inside].sum() * (fs / 2) / (GRID_POINTS - 1))


def shaped_noise(rng: np.random.Generator, frames: int, fs: float, density: Floats) -> Floats:
    """Draw stationary Gaussian noise with a given power density.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Length [samples].
    fs : float
        Sample rate [Hz].
    density : ndarray, shape (GRID_POINTS,)
        One-sided power density on the grid [1/Hz].

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].
    """
    return _shaped(_white(rng, frames), frames, np.sqrt(density * fs))


def drifting_noises(
    rngs: Sequence[np.random.Generator],
    frames: int,
    fs: float,
    densities: Sequence[Floats],
    *,
    sway: Sway,
) -> list[Floats]:
    """Draw noise whose gain and spectral tilt wander slowly, as one or more microphones hear it.

    The tilt is small, so its gain 10^(q lg2(f / 1 kHz) / 20) is taken to first order in q.

    Parameters
    ----------
    rngs : sequence of numpy.random.Generator
        Source of chance for each microphone's noise; the first also decides how it wanders.
    frames, fs
        As for `shaped_noise`.
    densities : sequence of ndarray, shape (GRID_POINTS,)
        One-sided power density at each microphone [1/Hz].
    sway : Sway
        How far and how slowly it wanders.

    Returns
    -------
    list of ndarray, shape (frames,)
        Samples at each microphone [1].
    """
    whites = [_white(rng, frames) for rng in rngs]
    amplitudes = [np.sqrt(density * fs) for density in densities]
    tilt = np.log(10) / 20 * octaves_re_1_khz(fs)
    slope = wandering(rngs[0], frames, fs, time_constant_s=sway.tilt_s, sd=sway.tilt_db)
    noises = [
        _shaped(white, frames, a) + slope * _shaped(white, frames, a * tilt)
        for white, a in zip(whites, amplitudes, strict=True)
    ]
    gain = wandering(rngs[0], frames, fs, time_constant_s=sway.gain_s, sd=sway.gain_db)
    return [np.asarray(noise * 10 ** (gain / 20), dtype=np.float64) for noise in noises]


def octaves_re_1_khz(fs: float) -> Floats:
    """Octaves above 1 kHz on the grid, at least those of 60 Hz, shape (GRID_POINTS,)."""
    octaves: Floats = np.log2(np.maximum(frequency_grid(fs), 60.0) / 1000.0)
    return octaves


@dataclass(frozen=True, slots=True)
class Sway:
    """How the level and the tilt of a noise wander within a take."""

    gain_db: float = 0.0
    """Standard deviation of the gain [dB]."""
    gain_s: float = 5.0
    """Time in which the gain forgets [s]."""
    tilt_db: float = 0.0
    """Standard deviation of the tilt [dB/octave]."""
    tilt_s: float = 8.0
    """Time in which the tilt forgets [s]."""


def wandering(
    rng: np.random.Generator, frames: int, fs: float, *, time_constant_s: float, sd: float
) -> Floats:
    """Draw a slow random change about zero (an Ornstein-Uhlenbeck process).

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Length [samples].
    fs : float
        Sample rate [Hz].
    time_constant_s : float
        Time in which it forgets [s].
    sd : float
        Standard deviation, in the unit of the result.

    Returns
    -------
    ndarray, shape (frames,)
        The change over time.
    """
    steps = int(np.ceil(frames / fs * CONTROL_HZ)) + 2
    keep = np.exp(-1 / (time_constant_s * CONTROL_HZ))
    kicks = rng.standard_normal(steps) * sd * np.sqrt(1 - keep**2)
    kicks[0] = rng.standard_normal() * sd
    slow: Floats = signal.lfilter([1.0], [1.0, -keep], kicks)
    change: Floats = np.interp(np.arange(frames) * (CONTROL_HZ / fs), np.arange(steps), slow)
    return change


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise that is always there in one bay, as its densities on the frequency grid."""

    fan: Floats
    """Fan and far machines, one-sided density [1/Hz]."""
    microphone: Floats
    """The microphone's own noise, one-sided density [1/Hz]."""
    hum: tuple[tuple[float, float], ...]
    """Frequency [Hz] and amplitude [1] of each harmonic of the mains."""

    @property
    def density(self) -> Floats:
        """Fan and microphone together: the quiet floor [1/Hz]."""
        return self.fan + self.microphone


def draw_floor(
    rng: np.random.Generator, fs: float, level_dbfs: float, *, hum_db: tuple[float, float]
) -> Floor:
    """Draw the floor of a bay.

    The fan's power falls as 1 / (1 + (f / f0)^a) with f0 of 80-200 Hz and a of 1.1-1.9; the
    microphone's noise is white, 12-28 dB below the fan at 1 kHz. Guesses, decision record 0020.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    fs : float
        Sample rate [Hz].
    level_dbfs : float
        Power of the quiet floor between 1 and 16 kHz relative to full scale [dB].
    hum_db : (float, float)
        Faintest and loudest harmonic of the mains re the fan in a 47 Hz band around it [dB].
    """
    grid = frequency_grid(fs)
    corner, slope = rng.uniform(80, 200), rng.uniform(1.1, 1.9)
    rumble_cut = 1 / (1 + (LOWEST_HZ / grid) ** 4)
    fan = rumble_cut / (1 + (grid / corner) ** slope)
    microphone = np.full_like(grid, 10 ** (-rng.uniform(12, 28) / 10)) * np.interp(1000, grid, fan)
    scale = 10 ** (level_dbfs / 10) / band_power(fan + microphone, fs)
    in_band = [46.9 * float(np.interp(n * MAINS_HZ, grid, fan * scale)) for n in HUM_HARMONICS]
    hum = tuple(
        (n * MAINS_HZ, float(np.sqrt(2 * power) * 10 ** (rng.uniform(*hum_db) / 20)))
        for n, power in zip(HUM_HARMONICS, in_band, strict=True)
    )
    return Floor(fan * scale, microphone * scale, hum)


def draw_compressor(rng: np.random.Generator, fs: float, floor: Floor) -> Floats:
    """Draw the density of a running compressor: duller than the fan, 2 +- 2.5 dB re it at 1 kHz."""
    grid = frequency_grid(fs)
    corner, slope = rng.uniform(60, 150), rng.uniform(1.3, 1.9)
    shape = 1 / (1 + (LOWEST_HZ / grid) ** 4) / (1 + (grid / corner) ** slope)
    gain = 10 ** (rng.normal(2, 2.5) / 10)
    density: Floats = shape * gain * np.interp(1000, grid, floor.fan) / np.interp(1000, grid, shape)
    return density


def hum(
    rng: np.random.Generator, frames: int, fs: int, lines: Sequence[tuple[float, float]]
) -> Floats:
    """Add up mains harmonics, each with a phase of its own.

    All frequencies are whole numbers of hertz, so the sum repeats every second.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Length [samples].
    fs : int
        Sample rate [Hz].
    lines : sequence of (float, float)
        Frequency [Hz] and amplitude [1] of each harmonic.

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].
    """
    t = np.arange(fs) / fs
    second = np.zeros(fs)
    for frequency, amplitude in lines:
        second += amplitude * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi))
    return np.resize(second, frames)


def running_envelope(
    rng: np.random.Generator, frames: int, fs: float, *, share: float, switch: float, rise_s: float
) -> Floats | None:
    """Amplitude of a machine that may run, and may start or stop once during a take.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Length [samples].
    fs : float
        Sample rate [Hz].
    share : float
        Probability that it runs when the take begins [1].
    switch : float
        Probability that it starts or stops during the take [1].
    rise_s : float
        Time constant of starting and of running down [s].

    Returns
    -------
    ndarray, shape (frames,), or None
        Amplitude between 0 and 1 [1]; None if it stands still throughout.
    """
    runs, switches, at = rng.uniform() < share, rng.uniform() < switch, int(rng.integers(frames))
    if not (runs or switches):
        return None
    envelope = np.full(frames, float(runs))
    if switches:
        decay = np.exp(-np.arange(frames - at) / (rise_s * fs))
        envelope[at:] = decay if runs else 1 - decay
    return envelope


def _white(rng: np.random.Generator, frames: int) -> NDArray[np.complex128]:
    """Draw the spectrum of white noise whose one-sided density is 1 / fs."""
    n = fft.next_fast_len(frames, real=True)
    pairs = rng.standard_normal(2 * (n // 2 + 1)) * float(np.sqrt(n / 4))
    return pairs.view(np.complex128)


def _shaped(white: NDArray[np.complex128], frames: int, amplitude: Floats) -> Floats:
    """Shape a white spectrum by an amplitude on the grid and take it to the time domain."""
    n = fft.next_fast_len(frames, real=True)
    at = np.linspace(0, GRID_POINTS - 1, n // 2 + 1)
    shape = np.interp(at, np.arange(GRID_POINTS), amplitude)
    noise: Floats = fft.irfft(white * shape, n, overwrite_x=True)[:frames]
    return noise
