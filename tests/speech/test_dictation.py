"""From samples to what was said, with a scripted recogniser and with the shipped model."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf
import soxr

from earwitness.errors import AudioFileError
from earwitness.speech.dictation import Gate, dictate
from earwitness.speech.grammar import Grammar
from earwitness.speech.vocabulary import english

FS = 16_000
QUIET, LOUD = np.zeros(FS), np.tile([0.2, -0.2], FS // 4)


@pytest.fixture
def heard(scripted, loud_detector):
    """Return what is made of readings that a recogniser gives, one utterance each."""

    def listened(*utterances, expect="any", **options):
        samples = np.concatenate([QUIET, *(p for _ in utterances for p in (LOUD, QUIET, QUIET))])
        model = scripted(*utterances, [])
        return dictate(samples, FS, model, expect, detector=loud_detector, **options)

    return listened


def test_a_sure_command_needs_no_confirmation(heard):
    (only,) = heard([("confirm", 10.0)])
    assert (only.command, only.value, only.unit) == ("confirm", None, None)
    assert (only.needs_confirmation, only.rejected) == (False, False)


def test_a_number_always_needs_confirmation(heard):
    (only,) = heard([("leakage forty two percent", 10.0)])
    assert (only.command, only.value, only.unit) == ("leakage", 42.0, "percent")
    assert (only.needs_confirmation, only.rejected) == (True, False)


def test_a_less_sure_command_needs_confirmation(heard):
    (only,) = heard([("confirm", 10.0), ("[unk]", 8.0)])
    assert 0.7 <= only.confidence < 0.9
    assert only.needs_confirmation


@pytest.mark.parametrize(
    "readings",
    [
        [("confirm", 10.0), ("[unk]", 9.9)],
        [("[unk]", 10.0)],
        [("confirm [unk]", 10.0)],
        [("leakage", 10.0)],
        [("no next", 10.0)],
    ],
)
def test_the_doubtful_is_rejected_but_shown(heard, readings):
    (only,) = heard(readings)
    assert only.rejected
    assert (only.command, only.value, only.unit) == (None, None, None)
    assert not only.needs_confirmation
    assert only.text == readings[0][0]


def test_times_are_those_of_the_recording(heard):
    first, second = heard([("confirm", 1.0)], [("scratch that", 1.0)])
    assert first.start_s == pytest.approx(1.0, abs=0.04)
    assert first.end_s == pytest.approx(1.1, abs=0.04)
    assert second.start_s == pytest.approx(3.5, abs=0.04)


def test_one_breath_may_hold_several_readings(heard):
    first, second = heard([("cylinder three leakage forty two percent", 1.0)])
    assert (first.command, first.value, first.text) == ("cylinder", 3.0, "cylinder three")
    assert (second.command, second.value) == ("leakage", 42.0)
    assert second.start_s == pytest.approx(first.end_s, abs=0.04)


def test_a_number_that_is_not_sure_is_rejected_with_its_meaning(heard):
    gate = Gate(number_from=0.6, number_sure_from=0.95)
    (doubtful,) = heard([("leakage forty two percent", 10.0), ("[unk]", 8.0)], gate=gate)
    assert (doubtful.rejected, doubtful.doubtful) == (True, True)
    assert (doubtful.command, doubtful.value, doubtful.unit) == ("leakage", 42.0, "percent")
    (sure,) = heard([("leakage forty two percent", 10.0), ("[unk]", 2.0)], gate=gate)
    assert (sure.rejected, sure.doubtful) == (False, False)
    (command,) = heard([("confirm", 10.0), ("[unk]", 8.0)], gate=gate)
    assert (command.rejected, command.doubtful) == (False, False)


def test_the_gate_is_a_setting(heard):
    readings = [("confirm", 10.0), ("[unk]", 9.9)]
    (only,) = heard(readings, gate=Gate(accept_from=0.5))
    assert only.command == "confirm"


def test_a_model_may_ask_more_of_a_number_than_of_a_command(heard):
    """Two readings a score of 2 apart: 0.83, enough for a command, not for such a number."""
    gate = Gate(number_from=0.9)
    (command,) = heard([("confirm", 10.0), ("[unk]", 8.0)], gate=gate)
    (number,) = heard([("leakage forty two percent", 10.0), ("[unk]", 8.0)], gate=gate)
    assert 0.8 < command.confidence == number.confidence < 0.85
    assert (command.rejected, number.rejected) == (False, True)


def test_a_narrower_grammar_takes_the_place_of_the_expectation(heard):
    entries = tuple(e for e in english().entries if e.kind == "answer")
    asked = Grammar(english(), entries)
    (only,) = heard([("wake and listen", 1.0)], grammar=asked)
    assert only.rejected


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_refused(scripted, bad):
    samples = np.zeros(FS)
    samples[8000] = bad
    with pytest.raises(AudioFileError, match=r"said\.wav holds 1 values .* first at 0\.50 s"):
        dictate(samples, FS, scripted([]), name="said.wav")


@pytest.mark.parametrize(
    ("samples", "fs"),
    [(np.zeros((10, 2)), FS), (np.zeros(10, dtype=np.int16), FS), (np.zeros(10), 0)],
)
def test_wrong_arguments_are_a_programmers_mistake(scripted, samples, fs):
    with pytest.raises(ValueError, match=r"one float channel|must be positive"):
        dictate(samples, fs, scripted([]))


# With the shipped model.


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(0),
        np.zeros(1),
        np.ones(1),
        np.zeros(FS),
        np.full(FS, 0.5),
        np.sign(np.sin(2 * np.pi * 100 * np.arange(FS) / FS)),
    ],
    ids=["empty", "one zero", "one sample", "silent", "constant", "clipped hum"],
)
def test_no_speech_is_nothing_heard(model, silero, samples):
    assert [h for h in dictate(samples, FS, model, detector=silero) if not h.rejected] == []


def test_noise_is_nothing_heard(model, silero):
    noise = 0.1 * np.random.default_rng(8).standard_normal(3 * FS)
    assert [h for h in dictate(noise, FS, model, detector=silero) if not h.rejected] == []


@pytest.fixture(scope="module")
def said(voice_dir):
    samples, fs = sf.read(voice_dir / "leakage-forty-two-percent.flac", dtype="float64")
    return soxr.resample(samples, fs, 48_000)


@pytest.mark.slow
@pytest.mark.parametrize("fs", [8000, 16000, 22050, 44100, 48000, 96000, 192000])
def test_any_sample_rate_is_heard_alike(model, silero, said, fs):
    (only,) = dictate(soxr.resample(said, 48_000, fs), fs, model, detector=silero)
    assert (only.command, only.value, only.unit) == ("leakage", 42.0, "percent")


@pytest.mark.parametrize("gain_db", [0, -20, -40, -50])
def test_any_level_is_heard_alike(model, silero, said, gain_db):
    quiet = said / np.max(np.abs(said)) * 10 ** (gain_db / 20)
    (only,) = dictate(quiet, 48_000, model, detector=silero)
    assert (only.command, only.value) == ("leakage", 42.0)


@pytest.mark.parametrize("overload_db", [3, 6])
def test_clipped_speech_is_still_heard(model, silero, said, overload_db):
    clipped = np.clip(said / np.max(np.abs(said)) * 10 ** (overload_db / 20), -1, 1)
    assert [h.value for h in dictate(clipped, 48_000, model, detector=silero)] == [42.0]


@pytest.mark.parametrize("overload_db", [9, 12, 18, 30])
def test_badly_clipped_speech_is_refused_and_said_to_be_too_loud(model, silero, said, overload_db):
    clipped = np.clip(said / np.max(np.abs(said)) * 10 ** (overload_db / 20), -1, 1)
    heard = dictate(clipped, 48_000, model, detector=silero)
    assert [(h.rejected, h.clipped, h.value, h.confidence) for h in heard] == [
        (True, True, None, 0.0)
    ]
