"""Mean, scatter and outliers against the guides that define them, and against scipy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from earwitness.errors import GaugeError
from earwitness.gauges.repeated import grubbs_critical, repeated

GUM_TABLE_1 = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip
readings = st.lists(st.floats(0, 100), min_size=2, max_size=12)


def test_twenty_temperatures():
    """JCGM 100:2008, 4.4.3 and table 1: mean 100.14, scatter 1.49, of the mean 0.33 degrees
    Celsius (from memory)."""
    found = repeated(GUM_TABLE_1)
    assert found.mean == pytest.approx(100.145, abs=0.005)
    assert found.scatter == pytest.approx(1.489, abs=0.001)
    assert found.standard_error == pytest.approx(0.333, abs=0.001)
    assert found.outlier is None


@settings(max_examples=25)
@given(readings)
def test_mean_and_scatter_of_a_general_library(values):
    found = repeated(values)
    assert found.mean == pytest.approx(np.mean(values), abs=1e-9)
    assert found.scatter == pytest.approx(np.std(values, ddof=1), abs=1e-9)
    assert found.standard_error == pytest.approx(stats.sem(values), abs=1e-9)
    assert min(values) <= found.mean <= max(values)


@settings(max_examples=25)
@given(readings.filter(lambda v: np.std(v) > 0.1))
def test_interval_of_a_general_library(values):
    low, high = stats.t.interval(0.95, len(values) - 1, np.mean(values), stats.sem(values))
    assert repeated(values).interval() == pytest.approx((low, high), abs=1e-6)


def test_an_interval_is_never_finer_than_the_display():
    assert repeated([33.0, 33.0, 33.0], resolution=1.0).interval() == (32.5, 33.5)
    assert repeated([33.0], resolution=1.0).interval() is None


def test_uncertainty_of_a_display():
    """JCGM 100:2008, F.2.2.1: a display of step 1 has the standard uncertainty 0.29."""
    assert repeated([33.0], resolution=1.0).uncertainty == pytest.approx(0.29, abs=0.002)
    both = repeated([32.0, 34.0], resolution=1.0)
    assert both.uncertainty == pytest.approx(math.hypot(1.0, 0.2887), abs=1e-4)


@pytest.mark.parametrize(
    ("count", "critical"),
    [(3, 1.155), (4, 1.481), (5, 1.715), (6, 1.887), (8, 2.126), (9, 2.215), (10, 2.290),
     (12, 2.412), (15, 2.549)],
)  # fmt: skip
def test_grubbs_table(count, critical):
    """Critical values at 5 %: analytic chemistry textbook, appendix 7 (chem.libretexts.org), the
    same in ISO 5725-2:1994, table 5 (from memory)."""
    assert grubbs_critical(count) == pytest.approx(critical, abs=0.0012)


def test_eight_masses_with_an_outlier():
    """NIST/SEMATECH handbook 1.3.5.17.1: G = 2.4687 over 2.032, one-sided at 5 %; the last of the
    eight uranium readings is an outlier (from memory)."""
    masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    found = repeated(masses)
    assert found.outlier == 7
    assert (masses[7] - found.mean) / found.scatter == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_critical(8, chance=0.10) == pytest.approx(2.032, abs=5e-4)


def test_a_step_of_the_display_is_no_outlier():
    """Without the resolution, the third of 33, 33, 34 would be one: G is 1.1547 of 1.1543."""
    assert repeated([33.0, 33.0, 34.0]).outlier == 2
    assert repeated([33.0, 33.0, 34.0], resolution=1.0).outlier is None
    assert repeated([33.0, 33.0, 60.0], resolution=1.0).outlier == 2


def test_two_readings_cannot_tell_which_is_wrong():
    assert repeated([10.0, 60.0], resolution=1.0).outlier is None


def test_a_single_reading_has_no_scatter():
    found = repeated([34.0])
    assert (found.mean, found.scatter, found.standard_error, found.outlier) == (
        34,
        None,
        None,
        None,
    )


@settings(max_examples=25)
@given(readings, st.floats(0.1, 10), st.floats(-50, 50))
def test_another_unit_changes_nothing_but_the_unit(values, factor, shift):
    plain, other = repeated(values), repeated([v * factor + shift for v in values])
    assert other.mean == pytest.approx(plain.mean * factor + shift, abs=1e-6)
    assert other.scatter == pytest.approx(plain.scatter * factor, abs=1e-6)


def test_one_normal_series_in_twenty_has_a_straggler():
    """The chance that the test promises, on a seed of its own."""
    rng = np.random.default_rng(20260305)
    called = [repeated(list(rng.normal(30, 2, 5))).outlier is not None for _ in range(2000)]
    assert np.mean(called) == pytest.approx(0.05, abs=0.015)


@pytest.mark.parametrize("values", [[math.nan], [1.0, math.inf]])
def test_what_is_no_number_is_refused(values):
    with pytest.raises(GaugeError, match="not all numbers"):
        repeated(values)


def test_nothing_cannot_be_averaged():
    with pytest.raises(ValueError, match="no readings"):
        repeated([])
    with pytest.raises(ValueError, match="at least 3"):
        grubbs_critical(2)
