"""Periods that shop noise has spoilt, and steps of the floor, on floors written down by hand."""

import numpy as np
import pytest

from earwitness.acoustics.bands import bands_for
from earwitness.acoustics.cycles import Periods, prove
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.spoilt import LEAST_WEIGHT, levelled, step_of, unspoilt_weights
from earwitness.acoustics.templates import expected_spectrum

BANDS = bands_for(48_000)
ON = (False, True) * 6 + (False,)
PER_DB = np.log(10) / 10
SD = np.sqrt(BANDS.log_variance / 100)


def floors(seed=0):
    """Thirteen floors of stationary noise, each of 100 frames."""
    rng = np.random.default_rng(seed)
    return -18.0 + rng.standard_normal((13, len(SD))) * SD


def weights(log_power, step=None):
    return unspoilt_weights(log_power, SD**2, BANDS, DEFAULTS, step=step)


def p_value(log_power, point="throttle-body"):
    silent = np.zeros_like(log_power)
    middle = np.arange(13) * 3.4
    periods = Periods(log_power, silent, SD**2, ON, middle, np.ones(13))
    expected = expected_spectrum(point, BANDS)
    return prove(periods, expected, BANDS, DEFAULTS, deafness=False).p_value


def test_stationary_noise_spoils_nothing():
    assert (weights(floors()) > 0.7).all()


@pytest.mark.parametrize("at", [0, 4, 5, 12])
def test_a_period_ten_decibels_up_counts_nothing(at):
    x = floors()
    x[at] += 10 * PER_DB
    w = weights(x)
    assert w[at] == LEAST_WEIGHT
    assert np.delete(w, at).min() > 0.6


@pytest.mark.parametrize("rise_db", [0.5, 3.0, 10.0, 30.0])
def test_a_leak_of_any_strength_spoils_no_period(rise_db):
    x = floors()
    x[1::2] += rise_db * PER_DB
    assert weights(x).min() > 0.6


def test_a_leak_is_found_beside_two_spoilt_periods():
    """Without the weights the two periods, 15 dB up, drown a rise of 0.5 dB."""
    x = floors()
    x[1::2] += 0.5 * PER_DB
    x[[4, 9]] += 15 * PER_DB
    assert p_value(x) <= 0.01
    assert p_value(floors()) > 0.05


@pytest.mark.parametrize("at", [2, 6, 11])
def test_a_machine_that_starts_is_a_step_where_it_starts(at):
    x = floors()
    x[at:] += 3 * PER_DB
    assert step_of(x, SD**2, DEFAULTS) == at
    assert np.abs(levelled(x, at)).max() < 6 * SD.max()


@pytest.mark.parametrize("seed", range(20))
def test_neither_noise_nor_a_leak_nor_a_spoilt_period_is_a_step(seed):
    x = floors(seed)
    assert step_of(x, SD**2, DEFAULTS) is None
    x[1::2] += 2 * PER_DB
    assert step_of(x, SD**2, DEFAULTS) is None
    x[7] += 10 * PER_DB
    assert step_of(x, SD**2, DEFAULTS) is None


def test_a_leak_is_found_across_a_step():
    x = floors()
    x[1::2] += 0.3 * PER_DB
    x[8:] += 4 * PER_DB
    assert p_value(x) <= 0.01


def test_a_step_alone_is_no_leak():
    """A step follows no rhythm of six cycles: p must not be small more often than it says."""
    small = 0
    for seed in range(60):
        x = floors(seed)
        x[3 + seed % 8 :] += 4 * PER_DB
        small += p_value(x) <= 0.05
    assert small <= 8


def test_too_few_periods_have_no_step():
    assert step_of(floors()[:3], SD**2, DEFAULTS) is None
