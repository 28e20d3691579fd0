"""Say whether a bay is ready: what the microphone delivers, how faint a leak would be found now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.hiss import score_cycled
from earwitness.acoustics.quality.flags import FLAGS
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from earwitness.session.equipment.sound import Source

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


def of_the_sound(samples: NDArray[np.float32], fs: int) -> list[Item]:
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
    return [
        _bandwidth(found.flags, fs),
        _level(samples, found.flags),
        _flagged("gain control", found.flags, ("automatic-gain", "gain-stepped"), "steady gain"),
        _flagged(
            "recording",
            found.flags,
            ("silent", "zero-runs", "repeated-blocks", "clicks", "not-finite"),
            "whole, nothing missing",
        ),
        _noise(found.detectable_db),
    ]


def of_the_disk(free_bytes: int) -> Item:
    """Judge the room on the disk."""
    ready = free_bytes >= FREE_BYTES
    takes = free_bytes // 8_500_000
    says = f"Room for about {takes} takes of 44 s." if ready else "The disk is nearly full."
    return Item("disk", ready, says, "" if ready else "Free some space or set another folder.")


def of_the_clock(now: datetime, installed: datetime) -> Item:
    """Judge the clock: it cannot be before this program was installed."""
    if now >= installed:
        return Item("clock", True, f"It is {now:%Y-%m-%d %H:%M} UTC.")
    says = f"The clock says {now:%Y-%m-%d}, before this program was installed."
    return Item("clock", False, says, "Set the clock: every entry of a record carries its time.")


def of_the_model(lacking: Sequence[str]) -> Item:
    """Judge the speech model by the words that it does not know."""
    if not lacking:
        return Item("speech", True, "The speech model knows every word.")
    says = f"The speech model does not know {', '.join(lacking)}."
    return Item("speech", False, says, "Use other words, or name another model in the settings.")


def _bandwidth(flags: Sequence[str], fs: int) -> Item:
    if "band-limited" not in flags:
        return Item("bandwidth", True, f"Full band at {fs} Hz.")
    says = "The microphone delivers nothing of the upper octaves."
    what = "Use a wired microphone at 44.1 or 48 kHz, and switch off voice processing."
    return Item("bandwidth", False, says, what)


def _level(samples: NDArray[np.float32], flags: Sequence[str]) -> Item:
    peak = 20 * np.log10(max(float(np.abs(samples).max()), 1e-9))
    rms = 20 * np.log10(max(float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))), 1e-9))
    says = f"Noise {rms:.0f} dB, peaks {peak:.0f} dB below full scale.".replace("-", "")
    if "clipped" in flags or peak > PEAK_DB:
        return Item("gain", False, says, "Turn the gain of the microphone down.")
    if rms < FAINT_DB:
        return Item("gain", False, says, "Turn the gain of the microphone up.")
    return Item("gain", True, says)


def _flagged(name: str, flags: Sequence[str], bad: Sequence[str], good: str) -> Item:
    found = next((f for f in FLAGS if f.name in bad and f.name in flags), None)
    if found is None:
        return Item(name, True, f"{good[0].upper()}{good[1:]}.")
    return Item(name, False, found.meaning, found.remedy)


def _noise(detectable_db: float | None) -> Item:
    if detectable_db is None:
        return Item("noise", False, "No leak can be found here now.", "Quieten the shop.")
    says = f"A leak that raises the floor by {detectable_db:.1f} dB would be found now."
    if detectable_db <= MOST_RISE_DB:
        return Item("noise", True, says)
    return Item("noise", False, says, "Quieten the shop, or wait for a quieter moment.")
