"""Pictures of takes: right in what they measure, the same every time, safe for any sound."""

from __future__ import annotations

import base64
import doctest
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from scipy import signal

from earwitness.audio.recording import Recording
from earwitness.report.pictures import drawing, figures
from earwitness.report.pictures.drawing import ticks
from earwitness.report.pictures.figures import Part, parts_of, take_picture
from earwitness.report.pictures.spectrogram import COLUMNS, ROWS, image_uri, spectrogram_db

if TYPE_CHECKING:
    from earwitness.units import Samples

SVG = "{http://www.w3.org/2000/svg}"


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
    assert pixels(take_picture([part(samples)], None, "a take")).size


def pixels(picture: str, which: int = 0) -> np.ndarray:
    """Colours of the spectrogram (0) or of its scale (1), shape (rows, columns, 3)."""
    uri = re.findall(r'href="data:image/png;base64,([^"]*)"', picture)[which]
    png = Image.open(io.BytesIO(base64.b64decode(uri)))
    assert png.info == {}
    return np.asarray(png.convert("RGB"))


def test_a_picture_is_the_same_every_time_and_well_formed() -> None:
    samples = np.random.default_rng(4).normal(0, 0.1, 48_000)
    picture = take_picture([part(samples)], None, "a take")
    assert take_picture([part(samples)], None, "a take") == picture
    assert len(picture) < 60_000
    named = picture.replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1)
    tree = ElementTree.fromstring(named)  # noqa: S314  # our own drawing
    assert tree.get("aria-label") == "a take"
    kinds = {e.tag.removeprefix(SVG) for e in tree.iter()}
    assert kinds == {"svg", "image", "path", "rect", "text"}
    for element in tree.iter():
        assert not {"style", "onload", "onclick"} & set(element.attrib)
        if "href" in element.attrib:
            assert element.get("href", "").startswith("data:image/png;base64,")


def test_louder_is_lighter_in_the_picture_and_in_its_scale() -> None:
    """A tone in the upper half of the time; lightness as weighted by ITU-R BT.601 (from memory)."""
    time_s = np.arange(96_000) / 48_000
    tone = np.where(time_s > 1.0, 0.5 * np.sin(2 * np.pi * 5_000 * time_s), 0)
    noise = np.random.default_rng(1).normal(0, 1e-4, 96_000)
    picture = take_picture([part(tone + noise)], None, "a take")
    grey = pixels(picture) @ [0.299, 0.587, 0.114]
    assert grey.shape == (2 * ROWS, COLUMNS)
    row = round((1 - 5_000 / 20_000) * 2 * ROWS)
    assert grey[row - 3 : row + 3, 200:].max() - np.median(grey) > 80
    scale = pixels(picture, 1)[:, 0] @ [0.299, 0.587, 0.114]
    assert (np.diff(scale) <= 0.5).all()
    assert scale[0] - scale[-1] > 100


def test_two_rates_in_one_picture_keep_their_heights() -> None:
    """A recording at 16 kHz says nothing above 8 kHz: its place is left white there."""
    rng = np.random.default_rng(5)
    sounds = [(rng.normal(0, 0.1, r * 2).astype(np.float32), r) for r in (16_000, 48_000)]
    uri, _, ((_, end), (begin, _)) = image_uri(sounds, 20_000.0)
    picture = pixels(f'href="{uri}"')
    assert (picture[: int(0.59 * 2 * ROWS), :end] == 255).all()
    assert not (picture[int(0.61 * 2 * ROWS) :, :end] == 255).all(axis=2).any()
    assert not (picture[:, begin:] == 255).all(axis=2).any()
    assert (picture[:, end:begin] == 255).all()


@given(st.floats(-200, 200), st.floats(0.001, 1e5), st.integers(1, 9))
def test_ticks_are_inside_and_about_as_many_as_asked_for(
    low: float, wide: float, most: int
) -> None:
    found = ticks(low, low + wide, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 * wide <= t <= low + wide + 1e-6 * wide for t in found)


def test_examples_in_the_documentation_are_true() -> None:
    result = doctest.testmod(drawing)
    assert (result.attempted, result.failed) == (1, 0)


def test_a_pair_is_drawn_with_the_air_on_in_its_second_half() -> None:
    off, on = (
        Recording(Path(n), np.zeros((48_000 * s, 2), dtype=np.float32), 48_000, "PCM_16")
        for n, s in (("off", 2), ("on", 3))
    )
    first, second = parts_of([off, on], (), pair=True)
    assert (first.air_on_s, second.air_on_s) == ((), ((0.0, 3.0),))
    assert first.samples.shape == (96_000,)
    picture = take_picture([first, second], None, "a pair")
    assert picture.count(">air off<") == picture.count(">air on<") == 1
    bars = re.findall(r'<rect x="([0-9.]+)" y="25" width="([0-9.]+)"', picture)
    begin, width = (float(v) for v in bars[0])
    assert begin == pytest.approx(figures.SOUND.x + figures.SOUND.width * 0.41, abs=4)
    assert begin + width == pytest.approx(figures.SOUND.right, abs=1)
