"""Bands held to the masks of the filter standard and other filters; detection to closed forms."""

from functools import lru_cache

import numpy as np
import pyoctaveband
import pytest
import scipy.signal
import scipy.stats

from earwitness.acoustics.bands import OCTAVE_RATIO, band_powers, bands_for, window_length

CLASS_1 = [
    (0, -0.4, 0.4),
    (1 / 8, -0.4, 0.5),
    (1 / 4, -0.4, 0.7),
    (3 / 8, -0.4, 1.4),
    (1 / 2 - 1e-6, -0.4, 5.3),
    (1 / 2 + 1e-6, 1.2, np.inf),
    (1, 16.6, np.inf),
    (2, 40.5, np.inf),
    (3, 60.0, np.inf),
    (4, 70.0, np.inf),
    (8, 70.0, np.inf),
]
"""Octaves from the mid-band of an octave filter, least and largest relative attenuation [dB]. IEC
61260-1:2014, table 1, class 1 (seen in the source of PyOctaveBand 2.0, compliance.py)."""


def limits_db(f, mid_hz, per_octave):
    """Class 1 limits at frequencies: IEC 61260-1:2014, eq. (9) to (11), linear in lg frequency."""
    ratio = np.maximum(f / mid_hz, mid_hz / f)
    k = np.array([row[0] for row in CLASS_1])
    half = (OCTAVE_RATIO ** (1 / (2 * per_octave)) - 1) / (OCTAVE_RATIO**0.5 - 1)
    points = 1 + half * (OCTAVE_RATIO**k - 1)
    lower = np.interp(np.log(ratio), np.log(points), [row[1] for row in CLASS_1])
    inside = ratio < points[4]
    finite = [row[2] for row in CLASS_1[:5]]
    upper = np.interp(np.log(ratio), np.log(points[:5]), finite)
    return lower, np.where(inside, upper, np.inf)


@lru_cache
def responses(fs):
    """Power of sines of unit power in every band, shape (frequencies, bands), and where."""
    n, bands = window_length(fs), bands_for(fs)
    f = np.geomspace(20, 0.99 * fs / 2, 1000)
    sines = np.exp(2j * np.pi * np.outer(f, np.arange(n)) / fs)
    w = np.sqrt(2 / 3 / n) * (1 - np.cos(2 * np.pi * np.arange(n) / n))
    power = np.abs(np.fft.fft(sines * w, axis=1)[:, : len(bands.weights)]) ** 2
    return f, power @ bands.weights


def margin_db(columns, per_octave, fs):
    """Least distance from the class 1 mask over the audible range; negative outside it [dB]."""
    bands = bands_for(fs)
    mid = float(np.sqrt(bands.lower_hz[columns[0]] * bands.upper_hz[columns[-1]]))
    f, power = responses(fs)
    level = 10 * np.log10(power[:, columns].sum(axis=1) + 1e-30)
    attenuation = np.interp(np.log(mid), np.log(f), level) - level
    edge = OCTAVE_RATIO ** (1 / (2 * per_octave))
    clear = np.abs(np.abs(np.log(f / mid)) - np.log(edge)) > 1e-4
    lower, upper = limits_db(f, mid, per_octave)
    return float(np.minimum(attenuation - lower, upper - attenuation)[clear].min())


@pytest.mark.parametrize("fs", [44_100, 48_000])
def test_third_octaves_of_the_hiss_band_are_class_1(fs):
    """Two sixth octaves make a third; from 1 kHz up every one keeps the mask."""
    for first in range(9, 33, 2):
        assert margin_db([first, first + 1], 3, fs) > 0


@pytest.mark.parametrize("first", [13, 19, 25])
def test_octaves_of_the_hiss_band_are_class_1(first):
    """Six sixth octaves about 2, 4 and 8 kHz."""
    columns = list(range(first - 1, first + 5))
    bands = bands_for(48_000)
    assert bands.upper_hz[columns[-1]] / bands.lower_hz[columns[0]] == pytest.approx(OCTAVE_RATIO)
    assert margin_db(columns, 1, 48_000) > 0


def test_third_octaves_below_631_hz_are_not_class_1():
    """Their skirts are those of 47 Hz bins; they tell gain and tilt, no level rests on them."""
    assert all(margin_db([k], 3, 48_000) < 0 for k in range(7))


def test_bands_agree_with_butterworth_filters_of_the_standard(rng):
    """Order-6 Butterworth third octaves are class 1 (phonometry, CONFORMANCE.md); from scipy.

    Shaped noise, 1.26 to 10 kHz, to 0.1 dB. A Butterworth filter of order 2 N lets through
    (pi / 2N) / sin(pi / 2N) times the noise between its edges: 0.20 dB for N = 3 (derived).
    """
    fs = 48_000
    sos = scipy.signal.butter(1, 2_000, fs=fs, output="sos")
    x = scipy.signal.sosfilt(sos, rng.standard_normal(10 * fs))
    p = band_powers(x, fs)
    total = (p.power * p.bands.width_bins).mean(axis=0) / (window_length(fs) / 2)
    wider = 10 * np.log10(np.pi / 6 / np.sin(np.pi / 6))
    for k in range(11, 31, 2):
        low, high = p.bands.lower_hz[k], p.bands.upper_hz[k + 1]
        y = scipy.signal.sosfilt(
            scipy.signal.butter(3, [low, high], "band", fs=fs, output="sos"), x
        )
        ours, theirs = 10 * np.log10(total[k] + total[k + 1]), 10 * np.log10(np.mean(y[fs:] ** 2))
        assert ours == pytest.approx(theirs - wider, abs=0.1)


def test_bands_agree_with_another_library_s_filter_bank(rng):
    """PyOctaveBand 2.0: third octaves of twelve poles by IEC 61260-1, 1.26 to 10 kHz, to 0.05 dB.

    Of noise a Butterworth filter of order 2 N lets through (pi / 2N) / sin(pi / 2N) times what lies
    between its edges: 0.05 dB for N = 6 (derived).
    """
    fs = 48_000
    sos = scipy.signal.butter(1, 2_000, fs=fs, output="sos")
    x = scipy.signal.sosfilt(sos, rng.standard_normal(10 * fs)) * 0.05
    levels, centres = pyoctaveband.octavefilter(
        x, fs, fraction=3, order=6, limits=[1_200, 11_000], dbfs=True
    )
    p = band_powers(x, fs)
    total = (p.power * p.bands.width_bins).mean(axis=0) / (window_length(fs) / 2)
    thirds = [(k, np.sqrt(p.bands.lower_hz[k] * p.bands.upper_hz[k + 1])) for k in range(11, 31, 2)]
    assert centres == pytest.approx([mid for _, mid in thirds], rel=1e-3)
    ours = [10 * np.log10(total[k] + total[k + 1]) for k, _ in thirds]
    wider = 10 * np.log10(np.pi / 12 / np.sin(np.pi / 12))
    assert ours == pytest.approx(levels - wider, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("dof", "snr_db", "p_false", "p_detect"),
    [(10, 0.0, 0.01, 0.31239), (100, -5.0, 0.01, 0.39378)],
)
def test_a_faint_hiss_is_detected_as_often_as_the_closed_form_says(
    rng, dof, snr_db, p_false, p_detect
):
    """Kay, Statistical Signal Processing II, eq. (5.2) and its random-signal counterpart.

    Pd = Q_chi2(N)(gamma / (1 + snr)); both values also printed by the package sdr. The energy is
    that of enough frames of one band, two apart, to make up N degrees of freedom.
    """
    gamma = scipy.stats.chi2.isf(p_false, dof)
    snr = 10 ** (snr_db / 10)
    assert scipy.stats.chi2.sf(gamma / (1 + snr), dof) == pytest.approx(p_detect, abs=1e-5)
    x = rng.standard_normal(60 * 48_000) + np.sqrt(snr) * rng.standard_normal(60 * 48_000)
    p = band_powers(x, 48_000)
    k = min(range(20, 35), key=lambda b: _misfit(dof / 2 / p.bands.dof[b]))
    frames = round(dof / 2 / p.bands.dof[k])
    apart = p.power[::2, k]
    n = len(apart) // frames
    energy = 2 * p.bands.dof[k] * apart[: n * frames].reshape(n, frames).sum(axis=1)
    share = float(np.mean(energy > gamma))
    assert share == pytest.approx(p_detect, abs=4 * np.sqrt(p_detect * (1 - p_detect) / n) + 0.02)


def _misfit(frames):
    """How far a number of frames is from a whole one that is not zero."""
    return abs(frames - max(1, round(frames)))
