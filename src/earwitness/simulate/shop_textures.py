"""Simulate sounds that go on through a whole take: rain, an idling engine, wind, water, a crowd.

They stand in for recordings of places: each is made by a recipe of its own that shares nothing with
the fan, the tools and the leaks of the other files, so a detector that suits those alone shows it.
Recipes and levels are guesses, collected in decision record 0022.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from earwitness.simulate.shop_events import add_at, radio_phrase

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.units import Floats

TEXTURE_SEED = 22
"""Seed of the textures that all bays share [1]. Chosen: arbitrary."""
TEXTURE_S = 7.0
"""Length of a texture [s]. Chosen: longer than a period of a take."""
PIECE_S = (2.0, 6.0)
"""Shortest and longest piece of it that is played at a time [s]. Chosen: less than the whole."""
FADE_S = 0.3
"""Time in which a piece fades into the next, at equal power [s]. Chosen."""
VERSIONS = 2
"""How many of each kind there are [1]."""


@lru_cache(maxsize=4)
def textures(fs: float) -> tuple[Floats, ...]:
    """Make all textures for a sample rate, each of unit power, shape (frames,) [1]."""
    rng = np.random.default_rng([TEXTURE_SEED, round(fs)])
    makers: tuple[Callable[[np.random.Generator, float], Floats], ...] = (
        rain,
        idling_engine,
        wind,
        running_water,
        vacuum_cleaner,
        crowd,
        crickets,
    )
    made = [make(rng, fs) for make in makers for _ in range(VERSIONS)]
    return tuple(x / np.sqrt(np.mean(x**2)) for x in made)


def strung(rng: np.random.Generator, texture: Floats, frames: int, fs: float) -> Floats:
    """Join pieces of a texture at random, faded into each other.

    A loop would not do: one of 14 s keeps time with an air valve that turns every 3.4 s.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    texture : ndarray, shape (texture frames,)
        What to take pieces of [1].
    frames : int
        Length [samples].
    fs : float
        Sample rate [Hz].

    Returns
    -------
    ndarray, shape (frames,)
        Samples [1].
    """
    sound, fade = np.zeros(frames), round(FADE_S * fs)
    slope = np.sin(np.pi / 2 * (np.arange(fade) + 0.5) / fade)
    at = -fade
    while at < frames:
        n = round(rng.uniform(*PIECE_S) * fs)
        start = int(rng.integers(len(texture) - n))
        piece = texture[start : start + n].copy()
        piece[:fade] *= slope
        piece[-fade:] *= slope[::-1]
        add_at(sound, piece, at)
        at += n - fade
    return sound


def rain(rng: np.random.Generator, fs: float) -> Floats:
    """Draw rain on sheet metal: 150-900 drops a second, lognormal in loudness."""
    hits = _hits(rng, fs, rng.uniform(150, 900))
    t = np.arange(round(0.02 * fs)) / fs
    sheet = sum(
        rng.normal() * np.exp(-t / rng.uniform(0.001, 0.005)) * np.sin(2 * np.pi * f * t)
        for f in rng.uniform(400, min(9_000, 0.4 * fs), 9)
    )
    return np.asarray(signal.oaconvolve(hits, sheet)[: len(hits)], dtype=np.float64)


def idling_engine(rng: np.random.Generator, fs: float) -> Floats:
    """Draw an engine that idles outside: 20-35 firings a second, uneven, through an exhaust."""
    hits = np.zeros(_frames(fs))
    period, at = 1 / rng.uniform(20, 35), 0.0
    while at < TEXTURE_S:
        pulse = rng.standard_normal(round(0.012 * fs)) * np.hanning(round(0.012 * fs))
        add_at(hits, pulse * rng.uniform(0.6, 1.3), round(at * fs))
        at += period * rng.normal(1, 0.02)
    low = signal.butter(1, [60, rng.uniform(600, 1_800)], "bandpass", fs=fs, output="sos")
    return np.asarray(signal.sosfilt(low, hits), dtype=np.float64)


def wind(rng: np.random.Generator, fs: float) -> Floats:
    """Draw wind at a door: dull noise in gusts of 4 dB that come and go over 1.5 s."""
    low = signal.butter(1, rng.uniform(200, 900), "lowpass", fs=fs, output="sos")
    noise = signal.sosfilt(low, rng.standard_normal(_frames(fs)))
    return np.asarray(noise * _swells(rng, fs, 1.5, 4.0), dtype=np.float64)


def running_water(rng: np.random.Generator, fs: float) -> Floats:
    """Draw a tap that runs into a basin: many short rising tones over splashing noise."""
    water = np.zeros(_frames(fs))
    for _ in range(round(TEXTURE_S * rng.uniform(60, 200))):
        t = np.arange(round(rng.uniform(0.004, 0.02) * fs)) / fs
        f = np.exp(rng.uniform(np.log(500), np.log(4_000)))
        drop = np.sin(2 * np.pi * f * (t + 4 * t**2)) * np.exp(-t / (0.3 * t[-1]))
        add_at(water, drop * rng.lognormal(0, 0.7), int(rng.integers(len(water))))
    splash = signal.butter(1, [700, min(7_000, 0.45 * fs)], "bandpass", fs=fs, output="sos")
    noise = signal.sosfilt(splash, rng.standard_normal(len(water))) * _swells(rng, fs, 0.3, 1.0)
    return np.asarray(water + rng.uniform(0.3, 1) * water.std() / noise.std() * noise)


def vacuum_cleaner(rng: np.random.Generator, fs: float) -> Floats:
    """Draw a vacuum cleaner next door: a whine that drifts with its load, in broad noise."""
    pitch = rng.uniform(180, 420) * _swells(rng, fs, 2.0, 0.15)
    phase = 2 * np.pi * np.cumsum(pitch) / fs
    whine = sum(np.sin(k * phase + k) / k for k in range(1, 9))
    band = signal.butter(1, [250, rng.uniform(2_000, 6_000)], "bandpass", fs=fs, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(len(phase)))
    return np.asarray(noise / noise.std() + rng.uniform(0.2, 0.8) * whine, dtype=np.float64)


def crowd(rng: np.random.Generator, fs: float) -> Floats:
    """Draw talk of six people in the next room."""
    talk = np.zeros(_frames(fs))
    for _ in range(18):
        add_at(talk, radio_phrase(rng, fs), int(rng.integers(-round(fs), len(talk))))
    return talk


def crickets(rng: np.random.Generator, fs: float) -> Floats:
    """Draw insects outside: chirps of three pulses at 3-6 kHz, and leaves that rustle."""
    chirps = np.zeros(_frames(fs))
    for _ in range(3):
        f, every, at = rng.uniform(3_000, min(6_000, 0.4 * fs)), rng.uniform(0.3, 0.8), 0.0
        t = np.arange(round(0.015 * fs)) / fs
        pulse = np.sin(2 * np.pi * f * t) * np.hanning(len(t))
        while at < TEXTURE_S:
            for k in range(3):
                add_at(chirps, pulse, round((at + 0.025 * k) * fs))
            at += every * rng.normal(1, 0.05)
    high = signal.butter(1, 1_500, "highpass", fs=fs, output="sos")
    leaves = signal.sosfilt(high, rng.standard_normal(len(chirps))) * _swells(rng, fs, 0.8, 3.0)
    return np.asarray(chirps / chirps.std() + rng.uniform(0.5, 2) * leaves / leaves.std())


def _frames(fs: float) -> int:
    return round(TEXTURE_S * fs)


def _hits(rng: np.random.Generator, fs: float, per_s: float) -> Floats:
    """Draw impulses at random times with lognormal strength, shape (frames,) [1]."""
    hits = np.zeros(_frames(fs))
    at = rng.integers(len(hits), size=rng.poisson(per_s * TEXTURE_S))
    np.add.at(hits, at, rng.lognormal(0, 1, len(at)) * rng.choice([-1.0, 1.0], len(at)))
    return hits


def _swells(rng: np.random.Generator, fs: float, seconds: float, sd_db: float) -> Floats:
    """Draw an amplitude that swells by some decibels over some seconds, shape (frames,) [1]."""
    knots = rng.normal(0, sd_db, int(TEXTURE_S / seconds) + 3)
    t = np.arange(_frames(fs)) / fs / seconds
    return np.asarray(10 ** (np.interp(t, np.arange(len(knots)), knots) / 20), dtype=np.float64)
