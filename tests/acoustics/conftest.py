"""Shop scenes that the hiss benchmarks use too; they share no code with the detector."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

SCENES = Path(__file__).parents[2] / "benchmarks" / "hiss_scenes.py"


@pytest.fixture(scope="session")
def scenes():
    spec = importlib.util.spec_from_file_location("hiss_scenes", SCENES)
    module = importlib.util.module_from_spec(spec)
    sys.modules["hiss_scenes"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def rng():
    return np.random.default_rng(20_260)


@pytest.fixture
def floor_noise():
    """A function (seed, fs, seconds) giving steady noise that falls with frequency, 16 bits."""

    def make(seed, fs, seconds, level=0.05):
        n = int(fs * seconds)
        f = np.fft.rfftfreq(n, 1 / fs)
        z = np.random.default_rng(seed).standard_normal((len(f), 2)).view(complex)[:, 0]
        x = np.fft.irfft(z / np.sqrt(1 + (f / 200) ** 1.5), n)
        return np.round(x / x.std() * level * 32768).clip(-32768, 32767) / 32768

    return make
