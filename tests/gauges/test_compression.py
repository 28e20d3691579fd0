"""Compression rules against the worked values of the army manuals that state them."""

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.layout import engine_layout
from earwitness.errors import GaugeError
from earwitness.gauges.compression import (
    SPREAD_RULES,
    adjacent,
    check_compression_kpa,
    compression_rules,
    usual_rules,
    wet_test,
)
from earwitness.gauges.leakage import to_kpa


def psi(value):
    return to_kpa(value, "psi")


@pytest.mark.parametrize(
    ("highest", "lowest"), [(160, 120), (150, 112.5), (134, 100.5), (200, 150)]
)
def test_seventy_five_percent_of_the_highest(highest, lowest):
    """US Army TM 5-4210-230-14&P-1: not less than 75 % of the highest; values calculated."""
    passes = compression_rules({1: psi(highest), 2: psi(lowest)})[0]
    fails = compression_rules({1: psi(highest), 2: psi(lowest - 0.5)})[0]
    assert passes.passed
    assert passes.bound_kpa == pytest.approx(psi(lowest))
    assert fails.low == (2,)
    assert "5-4210-230" in fails.source


def test_twenty_percent_below_the_mean():
    """US Army TM 1-1500-204-23-1 p. 70: 20 % below the average is cause to investigate."""
    rule = compression_rules({1: 1000, 2: 1000, 3: 1000, 4: 720})[1]
    assert rule.bound_kpa == pytest.approx(0.8 * 930)
    assert rule.low == (4,)
    assert compression_rules({1: 1000, 2: 1000, 3: 1000, 4: 760})[1].passed


def test_diesel_spread():
    """US Army TM 5-2420-230-24-2: all within 690 kPa (100 psi); 2413 kPa is a new engine."""
    readings = {1: 2413.0, 2: 2068.0, 3: 1720.0}
    rules = compression_rules(readings, fuel="diesel")
    assert rules[2].low == (3,)
    assert compression_rules({1: 2413.0, 2: 1723.0}, fuel="diesel")[2].passed
    assert len(compression_rules(readings)) == 2


def test_one_cylinder_has_nothing_to_be_compared_with():
    assert compression_rules({1: 900.0}) == ()


@pytest.mark.parametrize(
    ("dry", "wet", "meaning"),
    [
        (600, 780, "rings"),
        (600, 690, "rings"),
        (600, 650, "unclear"),
        (600, 610, "valves-or-gasket"),
        (600, 560, "valves-or-gasket"),
    ],
)
def test_wet_test(dry, wet, meaning):
    """US Army TM 5-4210-230-14&P-1: a significant rise is the rings, none the valves."""
    assert wet_test(dry_kpa=dry, wet_kpa=wet).meaning == meaning


def test_two_low_neighbours_point_to_the_gasket():
    """US Army TM 5-4210-230-14&P-1: two adjacent low cylinders, head gasket may be the cause."""
    four = engine_layout(4)
    assert adjacent(four, (3, 2)) == ((2, 3),)
    assert adjacent(four, (1, 3)) == ()
    vee = engine_layout(4, firing_order=[1, 3, 2, 4], arrangement="vee", banks=[[1, 3], [2, 4]])
    assert adjacent(vee, (1, 2)) == ()


@pytest.mark.parametrize("value", [9000, -1, math.nan, math.inf])
def test_compressions_no_engine_has(value):
    with pytest.raises(GaugeError, match="beyond any cranking engine"):
        check_compression_kpa(value)
    with pytest.raises(GaugeError):
        compression_rules({1: 900.0, 2: value})


def test_a_wet_test_needs_a_dry_reading():
    with pytest.raises(GaugeError, match="0 kPa"):
        wet_test(dry_kpa=0, wet_kpa=300)


@settings(max_examples=25)
@given(st.dictionaries(st.integers(1, 16), st.floats(0, 3000), min_size=2), st.floats(0.1, 2))
def test_rules_that_compare_shares_do_not_depend_on_the_unit(readings, factor):
    before = compression_rules(readings)
    after = compression_rules({n: v * factor for n, v in readings.items()})
    margin = [abs(v - r.bound_kpa) for r in before for v in readings.values()]
    if min(margin) > 1e-3:
        assert [r.low for r in before] == [r.low for r in after]


@settings(max_examples=25)
@given(st.dictionaries(st.integers(1, 16), st.floats(0, 7000), min_size=2))
def test_the_highest_cylinder_never_fails(readings):
    best = max(readings, key=readings.__getitem__)
    assert all(best not in rule.low for rule in compression_rules(readings, fuel="diesel"))


def test_rules_for_one_engine_are_not_applied_unasked():
    """US Army TM 10-3930-618-20 2-12: spread of 10 lb; TM 5-3810-303-24: 25 psi at 600 rpm."""
    readings = {1: psi(125), 2: psi(114.9)}
    assert all(rule.passed for rule in compression_rules(readings))
    (rule,) = compression_rules(readings, rules=[SPREAD_RULES["petrol-spread"]])
    assert rule.low == (2,)
    assert compression_rules({1: psi(125), 2: psi(115.1)}, rules=[SPREAD_RULES["petrol-spread"]])[
        0
    ].passed
    running = SPREAD_RULES["diesel-running-spread"]
    assert running.figure == pytest.approx(psi(25), abs=0.5)
    assert running not in usual_rules("diesel")


def test_a_rule_is_a_setting():
    """A maker who asks for 80 % of the highest."""
    own = dataclasses.replace(
        SPREAD_RULES["share-of-highest"], name="at least 80 %", source="the maker", figure=0.8
    )
    (rule,) = compression_rules({1: 1000.0, 2: 780.0}, rules=[own])
    assert (rule.low, rule.bound_kpa, rule.source) == ((2,), 800.0, "the maker")


def test_every_rule_names_its_source():
    assert all(rule.source.startswith("US Army TM") for rule in SPREAD_RULES.values())
    assert [r.name for r in usual_rules("diesel")][:2] == [r.name for r in usual_rules()]


@settings(max_examples=25)
@given(
    st.dictionaries(st.integers(1, 16), st.floats(0, 3000), min_size=2),
    st.sampled_from(sorted(SPREAD_RULES)),
    st.data(),
)
def test_losing_compression_never_clears_a_cylinder(readings, name, data):
    cylinder = data.draw(st.sampled_from(sorted(readings)))
    lower = {**readings, cylinder: readings[cylinder] * data.draw(st.floats(0, 1))}
    before = compression_rules(readings, rules=[SPREAD_RULES[name]])[0].low
    after = compression_rules(lower, rules=[SPREAD_RULES[name]])[0].low
    if cylinder in before:
        assert cylinder in after
