"""The spectrum a leak is expected to have where the probe listens.

The jet is the same everywhere; the path to the probe colours it. The paths are estimates from the
geometry, not measurements: the detector only needs them to put its weight on the right octaves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.units import Floats

PEAK_HZ = 31_300.0
"""Peak of a choked 2 mm jet in air at 20 C, 0.2 * 313 m/s / 2 mm [Hz]: Strouhal number 0.2,
IEC 60534-8-3:2010, table 4 (seen in a secondary copy)."""
OIL_FILLER_HZ = 2_500.0
"""Low-pass of crankcase, oil and baffles [Hz]. Estimate, no source."""
TAILPIPE_HZ = 3_500.0
"""Low-pass of a silencer [Hz]. Estimate, no source."""
RADIATOR_HZ = 3_000.0
"""Low-pass of coolant passages [Hz]. Estimate, no source."""
PIVOT_HZ = 4_000.0
"""Frequency about which it is tilted [Hz]: the middle of 1-16 kHz."""
PLUG_HOLE_HZ = 1_140.0
"""Quarter-wave resonance of a 75 mm deep plug hole, 343 m/s / (4 * 75 mm) [Hz]."""


def expected_spectrum(point: str | None, bands: Bands) -> Floats:
    """Return the power spectrum of a leak at a listening point, with mean one over 1-16 kHz.

    Parameters
    ----------
    point : str or None
        Listening point by its trade name; a flat spectrum stands for any other and for None.
    bands : Bands
        Bands to evaluate it in.

    Returns
    -------
    ndarray, shape (bands,)
        Power per bin [1].
    """
    f = bands.centre_hz
    shape = _jet(f) * _path(point or "", f) if _known(point) else np.ones_like(f)
    return np.asarray(shape / (shape @ bands.hiss), dtype=np.float64)


def tilted(expected: Floats, bands: Bands, slopes_db: tuple[float, ...]) -> Floats:
    """Return a spectrum with each slope about 4 kHz, mean one over 1-16 kHz.

    Parameters
    ----------
    expected : ndarray, shape (bands,)
        Power per bin [1].
    bands : Bands
        The bands.
    slopes_db : tuple of float
        What is added to its slope [dB per octave].

    Returns
    -------
    ndarray, shape (slopes, bands)
        Power per bin [1].
    """
    octaves = np.log2(bands.centre_hz / PIVOT_HZ)
    shapes = expected * 10 ** (np.outer(slopes_db, octaves) / 10)
    return np.asarray(shapes / (shapes @ bands.hiss)[:, np.newaxis], dtype=np.float64)


def _known(point: str | None) -> bool:
    return point is not None and point.startswith(
        ("oil-filler", "tailpipe", "throttle-body", "radiator", "plug-hole")
    )


def _jet(f: Floats) -> Floats:
    """Power per hertz of jet noise, IEC 60534-8-3:2010, eq. (19), third-octave level over f."""
    low, high = (PEAK_HZ / (2 * f)) ** 1.7, (f / (2 * PEAK_HZ)) ** 2.5
    return np.asarray(1 / (f * (1 + low) * (1 + high)), dtype=np.float64)


def _path(point: str, f: Floats) -> Floats:
    """Power transmission from the leak to the probe."""
    if point.startswith("oil-filler"):
        return _low_pass(f, OIL_FILLER_HZ, 1.5)
    if point.startswith("tailpipe"):
        return _low_pass(f, TAILPIPE_HZ, 1.5)
    if point.startswith("radiator"):
        return _low_pass(f, RADIATOR_HZ, 1.0)
    if point.startswith("plug-hole"):
        return _quarter_waves(f)
    return np.ones_like(f)


def _low_pass(f: Floats, corner_hz: float, order: float) -> Floats:
    return np.asarray(1 / (1 + (f / corner_hz) ** (2 * order)), dtype=np.float64)


def _quarter_waves(f: Floats) -> Floats:
    """Peaks of 4 dB at the first three odd multiples, a tenth of the fundamental wide."""
    odd = np.array([1, 3, 5])[:, np.newaxis] * PLUG_HOLE_HZ
    peaks = np.exp(-0.5 * ((f - odd) / (0.1 * PLUG_HOLE_HZ)) ** 2)
    return np.asarray(1 + 1.5 * peaks.sum(axis=0), dtype=np.float64)
