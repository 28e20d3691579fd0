"""How shop noise wanders while the valve stands still: what moves together in which bands.

Rain swells, leaves rustle, a crowd gets louder: many bands rise and fall together, within a period
as between periods. Thirteen periods say little about it; their quarters of a second, ten in each,
say much, and a leak is not in it, since it does not change while the valve stands still.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.floor import BLOCK_FRAMES

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.floor import Floor
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

FAR = 2.0
"""Blocks farther from their period's median count less [scales]. Chosen: decision 0140."""
MAD_SPREAD = 1.4826
"""Standard deviation over median absolute deviation, normal distribution [1]."""


def wander_covariance(
    floors: list[Floor], ambient: list[Floor] | None, bands: Bands, settings: HissSettings
) -> Floats:
    """Return the covariance of quarter-second floors within periods, shape (bands, bands).

    Deviations from each period's median, those far out held to `FAR` scales, in Np squared. What an
    ambient microphone explains of them is taken off first.
    """
    blocks = [floor.blocks for floor in floors]
    if ambient is not None:
        r = settings.reference_share
        blocks = [a - r * b.blocks for a, b in zip(blocks, ambient, strict=True)]
    d = np.concatenate([b - np.median(b, axis=0) for b in blocks])
    least = np.sqrt(bands.log_variance / BLOCK_FRAMES)
    scale = np.maximum(MAD_SPREAD * np.median(np.abs(d), axis=0), least)
    far = np.sqrt(((d / scale)[:, bands.hiss > 0] ** 2).mean(axis=1))
    weight = np.minimum(1.0, FAR / np.maximum(far, FAR)) ** 2
    return np.asarray((d * weight[:, np.newaxis]).T @ d / weight.sum(), dtype=np.float64)
