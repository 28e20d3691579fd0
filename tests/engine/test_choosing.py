"""Which test comes first for a complaint, and that every row of the table says where it is from."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.choosing import choose_tests
from earwitness.engine.layout import engine_layout
from earwitness.engine.test_rules import COMPLAINTS, EXCLUSIVE, KNOWN, RULES, TESTS
from earwitness.errors import EarwitnessError

DIESEL = engine_layout(4, fuel="diesel")
AIR_COOLED = engine_layout(4, cooling="air")
FREE = sorted(set(KNOWN).difference(*EXCLUSIVE))


@st.composite
def facts(draw):
    """Any facts that do not contradict each other."""
    known = set(draw(st.sets(st.sampled_from(FREE))))
    for group in EXCLUSIVE:
        known |= {draw(st.sampled_from([None, *sorted(group)]))} - {None}
    return known


def order(complaint, *known, layout=None):
    return [c.test for c in choose_tests(complaint, known, layout=layout)]


@pytest.mark.parametrize(
    ("complaint", "first"),
    [
        ("misfire", "compression"),
        ("low-power", "compression"),
        ("no-start", "compression"),
        ("unknown", "compression"),
        ("coolant-loss", "cooling-pressure"),
        ("oil-use", "oil-paths"),
    ],
)
def test_the_first_test_of_each_complaint(complaint, first):
    """Common practice, no source; compression first: US Army TM 5-4210-230-14&P-1, where leakage
    supplements it."""
    assert order(complaint)[0] == first


def test_a_misfire_is_followed_up_step_by_step():
    """US Army TM 5-4210-230-14&P-1: compression, then oil parts rings from valves, then leakage;
    two adjacent low cylinders speak for the gasket."""
    assert order("misfire")[:3] == ["compression", "wet-compression", "leakage"]
    assert order("misfire", "one-low")[:2] == ["wet-compression", "leakage"]
    assert order("misfire", "one-low", "wet-rises")[0] == "leakage"
    assert order("misfire", "one-low", "wet-unchanged")[0] == "leakage"
    assert order("misfire", "neighbours-low")[0] == "leakage"
    assert order("misfire", "all-low")[:2] == ["valve-timing", "wet-compression"]
    assert "wet-compression" not in order("misfire", "neighbours-low")
    assert order("misfire", "compression-even")[0] == "running-compression"


def test_the_reason_follows_what_is_known():
    rises = choose_tests("misfire", ["one-low", "wet-rises"])[0].why
    unchanged = choose_tests("misfire", ["one-low", "wet-unchanged"])[0].why
    assert "oil filler" in rises
    assert "tailpipe" in unchanged
    assert "throttle body" in unchanged


def test_coolant_first_pressure_then_gas_then_bubbles():
    assert order("coolant-loss")[:3] == ["cooling-pressure", "coolant-gas", "leakage"]
    assert order("coolant-loss", "coolant-falls")[:2] == ["coolant-gas", "leakage"]
    found = choose_tests("coolant-loss", ["coolant-falls", "gas-in-coolant"])[0]
    assert found.test == "leakage"
    assert found.temperature == "cold"
    assert "bubbles" in found.why
    assert order("misfire", "white-smoke")[0] == "cooling-pressure"


def test_a_complaint_of_the_cold_engine_is_tested_cold():
    choices = choose_tests("misfire", ["compression-even", "cold-only"])
    leakage = next(c for c in choices if c.test == "leakage")
    assert leakage.temperature == "cold"
    assert leakage.condition == ""


def test_leakage_read_but_not_listened_to_asks_for_listening():
    first = choose_tests("low-power", ["leakage-over", "compression-even"])[0]
    assert first.test == "leakage"
    assert "listening" in first.why


def test_an_engine_that_spins_freely_is_not_cranked_on():
    first = choose_tests("no-start", ["spins-freely"])[0]
    assert first.test == "valve-timing"
    assert "before cranking" in first.why


def test_engines_that_a_test_does_not_fit():
    assert "wet-compression" not in order("misfire", "one-low", layout=DIESEL)
    assert "wet-compression" in order("misfire", "one-low", layout=engine_layout(4))
    assert not {"cooling-pressure", "coolant-gas"} & set(order("unknown", layout=AIR_COOLED))


@pytest.mark.parametrize(
    ("complaint", "known", "layout", "said"),
    [
        ("knocking", [], None, "complaint 'knocking' is not known"),
        ("misfire", ["moonlight"], None, "'moonlight' is no fact"),
        ("misfire", ["one-low", "all-low"], None, "all-low and one-low cannot both be true"),
        ("coolant-loss", [], AIR_COOLED, "has no coolant"),
        ("misfire", ["bubbles"], AIR_COOLED, "bubbles cannot be"),
        ("misfire", ["coolant-holds"], AIR_COOLED, "coolant-holds cannot be"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(complaint, known, layout, said):
    with pytest.raises(EarwitnessError, match=said):
        choose_tests(complaint, known, layout=layout)


@settings(max_examples=25)
@given(st.sampled_from(COMPLAINTS), facts(), st.sampled_from([None, DIESEL, engine_layout(6)]))
def test_whatever_is_known_there_is_something_to_do(complaint, known, layout):
    chosen = choose_tests(complaint, known, layout=layout)
    names = [c.test for c in chosen]
    assert names
    assert len(names) == len(set(names))
    assert not {KNOWN[fact].done for fact in known} & set(names)
    assert chosen == choose_tests(complaint, sorted(known, reverse=True), layout=layout)
    assert all(c.why and c.origin and c.title and c.finds for c in chosen)


@settings(max_examples=25)
@given(st.sampled_from(COMPLAINTS), facts())
def test_a_leaking_cylinder_is_always_listened_to(complaint, known):
    """Whatever else is done: leakage is among the tests unless it was done, or all is even."""
    if "leakage-within" not in known and known & {"one-low", "neighbours-low", "leakage-over"}:
        assert "leakage" in order(complaint, *known)


def test_every_row_is_used_and_says_where_it_comes_from():
    assert {rule.test for rule in RULES} == set(TESTS)
    assert all(rule.origin and rule.why.endswith(".") for rule in RULES)
    assert {fact for rule in RULES for fact in (*rule.known, *rule.unless)} <= set(KNOWN)
    assert {fact.done for fact in KNOWN.values()} - {""} <= set(TESTS)
    assert set().union(*EXCLUSIVE) <= set(KNOWN)


@pytest.mark.slow
def test_every_row_can_give_its_reason():
    """A row that no situation reaches is a mistake in the order of the table."""
    reached = set()
    groups = [[None, *sorted(group)] for group in EXCLUSIVE]
    cases = [[fact for fact in FREE if fact == free] for free in [None, *FREE]]
    for group in groups:
        cases = [[*case, *([fact] if fact else [])] for case in cases for fact in group]
    for complaint in COMPLAINTS:
        for case in cases:
            reached |= {(c.test, c.why, c.condition) for c in choose_tests(complaint, case)}
    assert {(r.test, r.why, r.condition) for r in RULES} == reached
