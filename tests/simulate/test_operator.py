"""The technician's voice: clips, time line, level and headset."""

import numpy as np
import pytest

from earwitness.errors import AudioFileError
from earwitness.simulate.demonstration import DICTATION
from earwitness.simulate.operator import (
    LEAD_IN_S,
    MOUTH_M,
    VOICE_FOLDER,
    Utterance,
    clip_name,
    close_talk,
    load_clip,
    loud_rms,
    render_dictation,
    time_line,
)

FS = 16_000


def test_there_is_a_clip_for_each_phrase_and_no_other():
    phrases = {phrase for said in DICTATION.values() for phrase in said}
    assert {clip_name(p) for p in phrases} == {p.name for p in VOICE_FOLDER.glob("*.flac")}


def test_a_clip_has_unit_power_at_any_rate():
    for fs in (16_000, 48_000):
        clip = load_clip("confirm", fs)
        assert loud_rms(clip, fs) == pytest.approx(1.0, abs=1e-9)
        assert 0.4 < len(clip) / fs < 1.2


def test_a_phrase_without_a_clip_is_named():
    with pytest.raises(AudioFileError, match="open-sesame"):
        load_clip("open sesame", FS)


def test_phrases_follow_one_another_with_pauses():
    utterances, seconds = time_line(["confirm", "scratch that"], FS, 1.5)
    first, second = (load_clip(u.phrase, FS) for u in utterances)
    assert utterances[0].begin_s == LEAD_IN_S
    assert utterances[1].begin_s == pytest.approx(LEAD_IN_S + len(first) / FS + 1.5, abs=1e-3)
    assert seconds == pytest.approx(utterances[1].begin_s + len(second) / FS + 1.5, abs=2e-3)


@pytest.mark.parametrize("snr_db", [6.0, 20.0])
def test_voice_stands_above_the_shop_by_its_level(snr_db):
    """Power over the loud parts of the voice re that of the noise, each of them alone."""
    shop = np.random.default_rng(1).standard_normal(3 * FS)
    line = [Utterance("leakage nine percent", 1.0)]
    said, voice = (render_dictation(line, shop, FS, snr) for snr in (snr_db, 200.0))
    ratio = loud_rms(voice, FS) ** 2 / np.mean((said - voice) ** 2)
    assert 10 * np.log10(ratio) == pytest.approx(snr_db, abs=0.2)


def test_close_talking_weakens_the_far_field_as_a_gradient_does():
    """Ratio k r / sqrt(1 + (k r)^2) of far to near (derived): -3 dB where k r = 1, 6 dB/octave."""
    corner = 343.3 / (2 * np.pi * MOUTH_M)
    gain_db = []
    for frequency in (corner / 8, corner / 4, corner):
        tone = np.sin(2 * np.pi * frequency * np.arange(FS) / FS)
        gain_db.append(20 * np.log10(np.std(close_talk(tone, FS)[2000:]) / np.std(tone)))
    assert gain_db[2] == pytest.approx(-3.0, abs=0.1)
    assert gain_db[1] - gain_db[0] == pytest.approx(6.0, abs=0.5)
