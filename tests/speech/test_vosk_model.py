"""A model folder is checked before it is trusted."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import soxr

from earwitness.errors import ModelError
from earwitness.speech.dictation import dictate
from earwitness.speech.model_folder import CHECKSUMS, GATE_FILE, MODEL_FILES, Gate, words_known
from earwitness.speech.vocabulary import VOCABULARY_FILE, english
from earwitness.speech.vosk_recogniser import load_model, shipped_model


@pytest.fixture
def copy(tmp_path):
    return shutil.copytree(shipped_model(), tmp_path / "model")


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(ModelError, match=r"no-such.*does not exist.*Reinstall"):
        load_model(tmp_path / "no-such")


@pytest.mark.parametrize("name", MODEL_FILES)
def test_a_missing_file_is_named(copy, name):
    (copy / name).unlink()
    with pytest.raises(ModelError, match=f"lacks {name}"):
        load_model(copy)


@pytest.mark.parametrize("name", ["am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst"])
def test_a_half_copied_file_is_named(copy, name):
    whole = (copy / name).read_bytes()
    (copy / name).write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ModelError, match=f"damaged: {name}"):
        load_model(copy)


def test_an_empty_file_is_missing(copy):
    (copy / "am/final.mdl").write_bytes(b"")
    with pytest.raises(ModelError, match=r"lacks am/final\.mdl"):
        load_model(copy)


@pytest.mark.slow
def test_a_model_without_digests_is_taken_on_trust(copy):
    (copy / CHECKSUMS).unlink()
    assert load_model(copy).path == copy


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst", "graph/words.txt"]
)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.97])
def test_a_half_copied_file_is_refused_without_digests_too(copy, name, share):
    """Vosk may end the whole program on such a file: it is tried in another process first."""
    (copy / CHECKSUMS).unlink()
    whole = (copy / name).read_bytes()
    (copy / name).write_bytes(whole[: round(len(whole) * share)])
    with pytest.raises(ModelError, match=r"half copied|does not know|no word \[unk\]"):
        load_model(copy)


def rewrite_words(copy, change):
    (copy / CHECKSUMS).unlink()
    words = copy / "graph" / "words.txt"
    words.write_text(change(words.read_text(encoding="utf-8")), encoding="utf-8")


@pytest.mark.slow
def test_a_model_that_cannot_tell_unknown_speech_is_refused(copy):
    rewrite_words(copy, lambda t: t.replace("[unk]", "<unk>"))
    with pytest.raises(ModelError, match=r"no word \[unk\] for unknown speech"):
        load_model(copy)


@pytest.mark.slow
def test_a_model_that_would_take_one_number_for_another_is_refused(copy):
    rewrite_words(copy, lambda t: t.replace("\nseven ", "\nsept "))
    with pytest.raises(ModelError, match="cannot hear every number; it does not know: seven"):
        load_model(copy)


@pytest.mark.slow
def test_words_that_a_model_lacks_are_named_and_their_phrases_left_out(copy):
    rewrite_words(
        copy, lambda t: t.replace("\nradiator ", "\nheater ").replace("\nmark ", "\nmarc ")
    )
    model = load_model(copy)
    assert {"mark", "radiator"} <= set(model.lacking(english().words))
    assert model.recogniser(["mark", "confirm", "[unk]"]).finish() is None


def test_the_shipped_model_knows_what_its_readme_says(model):
    """The figures of the vocabulary are in docs/decisions/0038."""
    assert set(model.lacking(english().words)) <= {"thousand", "kilopascals"}


def test_a_model_brings_its_own_gate(copy):
    (copy / GATE_FILE).write_text("accept_from = 0.55\nsure_from = 0.8\n", encoding="utf-8")
    assert load_model(copy).gate == Gate(accept_from=0.55, sure_from=0.8)
    assert load_model(shipped_model()).gate.sure_from <= 1


@pytest.mark.parametrize(
    "text", ["accept_from = ", "sure = 0.5", 'sure_from = "much"', "accept_from = -1"]
)
def test_a_gate_that_makes_no_sense_is_named(copy, text):
    (copy / GATE_FILE).write_text(text, encoding="utf-8")
    with pytest.raises(ModelError, match=r"gate .*gate\.toml"):
        load_model(copy)


def test_a_model_brings_its_own_language(copy):
    own = (Path(english_file()).read_text(encoding="utf-8")).replace('"en"', '"en-workshop"')
    (copy / VOCABULARY_FILE).write_text(own.replace('"hose coupler"', '"back"'), encoding="utf-8")
    model = load_model(copy)
    assert model.vocabulary.language == "en-workshop"
    assert "back" in model.vocabulary.words


def english_file():
    from earwitness.speech import vocabulary

    return Path(vocabulary.__file__).parent / "languages" / "en" / VOCABULARY_FILE


def test_vosk_says_nothing(copy, capfd):
    load_model(copy).recogniser(["confirm", "[unk]"]).finish()
    assert capfd.readouterr() == ("", "")


def test_a_word_list_is_needed(tmp_path):
    with pytest.raises(ModelError, match="no word list"):
        words_known(tmp_path)


def test_a_list_without_one_possible_phrase_is_refused(model):
    with pytest.raises(ModelError, match="does not know: crankshaft"):
        model.recogniser(["mark crankshaft", "[unk]"])


@pytest.mark.parametrize("frames", [0, 1, 100])
def test_next_to_nothing_is_no_utterance(model, frames):
    recogniser = model.recogniser(["confirm", "[unk]"])
    recogniser.feed(np.zeros(frames, dtype=np.float32))
    assert recogniser.finish() is None


def test_a_recogniser_that_was_used_before_hears_the_same(model, voice_dir):
    """Its times begin anew, and no trace of the utterance before is left."""
    samples, fs = sf.read(voice_dir / "confirm.flac", dtype="float64")
    sound = soxr.resample(np.pad(samples, fs // 2), fs, 16_000).astype(np.float32)

    def once():
        recogniser = model.recogniser(["confirm", "repeat", "[unk]"])
        recogniser.feed(sound)
        return recogniser.finish()

    first, second = once(), once()
    assert first == second
    assert first.alternatives[0].text == "confirm"


def test_two_recognisers_at_once_do_not_disturb_each_other(model, voice_dir):
    samples, fs = sf.read(voice_dir / "confirm.flac", dtype="float64")
    sound = soxr.resample(np.pad(samples, fs // 2), fs, 16_000).astype(np.float32)
    one, other = (model.recogniser(["confirm", "[unk]"]) for _ in range(2))
    for block in np.array_split(sound, 7):
        one.feed(block)
        other.feed(0 * block)
    assert one.finish().alternatives[0].text == "confirm"
    assert other.finish() is None


def test_what_vosk_cuts_in_two_is_joined(model, voice_dir):
    """More silence than Vosk waits for: both pieces are one utterance, in order of time."""
    samples, fs = sf.read(voice_dir / "confirm.flac", dtype="float64")
    sound = soxr.resample(np.pad(samples, (fs // 2, 2 * fs)), fs, 16_000).astype(np.float32)
    recogniser = model.recogniser(["confirm", "[unk]"])
    recogniser.feed(np.concatenate([sound, sound]))
    best = recogniser.finish().alternatives[0]
    assert best.text == "confirm confirm"
    assert best.words[1].start_s - best.words[0].start_s == pytest.approx(
        len(sound) / 16_000, abs=0.1
    )


# What a microphone may deliver.


def test_two_people_at_once_are_not_a_sure_command(model, silero, voice_dir):
    """One confirms while another, as loud, reads a gauge: nothing may be taken as said."""
    texts = ("confirm", "leakage-forty-two-percent")
    clips = [sf.read(voice_dir / f"{t}.flac", dtype="float64") for t in texts]
    at_16k = [soxr.resample(s / np.std(s) / 20, fs, 16_000) for s, fs in clips]
    both = np.zeros(3 * 16_000)
    for offset, clip in zip((12_000, 8_000), at_16k, strict=True):
        both[offset : offset + len(clip)] += clip
    heard = dictate(both, 16_000, model, detector=silero)
    assert [h for h in heard if h.command == "confirm" and not h.rejected] == []
