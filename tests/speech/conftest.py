"""Fixtures of the speech room: the shipped model, and the clips of the benchmarks."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from earwitness.speech.vosk_recogniser import VoskModel, load_model

if TYPE_CHECKING:
    from types import ModuleType

ROOT = Path(__file__).parents[2]
VOICE = ROOT / "src" / "earwitness" / "simulate" / "voice"


@pytest.fixture(scope="session")
def model() -> VoskModel:
    return load_model()


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
