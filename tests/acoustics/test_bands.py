"""Band powers against the filter standard, statistics tables and another library."""

import librosa
import numpy as np
import pytest
import scipy.special
import scipy.stats

from earwitness.acoustics.bands import HISS_HZ, band_powers, bands_for, effective_dof, window_length

RATES = (16_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000)

THIRD_OCTAVE_CENTRES = [
    125.8925,
    158.4893,
    199.5262,
    251.1886,
    316.2278,
    398.1072,
    501.1872,
    630.9573,
    794.3282,
    1000,
    1258.9254,
    1584.8932,
    1995.2623,
    2511.8864,
    3162.2777,
    3981.0717,
    5011.8723,
    6309.5734,
    7943.2823,
    10000,
    12589.2541,
    15848.9319,
]
"""Exact mid-bands [Hz]. IEC 61260-1:2014, eq. (2), base ten."""


def white(seed, fs, seconds, sd=0.1):
    return np.random.default_rng(seed).standard_normal(int(fs * seconds)) * sd


def test_there_are_35_bands_and_they_join():
    bands = bands_for(48_000)
    assert len(bands.centre_hz) == 35
    np.testing.assert_allclose(bands.upper_hz[:-1], bands.lower_hz[1:], rtol=1e-12)


@pytest.mark.parametrize(("fs", "count"), [(48_000, 35), (64_000, 35), (88_200, 42), (192_000, 42)])
def test_ultrasound_is_used_where_the_rate_carries_it(fs, count):
    """Seven sixth octaves more, to 39.8 kHz; the level is that of 1 to 16 kHz at every rate."""
    bands = bands_for(fs)
    assert len(bands.centre_hz) == count
    np.testing.assert_allclose(bands.upper_hz[:-1], bands.lower_hz[1:], rtol=1e-12)
    assert bands.hiss[35:].sum() == 0


def test_low_bands_are_the_standard_third_octaves():
    np.testing.assert_allclose(bands_for(48_000).centre_hz[:9], THIRD_OCTAVE_CENTRES[:9], rtol=1e-6)


def test_pairs_of_high_bands_are_the_standard_third_octaves():
    bands = bands_for(48_000)
    centres = np.sqrt(bands.lower_hz[9::2] * bands.upper_hz[10::2])
    np.testing.assert_allclose(centres, THIRD_OCTAVE_CENTRES[9:], rtol=1e-6)


def test_a_band_at_1_khz_has_the_standard_edges():
    """891.25 Hz to 1122.02 Hz: IEC 61260-1:2014, eq. (4) and (5), printed by python-acoustics."""
    bands = bands_for(48_000)
    assert bands.lower_hz[9] == pytest.approx(891.25094, abs=1e-4)
    assert bands.upper_hz[10] == pytest.approx(1122.01845, abs=1e-4)


def test_white_noise_rises_one_decibel_per_third_octave():
    """Exactly 1.000 dB by bandwidth, base ten; IEC 61260-1:2014, eq. (1)."""
    bands = bands_for(48_000)
    thirds = np.concatenate(
        [bands.width_bins[:9], bands.width_bins[9::2] + bands.width_bins[10::2]]
    )
    np.testing.assert_allclose(np.diff(10 * np.log10(thirds)), 1.0, atol=1e-9)


def test_measured_white_noise_rises_one_decibel_per_third_octave():
    """The same on 60 s of noise; 1 kHz level re total -20.17 dB (0.230768 fm / 24 kHz)."""
    x = white(1, 48_000, 30)
    p = band_powers(x, 48_000)
    level = 10 * np.log10(p.power.mean(axis=0) * p.bands.width_bins)
    thirds = 10 * np.log10(10 ** (level[9::2] / 10) + 10 ** (level[10::2] / 10))
    assert np.polyfit(np.arange(13), thirds, 1)[0] == pytest.approx(1.0, abs=0.02)
    total = 10 * np.log10(np.mean(x**2) * 512)
    assert thirds[0] - total == pytest.approx(-20.17, abs=0.15)


@pytest.mark.parametrize("fs", RATES)
def test_white_noise_gives_its_variance_at_every_sample_rate(fs):
    p = band_powers(white(fs, fs, 8), fs)
    level = 10 * np.log10(p.power.mean(axis=0) @ p.bands.hiss)
    assert level == pytest.approx(-20.0, abs=0.1)
    assert p.bands.upper_hz[-1] < fs / 2
    assert fs / window_length(fs) == pytest.approx(46.875, rel=0.005)


def test_hiss_band_ends_where_the_sample_rate_says():
    assert bands_for(192_000).upper_hz[bands_for(192_000).hiss > 0][-1] == pytest.approx(HISS_HZ[1])
    assert bands_for(16_000).upper_hz[-1] < 7_400


def test_a_sample_rate_without_hiss_bands_is_a_mistake():
    with pytest.raises(ValueError, match="carries no band"):
        bands_for(2_000)


@pytest.fixture(scope="module")
def noise_powers():
    """Band powers of two minutes of white noise of variance one."""
    return band_powers(white(3, 48_000, 120, sd=1.0), 48_000)


@pytest.mark.parametrize(
    ("tail", "threshold"),
    [(0.10, 15.987), (0.05, 18.307), (0.025, 20.483), (0.01, 23.209), (0.005, 25.188)],
)
def test_band_energy_has_the_tail_of_the_printed_chi_squared_table(noise_powers, tail, threshold):
    """Urkowitz (1967): the energy of noise follows chi-squared with 2TW degrees of freedom.

    A band worth K bins, summed over 5 / K frames that do not overlap, has 10 degrees; thresholds
    of the printed table for 10 degrees. Bands are taken whose 5 / K is near a whole number.
    """
    dof, power = noise_powers.bands.dof, noise_powers.power[::2]
    shares, counts = [], []
    for k in np.flatnonzero(np.abs(5 / dof - np.round(5 / dof)) < 0.05):
        frames = round(5 / dof[k])
        if frames:
            n = len(power) // frames
            energy = 2 * dof[k] * power[: n * frames, k].reshape(n, frames).sum(axis=1)
            shares.append(np.mean(energy > threshold))
            counts.append(n)
    sd = np.sqrt(tail * (1 - tail) / sum(counts))
    assert scipy.stats.chi2.sf(threshold, 10) == pytest.approx(tail, rel=2e-3)
    assert len(counts) >= 2
    assert abs(np.average(shares, weights=counts) - tail) < 4 * sd + 0.1 * tail


@pytest.mark.parametrize("tail", [0.1, 0.01])
def test_band_powers_follow_chi_squared_with_the_stated_dof(noise_powers, tail):
    """2 dof P / mean is chi-squared with 2 dof degrees (Satterthwaite), frames two apart."""
    p = noise_powers
    dof = p.bands.dof
    threshold = scipy.stats.chi2.isf(tail, 2 * dof) / (2 * dof)
    share = (p.power[::2] > threshold).mean(axis=0)
    sd = np.sqrt(tail * (1 - tail) / len(p.power[::2]))
    assert np.abs(share - tail).max() < 6 * sd
    assert share.mean() == pytest.approx(tail, rel=0.15)


def test_log_of_band_power_has_digamma_mean_and_trigamma_variance(noise_powers):
    """Mean and variance of the log of a gamma variable; digamma(1) = -0.57722, trigamma(1) =
    pi^2 / 6 (Abramowitz and Stegun, 6.3.2 and 6.4.2; from memory). Bins cut by a band's edge make
    the law approximate, to 0.07 Np or 0.3 dB, which is the same with the air on and off.
    """
    assert scipy.special.digamma(1.0) == pytest.approx(-0.5772156649)
    assert scipy.special.polygamma(1, 1.0) == pytest.approx(np.pi**2 / 6)
    bands, log_power = noise_powers.bands, np.log(noise_powers.power)
    np.testing.assert_allclose(log_power.mean(axis=0), bands.log_bias, atol=0.07)
    np.testing.assert_allclose(log_power.mean(axis=0)[25:], bands.log_bias[25:], atol=0.01)
    np.testing.assert_allclose(log_power.var(axis=0), bands.log_variance, rtol=0.25)
    np.testing.assert_allclose(log_power.var(axis=0)[25:], bands.log_variance[25:], rtol=0.08)


def test_level_of_band_noise_scatters_by_4343_over_root_bt(noise_powers):
    """4.343 / sqrt(BT) dB; a third octave at 4 kHz, 1 s: 0.143 dB (derived, 10 lg e / sqrt(BT))."""
    p = noise_powers
    k = [int(np.argmin(np.abs(p.bands.centre_hz - f))) for f in (3_758, 4_217)]
    seconds = p.power[: len(p.power) // 94 * 94].reshape(-1, 94, 35)[:, :, k]
    per_second = seconds @ p.bands.width_bins[k]
    assert np.std(10 * np.log10(per_second.mean(axis=1))) == pytest.approx(0.143, rel=0.25)


def test_one_full_bin_is_one_degree_and_neighbours_count_less():
    assert effective_dof(np.array([[0.0], [1.0], [0.0]]))[0] == pytest.approx(1.0)
    assert effective_dof(np.ones((3, 1)))[0] == pytest.approx(9 / (3 + 4 * 4 / 9 + 2 / 36))


@pytest.mark.slow
@pytest.mark.parametrize("fs", [44_100, 48_000])
def test_levels_agree_with_librosa(fs):
    """An independent STFT, with bins simply counted in: levels agree to 0.15 dB above 1 kHz."""
    x = white(6, fs, 4)
    x = x + 0.05 * np.sin(2 * np.pi * 5_000 * np.arange(len(x)) / fs)
    p = band_powers(x, fs)
    ours = 10 * np.log10((p.power * p.bands.width_bins).mean(axis=0))
    n = window_length(fs)
    s = np.abs(librosa.stft(x, n_fft=n, hop_length=n // 2, window="hann", center=False)) ** 2
    f = librosa.fft_frequencies(sr=fs, n_fft=n)
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    s = s.mean(axis=1) / (hann**2).sum()
    for low, high in ((1_000, 1_995.262), (1_995.262, 3_981.072), (3_981.072, 7_943.282)):
        inside = (p.bands.lower_hz > low - 1) & (p.bands.upper_hz < high + 1)
        theirs = 10 * np.log10(s[(f >= low) & (f < high)].sum())
        assert 10 * np.log10((10 ** (ours[inside] / 10)).sum()) == pytest.approx(theirs, abs=0.15)


def test_frames_lie_within_the_times_asked_for():
    p = band_powers(white(7, 48_000, 3), 48_000)
    cut = p.frames_between(0.6, 1.9)
    assert cut.start * 512 >= 0.6 * 48_000
    assert (cut.stop - 1) * 512 + 1024 <= 1.9 * 48_000
    assert p.frames_between(2.9, 9.0).stop == len(p.power)
    assert len(p.power[p.frames_between(5.0, 4.0)]) == 0
