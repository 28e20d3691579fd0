"""Simulate what comes and goes in a shop: impact wrench, ratchet, dropped metal, air tool, radio.

Sounds are made once per library, sent through a reverberant room and scaled to unit power over
their loud part, so that a bay can place thousands of takes quickly. All constants without another
source are guesses at an ordinary shop, collected in decision record 0020.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.units import Floats

LIBRARY_SEED = 20
"""Seed of the library that all bays share [1]. Chosen: arbitrary."""
SOUNDS_PER_KIND = {"impact": 12, "ratchet": 8, "drop": 12, "radio": 8}
"""How many different sounds of each kind the library holds [1]."""
REVERBERATION_S = (0.5, 1.3)
"""Shortest and longest reverberation time of the shop [s]."""
DIRECT_DB = {"impact": (-8, 0), "ratchet": (-6, 2), "drop": (-6, 2), "radio": (-6, 3)}
"""Direct sound relative to reverberant sound, from far to near [dB]."""
FORMANTS_HZ = (
    (270, 2290, 3010),
    (530, 1840, 2480),
    (660, 1720, 2410),
    (730, 1090, 2440),
    (570, 840, 2410),
    (300, 870, 2240),
)
"""First three formants of six vowels, averages over men [Hz].

G. E. Peterson and H. L. Barney (1952), J. Acoust. Soc. Am. 24, 175-184, table II, from memory.
"""
FORMANT_WIDTHS_HZ = (80.0, 110.0, 160.0)
"""Width of each formant [Hz]. Common practice in speech synthesis, no source."""


@dataclass(frozen=True, slots=True)
class Library:
    """Sounds ready to be placed, each with unit power over its loud part."""

    sounds: dict[str, tuple[Floats, ...]]

    def pick(self, rng: np.random.Generator, kind: str) -> int:
        """Pick one sound of a kind by its number."""
        return int(rng.integers(len(self.sounds[kind])))

    def draw(self, rng: np.random.Generator, kind: str) -> Floats:
        """Pick one sound of a kind, shape (frames,) [1]."""
        return self.sounds[kind][self.pick(rng, kind)]


@lru_cache(maxsize=4)
def shop_library(fs: float, seed: int = LIBRARY_SEED, *, far: bool = False) -> Library:
    """Make the library for a sample rate; the same seed gives the same sounds.

    Parameters
    ----------
    fs : float
        Sample rate [Hz].
    seed : int
        Seed of all chance in it.
    far : bool
        True for the same sounds in the same order, heard from another place in the room.
    """
    rng = np.random.default_rng([seed, round(fs)])
    there = np.random.default_rng([seed, round(fs), 1])
    makers: dict[str, Callable[[np.random.Generator, float], Floats]] = {
        "impact": impact_burst,
        "ratchet": ratchet,
        "drop": metal_drop,
        "radio": radio_phrase,
    }
    sounds: dict[str, tuple[Floats, ...]] = {}
    for kind, make in makers.items():
        heard = []
        for _ in range(SOUNDS_PER_KIND[kind]):
            dry, direct_db = make(rng, fs), rng.uniform(*DIRECT_DB[kind])
            near = _in_room(rng, dry, fs, direct_db)
            heard.append(_in_room(there, dry, fs, direct_db) if far else near)
        sounds[kind] = tuple(heard)
    return Library(sounds)


def impact_burst(rng: np.random.Generator, fs: float) -> Floats:
    """Draw a burst of an impact wrench: 18-30 blows a second for 0.6-2.5 s, over exhausting air."""
    blows = [_blow(rng, fs, 0.1, (700, 10_000), (0.003, 0.025)) for _ in range(4)]
    seconds = rng.uniform(0.6, 2.5)
    burst = _train(rng, fs, seconds, rate_hz=rng.uniform(18, 30), jitter=0.1, blows=blows)
    exhaust = rng.standard_normal(len(burst)) * (np.arange(len(burst)) < seconds * fs)
    high = signal.butter(1, 1500, "highpass", fs=fs, output="sos")
    loudness = float(np.sqrt(np.mean(burst**2)))
    air: Floats = signal.sosfilt(high, exhaust)
    return burst + 0.45 * loudness * air


def ratchet(rng: np.random.Generator, fs: float) -> Floats:
    """Draw a turn of a ratchet: 9-18 clicks a second for 0.4-1.5 s."""
    click = _blow(rng, fs, 0.05, (1500, 12_000), (0.001, 0.006))
    seconds = rng.uniform(0.4, 1.5)
    return _train(rng, fs, seconds, rate_hz=rng.uniform(9, 18), jitter=0.15, blows=[click])


def metal_drop(rng: np.random.Generator, fs: float) -> Floats:
    """Draw a dropped tool that rings and bounces, each bounce 0.62 of the last in time."""
    ring = _blow(rng, fs, 0.5, (900, 9000), (0.02, 0.18))
    total = np.zeros(round(1.6 * fs))
    at, pause, strength = 0.0, rng.uniform(0.1, 0.3), 1.0
    while pause > 0.015 and at < 1.0:
        add_at(total, ring * strength, round(at * fs))
        at, pause, strength = at + pause, pause * 0.62, strength * 0.6
    return total


def radio_phrase(rng: np.random.Generator, fs: float) -> Floats:
    """Draw 2-4 s of a radio-like voice: pulses and noise through formants; no words in it.

    Four to five syllables a second, pitch 90-220 Hz gliding down, a fricative before every second
    vowel on average, band-limited to 150-5000 Hz by the radio's loudspeaker.
    """
    pitch = rng.uniform(110, 200)
    parts: list[Floats] = []
    for i in range(int(rng.integers(9, 18))):
        if rng.uniform() < 0.5:
            parts.append(_fricative(rng, fs))
        parts.append(_vowel(rng, fs, pitch * 2 ** (-0.03 * i + rng.normal(0, 0.08))))
        parts.append(np.zeros(round(rng.uniform(0.01, 0.08) * fs)))
    top = min(5000.0, 0.45 * fs)
    speaker = signal.butter(2, [150, top], "bandpass", fs=fs, output="sos")
    return np.asarray(signal.sosfilt(speaker, np.concatenate(parts)), dtype=np.float64)


def air_blast(seconds: float, tail_s: float, fs: float) -> Floats:
    """Amplitude of an air tool that is squeezed and let go in a reverberant room.

    Parameters
    ----------
    seconds : float
        How long it blows [s].
    tail_s : float
        Reverberation time of the room: after this the sound is 60 dB down [s].
    fs : float
        Sample rate [Hz].

    Returns
    -------
    ndarray, shape (frames,)
        Amplitude between 0 and 1 [1].
    """
    begin, tail = round(seconds * fs), round(tail_s * 0.7 * fs)
    attack = 1 - np.exp(-np.arange(begin) / (0.02 * fs))
    return np.concatenate([attack, 10 ** (-3 * np.arange(tail) / (tail_s * fs))])


def room_response(rng: np.random.Generator, fs: float, reverberation_s: float) -> Floats:
    """Draw the reverberant tail of a room; above 2 kHz it dies away in 0.6 of the time.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    fs : float
        Sample rate [Hz].
    reverberation_s : float
        Time after which the tail below 2 kHz is 60 dB down [s].

    Returns
    -------
    ndarray, shape (frames,)
        Response with unit energy [1].
    """
    t = np.arange(round(min(reverberation_s, 1.0) * fs)) / fs
    low = signal.butter(2, 2000, "lowpass", fs=fs, output="sos")
    high = signal.butter(2, 2000, "highpass", fs=fs, output="sos")
    tail = signal.sosfilt(low, rng.standard_normal(len(t))) * 10 ** (-3 * t / reverberation_s)
    tail += signal.sosfilt(high, rng.standard_normal(len(t))) * 10 ** (
        -3 * t / (0.6 * reverberation_s)
    )
    response: Floats = tail / np.sqrt(np.sum(tail**2))
    return response


def add_at(total: Floats, part: Floats, at: int) -> None:
    """Add a part at a sample of a longer array, cut off where it runs out of it, in place.

    Parameters
    ----------
    total, part : ndarray, shape (frames,)
        The array that is changed, and what is added to it.
    at : int
        Sample of `total` at which the part begins; may lie before it or behind it.
    """
    begin, end = max(at, 0), min(at + len(part), len(total))
    if end > begin:
        total[begin:end] += part[begin - at : end - at]


def _in_room(rng: np.random.Generator, dry: Floats, fs: float, direct_db: float) -> Floats:
    tail = room_response(rng, fs, rng.uniform(*REVERBERATION_S)) * 10 ** (-direct_db / 20)
    tail[0] += 1
    wet = signal.fftconvolve(dry, tail)
    short = wet[: len(wet) // 480 * 480].reshape(-1, 480)
    power = np.mean(short**2, axis=1)
    loud = power > 0.01 * power.max()
    scaled: Floats = wet / np.sqrt(np.mean(power[loud]))
    return scaled


def _blow(
    rng: np.random.Generator,
    fs: float,
    seconds: float,
    range_hz: tuple[float, float],
    decay_s: tuple[float, float],
) -> Floats:
    """Twelve decaying partials and a click, shape (seconds fs,)."""
    t = np.arange(round(seconds * fs)) / fs
    blow = rng.standard_normal(len(t)) * np.exp(-t / 0.0006) * 2
    for _ in range(12):
        frequency = np.exp(rng.uniform(np.log(range_hz[0]), np.log(min(range_hz[1], 0.45 * fs))))
        ring = np.exp(-t / rng.uniform(*decay_s))
        blow += rng.normal() * ring * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi))
    return blow


def _train(
    rng: np.random.Generator,
    fs: float,
    seconds: float,
    *,
    rate_hz: float,
    jitter: float,
    blows: list[Floats],
) -> Floats:
    total = np.zeros(round(seconds * fs) + len(blows[0]))
    at = 0.0
    while at < seconds:
        blow = blows[int(rng.integers(len(blows)))]
        add_at(total, blow * rng.uniform(0.6, 1.2), round(at * fs))
        at += max(0.01, rng.normal(1 / rate_hz, jitter / rate_hz))
    return total


def _vowel(rng: np.random.Generator, fs: float, pitch_hz: float) -> Floats:
    frames = round(rng.uniform(0.09, 0.22) * fs)
    phase = np.cumsum(pitch_hz * (1 - 0.1 * np.arange(frames) / frames)) / fs
    pulses = np.diff(np.floor(phase), prepend=0.0)
    voice = signal.lfilter([1.0], [1.0, -0.95], pulses)
    formants = FORMANTS_HZ[int(rng.integers(len(FORMANTS_HZ)))]
    for formant, width in zip(formants, FORMANT_WIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * width / fs)
        poles = [1.0, -2 * radius * np.cos(2 * np.pi * formant / fs), radius**2]
        voice = signal.lfilter([sum(poles)], poles, voice)
    voiced: Floats = voice * np.hanning(frames)
    scaled: Floats = voiced / np.sqrt(np.mean(voiced**2))
    return scaled


def _fricative(rng: np.random.Generator, fs: float) -> Floats:
    frames = round(rng.uniform(0.04, 0.12) * fs)
    corner = min(rng.uniform(2500, 4500), 0.4 * fs)
    high = signal.butter(2, corner, "highpass", fs=fs, output="sos")
    noise: Floats = signal.sosfilt(high, rng.standard_normal(frames)) * np.hanning(frames)
    return noise * 0.3
