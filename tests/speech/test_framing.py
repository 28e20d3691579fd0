"""A stream of any rate, in blocks of any size, becomes the same frames."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.speech.detection import FRAME
from earwitness.speech.framing import Framing

NOISE = np.random.default_rng(7).standard_normal(30_000)


def framed(samples, fs, sizes):
    framing, out, at = Framing(fs), [], 0
    for size in sizes:
        out += list(framing.feed(samples[at : at + size]))
        at += size
    out += list(framing.feed(samples[at:]))
    return np.concatenate([*out, *framing.finish(), np.zeros(0)])


@pytest.mark.parametrize("fs", [8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000])
def test_length_is_kept_at_any_rate(fs):
    out = framed(np.ones(round(1.5 * fs)), fs, [])
    assert len(out) % FRAME == 0
    assert len(out) - FRAME < 1.5 * 16000 + 1 <= len(out) + 2


@pytest.mark.parametrize("fs", [8000, 22050, 44100, 48000, 96000, 192000])
def test_a_tone_keeps_its_pitch_and_phase(fs):
    """Resampling must give what sampling at 16 kHz would have given (sampling theorem)."""
    out = framed(np.sin(2 * np.pi * 440 * np.arange(2 * fs) / fs), fs, [])
    direct = np.sin(2 * np.pi * 440 * np.arange(32_000) / 16_000)
    assert np.max(np.abs(out[8000:28_000] - direct[8000:28_000])) < 0.01


@settings(max_examples=25)
@given(
    st.sampled_from([8000, 16000, 44100, 48000]),
    st.lists(st.integers(0, 9000), max_size=8),
)
def test_block_size_does_not_change_a_sample(fs, sizes):
    assert np.array_equal(framed(NOISE, fs, sizes), framed(NOISE, fs, []))


def test_nothing_becomes_nothing():
    assert len(framed(np.zeros(0), 16_000, [])) == 0


def test_a_rate_must_be_positive():
    with pytest.raises(ValueError, match="fs=0"):
        Framing(0)
