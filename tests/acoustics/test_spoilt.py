"""Periods that shop noise has spoilt, and steps of the floor, on floors written down by hand."""

import numpy as np
import pytest

from earwitness.acoustics.bands import bands_for
from earwitness.acoustics.proof.cycles import Periods, Proof, prove
from earwitness.acoustics.proof.rise import Rise, rise_by_shape, rise_over_cycles
from earwitness.acoustics.proof.spoilt import LEAST_WEIGHT, levelled, step_of, unspoilt_weights
from earwitness.acoustics.proof.templates import expected_spectrum
from earwitness.acoustics.settings import DEFAULTS

BANDS = bands_for(48_000)
ON = (False, True) * 6 + (False,)
PER_DB = np.log(10) / 10
SD = np.sqrt(BANDS.log_variance / 100)
STILL = np.zeros((len(BANDS.centre_hz),) * 2)


def floors(seed=0):
    """Thirteen floors of stationary noise, each of 100 frames."""
    rng = np.random.default_rng(seed)
    return -18.0 + rng.standard_normal((13, len(SD))) * SD


def weights(log_power, step=None):
    return unspoilt_weights(log_power, SD**2, BANDS, DEFAULTS, step=step)


def proof(log_power, point="throttle-body"):
    silent = np.zeros_like(log_power)
    middle = np.arange(13) * 3.4
    step = step_of(log_power, SD**2, DEFAULTS)
    alone = weights(log_power, step)
    periods = Periods(log_power, silent, SD**2, ON, middle, np.ones(13), alone, step, STILL)
    expected = expected_spectrum(point, BANDS)
    return prove(periods, expected, BANDS, DEFAULTS, deafness=False)


def p_value(log_power):
    return proof(log_power).p_value


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


def test_cycles_beside_a_spoilt_period_still_rise():
    """A spoilt air-off period is the neighbour of two on-periods; it must not make them fall."""
    x = floors()
    x[1::2] += 0.5 * PER_DB
    x[[4, 8]] += 15 * PER_DB
    assert (proof(x).cycles > 0).all()
    assert len(proof(x).cycles) == 6


def test_a_spoilt_on_period_is_no_cycle():
    x = floors()
    x[1::2] += 0.5 * PER_DB
    x[3] += 15 * PER_DB
    assert len(proof(x).cycles) == 5


def test_the_proof_tells_how_loud_the_leak_is():
    """A leak of the expected spectrum with 0.1 of the floor's power over 1-16 kHz.

    Of a faint leak the log floor rises by leak over floor, to first order.
    """
    x = floors()
    expected = expected_spectrum("throttle-body", BANDS)
    power = np.exp(x - BANDS.log_bias)
    leak = 0.1 * (power.mean(axis=0) @ BANDS.hiss)
    x[1::2] = np.log(power[1::2] + leak * expected) + BANDS.log_bias
    assert proof(x).ratio == pytest.approx(0.1, rel=0.1)


def test_a_rise_above_zero_stands():
    rise = Rise(0.2, (-0.3, 0.7), 1.0, ())
    assert rise_by_shape(rise, Proof(0.001, 5.0, np.ones(6), None, 0.1)) is rise


def test_a_proven_hiss_with_no_plain_rise_has_the_rise_of_its_bands():
    """10 lg 1.1 = 0.41 dB; the interval reaches to 10 lg 1.2 = 0.79 dB and down to what it was."""
    rise = Rise(-0.1, (-0.6, 0.4), 1.0, ())
    told = rise_by_shape(rise, Proof(0.001, 5.0, np.ones(6), None, 0.1))
    assert told.excess_db == pytest.approx(0.414, abs=0.001)
    assert told.interval_db == pytest.approx((-0.6, 0.792), abs=0.001)


@pytest.mark.slow
@pytest.mark.parametrize("rows", [11, 13])
def test_the_interval_of_a_rise_covers_the_truth(rows):
    """600 takes of independent floors that scatter by 0.3 dB, truth 0: 95 %, within 0.93-0.98."""
    rng = np.random.default_rng(rows)
    on = tuple(bool(i % 2) for i in range(rows))
    covered = 0
    for _ in range(600):
        x = np.broadcast_to(-18.0 + rng.standard_normal((rows, 1)) * 0.3 * PER_DB, (rows, len(SD)))
        ones = np.ones(rows)
        periods = Periods(
            x, np.zeros_like(x), SD**2, on, np.arange(rows) * 1.0, ones, ones, None, STILL
        )
        low, high = rise_over_cycles(periods, BANDS, DEFAULTS).interval_db
        covered += low <= 0 <= high
    assert 0.93 <= covered / 600 <= 0.98
