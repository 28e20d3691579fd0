"""Which test finds what, and in which situation it is the one to do: the table of the choice.

`RULES` stands in the order in which the tests are done. Of each test the first row that holds gives
the reason; every row says where it comes from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Complaint = Literal["misfire", "low-power", "oil-use", "coolant-loss", "no-start", "unknown"]
COMPLAINTS: tuple[Complaint, ...] = get_args(Complaint)
Temperature = Literal["warm", "cold", "either"]

PRACTICE = "common practice, no source"
COMPRESSION_MANUAL = "US Army TM 5-4210-230-14&P-1"
"""Cranking compression, its wet test, and leakage as what supplements them; seen in part in a
secondary copy."""
LEAKAGE_MANUALS = "FAA AC 43.13-1B 8-14b(5); US Army TM 5-3805-260-24; TM 5-4210-230-14&P-1"
CAP_MANUAL = "US Army TM 5-3895-359-14&P (cap and hot coolant); the rest common practice, no source"
WET_TEST_ON_DIESEL = (
    "No wet test on a diesel: the space above the piston is so small that oil can lock it, and "
    "the oil may ignite."
)
"""Common practice, no source."""


@dataclass(frozen=True, slots=True)
class TestKind:
    """One kind of test."""

    __test__ = False

    title: str
    finds: str
    temperature: Temperature
    """How warm the engine should be."""


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that is already known of the engine."""

    meaning: str
    done: str = ""
    """Test that must have been done for it to be known; empty if none."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A row of the table: in this situation, do that test."""

    test: str
    why: str
    origin: str
    complaints: tuple[Complaint, ...] = COMPLAINTS
    known: tuple[str, ...] = ()
    """Facts that must all be known for the row to hold."""
    unless: tuple[str, ...] = ()
    """Facts of which none may be known."""
    condition: str = ""


TESTS: dict[str, TestKind] = {
    "valve-timing": TestKind(
        "Valve timing, cranking speed and air supply",
        "a slipped timing drive, a shut throttle, a tired starter",
        "either",
    ),
    "cooling-pressure": TestKind(
        "Cooling system under pressure",
        "coolant that gets out, outside or into a cylinder",
        "cold",
    ),
    "coolant-gas": TestKind(
        "Combustion gas in the coolant", "a path from a cylinder into the coolant", "warm"
    ),
    "compression": TestKind("Cranking compression, dry", "which cylinder is down", "warm"),
    "wet-compression": TestKind("Cranking compression, wet", "rings against valves", "warm"),
    "leakage": TestKind(
        "Cylinder leakage, listening at every point", "which seal lets the air out", "warm"
    ),
    "oil-paths": TestKind(
        "Other ways of oil",
        "outside leaks, crankcase ventilation, stem seals, turbocharger",
        "warm",
    ),
    "running-compression": TestKind(
        "Running compression", "a cylinder that seals but does not breathe", "warm"
    ),
    "beyond-leaks": TestKind(
        "Spark, fuel, sensors, air and exhaust", "what is no matter of seals", "either"
    ),
}
"""Tests that can be chosen. Running compression: ASE task lists, from memory; the rest as named in
`RULES`."""

KNOWN: dict[str, Fact] = {
    "compression-even": Fact("dry compressions are all within the rule", "compression"),
    "one-low": Fact("one cylinder's compression is low", "compression"),
    "neighbours-low": Fact("two cylinders side by side are low", "compression"),
    "all-low": Fact("all compressions are low alike", "compression"),
    "wet-rises": Fact("oil raised the low compression clearly", "wet-compression"),
    "wet-unchanged": Fact("oil did not raise the low compression", "wet-compression"),
    "leakage-within": Fact("leakage is within the limit", "leakage"),
    "leakage-over": Fact("leakage is over the limit, and nobody has listened yet"),
    "coolant-holds": Fact("the cooling system holds its pressure", "cooling-pressure"),
    "coolant-falls": Fact("it does not, and nothing is wet outside", "cooling-pressure"),
    "gas-in-coolant": Fact("combustion gas was found in the coolant", "coolant-gas"),
    "no-gas-in-coolant": Fact("no combustion gas was found in the coolant", "coolant-gas"),
    "cold-only": Fact("the complaint shows on a cold engine only"),
    "warm-only": Fact("the complaint shows on a warm engine only"),
    "white-smoke": Fact("white smoke that stays when the engine is warm"),
    "blue-smoke": Fact("blue smoke"),
    "bubbles": Fact("bubbles in the radiator with the engine running"),
    "oil-in-coolant": Fact("oil in the coolant, or coolant in the oil"),
    "spins-freely": Fact("the starter turns the engine faster or more evenly than usual"),
}
EXCLUSIVE: tuple[frozenset[str], ...] = (
    frozenset({"compression-even", "one-low", "neighbours-low", "all-low"}),
    frozenset({"wet-rises", "wet-unchanged"}),
    frozenset({"leakage-within", "leakage-over"}),
    frozenset({"coolant-holds", "coolant-falls"}),
    frozenset({"gas-in-coolant", "no-gas-in-coolant"}),
    frozenset({"cold-only", "warm-only"}),
)
"""Facts of which only one can be true."""

_COOLANT = (
    "Pumped up to the pressure of its cap, the system shows a leak without opening the engine; a "
    "fall with nothing wet outside means a path to the inside."
)
_GAS = (
    "Gas in the coolant shows that a cylinder leaks into it; the leakage test then says which one."
)
_LOW = (
    "A cylinder is down; the place where its air gets out names the seal, before anything is "
    "taken apart."
)

RULES: tuple[Rule, ...] = (
    Rule(
        "valve-timing",
        "An engine that spins freely compresses on no cylinder. Look at the timing drive before "
        "cranking any further: valves may be touching pistons.",
        PRACTICE,
        known=("spins-freely",),
    ),
    Rule(
        "valve-timing",
        "Seals seldom fail alike on all cylinders. A slipped timing drive, a shut throttle or slow "
        "cranking lowers all of them.",
        PRACTICE,
        known=("all-low",),
    ),
    Rule(
        "leakage",
        "The gauge says how much is lost; only listening at every point says where.",
        LEAKAGE_MANUALS,
        known=("leakage-over",),
    ),
    Rule("cooling-pressure", _COOLANT, CAP_MANUAL, ("coolant-loss",)),
    Rule("cooling-pressure", _COOLANT, CAP_MANUAL, known=("white-smoke",)),
    Rule("cooling-pressure", _COOLANT, CAP_MANUAL, known=("bubbles",)),
    Rule("cooling-pressure", _COOLANT, CAP_MANUAL, known=("oil-in-coolant",)),
    Rule("coolant-gas", _GAS, PRACTICE, known=("coolant-falls",)),
    Rule("coolant-gas", _GAS, PRACTICE, known=("bubbles",)),
    Rule("coolant-gas", _GAS, PRACTICE, known=("white-smoke",)),
    Rule("coolant-gas", _GAS, PRACTICE, ("coolant-loss",)),
    Rule(
        "leakage",
        "Gas gets into the coolant: with the radiator open on a cold engine, the cylinder whose "
        "air makes bubbles is the one.",
        LEAKAGE_MANUALS,
        known=("gas-in-coolant",),
    ),
    Rule(
        "leakage",
        "Two low neighbours speak for the gasket between them. Air that comes out of the other "
        "one's plug hole settles it; oil in the cylinder would not.",
        COMPRESSION_MANUAL,
        known=("neighbours-low",),
    ),
    Rule(
        "compression",
        "It finds the dead cylinder in a few minutes and without air. If all cylinders are alike, "
        "the misfire is not one of seals.",
        COMPRESSION_MANUAL,
        ("misfire",),
    ),
    Rule(
        "compression",
        "It compares all cylinders in one go: one low is a seal, all low are timing, air supply "
        "or wear.",
        COMPRESSION_MANUAL,
        ("low-power",),
    ),
    Rule(
        "compression",
        "An engine starts in spite of one dead cylinder, but not when most are down: look at all "
        "of them before at one.",
        COMPRESSION_MANUAL,
        ("no-start",),
    ),
    Rule(
        "compression",
        "Where nothing is known, the quickest test that looks at every cylinder comes first.",
        COMPRESSION_MANUAL,
        ("unknown",),
    ),
    Rule(
        "wet-compression",
        "Oil seals the rings for a moment and nothing else: a clear rise speaks for the rings, "
        "none for valves or gasket.",
        COMPRESSION_MANUAL,
        known=("one-low",),
    ),
    Rule(
        "wet-compression",
        "All are low, and the timing is right: a rise with oil on all of them speaks for worn "
        "rings, none for something that they share.",
        PRACTICE,
        known=("all-low",),
    ),
    Rule(
        "leakage",
        "The rise with oil speaks for the rings; air at the oil filler confirms it, and shows "
        "whether a valve leaks as well.",
        LEAKAGE_MANUALS,
        known=("wet-rises",),
    ),
    Rule(
        "leakage",
        "Oil changed nothing: a valve or the gasket. The tailpipe speaks for the exhaust valve, "
        "the throttle body for the intake valve, the radiator or a neighbour for the gasket.",
        LEAKAGE_MANUALS,
        known=("wet-unchanged",),
    ),
    Rule("leakage", _LOW, LEAKAGE_MANUALS, known=("one-low",)),
    Rule(
        "leakage",
        "Cranking compressions hide a small leak. Test while the engine is cold, as the complaint "
        "is.",
        PRACTICE,
        known=("compression-even", "cold-only"),
    ),
    Rule(
        "leakage",
        "Coolant that gets into a cylinder lets air get out by the same way. With the radiator "
        "open on a cold engine, bubbles name the cylinder.",
        LEAKAGE_MANUALS,
        ("coolant-loss",),
    ),
    Rule(
        "oil-paths",
        "Oil gets lost without any cylinder leaking air; look for that before taking plugs out.",
        PRACTICE,
        ("oil-use",),
    ),
    Rule(
        "compression",
        "Worn rings lower compression late: an even reading does not clear them, a low one finds "
        "the cylinder.",
        COMPRESSION_MANUAL,
        ("oil-use",),
    ),
    Rule(
        "wet-compression",
        "Oil seals the rings for a moment: a clear rise speaks for worn rings.",
        COMPRESSION_MANUAL,
        ("oil-use",),
        condition="where a cylinder is low",
        unless=("compression-even",),
    ),
    Rule(
        "leakage",
        "Air at the oil filler speaks for rings or wall. Oil that runs past stem seals loses no "
        "air.",
        LEAKAGE_MANUALS,
        ("oil-use",),
    ),
    Rule(
        "compression",
        "Two low neighbours speak for the gasket between them.",
        COMPRESSION_MANUAL,
        ("coolant-loss",),
        condition="where the leakage test shows no path",
    ),
    Rule(
        "running-compression",
        "Still, the cylinders seal. A worn cam lobe, a weak spring or a lifter shows only with "
        "the engine running.",
        "ASE task list A1, from memory",
        ("misfire", "low-power"),
        ("compression-even",),
    ),
    Rule(
        "wet-compression",
        "Oil seals the rings for a moment and nothing else: a clear rise speaks for the rings, "
        "none for valves or gasket.",
        COMPRESSION_MANUAL,
        ("misfire", "low-power", "no-start", "unknown"),
        condition="where one cylinder is low and its neighbours are not",
        unless=("compression-even", "neighbours-low"),
    ),
    Rule(
        "leakage",
        _LOW,
        LEAKAGE_MANUALS,
        ("misfire", "low-power", "no-start", "unknown"),
        condition="where a cylinder is low, or the complaint stays",
    ),
    Rule(
        "cooling-pressure",
        _COOLANT,
        CAP_MANUAL,
        ("unknown", "misfire", "low-power"),
        condition="where coolant is used up",
    ),
    Rule(
        "beyond-leaks",
        "A cylinder that seals has its fault elsewhere.",
        PRACTICE,
        condition="where all cylinders seal",
    ),
)
"""The table, in the order of the tests; of each test the first row that holds gives the reason."""
