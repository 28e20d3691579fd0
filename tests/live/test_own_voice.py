"""What the tool says into its own headset is never obeyed; benchmarks/own_voice.py has it all."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.speech.dictation import load_model
from own_sentences import heard, obeyed, sentences

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]


LEVEL_DB = -15.0
"""Loudest sample of the tool's voice in the headset [dB re full scale]: a loudspeaker nearby."""


def test_no_sentence_of_its_own_is_obeyed() -> None:
    """Those that say a command or a reading; without the marks some of them would be obeyed."""
    model, rng = load_model(None), np.random.default_rng(8)
    texts = [t for t in sentences() if t in ("cylinder 3", "leakage forty two percent, scratched")]
    assert len(texts) == 2
    sounds = [heard(text, LEVEL_DB, rng) for text in texts]
    for waiting in (False, True):
        assert [obeyed(model, x, talking, waiting=waiting) for x, talking in sounds] == [[], []]
    assert any(obeyed(model, x, None, waiting=False) for x, _ in sounds)


def test_every_sentence_has_its_slots_filled() -> None:
    texts = sentences()
    assert len(texts) > 50
    assert not [t for t in texts if "{" in t]
