"""The level that signal-to-noise ratios of the dictation benchmarks refer to.

Recommendation ITU-T P.56 (12/2011), Objective measurement of active speech level, method B; what is
checked follows from its definition: a time constant of 30 ms twice, a hangover of 200 ms, a margin
of 15.9 dB.
"""

import numpy as np
import pytest

FS = 16_000


def tone(seconds, amplitude=0.5):
    return amplitude * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * FS)) / FS)


def test_a_steady_sound_has_its_rms(prompts):
    assert prompts.active_level(tone(10)) == pytest.approx(0.5 / np.sqrt(2), rel=0.01)


def test_long_pauses_do_not_count(prompts):
    """On for 2 s, off for 3 s: active for 2.2 s of every 5, the hangover's 0.2 s included."""
    sound = np.tile(np.concatenate([tone(2), np.zeros(3 * FS)]), 6)
    rms = 0.5 / np.sqrt(2) * np.sqrt(2 / 2.2)
    assert prompts.active_level(sound) == pytest.approx(rms, rel=0.03)


def test_gaps_shorter_than_the_hangover_count(prompts):
    """On and off for 0.1 s each: the pause is speech too, half the power."""
    sound = np.tile(np.concatenate([tone(0.1), np.zeros(FS // 10)]), 100)
    assert prompts.active_level(sound) == pytest.approx(0.25, rel=0.02)


def test_silence_added_changes_nothing(prompts):
    (clip,) = prompts.number_phrases(1, np.random.default_rng(5))
    longer = np.concatenate([np.zeros(4 * FS), clip.samples, np.zeros(9 * FS)])
    assert prompts.active_level(longer) == pytest.approx(prompts.active_level(clip.samples))


def test_the_level_goes_with_the_gain(prompts):
    (clip,) = prompts.number_phrases(1, np.random.default_rng(6))
    quieter = prompts.active_level(clip.samples / 10)
    assert quieter == pytest.approx(prompts.active_level(clip.samples) / 10, rel=0.02)


def test_what_lies_far_below_the_margin_is_a_pause(prompts):
    sound = np.concatenate([tone(2), tone(8, amplitude=0.005)])
    assert prompts.active_level(sound) == pytest.approx(
        prompts.active_level(np.concatenate([tone(2), np.zeros(8 * FS)])), rel=0.01
    )


def test_silence_has_no_level(prompts):
    with pytest.raises(ValueError, match="no speech"):
        prompts.active_level(np.zeros(FS))


def test_noise_lies_so_far_below_the_voice(prompts):
    """Shop noise of level 1 rms: what is added has the rms of the active level less the ratio."""
    (clip,) = prompts.number_phrases(1, np.random.default_rng(7))
    quiet = prompts.Clip(clip.words, clip.value, clip.samples * 0.2)
    added = prompts.in_noise(quiet, 10, np.random.default_rng(8)).samples - quiet.samples
    ratio_db = 20 * np.log10(prompts.active_level(quiet.samples) / np.std(added))
    assert ratio_db == pytest.approx(10, abs=0.05)
