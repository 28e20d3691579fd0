"""Put into numbers what one take says about the hiss at its point."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.evidence import MOST_RISE_DB
from earwitness.diagnosis.likelihoods import (
    LEAST_LEVEL_SPREAD_DB,
    LEAST_RISE_DB,
    MISSED_BELOW_DB,
    UNKNOWN_DETECTABLE_DB,
    UNPROVEN_DB,
)

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import Heard


@dataclass(frozen=True, slots=True)
class Take:
    """What one take says about the hiss at its point, in numbers."""

    point: str
    level_db: float | None
    """Level of the hiss over the floor [dB]; None if none was found."""
    spread_db: float
    """Standard deviation of that level, or of the level at which hiss is missed [dB]."""
    missed_db: float
    """Level that half of such takes miss [dB over the floor]."""
    proof: bool
    complete: bool


def take_of(sound: Heard) -> Take:
    """Return what a take says, in numbers."""
    detectable = sound.detectable_db if sound.detectable_db is not None else UNKNOWN_DETECTABLE_DB
    detectable_level = hiss_level_db(detectable)
    known = sound.detectable_db is not None
    offset, gradual = MISSED_BELOW_DB
    offset += UNPROVEN_DB if sound.grade == "undetermined" else 0.0
    level, spread = None, gradual if known else 2.0 * gradual
    if sound.audible:
        level = hiss_level_db(sound.excess_db)
        spread = _level_spread(sound)
    return Take(sound.point, level, spread, detectable_level + offset, sound.proof, sound.complete)


def hiss_level_db(rise_db: float) -> float:
    """Return the level of a hiss over the floor from the rise of the floor [dB].

    Examples
    --------
    >>> round(hiss_level_db(3.0103), 3)
    0.0
    """
    return 10.0 * math.log10(_power(rise_db) - 1.0)


def _power(rise_db: float) -> float:
    """Return the floor with the air on over that with it off, as a power [1]."""
    return float(10.0 ** (min(max(rise_db, LEAST_RISE_DB), MOST_RISE_DB) / 10.0))


def _level_spread(sound: Heard) -> float:
    """Return the standard deviation of the level of a hiss that was found [dB].

    A rise of R dB is hiss of h = 10 lg(10^(R/10) - 1); dh/dR = 10^(R/10) / (10^(R/10) - 1).
    """
    low, high = sound.interval_db
    rise = (high - low) / 3.92 if math.isfinite(high - low) else 1.0
    power = _power(sound.excess_db)
    return min(math.hypot(LEAST_LEVEL_SPREAD_DB, rise * power / (power - 1.0)), 8.0)
