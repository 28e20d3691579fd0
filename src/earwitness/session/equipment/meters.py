"""Level and running spectrogram of the probe, as they are shown."""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from earwitness.session import snapshot
from earwitness.session.columns import Columns

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOWEST_DB = -160.0
"""Level that stands for silence [dB re full scale]."""
METER_S = 0.5
"""How much sound the level is taken of [s]. Chosen: steady enough to read."""


class Meters:
    """Level and spectrogram of the probe; fed by one thread, read by another."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._columns = Columns(sample_rate_hz)
        self.band_hz = self._columns.band_hz
        self._kept: deque[snapshot.Column] = deque(maxlen=snapshot.MOST_COLUMNS)
        self._now: deque[float] = deque(maxlen=round(10 * METER_S))
        self._by_air: dict[bool, list[float]] = {False: [], True: []}
        self._air: bool | None = None

    def air(self, on: bool | None) -> None:
        """Note how the valve is, None outside takes; a take that begins forgets the one before."""
        if self._air is None and on is not None:
            self._by_air = {False: [], True: []}
        self._air = on

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Take a block of the probe, shape (frames,) [1]."""
        for column in self._columns.feed(samples):
            self._kept.append(column)
            level = level_db(column)
            self._now.append(level)
            if self._air is not None:
                self._by_air[self._air].append(level)

    def columns(self) -> tuple[snapshot.Column, ...]:
        """Return the spectrogram as far as it is kept."""
        return tuple(self._kept)

    def meter(self, detectable_db: float | None) -> snapshot.Meter:
        """Return the levels as they are shown."""
        now = list(self._now)
        off, on = (median(x) if x else None for x in map(list, self._by_air.values()))
        rise = on - off if on is not None and off is not None else None
        return snapshot.Meter(median(now) if now else None, off, rise, detectable_db)


def level_db(column: snapshot.Column) -> float:
    """Return the level of a column, all its bands together [dB re full scale]."""
    levels = np.frombuffer(column.levels, dtype=np.uint8) * (120.0 / 255.0) - 120.0
    power = float((10 ** (levels / 10)).sum())
    return 10 * float(np.log10(power)) if power > 0 else LOWEST_DB
