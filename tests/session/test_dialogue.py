"""The dialogue over a stream: what is said, understood, answered and done, in order."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import soxr

from earwitness.errors import AudioFileError
from earwitness.session import machine
from earwitness.session.dictation import Dialogue, Turn, dictate_file, turns_in
from earwitness.speech.detection import SileroDetector
from earwitness.speech.dictation import load_model
from earwitness.speech.listener import Began

FS = 16_000
VOICE = Path(__file__).parents[2] / "src" / "earwitness" / "simulate" / "voice"


@pytest.fixture(scope="module")
def model():
    return load_model()


def clip(phrase):
    samples, fs = sf.read(VOICE / f"{phrase.replace(' ', '-')}.flac", dtype="float64")
    return soxr.resample(samples, fs, FS)


def pause(seconds):
    return 1e-3 * np.random.default_rng(11).standard_normal(round(seconds * FS))


def recording(*phrases):
    return np.concatenate([pause(1), *(x for p in phrases for x in (clip(p), pause(1.3)))])


def talked(model, *phrases):
    state = machine.begin(cylinders=4)
    turns = list(turns_in(recording(*phrases), FS, model, state, name="said.wav"))
    return turns, [e for t in turns for e in t.effects]


def stored(effects):
    return [(e.reading.cylinder, e.reading.value) for e in effects if isinstance(e, machine.Store)]


def test_a_recording_is_a_dialogue_with_a_mute_tool(model):
    turns, effects = talked(model, "cylinder three", "leakage forty two percent", "confirm")
    assert stored(effects) == [(3, "42")]
    assert [t.cylinder for t in turns] == [None, 3, 3]
    assert all(t.said.end_s > t.said.start_s for t in turns)
    assert all(len(t.said.samples) > FS // 4 for t in turns)


@pytest.fixture
def doubter(model, monkeypatch):
    """Return the model, never quite sure of a number."""
    monkeypatch.setattr(model, "gate", replace(model.gate, number_sure_from=1.1))
    return model


def test_who_is_never_sure_of_a_number_hears_it_twice(doubter):
    said = ("cylinder three", "leakage forty two percent")
    assert talked(doubter, *said, "confirm")[0][-1].state.cylinder is None
    twice = (said[0], said[0], said[1], said[1], "confirm")
    turns, effects = talked(doubter, *twice)
    assert stored(effects) == [(3, "42")]
    assert [t.heard.doubtful for t in turns] == [True] * 4 + [False]


def test_a_breath_of_two_doubtful_readings_is_asked_for_once(doubter):
    words = [clip(p) for p in ("cylinder three", "leakage forty two percent")]
    loud = [np.flatnonzero(np.abs(w) > 0.02) for w in words]
    spoken = [w[at[0] : at[-1]] for w, at in zip(words, loud, strict=True)]
    breath = np.concatenate([pause(1), *spoken, pause(1.3)])
    state = machine.begin(cylinders=4)
    turns = list(turns_in(breath, FS, doubter, state, name="said.wav"))
    assert [t.heard.doubtful for t in turns] == [True, True]
    assert [e for t in turns for e in t.effects] == [machine.Say("say again")]


def test_without_a_confirmation_nothing_is_stored(model):
    assert stored(talked(model, "cylinder three", "leakage forty two percent")[1]) == []


@pytest.mark.slow
def test_a_value_may_be_put_right_before_it_is_confirmed(model):
    said = ("cylinder two", "leakage sixteen percent", "leakage six percent", "confirm")
    assert stored(talked(model, *said)[1]) == [(2, "6")]


@pytest.fixture
def aloud(model):
    return Dialogue(model, machine.begin(cylinders=4), fs=FS, aloud=True, detector=SileroDetector())


@pytest.mark.slow
def test_its_own_read_back_over_a_loudspeaker_is_never_a_command(aloud):
    """The tool reads back with a voice that says the very phrase, as loud as the technician's."""
    happened = []
    for phrase in ("cylinder three", "leakage forty two percent"):
        for block in (pause(0.5), clip(phrase), pause(0.4)):
            happened += aloud.feed(block)
        assert isinstance(happened[-1], Turn)
        happened += aloud.feed(np.concatenate([clip(phrase), pause(0.2)]))  # it talks
        aloud.fell_silent()
        happened += aloud.feed(pause(1.0))
    turns = [h for h in happened if isinstance(h, Turn)]
    assert [t.heard.command for t in turns] == ["cylinder", "leakage"]
    assert stored(e for t in turns for e in t.effects) == []


@pytest.mark.slow
def test_the_technician_breaks_into_the_read_back(aloud):
    """Twice as loud as the tool: it hears that at once; what was confirmed so is read again."""
    happened = []
    for phrase in ("cylinder three", "leakage forty two percent"):
        happened = [h for b in (pause(0.5), clip(phrase), pause(0.4)) for h in aloud.feed(b)]
        if phrase.startswith("cylinder"):
            happened += aloud.feed(0.1 * clip(phrase))
            aloud.fell_silent()
    into = np.concatenate([0.1 * clip("leakage forty two percent")[:8000], clip("confirm")])
    happened = list(aloud.feed(into))
    assert any(h == Began(h.at_s, while_talking=True) for h in happened if isinstance(h, Began))
    aloud.fell_silent()
    happened += aloud.feed(pause(1.0))
    effects = [e for h in happened if isinstance(h, Turn) for e in h.effects]
    assert stored(effects) == []
    assert machine.Say("cylinder 3, leakage forty two percent, correct?") in effects


def test_a_note_is_kept_as_sound(model):
    """The words after it are not the tool's to understand; a command in them is none."""
    state = machine.begin(cylinders=4, cylinder=1)
    state, _ = machine.step(state, _heard("note"))
    turns = list(turns_in(recording("leakage nine percent"), FS, model, state, name="said.wav"))
    (turn,) = turns
    assert turn.heard is None
    (remark, _) = turn.effects
    assert isinstance(remark, machine.Remark)
    assert remark.text.startswith("Spoken note, from 1.")


def _heard(command):
    from earwitness.speech.heard import Heard

    return Heard(0.0, 1.0, command, 1.0, command, None, None, False, False)


def test_samples_that_are_no_numbers_are_refused(model):
    with pytest.raises(AudioFileError, match=r"said\.wav holds"):
        list(turns_in(np.full(10, np.nan), FS, model, machine.begin(cylinders=4), name="said.wav"))


@pytest.mark.slow
def test_words_that_a_model_lacks_are_told(tmp_path, model):
    sf.write(tmp_path / "said.wav", recording("confirm"), FS)
    told = []
    (heard,) = dictate_file(tmp_path / "said.wav", None, "any", tell=told.append)
    assert heard.command == "confirm"
    lacking = model.lacking(model.vocabulary.words)
    assert len(told) == bool(lacking)
    assert all(word in sentence for sentence in told for word in lacking)
