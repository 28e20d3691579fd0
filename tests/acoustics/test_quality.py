"""Every quality flag is raised by its defect, and by nothing in a clean recording."""

import numpy as np
import pytest
import scipy.signal

from earwitness.acoustics.quality.flags import FLAGS, meaning, ordered, refuses, remedy
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.stream import TakeStream
from earwitness.simulate import shop_events

RATES = (24_000, 44_100, 48_000, 96_000, 192_000)


def flags(samples, fs=48_000):
    stream = TakeStream(fs, DEFAULTS)
    stream.feed(np.asarray(samples, dtype=np.float64))
    return stream.finish().flags


@pytest.mark.parametrize("fs", RATES)
@pytest.mark.parametrize("seed", [1, 2])
def test_clean_sound_has_no_flag(floor_noise, fs, seed):
    assert flags(floor_noise(seed, fs, 2), fs) == set()


@pytest.mark.parametrize("steps", [1.5, 3, 6, 20])
def test_quiet_sixteen_bit_sound_with_many_zeros_has_no_flag(floor_noise, steps):
    """The rms is a few converter steps, so that up to a quarter of the samples is exactly zero."""
    x = floor_noise(4, 48_000, 8, level=steps / 32768)
    assert np.mean(x == 0) > 0.01
    assert flags(x) == set()


def test_hum_and_impacts_are_not_defects(floor_noise, rng):
    """A strong 50 Hz hum and decaying bursts to just under full scale."""
    x = floor_noise(5, 48_000, 6)
    t = np.arange(len(x)) / 48_000
    x = x + 0.4 * np.sin(2 * np.pi * 50 * t)
    for start in range(20_000, len(x) - 9_600, 31_111):
        x[start : start + 9_600] += 0.4 * rng.standard_normal(9_600) * np.exp(-t[:9_600] / 0.02)
    x *= 0.97 / np.abs(x).max()
    assert flags(np.round(x * 32768) / 32768) == set()


@pytest.mark.parametrize("fs", [24_000, 48_000, 96_000])
@pytest.mark.parametrize("limit", [32767 / 32768, 0.5, 0.12])
def test_overdriven_sound_is_clipped(floor_noise, fs, limit):
    x = floor_noise(6, fs, 2)
    x = np.clip(x * 3.5 * limit / np.abs(x).max(), -limit, limit)
    assert flags(np.round(x * 32768) / 32768, fs) == {"clipped"}


def test_one_side_clipped_is_enough(floor_noise):
    x = floor_noise(7, 48_000, 3)
    assert "clipped" in flags(np.maximum(x, -2.5 * x.std()))


@pytest.mark.parametrize("frequency", [20, 50, 997])
def test_the_round_top_of_a_pure_wave_is_not_clipped(frequency):
    """Sixteen-bit quantisation makes tops of several equal samples."""
    x = 0.8 * np.sin(2 * np.pi * frequency * np.arange(3 * 48_000) / 48_000 + 0.1)
    assert "clipped" not in flags(np.round(x * 32768) / 32768)


@pytest.mark.parametrize("x", [np.zeros(96_000), np.full(96_000, 0.25), np.full(96_000, -1.0)])
def test_equal_samples_are_silence(x):
    assert flags(x) == {"silent"}


def test_stray_bits_are_silence(rng):
    x = np.zeros(96_000)
    x[rng.integers(0, 96_000, 20_000)] = 1 / 32768
    assert flags(x) == {"silent"}
    assert flags(rng.standard_normal(96_000) * 1e-8) == {"silent"}


@pytest.mark.parametrize("fs", RATES)
def test_a_gap_of_two_milliseconds_is_found(floor_noise, fs):
    x = floor_noise(8, fs, 2)
    x[fs : fs + fs // 500] = 0
    assert flags(x, fs) == {"zero-runs"}


def test_a_noise_gate_is_found_in_quiet_sound(floor_noise):
    x = floor_noise(9, 48_000, 3, level=3 / 32768)
    x[50_000:52_000] = 0
    assert "zero-runs" in flags(x)


@pytest.mark.parametrize("block", [64, 128, 441, 480, 777, 1024, 4096])
@pytest.mark.parametrize("start", [50_000, 70_001])
def test_a_buffer_played_twice_is_found(floor_noise, block, start):
    x = floor_noise(10, 48_000, 3)
    x[start : start + block] = x[start - block : start]
    assert flags(x) == {"repeated-blocks"}


@pytest.mark.parametrize("source", [8_000, 16_000])
@pytest.mark.parametrize("fs", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("level", [0.05, 0.002])
def test_a_telephone_recording_in_a_wide_file_is_found(floor_noise, source, fs, level):
    x = floor_noise(11, source, 6, level)
    y = scipy.signal.resample_poly(x, fs // 100, source // 100)
    assert flags(np.round(y * 32768) / 32768, fs) == {"band-limited"}


@pytest.mark.parametrize("fs", [8_000, 11_025, 16_000])
def test_a_low_sample_rate_is_band_limited(floor_noise, fs):
    assert flags(floor_noise(12, fs, 6), fs) == {"band-limited"}


@pytest.mark.parametrize("order", [1, 2])
def test_a_muffled_leak_is_not_band_limited(floor_noise, rng, order):
    """Through oil and baffles the upper octaves are weak, but not cut off."""
    sos = scipy.signal.butter(order, 2_500, fs=48_000, output="sos")
    x = scipy.signal.sosfilt(sos, rng.standard_normal(4 * 48_000)) * 0.1
    assert flags(x + floor_noise(13, 48_000, 4, 0.01)) == set()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
def test_samples_that_are_no_sound(floor_noise, bad):
    x = floor_noise(14, 48_000, 2)
    x[777] = bad
    assert flags(x) == {"not-finite"}


@pytest.mark.parametrize("count", [0, 1, 2, 47_999])
def test_short_sound(rng, count):
    assert flags(rng.standard_normal(count)) == {"too-short"}


@pytest.mark.parametrize("fs", [24_000, 48_000])
@pytest.mark.parametrize("step_db", [-6, 2])
def test_a_gain_that_was_turned_is_found(floor_noise, fs, step_db):
    x = floor_noise(15, fs, 9)
    x[4 * fs :] *= 10 ** (step_db / 20)
    assert flags(x, fs) == {"gain-stepped"}


def test_what_is_no_gain_step_is_not_taken_for_one(floor_noise, rng):
    """A slow fade of 2 dB, another hiss of 6 dB above 3 kHz, and a machine below 800 Hz."""
    x = floor_noise(16, 48_000, 9)
    assert flags(x * np.linspace(1, 10**0.1, len(x))) == set()
    for band in ([3_000, 20_000], [100, 800]):
        sos = scipy.signal.butter(2, band, "band", fs=48_000, output="sos")
        other = scipy.signal.sosfilt(sos, rng.standard_normal(len(x)))
        other *= 1.7 * scipy.signal.sosfilt(sos, x).std() / other.std()
        other[: len(x) // 2] = 0
        assert flags(x + other) == set()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_voice_is_found_and_a_ratchet_is_none(floor_noise, seed):
    """Syllables of Peterson and Barney's formants, and clicks, by the simulated shop, at 15 dB."""
    x, rng = floor_noise(17, 48_000, 9), np.random.default_rng(seed)
    sos = scipy.signal.butter(2, [200, 3_000], "band", fs=48_000, output="sos")
    floor = scipy.signal.sosfilt(sos, x).std()
    for make, found in ((shop_events.radio_phrase, {"speech"}), (shop_events.ratchet, set())):
        sound = make(rng, 48_000)[: 3 * 48_000]
        y = x.copy()
        y[48_000 : 48_000 + len(sound)] += sound * 5.6 * floor / sound.std()
        assert flags(y) - {"clipped"} == found


def test_knocks_of_the_hand_are_found(floor_noise, rng):
    """Three thumps below 150 Hz, 30 dB over the floor there."""
    x = floor_noise(18, 48_000, 9)
    sos = scipy.signal.butter(2, [30, 150], "band", fs=48_000, output="sos")
    floor = scipy.signal.sosfilt(sos, x).std()
    for start in (100_000, 200_000, 330_000):
        thump = scipy.signal.sosfilt(sos, rng.standard_normal(7_000)) * np.hanning(7_000)
        x[start : start + 7_000] += thump * 31 * floor / thump.std()
    assert flags(x) == {"knocked"}


def test_the_table_is_complete_and_in_order():
    """The names are a contract with records on disk: they may be added to, never renamed."""
    names = [f.name for f in FLAGS]
    assert names == [
        "not-finite",
        "too-short",
        "rates-differ",
        "channels-differ",
        "silent",
        "clipped",
        "zero-runs",
        "repeated-blocks",
        "band-limited",
        "gain-stepped",
        "speech",
        "knocked",
        "few-quiet-frames",
        "reference-ignored",
        "too-few-cycles",
        "screening-only",
        "unsteady",
        "upper-bound",
    ]
    assert [f.name for f in FLAGS if f.refuses] == names[:9]
    assert all(f.meaning.endswith(".") and f.remedy.endswith(".") for f in FLAGS)


def test_flags_are_listed_in_the_order_of_the_table():
    assert ordered(["upper-bound", "clipped", "silent", "clipped"]) == (
        "silent",
        "clipped",
        "upper-bound",
    )
    assert refuses(["upper-bound", "clipped"])
    assert not refuses(["upper-bound"])
    assert meaning("clipped") != remedy("clipped")
    with pytest.raises(ValueError, match="no such quality flag: loud"):
        ordered(["loud"])
    with pytest.raises(ValueError, match="no such quality flag: loud"):
        meaning("loud")
