"""A take while it is recorded: on disk first, then looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.quality.damage import SampleChecks
from earwitness.audio.broadcast_wav import BroadcastWavWriter

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from earwitness.audio.bext import Bext
    from earwitness.audio.microphone import Block

LOOK_EVERY_S = 0.5
"""How often a take is checked for damage while it is made [s]."""


@dataclass(frozen=True, slots=True)
class TakeOrder:
    """What to record, and when the valve is to be turned."""

    files: tuple[Path, ...]
    bext: Bext
    rhythm_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A take is over and its files are closed."""

    files: tuple[Path, ...]
    air_on_s: tuple[tuple[float, float], ...]
    seconds: float
    lost_s: tuple[float, ...]
    """Where sound was lost [s]."""
    why: str
    """Why it was broken off; empty for a whole take."""


class Take:
    """A take while it is recorded."""

    def __init__(self, order: TakeOrder, fs: int) -> None:
        self._order, self.fs, self.frames = order, fs, 0
        self._writers = [
            BroadcastWavWriter(
                path, sample_rate_hz=fs, channels=1, subtype="FLOAT", bext=order.bext
            )
            for path in order.files
        ]
        self._first_frame = 0
        self._last: Block | None = None
        self._asked = 0
        self._turns_s: list[float] = []
        self._lost_s: list[float] = []
        self._checks = SampleChecks(fs)
        self._unchecked: list[NDArray[np.float32]] = []
        self._told = False

    def keep(self, block: Block, channels: tuple[int, ...]) -> None:
        """Write a block, then remember what is needed of it."""
        if not self.frames:
            self._first_frame = block.first_frame
        elif block.overflow:
            self._lost_s.append(round(self.frames / self.fs, 3))
        for writer, channel in zip(self._writers, channels, strict=True):
            writer.append(np.ascontiguousarray(block.samples[:, channel]))
        self.frames += len(block.samples)
        self._last = block
        self._unchecked.append(block.samples[:, channels[0]])

    def is_due(self, now_s: float) -> bool:
        """Tell, once for each moment of the rhythm, that it has come.

        The valve is turned by the clock on the wall, `now_s` [s]; the take ends by what is on disk.
        """
        if self._asked == len(self._order.rhythm_s) or self._last is None:
            return False
        last = self._asked == len(self._order.rhythm_s) - 1
        now = self.frames if last else self._frame_at(now_s)
        due = now >= self._order.rhythm_s[self._asked] * self.fs
        self._asked += due
        return due

    def turned(self, moment_s: float) -> None:
        """Note when the cue to turn the valve was in the air [s of the same clock]."""
        at_s = round(self._frame_at(moment_s) / self.fs, 4)
        before = self._turns_s[-1] if self._turns_s else 0.0
        self._turns_s.append(max(at_s, before + 1e-4))

    def damage(self) -> str | None:
        """Return the flag of damage that no more recording can mend, once."""
        waiting = sum(len(b) for b in self._unchecked)
        if self._told or waiting < LOOK_EVERY_S * self.fs:
            return None
        self._checks.feed(np.concatenate(self._unchecked))
        self._unchecked.clear()
        long = self.frames >= 2 * self.fs
        found = {
            "clipped": self._checks.clipped,
            "silent": long and self._checks.silent,
            "repeated-blocks": self._checks.repeated,
        }
        flag = next((name for name, is_so in found.items() if is_so), None)
        self._told = flag is not None
        return flag

    def close(self, why: str) -> Recorded:
        """Close the files; the turns that follow the last sample are left out."""
        for writer in self._writers:
            writer.close()
        ends = [*self._turns_s[1::2]]
        seconds = self.frames / self.fs
        pairs = tuple((a, b) for a, b in zip(self._turns_s[::2], ends, strict=False) if b < seconds)
        return Recorded(self._order.files, pairs, seconds, tuple(self._lost_s), why)

    def _frame_at(self, moment_s: float) -> int:
        if self._last is None:
            return 0
        return self._last.frame_at(moment_s, self.fs) - self._first_frame
