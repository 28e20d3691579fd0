"""Tick faster the clearer the hiss is, and keep silent where there is no evidence.

What is heard is the rise of the level over the air-off level, in units of its own scatter. It is
never the probability of a finding: whoever listens until that looks good finds what is not there.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from earwitness.units import Floats

WINDOW_S = 0.25
"""One level [s]. Chosen: four make the running second."""
WINDOWS = 4
"""Levels that the evidence is the mean of [1]: one second."""
LEAST_WINDOWS = 16
"""Air-off levels before there is any evidence [1]: four seconds."""
MOST_WINDOWS = 240
"""Air-off levels that are kept [1]: a minute; older ones are of another shop."""
LEAST_SCATTER_DB = 0.1
"""Least scatter that is assumed [dB]. Chosen: a quarter second of white noise in 1-8 kHz scatters
by 4.34 / sqrt(7000 x 0.25) = 0.10 dB."""
MOST = 4.0
"""Evidence is held within this many scatters [1]. Chosen: it is the fastest tick."""
START, STOP = 2.5, 1.5
"""Ticking starts above the one and stops below the other [scatters]. Chosen: in steady
noise the mean of four levels lies 2.5 scatters above the mean of sixteen by chance once in more
than an hour (Student's t, 15 degrees of freedom), and the gap keeps ticks from stuttering."""
SLOWEST_HZ, FASTEST_HZ = 2.0, 12.0
"""Ticks a second at `STOP` and at `MOST` [Hz]. Chosen: slower is counted, faster is a tone."""
TICK_HZ, TICK_S, TICK_LEVEL = 1500.0, 0.005, 0.1
"""Pitch [Hz], decay time [s], height re full scale [1] of a tick. Chosen: heard beside hiss."""


class Evidence:
    """The running rise of a level over its air-off level, in scatters."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._window = round(WINDOW_S * sample_rate_hz)
        self._rest, self._learning = np.empty(0), False
        self._off: list[float] = []
        self._now: list[float] = []
        self.level_db: float | None = None
        """Level of the last whole window [dB re full scale]; None before the first."""

    @property
    def baseline_db(self) -> float | None:
        """Mean air-off level [dB re full scale]; None before there are enough."""
        return float(np.mean(self._off)) if len(self._off) >= LEAST_WINDOWS else None

    @property
    def scatters(self) -> float | None:
        """Mean rise of the last second over the air-off level [scatters], None if not known."""
        base = self.baseline_db
        if base is None or not self._now:
            return None
        spread = max(float(np.std(self._off, ddof=1)), LEAST_SCATTER_DB)
        rise = (float(np.mean(self._now)) - base) / spread
        return float(np.clip(rise, -MOST, MOST))

    def feed(self, samples: Floats, *, learning: bool) -> None:
        """Take the next block; `learning` says that the air is off and the baseline grows."""
        if learning != self._learning:  # a window is all air off, or none of it
            self._rest, self._learning = np.empty(0), learning
        self._rest = np.concatenate([self._rest, samples])
        while len(self._rest) >= self._window:
            part, self._rest = self._rest[: self._window], self._rest[self._window :]
            self.level_db = 10 * math.log10(max(float(np.mean(part**2)), 1e-12))
            self._keep(self.level_db, learning=learning)

    def forget(self) -> None:
        """Drop the baseline: the probe has moved."""
        self._off, self._now = [], []

    def _keep(self, level_db: float, *, learning: bool) -> None:
        if learning:
            self._off = [*self._off[1 - MOST_WINDOWS :], level_db]
        self._now = [*self._now[1 - WINDOWS :], level_db]


class Ticks:
    """Makes the ticks of an evidence."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._fs = sample_rate_hz
        t = np.arange(round(6 * TICK_S * sample_rate_hz)) / sample_rate_hz
        self._tick = TICK_LEVEL * np.exp(-t / TICK_S) * np.sin(2 * np.pi * TICK_HZ * t)
        self._tail = np.zeros(0)
        self._due = 0
        self.ticking = False

    def rate_hz(self, scatters: float | None) -> float:
        """Return the ticks a second at an evidence, with hysteresis; 0 for silence."""
        if scatters is None:
            self.ticking = False
        else:
            self.ticking = scatters >= (STOP if self.ticking else START)
        if not self.ticking or scatters is None:
            return 0.0
        share = (min(scatters, MOST) - STOP) / (MOST - STOP)
        return SLOWEST_HZ + share * (FASTEST_HZ - SLOWEST_HZ)

    def feed(self, frames: int, scatters: float | None) -> Floats:
        """Return the ticks of the next block, shape (frames,)."""
        rate = self.rate_hz(scatters)
        out = np.zeros(frames + len(self._tick))
        out[: len(self._tail)] += self._tail[: len(out)]
        if rate == 0:
            self._due = 0
        while rate > 0 and self._due < frames:
            out[self._due : self._due + len(self._tick)] += self._tick
            self._due += round(self._fs / rate)
        self._due = max(0, self._due - frames)
        self._tail = out[frames:]
        return out[:frames]
