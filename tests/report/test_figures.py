"""Pictures of takes: right in what they measure, the same every time, safe for any sound."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image
from scipy import signal

from earwitness.audio.recording import Recording
from earwitness.report.figures import COLUMNS, ROWS, Part, parts_of, spectrogram_db, take_picture

if TYPE_CHECKING:
    from earwitness.units import Samples


def part(samples: Samples, rate_hz: int = 48_000) -> Part:
    return Part(samples.astype(np.float32), rate_hz, ((0.1, 0.3),))


def test_a_tone_shows_at_its_frequency_and_time() -> None:
    """A 5 kHz tone in the second half: the row at 5 kHz rises there, and nowhere else."""
    time_s = np.arange(96_000) / 48_000
    tone = np.where(time_s > 1.0, 0.5 * np.sin(2 * np.pi * 5_000 * time_s), 0)
    noise = np.random.default_rng(1).normal(0, 1e-4, 96_000)
    grid = spectrogram_db((tone + noise).astype(np.float32), 48_000, 50)
    assert grid.shape == (ROWS, 50)
    row = int(np.argmax(grid[:, 40]))
    assert row * 20_000 / ROWS == pytest.approx(5_000, abs=2 * 20_000 / ROWS)
    assert grid[row, 40] - grid[row, 10] > 30


def test_the_level_of_noise_agrees_with_a_general_library() -> None:
    """Against scipy.signal.spectrogram, Hann window of 1024 samples, density times bandwidth."""
    noise = np.random.default_rng(2).normal(0, 0.05, 96_000).astype(np.float32)
    ours = spectrogram_db(noise, 48_000, 1)
    _, _, density = signal.spectrogram(
        noise, 48_000, np.hanning(1024), nperseg=1024, noverlap=512, detrend=False
    )
    # one-sided density over 24 kHz, so that its mean times 24 kHz is the power: 0.05 squared
    scipy_db = 10 * np.log10(density[1:].mean() * 24_000)
    assert float(ours.mean()) == pytest.approx(scipy_db, abs=0.15)
    assert float(ours.mean()) == pytest.approx(20 * np.log10(0.05), abs=0.15)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
@pytest.mark.parametrize("frames", [1, 100, 30_000])
def test_any_length_and_rate_gives_a_grid(rate_hz: int, frames: int) -> None:
    grid = spectrogram_db(np.zeros(frames, dtype=np.float32), rate_hz, COLUMNS)
    assert np.isfinite(grid).all()
    assert grid.shape[0] <= ROWS
    assert 1 <= grid.shape[1] <= COLUMNS


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e30])
def test_samples_that_are_no_sound_are_drawn_without_harm(value: float) -> None:
    samples = np.random.default_rng(3).normal(0, 0.1, 9_000)
    samples[100:200] = value
    assert take_picture([part(samples)], None).startswith(b"\x89PNG")


def test_a_picture_is_the_same_every_time_and_carries_no_marks() -> None:
    samples = np.random.default_rng(4).normal(0, 0.1, 48_000)
    png = take_picture([part(samples)], None)
    assert take_picture([part(samples)], None) == png
    picture = Image.open(io.BytesIO(png))
    assert picture.info.keys() <= {"dpi"}
    assert picture.size == (1012, 363)


def test_a_pair_is_drawn_with_the_air_on_in_its_second_half() -> None:
    off, on = (
        Recording(Path(n), np.zeros((48_000 * s, 2), dtype=np.float32), 48_000, "PCM_16")
        for n, s in (("off", 2), ("on", 3))
    )
    first, second = parts_of([off, on], (), pair=True)
    assert (first.air_on_s, second.air_on_s) == ((), ((0.0, 3.0),))
    assert first.samples.shape == (96_000,)
