"""Bring any recording to 16 kHz and a speaking level, without dead silence, for a recogniser."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.speech.recogniser import RECOGNISER_RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.units import Floats, Samples

BLOCK = 1600
"""Samples at 16 kHz that are handled at a time: 100 ms."""
PADDING_S = 0.3
"""Dithered silence put before and after a recording [s]. Chosen: benchmarks/dictation_level.py."""
DITHER = 1e-3
"""Root mean square of the noise added to every sample, of full scale [1].

Chosen: benchmarks/dictation_level.py.
"""
DITHER_SEED = 16_000
"""Seed of the added noise, so that the same recording is always heard the same."""
TARGET_LEVEL_DB = -10.0
"""Level to which the loudest 300 ms nearby are brought [dB re full scale].

Chosen: benchmarks/dictation_level.py.
"""
WORD_REACH = 1
"""Blocks to either side that a level is averaged over: 300 ms, a word; a bang is shorter."""
PHRASE_REACH = 50
"""Blocks to either side in which the loudest is looked for: 5 s, longer than any phrase."""
EASING_REACH = 10
"""Blocks to either side that the gain is averaged over, so that it changes slowly: 1 s."""
MAX_GAIN_DB = 60.0
"""Most amplification [dB]. Chosen: brings speech that peaks near -60 dB re full scale to level."""


def conditioned_blocks(samples: Samples, fs: int) -> Iterator[Samples]:
    """Yield a recording block by block, ready for a recogniser.

    The recording is gone through twice, once for its level, so that memory stays that of one
    second of sound and one number per 100 ms, however long it is.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        The recording relative to full scale [1].
    fs : int
        Its sample rate [Hz].

    Yields
    ------
    ndarray, shape (1600,) or shorter at the end
        Samples at 16 kHz [1], the first `PADDING_S` of them before the recording begins.
    """
    rng = np.random.default_rng(DITHER_SEED)
    levels = np.array([np.std(b) for b in _blocks(_resampled(samples, fs))])
    gains = speaking_gain(levels)
    loud = (g * b for g, b in zip(gains, _blocks(_resampled(samples, fs)), strict=True))
    for block in _blocks(_padded(loud)):
        dithered = block + DITHER * rng.standard_normal(len(block))
        yield np.clip(dithered, -1.0, 1.0).astype(np.float32)


def speaking_gain(levels: Floats) -> Floats:
    """Return the gain for each block that brings the loudest speech nearby to one level.

    Parameters
    ----------
    levels : ndarray, shape (blocks,)
        Root mean square of each block about its mean [1].

    Returns
    -------
    ndarray, shape (blocks,)
        Factor for each block [1], at most that of `MAX_GAIN_DB`; it changes slowly.
    """
    if not len(levels):
        return levels
    power = _moving(levels**2, WORD_REACH, np.mean)
    loudest = np.sqrt(_moving(power, PHRASE_REACH, np.max))
    floor = 10 ** ((TARGET_LEVEL_DB - MAX_GAIN_DB) / 20)
    gain_db = TARGET_LEVEL_DB - 20 * np.log10(np.maximum(loudest, floor))
    return np.asarray(10 ** (_moving(gain_db, EASING_REACH, np.mean) / 20))


def _moving(values: Floats, reach: int, statistic: Callable[..., Any]) -> Floats:
    """Apply a statistic to the values up to `reach` to either side; edges repeat."""
    padded = np.pad(values, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(statistic(windows, axis=1))


def _padded(blocks: Iterator[Floats]) -> Iterator[Floats]:
    silence = np.zeros(round(PADDING_S * RECOGNISER_RATE_HZ))
    yield silence
    yield from blocks
    yield silence


def _resampled(samples: Samples, fs: int) -> Iterator[Floats]:
    """Yield the recording at 16 kHz in pieces of about a second."""
    if fs == RECOGNISER_RATE_HZ:
        for start in range(0, len(samples), fs):
            yield samples[start : start + fs].astype(np.float64)
        return
    import soxr

    stream = soxr.ResampleStream(fs, RECOGNISER_RATE_HZ, 1, dtype="float64")
    for start in range(0, len(samples), fs):
        piece = samples[start : start + fs].astype(np.float64)
        yield stream.resample_chunk(piece, last=start + fs >= len(samples))


def _blocks(pieces: Iterator[Floats]) -> Iterator[Floats]:
    """Cut pieces of any length into blocks of 1600 samples; the last may be shorter."""
    rest = np.zeros(0)
    for piece in pieces:
        rest = np.concatenate([rest, piece])
        whole = len(rest) // BLOCK * BLOCK
        yield from rest[:whole].reshape(-1, BLOCK)
        rest = rest[whole:]
    if len(rest):
        yield rest
