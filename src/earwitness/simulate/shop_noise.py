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
    n = fft.next_fast_len(frames, real=True)
    amplitude = _between(np.sqrt(density * (fs * n / 4)), n // 2 + 1)
    spectrum = rng.standard_normal(2 * len(amplitude)).view(np.complex128)
    spectrum *= amplitude
    return np.asarray(fft.irfft(spectrum, n, overwrite_x=True)[:frames], dtype=np.float64)


def wandering_gain(
    rng: np.random.Generator, frames: int, fs: float, *, time_constant_s: float, sd_db: float
) -> Floats:
    """Draw a gain that wanders slowly (its decibels are an Ornstein-Uhlenbeck process about 0).

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
    sd_db : float
        Standard deviation [dB].

    Returns
    -------
    ndarray, shape (frames,)
        Amplitude gain [1].
    """
    steps = int(np.ceil(frames / fs * CONTROL_HZ)) + 2
    keep = np.exp(-1 / (time_constant_s * CONTROL_HZ))
    kicks = rng.standard_normal(steps) * sd_db * np.sqrt(1 - keep**2)
    kicks[0] = rng.standard_normal() * sd_db
    slow_db: Floats = signal.lfilter([1.0], [1.0, -keep], kicks)
    gain: Floats = 10 ** (slow_db / 20)
    at = np.arange(frames) * (CONTROL_HZ / fs)
    return np.interp(at, np.arange(steps), gain)


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


def draw_floor(rng: np.random.Generator, fs: float, level_dbfs: float) -> Floor:
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
    """
    grid = frequency_grid(fs)
    corner, slope = rng.uniform(80, 200), rng.uniform(1.1, 1.9)
    rumble_cut = 1 / (1 + (LOWEST_HZ / grid) ** 4)
    fan = rumble_cut / (1 + (grid / corner) ** slope)
    microphone = np.full_like(grid, 10 ** (-rng.uniform(12, 28) / 10)) * np.interp(1000, grid, fan)
    scale = 10 ** (level_dbfs / 10) / band_power(fan + microphone, fs)
    hum = tuple(
        (n * MAINS_HZ, _hum_amplitude(rng, n * MAINS_HZ, fan * scale, grid)) for n in HUM_HARMONICS
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


def _hum_amplitude(
    rng: np.random.Generator, frequency_hz: float, fan: Floats, grid: Floats
) -> float:
    """Draw a line 5-22 dB above the fan in a 47 Hz band around it; guess, decision record 0020."""
    in_band = 46.9 * float(np.interp(frequency_hz, grid, fan))
    return float(np.sqrt(2 * in_band) * 10 ** (rng.uniform(5, 22) / 20))


def _between(values: Floats, n: int) -> Floats:
    """Interpolate values on the grid to n points from its first to its last."""
    at = np.linspace(0, len(values) - 1, n)
    return np.interp(at, np.arange(len(values)), values)
