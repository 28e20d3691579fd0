"""Simulate what follows the valve without leaking: hands that move, and a hose that hisses.

These are the confounders of an air-cycled take: they keep its rhythm. Levels and times are guesses,
collected in decision record 0018.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from earwitness.simulate.leak import jet_density, peak_frequency_hz, valve_envelope
from earwitness.simulate.shop_events import add_at
from earwitness.simulate.shop_noise import band_power, frequency_grid, shaped_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats

REACHING_S = (0.1, 0.5)
"""Shortest and longest time from the first rustle to the turn of the valve [s]."""
LETTING_GO_S = (0.2, 0.6)
"""Shortest and longest time from the turn until the hand is still [s]."""
RUSTLE_DB = (-3.0, 12.0)
"""Softest and loudest rustle re the given power [dB]."""
CLICK_DB = (10.0, 25.0)
"""Softest and loudest click of the valve's lever re the given power [dB]."""
COUPLER_GAP_MM = 0.2
"""Gap of a hose coupling that does not quite close [mm]."""


def handling_noise(
    rng: np.random.Generator, frames: int, fs: float, turns_s: Sequence[float], power: float
) -> Floats:
    """Draw a sleeve that rustles around each turn of the valve, and the click of its lever.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    frames : int
        Length [samples].
    fs : float
        Sample rate [Hz].
    turns_s : sequence of float
        When the valve is turned [s].
    power : float
        Power that the levels are relative to, as of a bay's quiet floor [full scale squared].

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].
    """
    noise = np.zeros(frames)
    cloth = signal.butter(1, [200, min(4_000, 0.45 * fs)], "bandpass", fs=fs, output="sos")
    for turn_s in turns_s:
        reach, release = rng.uniform(*REACHING_S), rng.uniform(*LETTING_GO_S)
        n = round((reach + release) * fs)
        rustle = signal.sosfilt(cloth, rng.standard_normal(n)) * np.hanning(n)
        rustle *= _gain(rng, RUSTLE_DB, power) / np.sqrt(np.mean(rustle**2))
        add_at(noise, rustle, round((turn_s - reach) * fs))
        t = np.arange(round(0.05 * fs)) / fs
        click = rng.standard_normal(len(t)) * np.exp(-t / rng.uniform(0.001, 0.006))
        click *= _gain(rng, CLICK_DB, power) / np.sqrt(np.mean(click**2))
        add_at(noise, click, round(turn_s * fs))
    return noise


def coupler_hiss(
    rng: np.random.Generator,
    frames: int,
    fs: float,
    air_on_s: Sequence[tuple[float, float]],
    power: float,
) -> Floats:
    """Draw the hiss of a leaking hose coupling, which comes and goes with the valve at once.

    Parameters
    ----------
    rng, frames, fs
        As for `handling_noise`.
    air_on_s : sequence of (float, float)
        When the valve is open [s].
    power : float
        Its power over 1-16 kHz [full scale squared].

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].
    """
    density = jet_density(frequency_grid(fs), peak_frequency_hz(COUPLER_GAP_MM))
    density *= power / band_power(density, fs)
    hiss = shaped_noise(rng, frames, fs, density)
    return hiss * valve_envelope(frames, fs, air_on_s, time_constant_s=0.02)


def _gain(rng: np.random.Generator, range_db: tuple[float, float], power: float) -> float:
    return float(np.sqrt(power) * 10 ** (rng.uniform(*range_db) / 20))
