"""Add and average decibels; correct a level for the noise behind it (ISO 3744, ISO 3746)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class BackgroundLimits:
    """Rises between which a measurement standard allows its correction for background noise."""

    lowest_db: float
    """Below this rise the correction is held, and the level is only an upper bound [dB]."""
    highest_db: float
    """Above this rise no correction is made [dB]."""


ISO_3744 = BackgroundLimits(lowest_db=6.0, highest_db=15.0)
"""Engineering grade [dB]. ISO 3744:2010, 8.2.3 (limits inclusive; seen in a secondary copy)."""
ISO_3746 = BackgroundLimits(lowest_db=3.0, highest_db=10.0)
"""Survey grade [dB]. ISO 3746:2010, 8.3.3 (limits inclusive; seen in a secondary copy)."""


@dataclass(frozen=True, slots=True)
class Correction:
    """Background correction of one level."""

    k1_db: float
    """To be subtracted from the level with the source on [dB]."""
    upper_bound: bool
    """True if the rise was too small: the corrected level is then an upper bound."""


def decibels(power_ratio: float) -> float:
    """Return 10 lg of a power ratio [dB]; -inf for zero.

    >>> decibels(100.0)
    20.0
    """
    if power_ratio < 0:
        raise ValueError(f"power_ratio={power_ratio} must not be negative")
    return 10 * math.log10(power_ratio) if power_ratio > 0 else -math.inf


def power_ratio(level_db: float) -> float:
    """Return the power ratio of a level, 10^(L/10).

    >>> power_ratio(20.0)
    100.0
    """
    return float(10 ** (level_db / 10))


def energy_sum_db(levels_db: Sequence[float]) -> float:
    """Return the level of sources that sound together, 10 lg sum 10^(L/10) [dB].

    >>> round(energy_sum_db([60.0, 60.0]), 2)
    63.01
    """
    return decibels(math.fsum(power_ratio(level) for level in levels_db))


def energy_mean_db(levels_db: Sequence[float], weights: Sequence[float] | None = None) -> float:
    """Return the level of the mean power, 10 lg sum w 10^(L/10) / sum w [dB].

    Parameters
    ----------
    levels_db : sequence of float
        Levels [dB].
    weights : sequence of float, optional
        Durations or areas that the levels stand for; equal if left out.

    Raises
    ------
    ValueError
        If there is no level.
    """
    if not levels_db:
        raise ValueError("levels_db must hold at least one level")
    w = weights if weights is not None else [1.0] * len(levels_db)
    total = math.fsum(k * power_ratio(level) for k, level in zip(w, levels_db, strict=True))
    return decibels(total / math.fsum(w))


def background_correction(rise_db: float, limits: BackgroundLimits = ISO_3744) -> Correction:
    """Return K1 = -10 lg(1 - 10^(-0.1 rise)), held or dropped outside the standard's limits.

    Parameters
    ----------
    rise_db : float
        Level with the source on less level with the source off [dB].
    limits : BackgroundLimits
        The standard's limits.

    Returns
    -------
    Correction
        Zero above the upper limit; held at its value at the lower limit, and marked as giving
        an upper bound, below that.

    References
    ----------
    ISO 3744:2010, 8.2.3; ISO 3746:2010, 8.3.3.
    """
    if rise_db > limits.highest_db:
        return Correction(k1_db=0.0, upper_bound=False)
    rise = max(rise_db, limits.lowest_db)
    return Correction(
        k1_db=-decibels(1 - power_ratio(-rise)), upper_bound=rise_db < limits.lowest_db
    )
