"""The hiss of a leak against IEC 60534-8-3 and the gas laws."""

import fluids
import numpy as np
import pytest

from earwitness.simulate.leak import (
    VALVE_TIME_CONSTANT_S,
    jet_density,
    peak_frequency_hz,
    third_octave_level_db,
    throat_speed_m_s,
    valve_envelope,
)
from earwitness.simulate.shop_noise import frequency_grid, shaped_noise

THIRD_OCTAVES_HZ = 10 ** (np.arange(-60, 90) / 10 + 3)


def test_throat_speed_of_air_at_20_degrees():
    """313.3 m/s; sqrt(2 gamma R T0 / (gamma + 1)) worked out for air (derived)."""
    assert throat_speed_m_s() == pytest.approx(313.3, abs=0.05)


def test_throat_speed_agrees_with_an_independent_critical_temperature():
    """Speed of sound at the critical temperature of the package `fluids`."""
    critical_k = fluids.T_critical_flow(293.15, 1.4)
    assert throat_speed_m_s() == pytest.approx(np.sqrt(1.4 * 287.05 * critical_k), rel=1e-9)


@pytest.mark.parametrize(
    ("gap_mm", "khz"), [(0.5, 125), (1, 62.7), (2, 31.3), (3, 20.9), (5, 12.5)]
)
def test_peak_frequency_at_strouhal_0_2(gap_mm, khz):
    """St = 0.2 (IEC 60534-8-3 table 4, seen in a secondary copy) times 313.3 m/s over the gap."""
    assert peak_frequency_hz(gap_mm) / 1000 == pytest.approx(khz, rel=0.005)


@pytest.mark.parametrize("gap_mm", [0.0, -1.0, float("nan")])
def test_a_gap_must_be_positive(gap_mm):
    with pytest.raises(ValueError, match="gap_mm"):
        peak_frequency_hz(gap_mm)


def test_third_octave_slopes_of_the_standard():
    """+5.1 dB/octave far below the peak, -7.5 far above: IEC 60534-8-3 eq. 19, limits derived."""
    low = third_octave_level_db(np.array([1.0, 2.0]), 1e4)
    high = third_octave_level_db(np.array([1e7, 2e7]), 1e4)
    assert np.diff(low)[0] == pytest.approx(5.12, abs=0.02)
    assert np.diff(high)[0] == pytest.approx(-7.53, abs=0.02)


def test_third_octaves_add_up_to_the_total():
    """Eq. 19 sums to +0.08 dB over all third-octaves (calculated from the standard's formula)."""
    total_db = 10 * np.log10(np.sum(10 ** (third_octave_level_db(THIRD_OCTAVES_HZ, 1e3) / 10)))
    assert total_db == pytest.approx(0.08, abs=0.02)


def test_audible_skirt_of_a_millimetre_gap_rises_slowly():
    """Density +5.1 dB from 2 to 16 kHz, calculated from IEC 60534-8-3 eq. 19."""
    density = jet_density(np.array([2e3, 16e3]), peak_frequency_hz(1.0))
    assert 10 * np.log10(density[1] / density[0]) == pytest.approx(5.1, abs=0.1)


def test_rendered_noise_has_the_third_octaves_of_the_standard():
    """Band levels of 20 s of samples follow eq. 19; a band's own spread is under 0.1 dB."""
    fs, peak_hz = 48_000, 4000.0
    density = jet_density(frequency_grid(fs), peak_hz)
    noise = shaped_noise(np.random.default_rng(5), 20 * fs, fs, density)
    power = np.abs(np.fft.rfft(noise)) ** 2
    f = np.fft.rfftfreq(len(noise), 1 / fs)
    centres = 10 ** (np.arange(-3, 13) / 10 + 3)
    bands = [power[(f >= c * 10**-0.05) & (f < c * 10**0.05)].sum() for c in centres]
    difference = 10 * np.log10(bands) - third_octave_level_db(centres, peak_hz)
    assert np.ptp(difference) < 0.6
    assert np.std(difference) < 0.15


def test_valve_opens_and_closes_with_its_time_constant():
    """1 - 1/e one time constant after opening, 1/e one after closing (first-order system)."""
    fs, tau = 10_000, VALVE_TIME_CONSTANT_S
    envelope = valve_envelope(4 * fs, fs, [(1.0, 3.0)])
    assert envelope[: fs - 1].max() == 0
    assert envelope[round((1 + tau) * fs)] == pytest.approx(1 - np.exp(-1), abs=1e-3)
    assert envelope[round((3 + tau) * fs)] == pytest.approx(np.exp(-1), abs=1e-3)


def test_a_valve_reopened_early_starts_from_where_the_hiss_is():
    envelope = valve_envelope(3000, 1000, [(0.5, 1.0), (1.1, 2.0)])
    assert np.abs(np.diff(envelope)).max() < 0.01
    assert envelope[1090] > 0.4


def test_a_valve_opened_before_the_take_hisses_from_the_start():
    """1 - exp(-0.3 / 0.15) after 0.3 s (first-order system)."""
    assert valve_envelope(100, 1000, [(-60.0, 9.0)]).min() > 1 - 1e-9
    assert valve_envelope(100, 1000, [(-0.3, 9.0)])[0] == pytest.approx(1 - np.exp(-2), abs=1e-3)


@pytest.mark.parametrize("periods", [[(2.0, 1.0)], [(0.0, 2.0), (1.0, 3.0)]])
def test_periods_must_be_in_order_and_disjoint(periods):
    with pytest.raises(ValueError, match="disjoint"):
        valve_envelope(1000, 100, periods)
