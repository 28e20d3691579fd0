"""Say whether a bay is ready: what the microphone delivers, how faint a leak would be found now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.hiss import score_cycled
from earwitness.acoustics.quality.flags import FLAGS
from earwitness.errors import EquipmentError
from earwitness.session.messages.catalogue import english

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from earwitness.session.equipment.sound import Source
    from earwitness.session.messages.catalogue import Catalogue

CYCLES = 6
"""Pretended cycles in the trial take [1]: as in a real one."""
SECONDS = 26.0
"""Length of the trial take [s]. Chosen: 13 pretended stays of 2 s; a real take of 44 s finds
slightly fainter leaks."""
SETTLE_S = 1.0
"""Sound thrown away at first [s]. Chosen: many microphones pop when they are switched on."""
PEAK_DB = -6.0
"""Peaks above this leave no room for a dropped spanner [dB re full scale]. Chosen, no source."""
FAINT_DB = -110.0
"""A floor below this is near that of a 16-bit converter [dB re full scale]: turn the gain up.
16 bits: -98 dB over the whole band, less 12 dB that fall outside 1-16 kHz or are not heard."""
FREE_BYTES = 1_000_000_000
"""Least room on the disk [bytes]. Chosen: over a hundred takes of 44 s."""
TAKE_BYTES = 8_500_000
"""What a take needs [bytes]: 44 s at 48 kHz in 32 bits."""
GAIN_FLAGS = ("automatic-gain", "gain-stepped")
SOUND_FLAGS = ("silent", "zero-runs", "repeated-blocks", "clicks", "not-finite")
"""Flags of a take that speak of its gain, and of sound that is missing."""
MOST_RISE_DB = 3.0
"""A bay in which only a clear leak would be found is too loud [dB]. The grade `clear` of a finding
begins there."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that was looked at."""

    name: str
    ready: bool
    says: str
    """What was found, one sentence."""
    remedy: str = ""
    """What to do, if it is not ready."""


def listen(source: Source, channel: int, seconds: float = SECONDS) -> NDArray[np.float32]:
    """Record a microphone that was opened, shape (frames,) [1].

    Raises
    ------
    EquipmentError
        If it stops sending sound, or loses some.
    """
    fs = source.sample_rate_hz
    wanted, parts, have = round((SETTLE_S + seconds) * fs), [], 0
    source.start()
    while have < wanted:
        block = source.next_block(1.0)
        if block is None:
            continue
        if block.overflow and have > SETTLE_S * fs:
            raise EquipmentError(
                "This machine loses sound while it records",
                remedy="Close other programs, then check again.",
            )
        parts.append(block.samples[:, channel])
        have += len(block.samples)
    return np.concatenate(parts)[round(SETTLE_S * fs) : wanted]


class Judge:
    """Judges what was found in a bay, in one language.

    Parameters
    ----------
    words : Catalogue, optional
        The language; English if left out.
    """

    def __init__(self, words: Catalogue | None = None) -> None:
        self._words = words or english()

    def of_the_sound(self, samples: NDArray[np.float32], fs: int) -> list[Item]:
        """Judge a trial take with the air off: bandwidth, gain, gain control, noise.

        The valve is only pretended: what such a take could have found is what a real one can.

        Parameters
        ----------
        samples : ndarray, shape (frames,)
            At least `CYCLES` pretended cycles of the probe [1].
        fs : int
            Sample rate [Hz].
        """
        edges = np.linspace(0.0, len(samples) / fs, 2 * CYCLES + 2)[1:-1]
        found = score_cycled(samples, fs, list(zip(edges[::2], edges[1::2], strict=True)))
        narrow = "band-limited" in found.flags
        return [
            self._item("bandwidth", "bandwidth_narrow" if narrow else "", fs=fs),
            self._level(samples, found.flags),
            self._flagged("gain control", "gain_control", found.flags, GAIN_FLAGS),
            self._flagged("recording", "recording", found.flags, SOUND_FLAGS),
            self._noise(found.detectable_db),
        ]

    def of_the_disk(self, free_bytes: int) -> Item:
        """Judge the room on the disk."""
        full = "" if free_bytes >= FREE_BYTES else "disk_full"
        return self._item("disk", full, takes=free_bytes // TAKE_BYTES)

    def of_the_clock(self, now: datetime, installed: datetime) -> Item:
        """Judge the clock: it cannot be before this program was installed."""
        early = "" if now >= installed else "clock_early"
        return self._item("clock", early, now=f"{now:%Y-%m-%d %H:%M}", day=f"{now:%Y-%m-%d}")

    def of_the_model(self, lacking: Sequence[str]) -> Item:
        """Judge the speech model by the words that it does not know."""
        return self._item("speech", "speech_lacks" if lacking else "", words=", ".join(lacking))

    def _item(self, name: str, fault: str, **slots: object) -> Item:
        """Return what was found; a fault is a message, and has the item's remedy."""
        if not fault:
            return Item(name, True, self._words.ready(name, **slots))
        remedy = self._words.ready(f"{name}_remedy")
        return Item(name, False, self._words.ready(fault, **slots), remedy)

    def _level(self, samples: NDArray[np.float32], flags: Sequence[str]) -> Item:
        peak = 20 * np.log10(max(float(np.abs(samples).max()), 1e-9))
        rms = 20 * np.log10(
            max(float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))), 1e-9)
        )
        says = self._words.ready("gain", rms=f"{-rms:.0f}", peak=f"{-peak:.0f}")
        if "clipped" in flags or peak > PEAK_DB:
            return Item("gain", False, says, self._words.ready("gain_down"))
        if rms < FAINT_DB:
            return Item("gain", False, says, self._words.ready("gain_up"))
        return Item("gain", True, says)

    def _flagged(self, name: str, good: str, flags: Sequence[str], bad: Sequence[str]) -> Item:
        found = next((f for f in FLAGS if f.name in bad and f.name in flags), None)
        if found is None:
            return Item(name, True, self._words.ready(good))
        return Item(name, False, self._words.told(found.meaning), self._words.told(found.remedy))

    def _noise(self, detectable_db: float | None) -> Item:
        if detectable_db is None:
            return self._item("noise", "noise_none")
        says = self._words.ready("noise", db=f"{detectable_db:.1f}")
        quiet = detectable_db <= MOST_RISE_DB
        return Item("noise", quiet, says, "" if quiet else self._words.ready("noise_remedy"))
