"""Simulate what an engine does to a hiss on its way from the leak to where a probe can hear it.

Every passage is a power gain over frequency: the crankcase and the oil separator dull what reaches
the oil filler, the exhaust dulls and rings, an open throttle leaves the hiss alone, coolant dulls
it a little, a plug well rings at its quarter waves. No recording of a real engine stands behind the
corner frequencies; they are guesses, which is why a bay scatters them (decision record 0020).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from earwitness.units import Floats

SOUND_SPEED_M_S = 343.3
"""Speed of sound in air at 20 degrees Celsius [m/s]. CoolProp, dry air at 1 atm: 343.34."""
CORNER_SCATTER_OCT = 0.35
"""Standard deviation of a corner frequency from engine to engine [octave]. Guess, record 0020."""
LENGTH_SCATTER_OCT = 0.2
"""Standard deviation of a pipe length from engine to engine [octave]. Guess, record 0020."""
TILT_SCATTER_DB_OCT = 0.7
"""Standard deviation of an unknown spectral tilt [dB/octave]. Guess, record 0020."""
RIPPLE_DB = 1.5
"""Amplitude of an unknown smooth ripple over frequency [dB]. Guess, record 0020."""
RIPPLE_CYCLE_OCT = (1.0, 2.5)
"""Shortest and longest cycle of that ripple [octave]. Guess, record 0020."""


@dataclass(frozen=True, slots=True)
class Passage:
    """How one kind of listening point colours a hiss."""

    corner_hz: float | None = None
    """Frequency above which the hiss is dulled, or None [Hz]."""
    order: float = 1.0
    """Power falls as f^(-2 order) above the corner [1]."""
    length_m: float | None = None
    """Length of the pipe that rings, or None [m]."""
    stopped: bool = False
    """True if one end of the pipe is shut: it rings at odd quarter waves, else at half waves."""
    rings: int = 0
    """Number of resonances that are heard [1]."""
    ring_gain: float = 0.0
    """Power at a resonance relative to beside it, less one [1]."""
    ring_width_hz: float = 60.0
    """Standard deviation of the shape of a resonance [Hz]."""


PASSAGES = {
    "oil-filler": Passage(corner_hz=2500.0, order=1.5),
    "tailpipe": Passage(
        corner_hz=3500.0, order=1.5, length_m=0.38, rings=5, ring_gain=2.5, ring_width_hz=60.0
    ),
    "throttle-body": Passage(),
    "radiator": Passage(corner_hz=3000.0, order=1.0),
    "plug-hole": Passage(length_m=0.078, stopped=True, rings=3, ring_gain=1.5, ring_width_hz=120.0),
    "adapter": Passage(),
    "control": Passage(),
}
"""Passage to each kind of listening point. Guesses, decision record 0020."""


def passage_of(point: str) -> Passage:
    """Look up the passage to a listening point such as `tailpipe-left` or `plug-hole-2`.

    Raises
    ------
    ValueError
        If there is no such point.
    """
    for kind, passage in PASSAGES.items():
        if point == kind or point.startswith(kind + "-"):
            return passage
    raise ValueError(f"point={point!r} is none of {', '.join(PASSAGES)}")


def resonances_hz(passage: Passage) -> list[float]:
    """Frequencies at which a passage rings.

    f = n c / 2 L for a pipe with both ends open, f = (2 n - 1) c / 4 L with one end shut.

    Returns
    -------
    list of float
        Frequencies in ascending order; empty if nothing rings [Hz].

    Examples
    --------
    >>> [round(f) for f in resonances_hz(Passage(length_m=0.078, stopped=True, rings=2))]
    [1100, 3301]
    """
    if passage.length_m is None:
        return []
    quarter = SOUND_SPEED_M_S / (4 * passage.length_m)
    step = range(1, 2 * passage.rings, 2) if passage.stopped else range(2, 2 * passage.rings + 1, 2)
    return [n * quarter for n in step]


def power_gain(passage: Passage, frequency_hz: Floats) -> Floats:
    """Power gain of a passage.

    Parameters
    ----------
    passage : Passage
        Where the hiss goes through.
    frequency_hz : ndarray, shape (n,)
        Frequencies [Hz].

    Returns
    -------
    ndarray, shape (n,)
        Gain [1].
    """
    gain = np.ones_like(frequency_hz)
    if passage.corner_hz is not None:
        gain /= 1 + (frequency_hz / passage.corner_hz) ** (2 * passage.order)
    for ring in resonances_hz(passage):
        bell = np.exp(-0.5 * ((frequency_hz - ring) / passage.ring_width_hz) ** 2)
        gain *= 1 + passage.ring_gain * bell
    return gain


def scattered(passage: Passage, rng: np.random.Generator) -> Passage:
    """Draw the same passage of another engine: other corner, other pipe length."""
    corner, length = rng.normal(0, CORNER_SCATTER_OCT), rng.normal(0, LENGTH_SCATTER_OCT)
    return replace(
        passage,
        corner_hz=None if passage.corner_hz is None else passage.corner_hz * 2**corner,
        length_m=None if passage.length_m is None else passage.length_m * 2**length,
    )


def unknown_colour(frequency_hz: Floats, rng: np.random.Generator) -> Floats:
    """Draw a power gain for all that no formula here covers: a tilt and a smooth ripple.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies above zero [Hz].
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    ndarray, shape (n,)
        Gain [1].
    """
    octaves = np.log2(frequency_hz / 4000.0)
    cycle = octaves / rng.uniform(*RIPPLE_CYCLE_OCT) + rng.uniform()
    ripple_db = RIPPLE_DB * np.sin(2 * np.pi * cycle)
    gain: Floats = 10 ** ((rng.normal(0, TILT_SCATTER_DB_OCT) * octaves + ripple_db) / 10)
    return gain
