"""Leakage percent against the figures of FAA AC 43.13-1B, and readings no gauge can show."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from earwitness.errors import GaugeError
from earwitness.gauges.leakage import (
    AC_43_13_1B_LIMIT,
    COMMON_PRACTICE_LIMIT,
    check_leakage_percent,
    leakage_limit,
    leakage_percent,
    to_kpa,
    within_limit,
)

pressures = st.floats(1.0, 1900.0)
shares = st.floats(0.0, 1.0)


@pytest.mark.parametrize(
    ("supply_psi", "cylinder_psi", "percent"),
    [
        (80, 78, 2.5),
        (80, 75, 6.25),
        (80, 72, 10),
        (80, 68, 15),
        (80, 64, 20),
        (80, 60, 25),
        (80, 56, 30),
        (100, 90, 10),
        (100, 85, 15),
        (100, 80, 20),
        (100, 75, 25),
        (100, 70, 30),
    ],
)
def test_readings_of_the_differential_test(supply_psi, cylinder_psi, percent):
    """60/80 psi is the 25 percent of FAA AC 43.13-1B 8-14b(5)(i); the other rows calculated."""
    read = leakage_percent(
        supply_kpa=to_kpa(supply_psi, "psi"), cylinder_kpa=to_kpa(cylinder_psi, "psi")
    )
    assert read == pytest.approx(percent, abs=1e-9)


@settings(max_examples=25)
@given(pressures, shares, shares)
def test_more_pressure_held_is_less_leakage(supply, a, b):
    low, high = sorted((a, b))
    leaks = [leakage_percent(supply_kpa=supply, cylinder_kpa=supply * x) for x in (low, high)]
    assert leaks[0] >= leaks[1]
    assert 0 <= leaks[1] <= leaks[0] <= 100


@settings(max_examples=25)
@given(st.floats(1.0, 19.0), shares, st.sampled_from(["psi", "bar", "kpa"]))
def test_percent_does_not_depend_on_the_unit(supply, share, unit):
    plain = leakage_percent(supply_kpa=supply, cylinder_kpa=supply * share)
    other = leakage_percent(
        supply_kpa=to_kpa(supply, unit), cylinder_kpa=to_kpa(supply * share, unit)
    )
    assert other == pytest.approx(plain, abs=1e-9)


def test_units():
    """NIST SP 811 (2008), appendix B.8: 1 psi = 6.894 757 kPa, 1 bar = 100 kPa."""
    assert to_kpa(1, "psi") == pytest.approx(6.894757, abs=5e-7)
    assert to_kpa(1, "bar") == 100
    with pytest.raises(GaugeError, match="mmHg"):
        to_kpa(1, "mmHg")


@settings(max_examples=25)
@given(st.floats(0, 1e4), st.sampled_from(["kpa", "psi", "bar"]), st.sampled_from(["psi", "bar"]))
def test_there_and_back_in_any_unit(value, one, other):
    there = to_kpa(value, one) / to_kpa(1.0, other)
    assert to_kpa(there, other) / to_kpa(1.0, one) == pytest.approx(value, rel=1e-12)


@settings(max_examples=25)
@given(st.floats(0, 300), st.floats(0, 300), st.sampled_from(["kpa", "psi", "bar"]))
def test_more_in_one_unit_is_more_in_another(a, b, unit):
    low, high = sorted((a, b))
    assert to_kpa(low, unit) <= to_kpa(high, unit)


def test_a_pound_per_square_inch_of_a_general_library():
    """scipy.constants, from CODATA and the international pound and inch."""
    assert to_kpa(1.0, "psi") * 1e3 == pytest.approx(constants.psi, rel=1e-12)
    assert to_kpa(1.0, "bar") * 1e3 == constants.bar


@pytest.mark.parametrize(
    ("supply", "cylinder", "said"),
    [
        (0, 0, "supply pressure"),
        (-5, 0, "supply pressure"),
        (math.nan, 10, "supply pressure"),
        (math.inf, 10, "supply pressure"),
        (5000, 10, "supply pressure"),
        (500, 510, "above its supply"),
        (500, -1, "cannot stand on a gauge"),
        (500, math.nan, "cannot stand on a gauge"),
    ],
)
def test_pairs_no_tester_can_show(supply, cylinder, said):
    with pytest.raises(GaugeError, match=said) as refused:
        leakage_percent(supply_kpa=supply, cylinder_kpa=cylinder)
    assert str(refused.value).count("\n") == 0


@pytest.mark.parametrize("percent", [140, -1, 100.01, math.nan, math.inf])
def test_impossible_percentages(percent):
    with pytest.raises(GaugeError, match="impossible"):
        check_leakage_percent(percent)


def test_makers_limit_beats_the_sheets_and_that_beats_common_practice():
    assert leakage_limit(maker_percent=12, sheet_percent=30).leakage_percent == 12
    assert leakage_limit(sheet_percent=30, sheet_origin="shop rule").origin == "shop rule"
    assert leakage_limit() == COMMON_PRACTICE_LIMIT


def test_where_the_two_known_limits_come_from():
    """25 %: FAA AC 43.13-1B. 20 %: common practice, no source."""
    assert AC_43_13_1B_LIMIT.leakage_percent == 25
    assert "43.13-1B" in AC_43_13_1B_LIMIT.origin
    assert COMMON_PRACTICE_LIMIT.leakage_percent == 20
    assert COMMON_PRACTICE_LIMIT.origin == "common practice, no source"


def test_only_a_loss_in_excess_of_the_limit_fails():
    """AC 43.13-1B: a loss "in excess of 25 percent" is cause to suspect the cylinder."""
    assert within_limit(25.0, AC_43_13_1B_LIMIT)
    assert not within_limit(25.1, AC_43_13_1B_LIMIT)


@pytest.mark.parametrize("percent", [0, -3, 100, math.nan])
def test_impossible_limits(percent):
    with pytest.raises(GaugeError, match="maker"):
        leakage_limit(maker_percent=percent)


@pytest.mark.parametrize(
    ("supply", "cylinder", "unit"),
    [(80, 60, "psi"), (80, 60, "PSI"), (552, 414, "kPa"), (8, 6, "bar")],
)
def test_a_loss_of_25_percent_passes_the_25_percent_limit(
    supply: float, cylinder: float, unit: str
) -> None:
    """FAA AC 43.13-1B (1998), 8-14b(5): a loss *in excess of* 25 percent is suspect."""
    percent = leakage_percent(supply_kpa=to_kpa(supply, unit), cylinder_kpa=to_kpa(cylinder, unit))
    assert percent == 25.0
    assert within_limit(percent, AC_43_13_1B_LIMIT)
