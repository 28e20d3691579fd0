"""Read a leakage tester: percent from two pressures, and the limit it is held against.

The tester feeds the cylinder through a metering orifice from a regulated supply and shows the
pressure before and after it, both gauge pressures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from earwitness.errors import GaugeError
from earwitness.units import KPA_PER_UNIT

LimitRule = Literal["ac-43.13-1b", "common-practice"]
"""Limits that can be chosen by name where neither the maker nor the shop gives one."""

HIGHEST_SUPPLY_KPA = 2000.0
"""Supply pressures above this are taken for a slip of the tongue or the unit [kPa]. Chosen: twice
a usual shop compressor's 10 bar; common practice, no source."""


@dataclass(frozen=True, slots=True)
class LeakageLimit:
    """Leakage above which a cylinder is suspect."""

    leakage_percent: float
    """Highest leakage that still passes [%]."""
    origin: str
    """Where the figure comes from, in words fit for a report."""


COMMON_PRACTICE_LIMIT = LeakageLimit(20.0, "common practice, no source")
"""Limit where nobody gives one."""
AC_43_13_1B_LIMIT = LeakageLimit(25.0, "FAA AC 43.13-1B, paragraph 8-14b(5)(i)")
"""The published figure: loss in excess of 25 percent of the input pressure is cause to suspect
the cylinder."""
PUBLISHED_LIMITS: dict[LimitRule, LeakageLimit] = {
    "ac-43.13-1b": AC_43_13_1B_LIMIT,
    "common-practice": COMMON_PRACTICE_LIMIT,
}
"""Limit by name of its rule. Trade bands (10, 20, 30 or 40 %) disagree with each other and name no
source, so none of them stands here."""

PERCENT_DIGITS = 9
"""Decimals that a computed percentage keeps. Chosen: far finer than any gauge, far coarser than
double precision, so that 80 over 60 psi is 25 percent and not a rounding error above it."""


def to_kpa(value: float, unit: str) -> float:
    """Return a pressure in kilopascals [kPa].

    Parameters
    ----------
    value : float
        The pressure in `unit`.
    unit : str
        One of `units.KPA_PER_UNIT`, in any case: kPa, psi, bar.

    Raises
    ------
    GaugeError
        If the unit is none of these.

    Examples
    --------
    >>> to_kpa(6.0, "bar")
    600.0
    """
    factors: dict[str, float] = dict(KPA_PER_UNIT.items())
    if unit.lower() not in factors:
        raise GaugeError(
            f"pressure unit {unit!r} is not known",
            remedy=f"Use one of: {', '.join(factors)}.",
        )
    return value * factors[unit.lower()]


def leakage_percent(*, supply_kpa: float, cylinder_kpa: float) -> float:
    """Return 100 (p_s - p_c) / p_s from the two gauges of the tester [%].

    Parameters
    ----------
    supply_kpa, cylinder_kpa : float
        Gauge pressure before and after the metering orifice [kPa].

    Raises
    ------
    GaugeError
        If the pair cannot stand on one tester: no supply, a negative cylinder pressure, or a
        cylinder above its supply.

    References
    ----------
    FAA AC 43.13-1B paragraph 8-14b(5): 60 over 80 psi is the loss of 25 percent.

    Examples
    --------
    >>> leakage_percent(supply_kpa=80.0, cylinder_kpa=60.0)
    25.0
    """
    p_s, p_c = supply_kpa, cylinder_kpa
    check_supply_kpa(p_s)
    if not math.isfinite(p_c) or p_c < 0:
        raise GaugeError(f"cylinder pressure {p_c:g} kPa cannot stand on a gauge")
    if p_c > p_s:
        raise GaugeError(
            f"cylinder pressure {p_c:g} kPa is above its supply of {p_s:g} kPa",
            remedy="Read both gauges again: they may have been swapped, or need zeroing.",
        )
    return round(100.0 * ((p_s - p_c) / p_s), PERCENT_DIGITS)


def check_supply_kpa(supply_kpa: float) -> float:
    """Return the supply pressure if a tester can have it [kPa].

    Raises
    ------
    GaugeError
        If it is not a number above 0 and up to `HIGHEST_SUPPLY_KPA`.
    """
    if not math.isfinite(supply_kpa) or not 0 < supply_kpa <= HIGHEST_SUPPLY_KPA:
        raise GaugeError(
            f"supply pressure {supply_kpa:g} kPa is not between 0 and {HIGHEST_SUPPLY_KPA:g} kPa",
            remedy="Read the supply gauge again and check the unit.",
        )
    return supply_kpa


def check_leakage_percent(percent: float) -> float:
    """Return the reading if a tester can show it [%].

    Raises
    ------
    GaugeError
        If it is not a number from 0 to 100.
    """
    if not math.isfinite(percent) or not 0 <= percent <= 100:
        raise GaugeError(
            f"leakage of {percent:g} percent is impossible: it lies between 0 and 100",
            remedy="Read the tester again and correct the value.",
        )
    return percent


def check_limit_percent(percent: float, origin: str) -> float:
    """Return the limit if a cylinder can be held against it [%].

    Raises
    ------
    GaugeError
        If it is not a number above 0 and below 100; the sentence names its origin.
    """
    if not math.isfinite(percent) or not 0 < percent < 100:
        raise GaugeError(
            f"leakage limit of {percent:g} percent ({origin}) is not between 0 and 100",
            remedy="Correct the limit, or leave it out.",
        )
    return percent


def leakage_limit(
    *,
    maker_percent: float | None = None,
    sheet_percent: float | None = None,
    sheet_origin: str = "run sheet",
    rule: LimitRule = "common-practice",
) -> LeakageLimit:
    """Return the limit that applies: the maker's, else the shop's own, else that of a rule.

    Parameters
    ----------
    maker_percent, sheet_percent : float, optional
        Limits from the maker's data and from the run sheet [%].
    sheet_origin : str
        Where the run sheet says its limit comes from.
    rule : {"common-practice", "ac-43.13-1b"}
        What to fall back on.

    Raises
    ------
    GaugeError
        If the limit that applies is not above 0 and below 100 percent, or the rule is not known.
    """
    for percent, origin in ((maker_percent, "the maker's limit"), (sheet_percent, sheet_origin)):
        if percent is not None:
            return LeakageLimit(check_limit_percent(percent, origin), origin)
    if rule not in PUBLISHED_LIMITS:
        raise GaugeError(
            f"leakage limit rule {rule!r} is not known",
            remedy=f"Use one of: {', '.join(PUBLISHED_LIMITS)}.",
        )
    return PUBLISHED_LIMITS[rule]


def within_limit(percent: float, limit: LeakageLimit) -> bool:
    """Tell whether a leakage [%] passes: only a loss in excess of the limit fails."""
    return check_leakage_percent(percent) <= limit.leakage_percent
