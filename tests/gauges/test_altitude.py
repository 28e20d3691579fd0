"""The standard atmosphere against a general library and the figures printed from it."""

import math

import pytest
from fluids import ATMOSPHERE_1976
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import GaugeError
from earwitness.gauges.altitude import (
    BASIS_IN_WORDS,
    altitude_factor,
    ambient_kpa,
    sea_level_compression_kpa,
)

FOOT_M = 0.3048
heights = st.floats(-500, 5500)


@pytest.mark.parametrize(
    ("feet", "density", "pressure"),
    [
        (1000, 0.9711, 0.9644),
        (2000, 0.9428, 0.9298),
        (3000, 0.9151, 0.8963),
        (4000, 0.8881, 0.8637),
        (5000, 0.8617, 0.8321),
        (6000, 0.8359, 0.8014),
        (8000, 0.7861, 0.7429),
        (10000, 0.7386, 0.6878),
    ],
)
def test_ratios_of_the_standard_atmosphere(feet, density, pressure):
    """US Standard Atmosphere 1976, the same as ISO 2533 at these heights; printed by fluids."""
    assert altitude_factor(feet * FOOT_M, basis="density") == pytest.approx(density, abs=6e-5)
    assert altitude_factor(feet * FOOT_M, basis="pressure") == pytest.approx(pressure, abs=6e-5)


@settings(max_examples=25)
@given(heights)
def test_ambient_pressure_of_a_general_library(height):
    assert ambient_kpa(height) * 1e3 == pytest.approx(ATMOSPHERE_1976(height).P, rel=1e-5)


@settings(max_examples=25)
@given(heights, heights, st.sampled_from(sorted(BASIS_IN_WORDS)))
def test_higher_is_less(a, b, basis):
    low, high = sorted((a, b))
    assert altitude_factor(low, basis=basis) >= altitude_factor(high, basis=basis)


def test_sea_level_is_the_reference():
    assert ambient_kpa(0) == 101.325
    assert altitude_factor(0, basis="density") == 1


def test_compression_at_5000_feet():
    """A trade magazine: 120 psi become about 100 psi at 5000 ft (secondary copy), which is the
    pressure ratio; by the density ratio they would be 103."""
    height = 5000 * FOOT_M
    assert 120 * altitude_factor(height, basis="pressure") == pytest.approx(99.9, abs=0.1)
    assert 120 * altitude_factor(height, basis="density") == pytest.approx(103.4, abs=0.1)


def test_gauge_pressure_scales_as_the_air_does():
    """Derived the other way round: an engine that compresses eightfold, gauge over ambient."""
    at_height = 7 * ambient_kpa(1600)
    assert sea_level_compression_kpa(at_height, 1600) == pytest.approx(7 * 101.325)


@settings(max_examples=25)
@given(st.floats(100, 3000), heights, st.sampled_from(sorted(BASIS_IN_WORDS)))
def test_there_and_back(kpa, height, basis):
    there = sea_level_compression_kpa(kpa, height, basis=basis)
    assert there * altitude_factor(height, basis=basis) == pytest.approx(kpa)


@pytest.mark.parametrize("height", [-600, 9000, math.nan, math.inf])
def test_heights_at_which_nobody_tests(height):
    with pytest.raises(GaugeError, match="altitude"):
        ambient_kpa(height)


def test_an_unknown_basis_is_a_mistake_of_the_program():
    with pytest.raises(ValueError, match="basis"):
        altitude_factor(100, basis="humidity")
