"""Cut a stream of any sample rate and block size into the frames that everything here takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.speech.detection import FRAME
from earwitness.speech.recogniser import RECOGNISER_RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Iterator

    from earwitness.units import Floats, Samples

PIECES_PER_S = 20
"""Pieces a second that are resampled at a time [1/s]. Chosen: always the same, so that the block
size of the source cannot change a sample; 50 ms is short against the wait for the end of a word."""


class Framing:
    """Resample one stream to 16 kHz and cut it into frames of 32 ms.

    Parameters
    ----------
    fs : int
        Sample rate of the stream [Hz].

    Raises
    ------
    ValueError
        If `fs` is not positive.
    """

    def __init__(self, fs: int) -> None:
        if fs <= 0:
            raise ValueError(f"fs={fs} must be positive")
        self._piece = max(fs // PIECES_PER_S, 1)
        self._waiting: Floats = np.zeros(0)
        self._rest: Floats = np.zeros(0)
        self._resampler = None
        if fs != RECOGNISER_RATE_HZ:
            import soxr

            self._resampler = soxr.ResampleStream(fs, RECOGNISER_RATE_HZ, 1, dtype="float64")

    def feed(self, block: Samples) -> Iterator[Samples]:
        """Yield the frames that a block completes, shape (512,) [1]."""
        waiting = np.concatenate([self._waiting, block])
        whole = len(waiting) // self._piece * self._piece
        self._waiting = waiting[whole:]
        for piece in waiting[:whole].reshape(-1, self._piece):
            yield from self._framed(self._resampled(piece, last=False))

    def finish(self) -> Iterator[Samples]:
        """Yield the rest of the stream, its last frame filled up with silence."""
        yield from self._framed(self._resampled(self._waiting, last=True))
        if len(self._rest):
            yield np.pad(self._rest, (0, FRAME - len(self._rest)))

    def _resampled(self, piece: Floats, *, last: bool) -> Floats:
        if self._resampler is None:
            return piece
        return np.asarray(self._resampler.resample_chunk(piece, last=last), dtype=np.float64)

    def _framed(self, samples: Floats) -> Iterator[Samples]:
        rest = np.concatenate([self._rest, samples])
        whole = len(rest) // FRAME * FRAME
        self._rest = rest[whole:]
        yield from rest[:whole].reshape(-1, FRAME)
