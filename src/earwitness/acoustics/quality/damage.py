"""Find samples that no microphone delivers: flat tops, gaps, repeated buffers, silence.

`SampleChecks` is fed segment by segment and keeps no sound but the end of the last one, so that a
take of any length is checked in the same memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Sound = NDArray[np.float32]
    Truths = NDArray[np.bool_]

FLAT_RUN = 3
"""Equal samples at the extreme that make a flat top [1]. Common practice, no source."""
FLAT_STEPS = 8.0
"""A flat top is entered or left by a step of this many quantisation steps [1]; the top of a slow
smooth wave is not. Chosen: a 20 Hz wave of full scale in 16 bits, at 48 kHz, leaves its top by
one step."""
FLAT_PEAK = 0.02
"""Quieter recordings are not clipped [full scale]. Chosen: -34 dB."""
FULL_SCALE = 0.9999
"""Flat tops here are clipped whatever their slope [full scale]."""
SILENT_RMS = 1e-6
"""Without offset, quieter than this is silence [full scale]. Chosen: 24 dB below one 16-bit step
(-96 dB), under the noise of any microphone."""
SAME_SHARE = 0.6
"""Silent too if this share of the samples has one value [1]. Chosen: normal noise of 0.6 converter
steps; below that a converter does not carry the sound."""
THINNING = 29
"""Medians and shares are taken of every 29th sample, for speed [1]: 4500 of a segment."""
FAR_BEYOND = 1e6
"""Samples above this are no sound [full scale]. Chosen: beyond any integer format of 16 bits that
was read without scaling."""
ZERO_RUN_S = 32 / 48_000
"""Exact zeros this long are a gap, if the sound is well above a quantisation step [s]."""
ZERO_RUN_QUIET_S = 0.02
"""Exact zeros this long are a gap in any sound [s]. Chosen: half a period of 25 Hz."""
LOUD_STEPS = 16.0
"""Median magnitude of sound well above the quantisation [steps]. Chosen: a hum of 25 Hz then
stays at zero for 20 samples at 48 kHz."""
SHORTEST_REPEAT = 64
"""Shortest buffer of a recorder that is looked for [samples]."""
LONGEST_REPEAT = 4096
"""Longest one [samples]."""
OVERLAP = 2 * LONGEST_REPEAT
"""Samples of the segment before that are looked at again [1]: the longest buffer, twice."""
MIXERS = tuple(np.uint32(k) for k in (0x9E3779B1, 0x85EBCA77, 0xC2B2AE3D, 0x27D4EB2F))
"""Odd numbers that four samples are mixed with [1]; any serve."""
ANCHORS = np.uint32(2**27)
"""Places are compared where the mixed samples are below this [1]: every 32nd on average, and a
buffer that is played twice offers the same places twice."""
MOST_CANDIDATES = 64
"""Places of a segment that are then compared sample for sample [1]."""


class SampleChecks:
    """What is wrong with a recording's samples, found segment by segment.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.fs = sample_rate_hz
        self.count = 0
        self.finite = True
        self._repeated = False
        self._step = np.inf
        self._tops = (_FlatTop(), _FlatTop())
        self._thin = _Thin()
        self._zeros, self._longest_zeros = 0, 0
        self._before = np.zeros(0, dtype=np.float32)

    def feed(self, segment: Sound) -> None:
        """Look at the next samples, shape (frames,); where a segment ends changes nothing else."""
        if not len(segment):
            return
        self.count += len(segment)
        self.finite &= bool(_extreme(segment) <= FAR_BEYOND)
        if not self.finite:
            return
        self._thin.feed(segment[::THINNING])
        self._count_zeros(segment)
        joined = np.concatenate([self._before, segment])
        new = len(self._before)
        for top, sign in zip(self._tops, (1, -1), strict=True):
            top.feed(joined, new, sign)
        self._repeated = self._repeated or repeats(joined)
        self._before = joined[-OVERLAP:].copy()

    @property
    def silent(self) -> bool:
        """Whether there is no sound but offset and stray bits."""
        return self._thin.silent

    @property
    def clipped(self) -> bool:
        """Whether peaks are cut flat, at full scale or anywhere below."""
        return any(top.is_flat(self._thin.step) for top in self._tops)

    @property
    def gap(self) -> bool:
        """Whether sound is missing; quiet 16-bit sound has short runs of zeros by nature."""
        seconds = ZERO_RUN_S if self._thin.loud else ZERO_RUN_QUIET_S
        return self._longest_zeros >= seconds * self.fs

    @property
    def repeated(self) -> bool:
        """Whether a recorder's buffer appears twice in a row, sample for sample."""
        return self._repeated

    def _count_zeros(self, segment: Sound) -> None:
        """Follow the longest run of exact zeros, across segments too."""
        zero = segment == 0
        if not zero.any():
            self._zeros = 0
            return
        starts, ends = _runs(zero)
        lengths = ends - starts
        if starts[0] == 0:
            lengths[0] += self._zeros
        self._longest_zeros = max(self._longest_zeros, int(lengths.max()))
        self._zeros = int(lengths[-1]) if ends[-1] == len(segment) else 0


class _Thin:
    """Statistics of every 29th sample."""

    def __init__(self) -> None:
        self.step = np.inf
        self._count = self._same = 0
        self._energy = 0.0
        self._magnitudes: list[float] = []

    def feed(self, x: Sound) -> None:
        middle = np.median(x)
        self._count += len(x)
        self._same += int(np.count_nonzero(x == middle))
        self._energy += float(np.square(x - middle, dtype=np.float64).sum())
        magnitude = np.abs(x)
        self._magnitudes.append(float(np.median(magnitude)))
        self.step = min(self.step, float(magnitude.min(where=magnitude > 0, initial=np.inf)))

    @property
    def silent(self) -> bool:
        if not self._count:
            return True
        rms = float(np.sqrt(self._energy / self._count))
        return self._same >= SAME_SHARE * self._count or rms < SILENT_RMS

    @property
    def loud(self) -> bool:
        return float(np.median(self._magnitudes)) >= LOUD_STEPS * self.step


class _FlatTop:
    """The steepest edge of a flat top at the highest sample so far."""

    def __init__(self) -> None:
        self._peak = -np.inf
        self._steepest = -np.inf

    def feed(self, joined: Sound, new: int, sign: int) -> None:
        part = joined[max(0, new - 2 * FLAT_RUN) :]
        peak = sign * float(part.max() if sign > 0 else part.min())
        if peak < self._peak or peak < FLAT_PEAK:
            return
        if peak > self._peak:
            self._peak, self._steepest = peak, -np.inf
        part = part * np.float32(sign)
        starts, ends = _runs(part == np.float32(peak))
        long = ends - starts >= FLAT_RUN
        if not long.any():
            return
        starts, ends = starts[long], ends[long]
        before = peak - part[np.maximum(starts - 1, 0)]
        after = peak - part[np.minimum(ends, len(part) - 1)]
        self._steepest = max(self._steepest, float(np.maximum(before, after).max()))

    def is_flat(self, step: float) -> bool:
        """Whether there is a flat top, where a quantisation step is this large."""
        if not np.isfinite(self._steepest):
            return False
        return self._peak >= FULL_SCALE or self._steepest >= FLAT_STEPS * step


def _extreme(x: Sound) -> float:
    """Largest magnitude; not a number if one is not."""
    return max(float(x.max()), -float(x.min()))


def repeats(samples: Sound) -> bool:
    """Return whether a buffer of any usual length is followed by itself, sample for sample.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Sound [1].
    """
    if len(samples) < 2 * SHORTEST_REPEAT:
        return False
    bits = np.ascontiguousarray(samples).view(np.uint32)
    mixed, product = bits * MIXERS[0], np.empty_like(bits)
    for k, mixer in enumerate(MIXERS[1:], start=1):
        np.multiply(bits, mixer, out=product)
        mixed[:-k] += product[k:]
    places = np.flatnonzero(mixed[: -3 * len(MIXERS)] < ANCHORS)
    high, low = mixed[places], mixed[places + len(MIXERS)] ^ mixed[places + 2 * len(MIXERS)]
    key = high.astype(np.uint64) << np.uint64(32) | low
    order = np.argsort(key)
    first, second = places[order[:-1]], places[order[1:]]
    lags = np.abs(second - first)
    alike = (np.diff(key[order]) == 0) & (lags >= SHORTEST_REPEAT) & (lags <= LONGEST_REPEAT)
    found = np.flatnonzero(alike)[:MOST_CANDIDATES]
    return any(_is_repeated(samples, int(min(first[k], second[k])), int(lags[k])) for k in found)


def _is_repeated(samples: Sound, at: int, lag: int) -> bool:
    """Whether the samples about a place equal those a lag later for as long as the lag."""
    part = samples[max(0, at - lag) : at + 2 * lag + 16]
    starts, ends = _runs(part[lag:] == part[:-lag])
    return any(b - a >= lag and np.ptp(part[a:b]) > 0 for a, b in zip(starts, ends, strict=True))


def _runs(values: Truths) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First and past-the-last index of each run of true values."""
    padded = np.concatenate([[False], values, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return edges[::2], edges[1::2]
