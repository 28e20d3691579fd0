"""Recordings of any rate and level reach the recogniser alike."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.speech.conditioning import (
    BLOCK,
    DITHER,
    MAX_GAIN_DB,
    PADDING_S,
    TARGET_LEVEL_DB,
    conditioned_blocks,
    speaking_gain,
)


def conditioned(samples, fs):
    return np.concatenate(list(conditioned_blocks(samples, fs)))


def tone(seconds, fs, hz=440.0, amplitude=0.1):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * fs)) / fs)


def level_db(samples):
    return 20 * np.log10(np.sqrt(np.mean(samples**2)))


@pytest.mark.parametrize("fs", [8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000])
def test_length_is_kept_at_any_rate(fs):
    out = conditioned(tone(1.5, fs), fs)
    assert len(out) == pytest.approx((1.5 + 2 * PADDING_S) * 16000, abs=2)


@pytest.mark.parametrize("fs", [8000, 22050, 44100, 48000, 96000, 192000])
def test_a_tone_keeps_its_pitch_and_phase(fs):
    """Resampling must give what sampling at 16 kHz would have given (sampling theorem)."""
    out, direct = conditioned(tone(2.0, fs), fs), conditioned(tone(2.0, 16000), 16000)
    middle = slice(8000, 28000)
    assert np.max(np.abs(out[middle] - direct[middle])) < 0.01


@pytest.mark.parametrize("amplitude_db", [0, -20, -50])
def test_speaking_level_is_reached(amplitude_db):
    quiet = tone(2.0, 16000, amplitude=10 ** (amplitude_db / 20))
    assert level_db(conditioned(quiet, 16000)[6400:-6400]) == pytest.approx(
        TARGET_LEVEL_DB, abs=0.5
    )


def test_a_constant_offset_is_not_taken_for_loudness():
    gain = speaking_gain(np.array([np.std(tone(0.1, 16000) + 0.5)] * 20))
    assert 20 * np.log10(gain[0]) == pytest.approx(TARGET_LEVEL_DB + 20 + 3.01, abs=0.1)


def test_a_bang_does_not_silence_the_whole_recording():
    levels = np.full(600, 0.01)
    levels[0] = 1.0
    gain_db = 20 * np.log10(speaking_gain(levels))
    assert gain_db[-1] == pytest.approx(TARGET_LEVEL_DB + 40, abs=0.01)
    assert gain_db[0] < gain_db[-1] - 20
    assert np.max(np.abs(np.diff(gain_db))) < 3.0


@pytest.mark.parametrize("frames", [0, 1, 2, 1599, 1600, 1601])
def test_short_recordings_are_padded(frames):
    out = conditioned(np.zeros(frames), 16000)
    assert len(out) == frames + 2 * round(PADDING_S * 16000)


def test_silence_is_dithered_and_never_dead():
    out = conditioned(np.zeros(48000), 16000)
    assert np.std(out) == pytest.approx(DITHER, rel=0.05)
    assert np.max(speaking_gain(np.zeros(10))) == pytest.approx(10 ** (MAX_GAIN_DB / 20))


def test_the_same_recording_gives_the_same_samples():
    noise = np.random.default_rng(4).standard_normal(40_000).astype(np.float32) * 0.1
    assert np.array_equal(conditioned(noise, 44100), conditioned(noise, 44100))


def test_blocks_are_short_and_within_full_scale():
    blocks = list(conditioned_blocks(np.sign(tone(1.0, 16000)), 16000))
    assert max(len(b) for b in blocks) <= BLOCK
    assert max(np.max(np.abs(b)) for b in blocks) <= 1.0
