"""A model folder is checked before it is trusted."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from earwitness.errors import ModelError
from earwitness.speech.vosk_recogniser import (
    CHECKSUMS,
    MODEL_FILES,
    load_model,
    missing_words,
    shipped_model,
)


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


def test_a_model_without_digests_is_taken_on_trust(copy):
    (copy / CHECKSUMS).unlink()
    assert load_model(copy).path == copy


def test_vosk_says_nothing(copy, capfd):
    load_model(copy).recogniser(["confirm", "[unk]"]).finish()
    assert capfd.readouterr() == ("", "")


def test_missing_words_are_found():
    assert missing_words(shipped_model(), ["cylinder", "crankshaft", "afternoon"]) == [
        "afternoon",
        "crankshaft",
    ]


def test_a_word_list_is_needed(tmp_path):
    with pytest.raises(ModelError, match="no word list"):
        missing_words(tmp_path, ["one"])


def test_a_phrase_with_a_missing_word_is_refused(model):
    with pytest.raises(ModelError, match="does not know: crankshaft"):
        model.recogniser(["mark crankshaft"])


@pytest.mark.parametrize("frames", [0, 1, 100])
def test_next_to_nothing_is_no_utterance(model, frames):
    recogniser = model.recogniser(["confirm", "[unk]"])
    assert recogniser.feed(np.zeros(frames, dtype=np.float32)) == []
    assert recogniser.finish() == []
