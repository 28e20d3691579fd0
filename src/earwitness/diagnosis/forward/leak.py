"""How large the leak is that the gauge shows, and how strong a hiss it makes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from earwitness.diagnosis.forward.lookup import at_nominal_limit, leak_size, level_db
from earwitness.diagnosis.likelihoods import (
    BLOW_BY_DB,
    GAP_DB,
    LEAK_SIZE,
    LEAST_PERCENT,
    LOUDNESS_EXPONENT,
    MOST_PERCENT,
    NOMINAL_LIMIT_PERCENT,
    OUTLYING_READING,
    READING_PERCENT,
    SOUND_PERCENT,
    STANDARD_ORIFICE_MM,
    STANDARD_SUPPLY_KPA,
    STRENGTH_DB,
    STRENGTH_UNREAD_DB,
    Spread,
)
from earwitness.gauges import orifice
from earwitness.gauges.leakage import check_leakage_percent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from earwitness.diagnosis.evidence import CylinderEvidence
    from earwitness.diagnosis.hypotheses import Way


@dataclass(frozen=True, slots=True)
class Leak:
    """What the gauge says about the leak of one cylinder."""

    size: Spread | None
    """ln(area / area at the limit) and what the reading leaves open of it; None if not read."""
    strength_db: Spread
    """Strength of its hiss against the levels of the table [dB]."""
    flow_db: float
    """Strength that follows from the flow alone, a gram a second being 0 [dB]."""
    blow_by_share: float
    """Part of the area that passes sound rings where something else leaks as well [1]."""


UNREAD_BLOW_BY = 0.3
"""Part of the area that passes sound rings beside a leak of usual size [1]: `LEAK_SIZE`."""
UNREAD = Leak(
    None, (STRENGTH_DB[0], math.hypot(STRENGTH_DB[1], STRENGTH_UNREAD_DB)), 0.0, UNREAD_BLOW_BY
)
"""What is known of a leak that no gauge was read for."""


def leak_of(evidence: CylinderEvidence) -> Leak:
    """Return what the gauge says about the leak of one cylinder.

    Raises
    ------
    GaugeError
        If the reading is impossible.
    """
    mean, deviation = STRENGTH_DB
    if evidence.leakage_percent is None:
        return UNREAD
    percent = check_leakage_percent(evidence.leakage_percent)
    nominal = max(at_nominal_limit(percent, evidence.limit_percent), SOUND_PERCENT)
    size, flow = _log_size(nominal), hiss_strength_db(evidence)
    error = _reading_error(evidence)
    spread = (_log_size(nominal + error) - _log_size(nominal - error)) / 2
    return Leak(
        (size, spread),
        (mean + flow, deviation),
        flow,
        min(0.5, math.exp(LEAK_SIZE["sealed"][0] - size)),
    )


def in_this_shop(leak: Leak, known: Mapping[str, Spread]) -> Leak:
    """Return the leak with what the sound cylinders tell of how strong hiss is in this shop.

    A gram a second past sound rings is as loud at a point as the table says, plus a strength that
    all leaks of the engine share; so what was measured tells the strength (two normal distributions
    multiplied).

    Parameters
    ----------
    leak : Leak
    known : mapping of str to Spread
        Level of a gram a second past sound rings, by point [dB].
    """
    mean, deviation = 0.0, leak.strength_db[1]
    for point, (level, spread) in known.items():
        expected, apart = level_db("rings-or-piston", point)
        expected += BLOW_BY_DB[0]
        error = math.hypot(spread, apart, BLOW_BY_DB[1])
        share = deviation**2 / (deviation**2 + error**2)
        mean += share * (level - expected - mean)
        deviation *= math.sqrt(1.0 - share)
    if known:
        deviation = math.hypot(deviation, GAP_DB)
    return replace(leak, strength_db=(leak.strength_db[0] + mean, deviation))


def p_leakage(way: Way, leak: Leak) -> float:
    """Return the probability density of a leakage reading, given the way the air gets out [1].

    Per unit of ln(area); 1 if it was not read.
    """
    if leak.size is None:
        return 1.0
    size, error = leak.size
    misread, outlying = OUTLYING_READING
    usual = normal_density(size, leak_size(way), error)
    return (1.0 - misread) * usual + misread * normal_density(size, outlying, error)


def hiss_strength_db(evidence: CylinderEvidence) -> float:
    """Return the sound power of the leak over that of a choked gram a second [dB]; 0 if unread.

    The power of a jet goes with the flow, and below the speed of sound with a power of its Mach
    number.
    """
    if evidence.leakage_percent is None:
        return 0.0
    percent = min(max(evidence.leakage_percent, LEAST_PERCENT), MOST_PERCENT)
    supply = evidence.supply_kpa or STANDARD_SUPPLY_KPA
    size = orifice.leak_size(
        percent,
        orifice_mm=evidence.orifice_mm or STANDARD_ORIFICE_MM,
        supply_kpa=supply,
        ambient_kpa=evidence.ambient_kpa,
    )
    assert size is not None  # noqa: S101 -- MOST_PERCENT is below 100
    inside = supply * (1.0 - percent / 100.0) + evidence.ambient_kpa
    return 10.0 * math.log10(size.flow_g_s) + 10.0 * LOUDNESS_EXPONENT * math.log10(
        mach(inside / evidence.ambient_kpa)
    )


def mach(pressure_ratio: float) -> float:
    """Return the Mach number of air that expands through a gap, at most 1 [1].

    Examples
    --------
    >>> mach(1.893), round(mach(1.2), 3)
    (1.0, 0.517)
    """
    return min(1.0, math.sqrt(5.0 * (pressure_ratio ** (2.0 / 7.0) - 1.0)))


def normal_density(x: float, spread: Spread, error: float = 0.0) -> float:
    """Return the density of a normal distribution that an error widens."""
    mean, deviation = spread
    wide = math.hypot(deviation, error)
    return math.exp(-0.5 * ((x - mean) / wide) ** 2) / (wide * math.sqrt(2.0 * math.pi))


def _log_size(nominal_percent: float) -> float:
    """Return ln(area / area at the limit) of a leakage stretched to the nominal limit."""
    percent = min(max(nominal_percent, LEAST_PERCENT), MOST_PERCENT)
    here, limit = (
        orifice.leak_size(p, orifice_mm=STANDARD_ORIFICE_MM, supply_kpa=STANDARD_SUPPLY_KPA)
        for p in (percent, NOMINAL_LIMIT_PERCENT)
    )
    assert here is not None and limit is not None  # noqa: S101, PT018 -- both below 100 %
    return 2.0 * math.log(here.hole_mm / limit.hole_mm)


def _reading_error(evidence: CylinderEvidence) -> float:
    """Return the standard deviation of the leakage as it was averaged [%]."""
    one = max(evidence.leakage_scatter_percent or 0.0, READING_PERCENT)
    drift = evidence.leakage_bound_percent / math.sqrt(3.0)
    return math.hypot(one / math.sqrt(max(evidence.leakage_count, 1)), drift)
