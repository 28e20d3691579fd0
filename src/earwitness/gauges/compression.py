"""Compare cranking compressions by the published rules, and read a wet test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from earwitness.errors import GaugeError

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

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
PETROL_SPREAD_KPA = 69.0
"""Spread between the cylinders of one petrol engine that still passes [kPa], 10 psi.
US Army TM 10-3930-618-20, 2-12: for that engine, so not applied to others unasked."""
DIESEL_RUNNING_SPREAD_KPA = 172.0
"""Spread between the cylinders of one diesel, running at 600 rpm, that still passes [kPa], 25 psi.
US Army TM 5-3810-303-24: for that engine and for running, so not applied unasked."""
WET_RISE_CLEAR = 0.15
"""Rise over the dry reading that counts as significant [1]. US Army TM 5-4210-230-14&P-1 says
"significantly" without a figure; common practice, no source."""
WET_RISE_NONE = 0.05
"""Rise below which nothing has changed [1]: what two cranking readings of one cylinder differ by;
common practice, no source."""

WetMeaning = Literal["rings", "valves-or-gasket", "unclear"]


@dataclass(frozen=True, slots=True)
class SpreadRule:
    """How far the cylinders of one engine may lie apart; a setting with its source."""

    name: str
    source: str
    measure: Literal["share of highest", "share of mean", "kPa below highest"]
    """What `figure` is: a share [1], or a pressure [kPa]."""
    figure: float

    def bound_kpa(self, readings_kpa: Collection[float]) -> float:
        """Return the lowest compression that passes [kPa]."""
        highest = max(readings_kpa)
        if self.measure == "kPa below highest":
            return highest - self.figure
        if self.measure == "share of mean":
            return self.figure * math.fsum(readings_kpa) / len(readings_kpa)
        return self.figure * highest


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


SPREAD_RULES: dict[str, SpreadRule] = {
    "share-of-highest": SpreadRule(
        "at least 75 % of the highest",
        "US Army TM 5-4210-230-14&P-1",
        "share of highest",
        LOWEST_OF_HIGHEST,
    ),
    "share-of-mean": SpreadRule(
        "no more than 20 % below the mean",
        "US Army TM 1-1500-204-23-1, page 70",
        "share of mean",
        LOWEST_OF_MEAN,
    ),
    "diesel-spread": SpreadRule(
        "diesel: within 690 kPa (100 psi) of the highest",
        "US Army TM 5-2420-230-24-2",
        "kPa below highest",
        DIESEL_SPREAD_KPA,
    ),
    "petrol-spread": SpreadRule(
        "within 69 kPa (10 psi) of the highest",
        "US Army TM 10-3930-618-20, 2-12",
        "kPa below highest",
        PETROL_SPREAD_KPA,
    ),
    "diesel-running-spread": SpreadRule(
        "diesel running at 600 rpm: within 172 kPa (25 psi) of the highest",
        "US Army TM 5-3810-303-24",
        "kPa below highest",
        DIESEL_RUNNING_SPREAD_KPA,
    ),
}
"""The published rules, which contradict each other. `usual_rules` says which are applied unasked;
for another figure, `dataclasses.replace` one and name its source."""


def usual_rules(fuel: Fuel = "petrol") -> tuple[SpreadRule, ...]:
    """Return the rules that are applied unless others are chosen."""
    names = ["share-of-highest", "share-of-mean"]
    if fuel == "diesel":
        names.append("diesel-spread")
    return tuple(SPREAD_RULES[name] for name in names)


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
    readings_kpa: Mapping[int, float],
    *,
    fuel: Fuel = "petrol",
    rules: Sequence[SpreadRule] | None = None,
) -> tuple[CompressionRule, ...]:
    """Hold dry compressions against each published rule that applies.

    Parameters
    ----------
    readings_kpa : mapping of int to float
        Dry cranking compression by cylinder number [kPa].
    fuel : {"petrol", "diesel"}
        The absolute spread is a rule for diesels only.
    rules : sequence of SpreadRule, optional
        The rules to apply; `usual_rules(fuel)` if left out.

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
    for value in readings_kpa.values():
        check_compression_kpa(value)
    chosen = usual_rules(fuel) if rules is None else rules
    return tuple(_outcome(rule, readings_kpa) for rule in chosen)


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
    pairs = {(min(pair), max(pair)) for pair in layout.neighbour_pairs()}
    return tuple(sorted(pair for pair in pairs if set(pair) <= set(low)))


def _outcome(rule: SpreadRule, readings_kpa: Mapping[int, float]) -> CompressionRule:
    bound_kpa = rule.bound_kpa(readings_kpa.values())
    # The bound is a product of decimals: a reading exactly on it must not fail by rounding.
    tolerance = 1e-9 * max(abs(bound_kpa), 1.0)
    low = tuple(n for n, v in sorted(readings_kpa.items()) if v < bound_kpa - tolerance)
    return CompressionRule(rule.name, rule.source, not low, low, bound_kpa)
