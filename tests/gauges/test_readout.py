"""One leakage of all that was read, and what is said about how it came about."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.gauges.correction import ScaleCheck
from earwitness.gauges.leakage import leakage_percent, to_kpa
from earwitness.gauges.readout import read_percent, read_two_gauges


def test_three_readings_are_averaged():
    """33, 34, 36: mean 34 1/3, deviations -4/3, -1/3, 5/3, so scatter sqrt(7/3); t = 4.303 at two
    degrees of freedom (any table of Student's t)."""
    found = read_percent([33, 34, 36])
    assert found.percent == pytest.approx(103 / 3)
    assert found.count == 3
    assert found.scatter_percent == pytest.approx((7 / 3) ** 0.5)
    assert found.standard_error_percent == pytest.approx((7 / 9) ** 0.5)
    assert found.half_width_percent == pytest.approx(4.303 * (7 / 9) ** 0.5, abs=1e-3)
    assert found.remarks == ("Mean of 3 readings from 33 to 36 %, standard deviation 1.5 %.",)


def test_a_single_reading_is_as_good_as_its_display():
    found = read_percent([34])
    assert (found.percent, found.count, found.scatter_percent) == (34, 1, None)
    assert found.half_width_percent == 0.5
    assert found.remarks == ()


def test_scale_first_then_sag():
    """By hand: zero at 2 %, so 31.4 % is 30 %; set at 690 kPa, the cylinder holds 483 kPa, and of
    644 kPa under flow that is a loss of 25 %."""
    found = read_percent([31.4], check=ScaleCheck((2.0,)), supply_kpa=690, under_flow_kpa=644)
    assert found.percent == pytest.approx(25.0, abs=1e-6)
    assert "2 % with the hose shut: 31.4 % as read is 30 % corrected" in found.remarks[0]
    assert "fell from 690 to 644 kPa under flow: 30 % is 25 %" in found.remarks[1]


def test_drift_widens_what_is_known():
    still = read_percent([33, 34], check=ScaleCheck((2.0, 2.0)))
    moved = read_percent([33, 34], check=ScaleCheck((1.0, 3.0)))
    assert moved.percent == pytest.approx(still.percent)
    assert still.bound_percent == 0
    assert moved.half_width_percent == pytest.approx(still.half_width_percent + moved.bound_percent)


def test_what_stands_apart_is_said_and_kept():
    found = read_percent([33, 34, 33, 60])
    assert found.percent == 40
    assert "Reading 4 (60 %) stands apart" in found.remarks[-1]


@settings(max_examples=25)
@given(
    st.lists(st.tuples(st.floats(50, 1500), st.floats(0, 1)), min_size=1, max_size=5),
    st.sampled_from(["kpa", "psi", "bar"]),
)
def test_two_gauges_are_read_pair_by_pair_in_any_unit(given, unit):
    plain = [(s, s * share) for s, share in given]
    factor = to_kpa(1.0, unit)
    other = [(to_kpa(s / factor, unit), to_kpa(c / factor, unit)) for s, c in plain]
    percents = [leakage_percent(supply_kpa=s, cylinder_kpa=c) for s, c in plain]
    assert read_two_gauges(plain).percent == pytest.approx(sum(percents) / len(percents), abs=1e-6)
    assert read_two_gauges(other).percent == pytest.approx(read_two_gauges(plain).percent, abs=1e-6)


@settings(max_examples=25)
@given(st.lists(st.floats(0, 100), min_size=1, max_size=6))
def test_a_percentage_stays_among_its_readings(percents):
    found = read_percent(percents)
    assert min(percents) - 1e-6 <= found.percent <= max(percents) + 1e-6
