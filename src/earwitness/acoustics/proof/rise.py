"""How much louder the air makes it: the rise of the floor over 1-16 kHz, with its interval."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.special

from earwitness.acoustics.levels import background_correction, decibels
from earwitness.acoustics.proof.cycles import neighbour_mean, neighbour_rises

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.proof.cycles import Periods, Proof
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

LEAST_RATIO = 1e-3
"""Power ratios are held above this, so that a fall has a level [1]: -30 dB."""
NORMAL_95 = 1.96
"""Half width of the central 95 % of the normal distribution [standard deviations]."""
MEDIAN_SPREAD = 1.25
"""Standard error of a median over that of the mean [1]: sqrt(pi / 2)."""
MAD_SPREAD = 1.4826
"""Standard deviation over median absolute deviation, normal distribution [1]."""
SHAPE_FACTOR = 2.0
"""A leak may have this much more power than its expected spectrum tells [1]. Chosen: decision
0017."""
LEAST_SPREAD = 0.9
"""The spread is not taken below this share of the plain standard deviation [1]: the median
absolute deviation of five or six values is often far too small. Chosen: decision 0024."""


@dataclass(frozen=True, slots=True)
class Rise:
    """Rise of the floor from air off to air on, over 1-16 kHz."""

    excess_db: float
    """10 lg(on / off) [dB]."""
    interval_db: tuple[float, float]
    """95 % interval [dB]."""
    off_power: float
    """Floor with the air off [full scale squared per bin]."""
    cycles_db: tuple[float, ...]
    """Rise of each on-period over its neighbours [dB]."""


def rise_over_cycles(periods: Periods, bands: Bands, settings: HissSettings) -> Rise:
    """Return the rise as the median over on-periods, band by band.

    A period that a shop noise has spoilt does not move a median: both the rise and the floor it
    stands on are medians, and what is known to be spoilt stays out of the rise. The interval is
    Student's, from the scatter between periods, widened by a systematic part.
    """
    power = np.exp(periods.log_power - bands.log_bias)
    every = neighbour_rises(power, periods.on, periods.unspoilt)
    steps = every[periods.judged(settings.spoilt_weight)]
    off = float(np.median(power[~np.array(periods.on)], axis=0) @ bands.hiss)
    leak = float(np.median(steps, axis=0) @ bands.hiss)
    half = _half_width(steps @ bands.hiss, leak, settings)
    near = [neighbour_mean(power, i, periods.unspoilt) for i, air in enumerate(periods.on) if air]
    ratios = 1 + (every @ bands.hiss) / (np.array(near) @ bands.hiss)
    return Rise(
        excess_db=_ratio_db(1 + leak / off),
        interval_db=(_ratio_db(1 + (leak - half) / off), _ratio_db(1 + (leak + half) / off)),
        off_power=off,
        cycles_db=tuple(_ratio_db(r) for r in ratios),
    )


def rise_of_one(periods: Periods, bands: Bands, settings: HissSettings) -> Rise:
    """Return the rise where there is a single on-period; the interval is drift between takes."""
    power = np.exp(periods.log_power - bands.log_bias)
    on = np.array(periods.on)
    off_power = float(power[~on].mean(axis=0) @ bands.hiss)
    excess = _ratio_db(float(power[on].mean(axis=0) @ bands.hiss) / off_power)
    noise = float(bands.hiss**2 @ periods.variance) / np.log(10) ** 2 * 100
    half = NORMAL_95 * float(np.sqrt(settings.pair_drift_db**2 + 2 * noise))
    return Rise(excess, (excess - half, excess + half), off_power, (excess,))


def rise_by_shape(rise: Rise, proof: Proof) -> Rise:
    """Return the rise as the proof's bands tell it, where the plain one is not above zero.

    A faint hiss of high frequency is proven in bands of little power, and the plain rise is made of
    all power from 1 kHz up: what the shop does at 1-2 kHz then hides it. The rise of the bands that
    proved it, for a leak of the expected spectrum, stands instead, and the interval holds both.
    """
    if rise.excess_db > 0 or not proof.ratio > 0:
        return rise
    excess_db = _ratio_db(1 + proof.ratio)
    most_db = _ratio_db(1 + proof.ratio * SHAPE_FACTOR)
    low, high = rise.interval_db
    return replace(rise, excess_db=excess_db, interval_db=(low, max(high, most_db)))


def hiss_level_db(excess_db: float) -> tuple[float, bool]:
    """Return the leak's level over the floor, background taken off (ISO 3744), and whether the
    rise was too small for the standard, so that it is only an upper bound.
    """  # noqa: D205
    k1 = background_correction(excess_db)
    return excess_db - k1.k1_db, k1.upper_bound


def rise_db(leak_power: float, off_power: float) -> float:
    """Return 10 lg(1 + leak / off), the rise that a leak causes [dB]."""
    return decibels(1 + leak_power / off_power)


def _half_width(cycles: Floats, leak: float, settings: HissSettings) -> float:
    c = len(cycles)
    spread = MAD_SPREAD * float(np.median(np.abs(cycles - np.median(cycles))))
    spread = max(spread, LEAST_SPREAD * float(cycles.std(ddof=1)))
    scatter = float(scipy.special.stdtrit(c - 1, 0.975)) * MEDIAN_SPREAD * spread / np.sqrt(c)
    return float(np.hypot(scatter, settings.systematic_share * max(leak, 0.0)))


def _ratio_db(ratio: float) -> float:
    return decibels(max(float(ratio), LEAST_RATIO))
