"""Reduce a take, block by block as it is recorded, to what scoring needs.

A recording on disk goes through the same code in one block. Sound is looked at in segments that
begin at fixed samples whatever the blocks are, so the size of the blocks changes no bit. What is
kept of a long take is the band powers since the valve last turned and a few numbers a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import band_powers, bands_for, window_length
from earwitness.acoustics.floor import band_floor
from earwitness.acoustics.quality.changes import Changes
from earwitness.acoustics.quality.damage import SampleChecks
from earwitness.acoustics.quality.flags import flags_of, reaches

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.floor import Floor
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

    Sound = NDArray[np.float32]

SEGMENT_FRAMES = 256
"""Frames of a segment [1]: 2.7 s. Chosen: long enough for the checks, short enough for memory."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A period of one air state, guards taken off."""

    start_s: float
    end_s: float
    on: bool


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A whole take, reduced."""

    flags: set[str]
    """What is wrong with the recording."""
    seconds: float
    stretches: list[Stretch]
    """Alternating periods of the take; empty if one is too short or there is no air-off."""
    floors: list[Floor]
    """Floor of each of them, shape (stretches,)."""


class TakeStream:
    """A take that is being recorded.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    settings : HissSettings
        How to look for hiss.
    turns_s : iterable of float
        When the valve is turned, on, off, on ..., as far as known beforehand [s].

    Examples
    --------
    >>> from earwitness.acoustics.settings import DEFAULTS
    >>> stream = TakeStream(48_000, DEFAULTS, [2.0])
    >>> rng = np.random.default_rng(1)
    >>> for _ in range(400):
    ...     stream.feed(rng.standard_normal(480).astype(np.float32) * 0.01)
    >>> [s.on for s in stream.finish().stretches]
    [False, True]
    """

    def __init__(
        self, sample_rate_hz: int, settings: HissSettings, turns_s: Iterable[float] = ()
    ) -> None:
        self.fs, self.settings = sample_rate_hz, settings
        self.seconds = 0.0
        """Sound fed so far [s]."""
        self._segments = _Segments(window_length(sample_rate_hz))
        self._checks = SampleChecks(sample_rate_hz)
        wide = reaches(sample_rate_hz, settings.least_bandwidth_hz)
        self._bands = bands_for(sample_rate_hz) if wide else None
        self._changes = Changes(self._bands, sample_rate_hz) if self._bands else None
        self._periods = _Periods(self._bands, sample_rate_hz, settings) if self._bands else None
        for at_s in turns_s:
            self.turn(at_s)

    def feed(self, samples: Floats | Sound) -> None:
        """Take the next block of the probe's channel, shape (frames,), relative to full scale."""
        with np.errstate(over="ignore"):  # what is beyond any sound is found as not finite
            block = np.asarray(samples, dtype=np.float32)
        for segment in self._segments.feed(block):
            self._look_at(segment)
        self.seconds = self._segments.count / self.fs

    def turn(self, at_s: float) -> None:
        """Note that the valve was turned, at the latest turn so far or after it.

        Raises
        ------
        ValueError
            If it was turned before that.
        """
        if self._periods is not None:
            self._periods.turn(at_s)

    def finish(self) -> Heard:
        """Return what the take shows; nothing may be fed afterwards."""
        for segment in self._segments.rest():
            self._look_at(segment)
        flags = flags_of(self._checks, self._changes, self.fs, self.settings)
        if self._periods is None or not self._checks.finite:
            return Heard(flags, self.seconds, [], [])
        return Heard(flags, self.seconds, *self._periods.finish(self.seconds))

    def _look_at(self, segment: _Segment) -> None:
        self._checks.feed(segment.new)
        if self._bands is None or self._periods is None or not self._checks.finite:
            return
        power = band_powers(segment.framed, self.fs).power
        if len(power):
            self._periods.feed(power)
            if self._changes is not None:
                self._changes.feed(power, segment.framed)


def periods_of(turns_s: list[float], seconds: float, settings: HissSettings) -> list[Stretch]:
    """Return the periods between turns of the valve, guards taken off, whatever their length.

    Parameters
    ----------
    turns_s : list of float
        When the valve was turned, on first [s].
    seconds : float
        Length of the take [s].
    settings : HissSettings
        Guards.
    """
    edges = [0.0, *turns_s, seconds]
    return [
        Stretch(a + settings.guard_after_s, b - settings.guard_before_s, bool(i % 2))
        for i, (a, b) in enumerate(pairwise(edges))
    ]


def usable(found: list[Stretch], settings: HissSettings) -> range:
    """Return which periods serve: all but a short first or last; none if another is too short."""
    long = [s.end_s - s.start_s >= settings.shortest_period_s for s in found]
    first, last = (0 if long[0] else 1), (len(found) if long[-1] else len(found) - 1)
    kept = range(first, last)
    enough = all(long[first:last]) and not all(found[i].on for i in kept)
    return kept if enough else range(0)


@dataclass(frozen=True, slots=True, eq=False)
class _Segment:
    new: Sound
    """Samples that were not in the segment before."""
    framed: Sound
    """Samples from which the next frames are made."""


class _Segments:
    """Cut blocks of any size into pieces of a whole number of frames."""

    def __init__(self, window: int) -> None:
        self.count = 0
        self._step = SEGMENT_FRAMES * (window // 2)
        self._held = np.empty(self._step + window // 2, dtype=np.float32)
        self._filled = 0

    def feed(self, block: Sound) -> Iterator[_Segment]:
        self.count += len(block)
        while len(block):
            taken = min(len(block), len(self._held) - self._filled)
            self._held[self._filled : self._filled + taken] = block[:taken]
            self._filled += taken
            block = block[taken:]
            if self._filled == len(self._held):
                yield _Segment(self._held[: self._step], self._held)
                self._held[: self._filled - self._step] = self._held[self._step :]
                self._filled -= self._step

    def rest(self) -> Iterator[_Segment]:
        held = self._held[: self._filled]
        self._filled = 0
        yield _Segment(held, held)


class _Periods:
    """Floors of the periods between turns of the valve, each made once the period is over."""

    def __init__(self, bands: Bands, sample_rate_hz: int, settings: HissSettings) -> None:
        self.bands, self.fs, self.settings = bands, sample_rate_hz, settings
        self._hop = window_length(sample_rate_hz) // 2
        self._turns: list[float] = []
        self._floors: list[Floor | None] = []
        self._held: list[Floats] = []
        self._first, self._next = 0, 0

    def turn(self, at_s: float) -> None:
        if self._turns and at_s < self._turns[-1]:
            raise ValueError(f"at_s={at_s} is before the turn at {self._turns[-1]} s")
        self._turns.append(at_s)
        self._reduce()

    def feed(self, power: Floats) -> None:
        self._held.append(power)
        self._next += len(power)
        self._reduce()

    def finish(self, seconds: float) -> tuple[list[Stretch], list[Floor]]:
        found = periods_of(self._turns, seconds, self.settings)
        for stretch in found[len(self._floors) :]:
            self._floors.append(self._floor(stretch))
        kept = usable(found, self.settings)
        floors = [self._floors[i] for i in kept]
        if any(f is None for f in floors):
            return [], []
        return [found[i] for i in kept], [f for f in floors if f is not None]

    def _reduce(self) -> None:
        """Make the floors of periods that are over, and forget their frames."""
        over_s = self._next * self._hop / self.fs
        done = len(self._floors)
        edges = [0.0, *self._turns]
        while done < len(self._turns) and edges[done + 1] <= over_s:
            stretch = periods_of(self._turns[: done + 1], edges[done + 1], self.settings)[done]
            self._floors.append(self._floor(stretch))
            done += 1
            self._forget(int(edges[done] * self.fs / self._hop))

    def _floor(self, stretch: Stretch) -> Floor | None:
        """Return the floor of the frames that lie wholly within a stretch; None without any."""
        if stretch.end_s - stretch.start_s < self.settings.shortest_period_s:
            return None
        first = int(np.ceil(stretch.start_s * self.fs / self._hop)) - self._first
        end = int(np.floor(stretch.end_s * self.fs / self._hop)) - 1 - self._first
        power = np.concatenate(self._held)[first:end] if self._held else np.zeros((0, 0))
        return band_floor(power, self.bands, self.settings) if len(power) else None

    def _forget(self, frame: int) -> None:
        while self._held and self._first + len(self._held[0]) <= frame:
            self._first += len(self._held.pop(0))
