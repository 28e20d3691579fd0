"""Simulate what is heard at the radiator neck: bubbles, and drips that come by themselves.

All constants without another source are guesses, collected in decision record 0020.

References
----------
M. Minnaert, Phil. Mag. 16:235-248 (1933). K. van den Doel, ACM Trans. Appl. Percept. 2(4):534-546
(2005), from memory: damping, rising pitch and attack of bubbles near a surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

from earwitness.simulate.shop_events import add_at, room_response

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats

RADIUS_M = (0.7e-3, 5.0e-3)
"""Smallest and largest bubble [m], drawn evenly on a logarithmic scale."""
ATMOSPHERE_PA, WATER_KG_M3, ADIABATIC = 101_325.0, 998.2, 1.4
"""Pressure [Pa], density of water at 20 C [kg/m3] and ratio of specific heats of air [1].
Handbook values."""
MOST_RISE = 0.1
"""Largest rise of pitch, share of the frequency in one time constant [1] (van den Doel)."""
ATTACK_S = 0.0003
"""Time constant of a bubble's onset [s]."""
NECK = (0.3, 6.0)
"""Reverberation time of the neck and its surroundings [s], and direct over reverberant sound
[dB]."""


@dataclass(frozen=True, slots=True)
class Bubbling:
    """Bubbles of a take, and what is true of them."""

    samples: Floats
    """Shape (frames,) [1]."""
    at_s: tuple[float, ...]
    frequency_hz: tuple[float, ...]
    """Of each bubble at its beginning, in the order of `at_s` [Hz]."""


def resonance_hz(radius_m: float) -> float:
    """Return the frequency of a bubble near the surface, at one atmosphere [Hz]."""
    stiffness = 3 * ADIABATIC * ATMOSPHERE_PA / WATER_KG_M3
    return float(np.sqrt(stiffness) / (2 * np.pi * radius_m))


def bubble(rng: np.random.Generator, fs: float, radius_m: float) -> Floats:
    """Draw the sound of a bubble, shape (frames,), largest sample 1 [1]."""
    f = resonance_hz(radius_m)
    damping = 0.043 * f + 0.0014 * f**1.5
    t = np.arange(round(0.08 * fs)) / fs
    pitch = f * (1 + rng.uniform(0, MOST_RISE) * damping * t)
    ring = np.exp(-damping * t) * np.sin(2 * np.pi * np.cumsum(pitch) / fs)
    ring *= 1 - np.exp(-t / ATTACK_S)
    return np.asarray(ring / np.max(np.abs(ring)), dtype=np.float64)


def drip(rng: np.random.Generator, fs: float, radius_m: float) -> Floats:
    """Draw a drop that falls into water: a faint splash, then the bubble it drags under."""
    ring = bubble(rng, fs, radius_m)
    t = np.arange(round(0.004 * fs)) / fs
    splash = 0.15 * rng.standard_normal(len(t)) * np.exp(-t / 0.0006)
    pause = np.zeros(round(rng.uniform(0.005, 0.03) * fs))
    return np.concatenate([splash, pause, ring])


def bubbling(
    rng: np.random.Generator,
    fs: float,
    seconds: float,
    per_minute: float,
    *,
    during_s: Sequence[tuple[float, float]] | None = None,
    drips: bool = False,
    neck: tuple[float, float] = NECK,
) -> Bubbling:
    """Draw bubbles that come at random, each with unit amplitude at the neck before its room.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    fs : float
        Sample rate [Hz].
    seconds : float
        Length [s].
    per_minute : float
        Mean rate while they come [1/min].
    during_s : sequence of (float, float), optional
        When they come [s]; all the time if left out.
    drips : bool
        Falling drops instead of rising bubbles.
    neck : (float, float)
        Reverberation time [s], and direct over reverberant sound [dB].
    """
    samples = np.zeros(round(seconds * fs))
    times: list[float] = []
    for begin, end in during_s or [(0.0, seconds)]:
        number = rng.poisson(per_minute / 60 * (end - begin))
        times += [float(at) for at in rng.uniform(begin, end, number)]
    frequencies = []
    tail = room_response(rng, fs, neck[0]) * 10 ** (-neck[1] / 20)
    tail[0] += 1
    for at in sorted(times):
        radius = float(np.exp(rng.uniform(*np.log(RADIUS_M))))
        sound = (drip if drips else bubble)(rng, fs, radius)
        add_at(samples, signal.fftconvolve(sound, tail), round(at * fs))
        frequencies.append(resonance_hz(radius))
    return Bubbling(samples, tuple(sorted(times)), tuple(frequencies))
