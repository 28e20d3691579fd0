"""Choose which test comes first for a complaint, and which after it, each with the reason.

A test that is known to be done is not asked for again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.engine.test_rules import COMPLAINTS, EXCLUSIVE, KNOWN, RULES, TESTS
from earwitness.errors import EarwitnessError

if TYPE_CHECKING:
    from collections.abc import Collection

    from earwitness.engine.layout import EngineLayout
    from earwitness.engine.test_rules import Complaint, Rule, Temperature


@dataclass(frozen=True, slots=True)
class TestChoice:
    """One test to do, in its place in the order."""

    __test__ = False

    test: str
    title: str
    finds: str
    temperature: Temperature
    condition: str
    """When to do it; empty for in any case."""
    why: str
    origin: str


def choose_tests(
    complaint: Complaint, known: Collection[str] = (), *, layout: EngineLayout | None = None
) -> tuple[TestChoice, ...]:
    """Return the tests to do, in order, each with why.

    Parameters
    ----------
    complaint : Complaint
        What the customer complains of; "unknown" if nothing is known.
    known : collection of str
        Names of `KNOWN` facts.
    layout : EngineLayout, optional
        The engine: a diesel gets no wet test, an air-cooled engine none of its coolant.

    Returns
    -------
    tuple of TestChoice
        Never empty; each test at most once, none that is known to be done.

    Raises
    ------
    EarwitnessError
        If a name is not known, two facts contradict each other, or they do not fit the engine.

    Examples
    --------
    >>> [c.test for c in choose_tests("misfire")][:3]
    ['compression', 'wet-compression', 'leakage']
    >>> choose_tests("misfire", ["neighbours-low"])[0].test
    'leakage'
    """
    facts = _checked(complaint, known, layout)
    left_out = {KNOWN[fact].done for fact in facts} | _not_for(layout)
    chosen: dict[str, TestChoice] = {}
    for rule in RULES:
        if rule.test in left_out or rule.test in chosen:
            continue
        if _holds(rule, complaint, facts):
            chosen[rule.test] = _choice(rule, facts)
    return tuple(chosen.values())


def _holds(rule: Rule, complaint: Complaint, facts: frozenset[str]) -> bool:
    known = facts.issuperset(rule.known) and facts.isdisjoint(rule.unless)
    return complaint in rule.complaints and known


def _checked(complaint: str, known: Collection[str], layout: EngineLayout | None) -> frozenset[str]:
    """Return the facts as a set if they make sense together."""
    if complaint not in COMPLAINTS:
        raise EarwitnessError(
            f"complaint {complaint!r} is not known", remedy=f"Use one of: {', '.join(COMPLAINTS)}."
        )
    strange = [fact for fact in known if fact not in KNOWN]
    if strange:
        raise EarwitnessError(
            f"{strange[0]!r} is no fact that tests can be chosen by",
            remedy=f"Use: {', '.join(KNOWN)}.",
        )
    facts = frozenset(known)
    for group in EXCLUSIVE:
        both = sorted(facts & group)
        if len(both) > 1:
            raise EarwitnessError(
                f"{both[0]} and {both[1]} cannot both be true", remedy="Leave one of them out."
            )
    if layout is not None and layout.cooling == "air":
        _check_no_coolant(complaint, facts)
    return facts


def _check_no_coolant(complaint: str, facts: frozenset[str]) -> None:
    coolant = {f for f in facts if KNOWN[f].done in ("cooling-pressure", "coolant-gas")}
    wrong = sorted(coolant | facts & {"bubbles", "oil-in-coolant"})
    if complaint == "coolant-loss" or wrong:
        raise EarwitnessError(
            f"{wrong[0] if wrong else complaint} cannot be: an air-cooled engine has no coolant",
            remedy="Leave it out, or say that the engine is liquid-cooled.",
        )


def _not_for(layout: EngineLayout | None) -> set[str]:
    """Return the tests that this engine cannot have."""
    if layout is None:
        return set()
    wet = {"wet-compression"} if layout.fuel == "diesel" else set()
    coolant = {"cooling-pressure", "coolant-gas"} if layout.cooling == "air" else set()
    return wet | coolant


def _choice(rule: Rule, facts: frozenset[str]) -> TestChoice:
    kind = TESTS[rule.test]
    temperature = kind.temperature
    if rule.test == "leakage" and facts & {"cold-only", "gas-in-coolant", "coolant-falls"}:
        temperature = "cold"
    return TestChoice(
        rule.test, kind.title, kind.finds, temperature, rule.condition, rule.why, rule.origin
    )
