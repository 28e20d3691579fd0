"""From samples to what was said, with a scripted recogniser and with the shipped model."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf
import soxr

from earwitness.errors import AudioFileError
from earwitness.speech.conditioning import PADDING_S, conditioned_blocks
from earwitness.speech.dictation import DictationSettings, dictate
from earwitness.speech.grammar import Grammar, grammar_for
from earwitness.speech.recogniser import Alternative, Utterance, Word
from earwitness.speech.vocabulary import CONTROLS

FS = 16_000


class ScriptedModel:
    """A recogniser that says what it is told, one utterance per second of sound."""

    def __init__(self, *utterances):
        self.script = [self._utterance(i, u) for i, u in enumerate(utterances)]
        self.fed = 0

    @staticmethod
    def _utterance(second, readings):
        return Utterance(
            tuple(
                Alternative(
                    tuple(
                        Word(w, PADDING_S + second + 0.1 * i, PADDING_S + second + 0.1 * i + 0.1)
                        for i, w in enumerate(text.split())
                    ),
                    score,
                )
                for text, score in readings
            )
        )

    def recogniser(self, phrases):
        assert "[unk]" in phrases
        return self

    def feed(self, samples):
        self.fed += len(samples)
        return []

    def finish(self):
        return self.script


def heard(*utterances, expect="any", **options):
    return dictate(np.zeros(5 * FS), FS, ScriptedModel(*utterances), expect, **options)


def test_a_sure_command_needs_no_confirmation():
    (only,) = heard([("confirm", 10.0)])
    assert (only.command, only.value, only.unit) == ("confirm", None, None)
    assert (only.needs_confirmation, only.rejected) == (False, False)


def test_a_number_always_needs_confirmation():
    (only,) = heard([("leakage forty two percent", 10.0)])
    assert (only.command, only.value, only.unit) == ("leakage", 42.0, "percent")
    assert (only.needs_confirmation, only.rejected) == (True, False)


def test_a_less_sure_command_needs_confirmation():
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
def test_the_doubtful_is_rejected_but_shown(readings):
    (only,) = heard(readings)
    assert only.rejected
    assert (only.command, only.value, only.unit) == (None, None, None)
    assert not only.needs_confirmation
    assert only.text == readings[0][0]


def test_times_are_those_of_the_recording():
    first, second = heard([("confirm", 1.0)], [("scratch that", 1.0)])
    assert (first.start_s, first.end_s) == (0.0, 0.1)
    assert (second.start_s, second.end_s) == (1.0, 1.2)


def test_one_breath_may_hold_several_readings():
    first, second = heard([("cylinder three leakage forty two percent", 1.0)])
    assert (first.command, first.value, first.text) == ("cylinder", 3.0, "cylinder three")
    assert (second.command, second.value) == ("leakage", 42.0)
    assert second.start_s == pytest.approx(first.end_s)


def test_the_gate_is_a_setting():
    readings = [("confirm", 10.0), ("[unk]", 9.9)]
    (only,) = heard(readings, settings=DictationSettings(accept_from=0.5))
    assert only.command == "confirm"


def test_a_narrower_grammar_takes_the_place_of_the_expectation():
    asked = Grammar(tuple(e for e in CONTROLS if e.command in {"confirm", "scratch-that"}))
    (only,) = heard([("wake", 1.0)], grammar=asked)
    assert only.rejected


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_refused(bad):
    samples = np.zeros(FS)
    samples[8000] = bad
    with pytest.raises(AudioFileError, match=r"said\.wav holds 1 values .* first at 0\.50 s"):
        dictate(samples, FS, ScriptedModel(), name="said.wav")


@pytest.mark.parametrize(
    ("samples", "fs"),
    [(np.zeros((10, 2)), FS), (np.zeros(10, dtype=np.int16), FS), (np.zeros(10), 0)],
)
def test_wrong_arguments_are_a_programmers_mistake(samples, fs):
    with pytest.raises(ValueError, match=r"one float channel|must be positive"):
        dictate(samples, fs, ScriptedModel())


def test_a_long_recording_is_fed_in_whole():
    model = ScriptedModel()
    dictate(np.zeros(60 * 8000, dtype=np.float32), 8000, model)
    assert model.fed == pytest.approx((60 + 2 * PADDING_S) * FS, abs=2)


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
def test_no_speech_is_nothing_heard(model, samples):
    assert [h for h in dictate(samples, FS, model) if not h.rejected] == []


def test_noise_is_nothing_heard(model):
    noise = 0.1 * np.random.default_rng(8).standard_normal(3 * FS)
    assert [h for h in dictate(noise, FS, model) if not h.rejected] == []


@pytest.fixture(scope="module")
def said(voice_dir):
    samples, fs = sf.read(voice_dir / "leakage-forty-two-percent.flac", dtype="float64")
    return soxr.resample(samples, fs, 48_000)


@pytest.mark.parametrize("fs", [8000, 16000, 22050, 44100, 48000, 96000, 192000])
def test_any_sample_rate_is_heard_alike(model, said, fs):
    (only,) = dictate(soxr.resample(said, 48_000, fs), fs, model)
    assert (only.command, only.value, only.unit) == ("leakage", 42.0, "percent")


@pytest.mark.parametrize("gain_db", [0, -20, -40, -50])
def test_any_level_is_heard_alike(model, said, gain_db):
    quiet = said / np.max(np.abs(said)) * 10 ** (gain_db / 20)
    (only,) = dictate(quiet, 48_000, model)
    assert (only.command, only.value) == ("leakage", 42.0)


@pytest.mark.parametrize("overload_db", [3, 6, 9])
def test_clipped_speech_is_still_heard(model, said, overload_db):
    clipped = np.clip(said / np.max(np.abs(said)) * 10 ** (overload_db / 20), -1, 1)
    assert [h.value for h in dictate(clipped, 48_000, model)] == [42.0]


def test_badly_clipped_speech_is_refused(model, said):
    clipped = np.clip(said / np.max(np.abs(said)) * 10 ** (12 / 20), -1, 1)
    assert [h.rejected for h in dictate(clipped, 48_000, model)] == [True]


@pytest.mark.slow
@pytest.mark.parametrize("size", [1, 700, 1601, 16_000, 10**6])
def test_block_size_does_not_matter(model, said, size):
    stream = np.concatenate(list(conditioned_blocks(np.tile(said, 2), 48_000)))
    phrases = grammar_for("any").phrases()

    def listened(step):
        recogniser = model.recogniser(phrases)
        parts = [stream[i : i + step] for i in range(0, len(stream), step)]
        return [u for p in parts for u in recogniser.feed(p)] + recogniser.finish()

    assert listened(size) == listened(1600) != []
