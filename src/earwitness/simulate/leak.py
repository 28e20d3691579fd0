"""Simulate the hiss of air that escapes through a small gap, and how it follows the valve.

The spectrum has the shape of IEC 60534-8-3 (noise of control valves), equation 19, with its peak
at a Strouhal number of 0.2 for air at the speed of sound in the gap. A gap of a millimetre or less
puts that peak far above hearing; what a microphone hears is the skirt below it, which rises slowly.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats

HEAT_CAPACITY_RATIO = 1.4
"""Ratio of the heat capacities of air [1]. Any gas table, diatomic ideal gas."""
GAS_CONSTANT_J_KG_K = 287.05
"""Specific gas constant of dry air [J/(kg K)]. US Standard Atmosphere 1976 (287.053)."""
SHOP_AIR_K = 293.15
"""Stagnation temperature of the shop air, 20 degrees Celsius [K]. Chosen: room temperature."""
PEAK_STROUHAL = 0.2
"""Strouhal number of the spectral peak [1]. IEC 60534-8-3, table 4, seen in a secondary copy."""
VALVE_TIME_CONSTANT_S = 0.15
"""Time in which the hiss comes within 1/e of its end after the valve is moved [s].

Common practice, no source: a half-litre cylinder that fills through a millimetre orifice at
690 kPa; decision record 0020 says what it stands for.
"""


def throat_speed_m_s(stagnation_k: float = SHOP_AIR_K) -> float:
    """Speed of sound in a choked gap, c* = sqrt(2 gamma R T0 / (gamma + 1)).

    Parameters
    ----------
    stagnation_k : float
        Temperature of the air at rest before the gap [K].

    Returns
    -------
    float
        Speed [m/s].

    Examples
    --------
    >>> round(throat_speed_m_s(), 1)
    313.3
    """
    gamma = HEAT_CAPACITY_RATIO
    return float(np.sqrt(2 * gamma * GAS_CONSTANT_J_KG_K * stagnation_k / (gamma + 1)))


def peak_frequency_hz(gap_mm: float) -> float:
    """Frequency of the spectral peak of a choked jet, fp = St c* / D.

    Parameters
    ----------
    gap_mm : float
        Width of the gap [mm].

    Returns
    -------
    float
        Frequency [Hz].

    Raises
    ------
    ValueError
        If the gap is not positive.
    """
    if not gap_mm > 0:
        raise ValueError(f"gap_mm={gap_mm} must be positive")
    return PEAK_STROUHAL * throat_speed_m_s() / (gap_mm * 1e-3)


def third_octave_level_db(frequency_hz: Floats, peak_hz: float) -> Floats:
    """Level of each third-octave band of a jet relative to its total.

    L(f) = -8 - 10 lg {[1 + (f / 2 fp)^2.5] [1 + (fp / 2 f)^1.7]}

    Parameters
    ----------
    frequency_hz : ndarray, shape (bands,)
        Mid-band frequencies above zero [Hz].
    peak_hz : float
        Frequency of the spectral peak [Hz].

    Returns
    -------
    ndarray, shape (bands,)
        Level [dB].

    References
    ----------
    IEC 60534-8-3:2010, equation 19, seen in a secondary copy.
    """
    below = 1 + (frequency_hz / (2 * peak_hz)) ** 2.5
    above = 1 + (peak_hz / (2 * frequency_hz)) ** 1.7
    return -8 - 10 * np.log10(below * above)


def jet_density(frequency_hz: Floats, peak_hz: float) -> Floats:
    """Power spectral density of a jet, up to a constant factor.

    A third-octave band is as wide as its frequency times a constant, so the density is the
    band level's power divided by the frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies above zero [Hz].
    peak_hz : float
        Frequency of the spectral peak [Hz].

    Returns
    -------
    ndarray, shape (n,)
        Relative power density [1/Hz].
    """
    density: Floats = 10 ** (third_octave_level_db(frequency_hz, peak_hz) / 10) / frequency_hz
    return density


def valve_envelope(
    frames: int,
    fs: float,
    air_on_s: Sequence[tuple[float, float]],
    time_constant_s: float = VALVE_TIME_CONSTANT_S,
) -> Floats:
    """Amplitude of the hiss while the air valve is opened and closed.

    The valve moves at once; the pressure, and the hiss with it, follows as
    1 - exp(-t / tau) when it opens and exp(-t / tau) when it closes.

    Parameters
    ----------
    frames : int
        Length of the take [samples].
    fs : float
        Sample rate [Hz].
    air_on_s : sequence of (float, float)
        Begin and end of each time the valve is open, in order and disjoint [s].
    time_constant_s : float
        Time constant tau [s].

    Returns
    -------
    ndarray, shape (frames,)
        Amplitude between 0 (closed for long) and 1 (open for long) [1].

    Raises
    ------
    ValueError
        If the periods are not in order and disjoint.
    """
    moves = [t for period in air_on_s for t in period]
    if any(b <= a for a, b in pairwise(moves)):
        raise ValueError(f"air_on_s={list(air_on_s)} must be in order and disjoint")
    edges = [min(0, *moves, 0) * fs, *(t * fs for t in moves), float(frames)]
    envelope, level, tau = np.zeros(frames), 0.0, time_constant_s * fs
    for i, (begin, end) in enumerate(pairwise(edges)):
        target = float(i % 2)
        first, last = (min(max(round(t), 0), frames) for t in (begin, end))
        decay = np.exp(-(np.arange(first + 1, last + 1) - begin) / tau)
        envelope[first:last] = target + (level - target) * decay
        level = target + (level - target) * float(np.exp(-(end - begin) / tau))
    return envelope
