"""The spectrogram of a take as a small image with few colours, and what its colours mean."""

from __future__ import annotations

import base64
import io
import itertools
import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats, Samples

COLUMNS = 340
"""Columns of the image. Chosen: steady noise looks steady, a knock stays visible."""
ROWS = 80
"""Rows of the image up to its highest frequency. Chosen: a quarter of a kilohertz each."""
GAP = 5
"""Blank columns between the two recordings of a pair."""
PALETTE_STEPS = 24
"""Colours. Chosen: steps of 1 to 3 dB, less than the eye tells apart, and half the size."""
LEAST_RANGE_DB = 20.0
"""Least difference between the darkest and the lightest colour [dB]."""
FRAME_S = 0.021
"""Length of a short-time spectrum [s]: about 1024 samples at 48 kHz."""
COLOURS = "cividis"
"""Colour map, even in lightness and readable with any colour vision: Nunez, Anderton and Renslow,
Optimizing colormaps with consideration for color vision deficiency, PLOS ONE 13(7) e0199239 (2018),
doi 10.1371/journal.pone.0199239 (from memory); the table is that of matplotlib."""

Sound = tuple["Samples", int]
"""Samples of one channel, and their rate [Hz]."""


def image_uri(
    sounds: Sequence[Sound], top_hz: float
) -> tuple[str, tuple[float, float], tuple[tuple[int, int], ...]]:
    """Draw the sounds side by side.

    Parameters
    ----------
    sounds : sequence of (ndarray, int)
        The recordings of a take.
    top_hz : float
        Frequency at the upper edge [Hz].

    Returns
    -------
    str
        PNG of `COLUMNS` by twice `ROWS`, as a `data:` address.
    tuple of float
        Levels of the darkest and the lightest colour [dB].
    tuple of (int, int)
        First column and the one after the last of every recording.
    """
    columns = _columns([len(samples) / rate for samples, rate in sounds])
    grids = [
        _stretched(spectrogram_db(samples, rate, last - first, top_hz), rate, last - first, top_hz)
        for (samples, rate), (first, last) in zip(sounds, columns, strict=True)
    ]
    low_db, high_db = _range_db(grids)
    steps = np.full((ROWS, COLUMNS), PALETTE_STEPS, dtype=np.uint8)
    for grid, (first, last) in zip(grids, columns, strict=True):
        share = (grid - low_db) / (high_db - low_db)
        levels = np.clip(np.floor(share * PALETTE_STEPS), 0, PALETTE_STEPS - 1)
        steps[: len(grid), first:last] = levels.astype(np.uint8)
    return _png_uri(np.repeat(steps[::-1], 2, axis=0)), (low_db, high_db), columns


@cache
def scale_uri() -> str:
    """Draw all colours above each other, darkest at the foot; PNG of 9 by 168."""
    steps = np.repeat(np.arange(PALETTE_STEPS, dtype=np.uint8)[::-1], 7)
    return _png_uri(np.repeat(steps[:, None], 9, axis=1))


def spectrogram_db(
    samples: Samples, sample_rate_hz: int, columns: int, top_hz: float = 20_000.0
) -> Floats:
    """Return short-time levels, averaged into a grid.

    Returns
    -------
    ndarray, shape (ROWS or fewer, columns or fewer)
        Power per FFT bin up to `top_hz`, lowest row first [dB re full-scale power]: white noise
        of standard deviation s has 20 lg s in every bin, as in the floors of a finding.
    """
    import scipy.fft

    size = max(64, 2 ** round(math.log2(FRAME_S * sample_rate_hz)))
    sound = np.clip(np.nan_to_num(samples), -1, 1)
    sound = np.pad(sound, (0, max(0, size - len(sound)))).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // 2]
    window = np.hanning(size).astype(np.float32)
    spectrum = scipy.fft.rfft(frames * window, axis=1)
    top = int(np.searchsorted(scipy.fft.rfftfreq(size, 1 / sample_rate_hz), top_hz, side="right"))
    power = spectrum.real[:, 1:top] ** 2 + spectrum.imag[:, 1:top] ** 2
    power = _pooled(_pooled(power, columns, axis=0), ROWS, axis=1) / float(np.sum(window**2))
    return np.asarray(10 * np.log10(power.T + 1e-20))


def _columns(seconds: Sequence[float]) -> tuple[tuple[int, int], ...]:
    """Share the columns out in proportion to the lengths."""
    free = COLUMNS - GAP * (len(seconds) - 1)
    ends = np.round(np.cumsum([0.0, *seconds]) / sum(seconds) * free).astype(int)
    return tuple(
        (min(a, COLUMNS - 1) + GAP * i, max(a + 1, b) + GAP * i)
        for i, (a, b) in enumerate(itertools.pairwise(ends.tolist()))
    )


def _stretched(grid: Floats, rate_hz: int, columns: int, top_hz: float) -> Floats:
    """Repeat rows and columns of a small grid until it fills its place up to half its rate."""
    height = max(1, round(ROWS * min(1.0, rate_hz / 2 / top_hz)))
    rows = (np.arange(height) * grid.shape[0]) // height
    across = (np.arange(columns) * grid.shape[1]) // columns
    return np.asarray(grid[np.ix_(rows, across)])


def _pooled(power: Floats, most: int, axis: int) -> Floats:
    """Average neighbours along an axis so that at most `most` are left."""
    length = power.shape[axis]
    count = min(most, length)
    edges = (np.arange(count) * length) // count
    sizes = np.diff([*edges, length])
    shape = [1, 1]
    shape[axis] = count
    return np.asarray(np.add.reduceat(power, edges, axis=axis) / sizes.reshape(shape))


def _range_db(grids: Sequence[Floats]) -> tuple[float, float]:
    values = np.concatenate([g.ravel() for g in grids])
    low, high = np.quantile(values, [0.02, 0.995])
    return float(low), float(max(high, low + LEAST_RANGE_DB))


def _png_uri(steps: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> str:
    """Write steps of the palette as a PNG without any marks; the step above the last is white."""
    from PIL import Image

    image = Image.fromarray(steps)
    image.putpalette([*_palette().ravel().tolist(), 255, 255, 255])
    held = io.BytesIO()
    image.save(held, "PNG", compress_level=6, bits=8)
    return f"data:image/png;base64,{base64.b64encode(held.getvalue()).decode('ascii')}"


@cache
def _palette() -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Return the colours, shape (PALETTE_STEPS, 3)."""
    from matplotlib import colormaps

    shares = (np.arange(PALETTE_STEPS) + 0.5) / PALETTE_STEPS
    return np.asarray(np.round(colormaps[COLOURS](shares)[:, :3] * 255), dtype=np.uint8)
