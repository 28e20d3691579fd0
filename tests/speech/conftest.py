"""Fixtures of the speech room: the shipped model, a scripted one, and the benchmarks' clips."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from earwitness.speech.detection import FRAMES_TO_BEGIN, SileroDetector
from earwitness.speech.level import FRAME_S
from earwitness.speech.model_folder import Gate
from earwitness.speech.recogniser import Alternative, Utterance, Word
from earwitness.speech.utterance import LEAD_FRAMES
from earwitness.speech.vocabulary import english
from earwitness.speech.vosk_recogniser import VoskModel, load_model

if TYPE_CHECKING:
    from types import ModuleType

ROOT = Path(__file__).parents[2]
VOICE = ROOT / "src" / "earwitness" / "simulate" / "voice"
LEAD_S = (LEAD_FRAMES - FRAMES_TO_BEGIN) * FRAME_S


class ScriptedModel:
    """A recogniser that says what it is told, one utterance after the other.

    Each utterance is a list of (text, score); the last is said for ever. A word takes 0.1 s.
    """

    def __init__(self, *script, vocabulary=None, gate=None):
        self.script = list(script)
        self.vocabulary = english() if vocabulary is None else vocabulary
        self.gate = Gate() if gate is None else gate
        self.asked = []
        self.fed = 0

    def recogniser(self, phrases):
        assert "[unk]" in phrases
        self.asked.append(phrases)
        return self

    def lacking(self, words):
        return []

    def feed(self, samples):
        self.fed += len(samples)

    def partial(self):
        return self.script[0][0][0] if self.script[0] else ""

    def finish(self):
        readings = self.script.pop(0) if len(self.script) > 1 else self.script[0]
        return Utterance(tuple(_alternative(*r) for r in readings)) if readings else None


def _alternative(text, score):
    words = enumerate(text.split())
    return Alternative(
        tuple(Word(w, LEAD_S + i / 10, LEAD_S + (i + 1) / 10) for i, w in words), score
    )


class LoudIsSpeech:
    """A detector for scripted tests: a frame is speech if it is loud."""

    def probability(self, frame):
        return float(np.max(np.abs(frame)) > 0.05)

    def reset(self):
        pass


@pytest.fixture
def scripted():
    return ScriptedModel


@pytest.fixture
def loud_detector():
    return LoudIsSpeech()


@pytest.fixture(scope="session")
def model() -> VoskModel:
    return load_model()


@pytest.fixture(scope="session")
def silero() -> SileroDetector:
    return SileroDetector()


@pytest.fixture(scope="session")
def prompts() -> ModuleType:
    """Return benchmarks/dictation_prompts.py: human numbers, other talk and shop noise."""
    path = ROOT / "benchmarks" / "dictation_prompts.py"
    spec = importlib.util.spec_from_file_location("dictation_prompts", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def voice_dir() -> Path:
    """Return the folder of the demonstration's voice; file names are the words spoken."""
    return VOICE
