"""Compare cranking compressions by the published rules, and read a wet test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from earwitness.errors import GaugeError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from earwitness.engine.layout import EngineLayout, Fuel

HIGHEST_COMPRESSION_KPA = 7000.0
"""Cranking compression beyond any engine [kPa]. Chosen: about three times the 2413 kPa (350 psi)
of a new diesel in US Army TM 5-2420-230-24-2."""
LOWEST_OF_HIGHEST = 0.75
"""Lowest cylinder over the highest that still passes [1]. US Army TM 5-4210-230-14&P-1."""
LOWEST_OF_MEAN = 0.80
"""Cylinder over the mean of all that still passes [1]: 20 % below the average is cause to
investigate. US Army TM 1-1500-204-23-1, page 70."""
DIESEL_SPREAD_KPA = 690.0
"""Spread between the cylinders of a diesel that still passes [kPa], 100 psi.
US Army TM 5-2420-230-24-2."""
WET_RISE_CLEAR = 0.15
"""Rise over the dry reading that counts as significant [1]. US Army TM 5-4210-230-14&P-1 says
"significantly" without a figure; common practice, no source."""
WET_RISE_NONE = 0.05
"""Rise below which nothing has changed [1]: what two cranking readings of one cylinder differ by;
common practice, no source."""

WetMeaning = Literal["rings", "valves-or-gasket", "unclear"]


@dataclass(frozen=True, slots=True)
class CompressionRule:
    """How the cylinders of one engine fare under one published rule."""

    name: str
    source: str
    passed: bool
    low: tuple[int, ...]
    """Cylinders that fall short, in number order."""
    bound_kpa: float
    """Lowest compression that would have passed [kPa]."""


@dataclass(frozen=True, slots=True)
class WetTest:
    """What oil in the cylinder did to its compression."""

    rise: float
    """(wet - dry) / dry [1]."""
    meaning: WetMeaning
    source: str


def check_compression_kpa(value_kpa: float) -> float:
    """Return the reading if a compression gauge can show it [kPa].

    Raises
    ------
    GaugeError
        If it is not a number from 0 to `HIGHEST_COMPRESSION_KPA`.
    """
    if not math.isfinite(value_kpa) or not 0 <= value_kpa <= HIGHEST_COMPRESSION_KPA:
        raise GaugeError(
            f"compression of {value_kpa:g} kPa is beyond any cranking engine "
            f"(0 to {HIGHEST_COMPRESSION_KPA:g} kPa)",
            remedy="Read the gauge again and check the unit: 1 psi is 6.9 kPa, 1 bar is 100 kPa.",
        )
    return value_kpa


def compression_rules(
    readings_kpa: Mapping[int, float], *, fuel: Fuel = "petrol"
) -> tuple[CompressionRule, ...]:
    """Hold dry compressions against each published rule that applies.

    Parameters
    ----------
    readings_kpa : mapping of int to float
        Dry cranking compression by cylinder number [kPa].
    fuel : {"petrol", "diesel"}
        The absolute spread is a rule for diesels only.

    Returns
    -------
    tuple of CompressionRule
        Empty if fewer than two cylinders were read: there is nothing to compare with.

    Raises
    ------
    GaugeError
        If a reading is impossible.
    """
    if len(readings_kpa) < 2:
        return ()
    values = [check_compression_kpa(value) for value in readings_kpa.values()]
    highest, mean = max(values), math.fsum(values) / len(values)
    rules = [
        _rule(
            "at least 75 % of the highest",
            "US Army TM 5-4210-230-14&P-1",
            readings_kpa,
            LOWEST_OF_HIGHEST * highest,
        ),
        _rule(
            "no more than 20 % below the mean",
            "US Army TM 1-1500-204-23-1, page 70",
            readings_kpa,
            LOWEST_OF_MEAN * mean,
        ),
    ]
    if fuel == "diesel":
        rules.append(
            _rule(
                "diesel: within 690 kPa (100 psi) of the highest",
                "US Army TM 5-2420-230-24-2",
                readings_kpa,
                highest - DIESEL_SPREAD_KPA,
            )
        )
    return tuple(rules)


def wet_test(*, dry_kpa: float, wet_kpa: float) -> WetTest:
    """Read the wet test: oil seals rings for a moment, and nothing else.

    Raises
    ------
    GaugeError
        If a reading is impossible, or the dry one is zero.

    References
    ----------
    US Army TM 5-4210-230-14&P-1: a significant rise speaks for the rings, none for the valves.

    Examples
    --------
    >>> wet_test(dry_kpa=600.0, wet_kpa=780.0).meaning
    'rings'
    """
    check_compression_kpa(wet_kpa)
    if check_compression_kpa(dry_kpa) == 0:
        raise GaugeError(
            "a dry compression of 0 kPa leaves nothing to compare the wet one with",
            remedy="Check that the gauge was seated and repeat the dry test.",
        )
    rise = (wet_kpa - dry_kpa) / dry_kpa
    meaning: WetMeaning = "unclear"
    if rise >= WET_RISE_CLEAR:
        meaning = "rings"
    elif rise < WET_RISE_NONE:
        meaning = "valves-or-gasket"
    return WetTest(rise, meaning, "US Army TM 5-4210-230-14&P-1")


def adjacent(layout: EngineLayout, low: tuple[int, ...]) -> tuple[tuple[int, int], ...]:
    """Return the pairs among `low` that stand side by side: the head gasket may be the cause.

    References
    ----------
    US Army TM 5-4210-230-14&P-1: two adjacent low cylinders.
    """
    return tuple(
        (a, b) for a in sorted(low) for b in sorted(low) if a < b and b in layout.neighbours(a)
    )


def _rule(
    name: str, source: str, readings_kpa: Mapping[int, float], bound_kpa: float
) -> CompressionRule:
    # The bound is a product of decimals: a reading exactly on it must not fail by rounding.
    tolerance = 1e-9 * max(abs(bound_kpa), 1.0)
    low = tuple(n for n, v in sorted(readings_kpa.items()) if v < bound_kpa - tolerance)
    return CompressionRule(name, source, not low, low, bound_kpa)
