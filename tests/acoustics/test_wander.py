"""How noise wanders within a period, and the spectra that a leak may have."""

import numpy as np
import pytest

from earwitness.acoustics.bands import bands_for
from earwitness.acoustics.floor import BLOCK_FRAMES, band_floor
from earwitness.acoustics.proof.templates import expected_spectrum, tilted
from earwitness.acoustics.proof.wander import wander_covariance
from earwitness.acoustics.settings import DEFAULTS

BANDS = bands_for(48_000)
FRAMES = 240


def floors(rng, periods=13, sway_db=0.0, rise_db=0.0):
    """Gamma band powers; all bands sway together every quarter of a second; every second period is
    louder.
    """
    out = []
    for i in range(periods):
        power = rng.gamma(BANDS.dof, 1 / BANDS.dof, (FRAMES, len(BANDS.dof)))
        sway = np.repeat(rng.normal(0, sway_db, FRAMES // BLOCK_FRAMES), BLOCK_FRAMES)
        gain = 10 ** ((sway + rise_db * (i % 2)) / 10)
        out.append(band_floor(power * gain[:, np.newaxis], BANDS, DEFAULTS))
    return out


def test_blocks_are_means_of_all_frames_of_equal_parts(rng):
    log_power = rng.normal(size=(53, len(BANDS.dof)))
    blocks = band_floor(np.exp(log_power), BANDS, DEFAULTS).blocks
    np.testing.assert_allclose(blocks, [log_power[:26].mean(0), log_power[26:].mean(0)])
    assert band_floor(np.exp(log_power[:3]), BANDS, DEFAULTS).blocks.shape == (1, len(BANDS.dof))


def test_steady_noise_wanders_no_more_than_its_mean_is_uncertain(rng):
    """The variance of the log of a gamma variable is trigamma(shape); of 24 of them, a 24th."""
    variance = np.diag(wander_covariance(floors(rng), None, BANDS, DEFAULTS))
    ratio = variance / (BANDS.log_variance / BLOCK_FRAMES)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.15)


def test_what_sways_together_is_seen_together_and_a_leak_is_not_in_it(rng):
    """A sway of 1 dB is (ln 10 / 10)^2 = 0.053 Np squared in every band and between them."""
    wander = wander_covariance(floors(rng, 60, 1.0), None, BANDS, DEFAULTS)
    apart = wander[9:20, 25:]
    assert np.median(apart) == pytest.approx(0.053, rel=0.25)
    still = wander_covariance(floors(rng, 60, 0.0, 6.0), None, BANDS, DEFAULTS)
    assert abs(np.median(still[9:20, 25:])) < 0.001


def test_what_a_second_microphone_hears_too_is_taken_off():
    """Of the same sound 0.7 is taken off: 0.3^2 of the variance is left."""
    heard = floors(np.random.default_rng(5), 20, 1.0)
    alone, both = (wander_covariance(heard, o, BANDS, DEFAULTS) for o in (None, heard))
    assert np.median(both / alone) == pytest.approx(0.09, abs=0.01)


def test_a_tilted_spectrum_falls_by_its_slope_and_keeps_its_mean():
    expected = expected_spectrum("throttle-body", BANDS)
    steeper, same, flatter = tilted(expected, BANDS, (-2.0, 0.0, 2.0))
    np.testing.assert_allclose(same, expected)
    octaves = np.log2(BANDS.centre_hz)
    for shape, slope in ((steeper, -2.0), (flatter, 2.0)):
        assert shape @ BANDS.hiss == pytest.approx(1.0)
        fit = np.polyfit(octaves, 10 * np.log10(shape / expected), 1)
        assert fit[0] == pytest.approx(slope)
