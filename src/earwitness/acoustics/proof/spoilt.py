"""Which periods of a take a shop noise has spoilt, and where a machine started or stopped.

An air tool that blows through a whole period lifts its floor by ten decibels, and one such period
outweighs a leak of a few tenths in all others. A compressor that starts lifts all periods from then
on. Both are judged without regard to the valve, so no rhythm gains by it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

LEAST_WEIGHT = 1e-3
"""A spoilt period keeps this weight, so that no contrast loses its footing [1]."""
LEAST_SIDE = 2
"""Least periods before and after a step [1]: a step of one period is a spoilt period."""
STEP_CAP = 3.0
"""A period counts for no more than this in the search for a step [scales]. Chosen: common practice
for the bounded loss of a robust fit, no source."""
MAD_SPREAD = 1.4826
"""Standard deviation over median absolute deviation, normal distribution [1]."""


def step_of(log_power: Floats, variance: Floats, settings: HissSettings) -> int | None:
    """Return the period from which on the floor is another, or None if it is the same throughout.

    The best split into two medians must leave no more than `step_share` of the bounded absolute
    deviations that one median leaves.

    Parameters
    ----------
    log_power : ndarray, shape (periods, bands)
        Floors [Np of power].
    variance : ndarray, shape (bands,)
        Variance of a floor in stationary noise [Np squared].
    settings : HissSettings
        Sets `step_share`.
    """
    splits = range(LEAST_SIDE, len(log_power) - LEAST_SIDE + 1)
    if not splits:
        return None
    deviation = np.abs(_about_median(log_power))
    scale = np.maximum(MAD_SPREAD * _median(deviation), settings.spoilt_floor * np.sqrt(variance))
    whole = np.minimum(deviation / scale, STEP_CAP).sum()
    left = [np.minimum(np.abs(levelled(log_power, k)) / scale, STEP_CAP).sum() for k in splits]
    best = int(np.argmin(left))
    return splits[best] if left[best] < settings.step_share * whole else None


def levelled(log_power: Floats, step: int | None) -> Floats:
    """Return the floors about their medians before and from a step on, same shape [Np]."""
    if step is None:
        return _about_median(log_power)
    return np.concatenate([_about_median(log_power[:step]), _about_median(log_power[step:])])


def unspoilt_weights(
    log_power: Floats,
    variance: Floats,
    bands: Bands,
    settings: HissSettings,
    *,
    step: int | None,
) -> Floats:
    """Return the weight of each period by its distance from the others, shape (periods,).

    Tukey's biweight of the root mean square over the bands of hiss of a period's deviation from the
    median, in each band over the deviation that `unspoilt_share` of the periods stay within. A
    strong leak lifts more periods than the rest of that share, so it widens the scale, not the
    distance.

    Parameters
    ----------
    log_power, variance, settings
        As for `step_of`.
    bands : Bands
        The bands.
    step : int or None
        Where the floor stepped.
    """
    deviation = np.abs(levelled(log_power, step))[:, bands.hiss > 0]
    rank = max(1, round(settings.unspoilt_share * len(deviation))) - 1
    usual = np.partition(deviation, rank, axis=0)[rank]
    least = settings.spoilt_floor * np.sqrt(variance[bands.hiss > 0])
    squared = ((deviation / np.maximum(usual, least)) ** 2).mean(axis=1)
    weight = np.maximum(1 - squared / settings.spoilt_width**2, 0.0) ** 2
    return np.asarray(np.maximum(weight, LEAST_WEIGHT), dtype=np.float64)


def _about_median(values: Floats) -> Floats:
    return np.asarray(values - _median(values), dtype=np.float64)


def _median(values: Floats) -> Floats:
    """Median over periods; of so few rows, a sort is several times faster than np.median."""
    n, ordered = len(values), np.sort(values, axis=0)
    return np.asarray((ordered[(n - 1) // 2] + ordered[n // 2]) / 2, dtype=np.float64)
