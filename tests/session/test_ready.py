"""Is this bay ready: each fault that a microphone can have is named with its remedy."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import signal

from earwitness.session.equipment.ready import Judge

FS = 48_000
JUDGE = Judge()


def noise(level: float = 2e-3, seconds: float = 15.0) -> np.ndarray:
    return (level * np.random.default_rng(8).standard_normal(round(seconds * FS))).astype("f4")


def not_ready(samples: np.ndarray) -> set[str]:
    items = JUDGE.of_the_sound(samples, FS)
    assert all(bool(i.remedy) != i.ready for i in items)
    return {i.name for i in items if not i.ready}


def test_plain_noise_is_ready_and_its_level_is_stated() -> None:
    """Normal noise of 2e-3 has 20 lg 2e-3 = -54.0 dB re full scale."""
    items = {i.name: i for i in JUDGE.of_the_sound(noise(), FS)}
    assert all(i.ready for i in items.values())
    assert items["gain"].says.startswith("Noise 54 dB")


def telephone(x: np.ndarray) -> np.ndarray:
    """Band of a telephone headset: ITU-T G.712, 300-3400 Hz."""
    return signal.sosfilt(signal.butter(8, 3400, fs=FS, output="sos"), x).astype("f4")


def test_a_headset_band_is_not_ready() -> None:
    assert "bandwidth" in not_ready(telephone(noise()))


@pytest.mark.parametrize("samples", [np.clip(noise(0.5), -0.9, 0.9), noise(0.4)])
def test_an_overdriven_microphone_is_not_ready(samples: np.ndarray) -> None:
    assert "gain" in not_ready(samples)


def test_a_dead_microphone_is_not_ready() -> None:
    assert {"recording", "noise"} <= not_ready(np.zeros(15 * FS, "f4"))


def test_missing_sound_is_not_ready() -> None:
    holes = noise()
    holes[5 * FS : 5 * FS + 2400] = 0
    assert "recording" in not_ready(holes)


def test_disk_clock_and_model() -> None:
    assert JUDGE.of_the_disk(10**12).ready
    assert not JUDGE.of_the_disk(10**8).ready
    built, now = datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)
    assert JUDGE.of_the_clock(now, built).ready
    assert not JUDGE.of_the_clock(built, now).ready
    assert JUDGE.of_the_model(()).ready
    assert "thousand" in JUDGE.of_the_model(("thousand",)).says
