"""Speech of any level reaches the recogniser alike, without looking ahead."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.speech.detection import FRAME
from earwitness.speech.level import (
    DETECTOR_LEVEL_DB,
    DITHER,
    MAX_GAIN_DB,
    TARGET_LEVEL_DB,
    WORD_FRAMES,
    DetectorLevel,
    SpeakingLevel,
)


def frames(samples):
    return samples[: len(samples) // FRAME * FRAME].reshape(-1, FRAME)


def tone(seconds, amplitude=0.1, hz=440.0):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * 16_000)) / 16_000)


def spoken(samples):
    level = SpeakingLevel()
    ready = [r for f in frames(samples) for r in level.feed(f)]
    return np.array(ready + level.finish())


def level_db(samples):
    return 20 * np.log10(np.sqrt(np.mean(samples**2)))


@pytest.mark.parametrize("amplitude_db", [0, -20, -50])
def test_speaking_level_is_reached(amplitude_db):
    out = spoken(tone(1.0, 10 ** (amplitude_db / 20)))
    assert level_db(out[WORD_FRAMES:]) == pytest.approx(TARGET_LEVEL_DB, abs=0.5)


def test_no_frame_is_lost_or_late():
    samples = tone(1.0)
    level = SpeakingLevel()
    counts = [len(level.feed(f)) for f in frames(samples)]
    assert counts == [0] * WORD_FRAMES + [1] * (len(counts) - WORD_FRAMES)
    assert len(level.finish()) == WORD_FRAMES


def test_the_gain_looks_no_further_ahead_than_a_word():
    """What comes out for a frame is the same whatever follows after the held-back frames."""
    quiet, loud = tone(1.0, 0.01), tone(1.0, 0.8)
    alone, followed = spoken(quiet), spoken(np.concatenate([quiet[: 31 * FRAME], loud]))
    assert np.array_equal(alone[: 31 - WORD_FRAMES], followed[: 31 - WORD_FRAMES])


def test_the_gain_only_falls():
    """After a loud word a soft one is not amplified more: its level tells the words apart."""
    loud, soft = tone(0.5, 0.5), tone(1.0, 0.05)
    out = spoken(np.concatenate([loud, soft]))
    assert level_db(out[5:12]) - level_db(out[-10:]) == pytest.approx(20.0, abs=0.5)


def test_a_constant_offset_is_not_taken_for_loudness():
    out = spoken(tone(1.0) + 0.3)
    assert np.std(out[WORD_FRAMES:]) == pytest.approx(10 ** (TARGET_LEVEL_DB / 20), rel=0.1)


def test_silence_is_dithered_and_never_dead():
    assert np.std(spoken(np.zeros(16_000))) == pytest.approx(DITHER, rel=0.05)


def test_amplification_has_a_limit():
    most = 10 ** (MAX_GAIN_DB / 20)
    expected = np.hypot(1e-6 * most / np.sqrt(2), DITHER)
    assert np.std(spoken(tone(1.0, 1e-6))) == pytest.approx(expected, rel=0.05)


def test_the_same_utterance_gives_the_same_samples_within_full_scale():
    noise = np.random.default_rng(4).standard_normal(20_000)
    assert np.array_equal(spoken(noise), spoken(noise))
    assert np.max(np.abs(spoken(noise))) <= 1.0


def test_the_detector_hears_a_whisper_at_its_level():
    level = DetectorLevel()
    outs = [level.feed(f) for f in frames(tone(1.0, 10 ** (-50 / 20)))]
    assert level_db(outs[-1][0]) == pytest.approx(DETECTOR_LEVEL_DB, abs=0.5)
    assert outs[-1][1] == pytest.approx(-53.01, abs=0.1)


def test_a_bang_is_forgotten_after_five_seconds():
    level = DetectorLevel()
    level.feed(np.sign(tone(0.032, 1.0)))
    whisper = frames(tone(6.0, 0.003))
    outs = [level_db(level.feed(f)[0]) for f in whisper]
    assert outs[0] < -40
    assert outs[-1] == pytest.approx(DETECTOR_LEVEL_DB, abs=0.5)
