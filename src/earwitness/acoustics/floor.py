"""The steady noise floor under a shop's transients, band by band.

Impacts, voices and doors raise many bands at once, so frames are gated jointly within three groups
of bands; what is left is averaged with Tukey's biweight on the log power.

References
----------
Mosteller and Tukey, Data Analysis and Regression (1977), ch. 10: biweight location.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import LEAST_POWER, NEXT_FRAME

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

BLOCK_FRAMES = 24
"""Frames of a block in which the floor may wander [1]: a quarter of a second. Chosen: decision
0140."""
GATE_ROUNDS = 8
"""Rounds of the biweight location [1]. Chosen: it moves by less than 0.01 dB in the last."""
LEAST_WEIGHT = 0.05
"""Frames of less weight are dropped [1]. Chosen: decision 0010."""


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """Floor of one stretch of sound; arrays have shape (bands,)."""

    log_power: Floats
    """Mean log power of the quiet frames [Np of power, full scale squared per bin]."""
    frames: Floats
    """Independent frames that the mean is worth [1]."""
    kept: float
    """Share of frames kept in the group of bands that kept fewest [1]."""
    blocks: Floats
    """Mean log power of all frames of each quarter of a second, shape (blocks, bands) [Np]."""


def band_floor(power: Floats, bands: Bands, settings: HissSettings) -> Floor:
    """Return the robust floor of a stretch of sound.

    Parameters
    ----------
    power : ndarray, shape (frames, bands)
        Band powers, at least one frame [full scale squared per bin].
    bands : Bands
        Their bands.
    settings : HissSettings
        Widths of the gates.
    """
    log_power = np.log(np.maximum(power, LEAST_POWER))
    out = np.empty((2, log_power.shape[1]))
    kept = []
    groups = np.searchsorted(settings.gate_edges_hz, bands.centre_hz)
    for g in np.unique(groups):
        b = np.flatnonzero(groups == g)
        weight = _frame_weights(log_power[:, b], bands.log_variance[b], settings)
        scale = settings.band_width * np.sqrt(bands.log_variance[b])
        out[0, b] = _band_means(log_power[:, b], weight, scale)
        out[1, b] = weight.sum() ** 2 / (weight**2).sum() / (1 + 2 * NEXT_FRAME)
        kept.append(np.count_nonzero(weight) / len(weight))
    return Floor(out[0], out[1], min(kept), _block_means(log_power))


def _block_means(log_power: Floats) -> Floats:
    """Means of equal parts of about `BLOCK_FRAMES` frames, at least one, shape (blocks, bands)."""
    n = len(log_power)
    starts = np.arange(max(1, n // BLOCK_FRAMES)) * n // max(1, n // BLOCK_FRAMES)
    counts = np.diff(starts, append=n)[:, np.newaxis]
    return np.asarray(np.add.reduceat(log_power, starts, axis=0) / counts, dtype=np.float64)


def _frame_weights(log_power: Floats, variance: Floats, settings: HissSettings) -> Floats:
    """Biweight weight of each frame from the group's common log power, shape (frames,)."""
    w = 1 / variance
    w = w / w.sum()
    common = log_power @ w
    spread = float(np.sqrt(w**2 @ variance))
    scale = settings.gate_width * settings.gate_spread * spread
    centre = float(_lowest(common, settings.gate_quantile)) + spread
    weight = _biweight(common - centre, scale)
    for _ in range(GATE_ROUNDS - 1):
        centre = float(weight @ common / weight.sum()) if weight.any() else centre
        weight = _biweight(common - centre, scale)
    weight = np.where(weight > LEAST_WEIGHT, weight, 0.0)
    if np.count_nonzero(weight) < settings.gate_frames:
        return _quietest(common, settings.gate_frames)
    return weight


def _band_means(log_power: Floats, weight: Floats, scale: Floats) -> Floats:
    """One biweight round per band about the gated mean, shape (bands,)."""
    mean = weight @ log_power / weight.sum()
    w = _biweight(log_power - mean, scale) * weight[:, np.newaxis]
    total = w.sum(axis=0)
    refined = (w * log_power).sum(axis=0) / np.maximum(total, 1e-9)
    return np.asarray(np.where(total > 1e-9, refined, mean), dtype=np.float64)


def _biweight(deviation: Floats, scale: Floats | float) -> Floats:
    r = np.minimum(np.abs(deviation / scale), 1.0)
    return np.asarray((1 - r**2) ** 2, dtype=np.float64)


def _lowest(values: Floats, share: float) -> Floats:
    k = int(share * len(values))
    return np.asarray(np.partition(values, k)[k], dtype=np.float64)


def _quietest(common: Floats, count: int) -> Floats:
    """Equal weight for the quietest twentieth of the frames, at least `count` where there are."""
    k = min(len(common) - 1, max(count - 1, len(common) // 20))
    return np.asarray(common <= np.partition(common, k)[k], dtype=np.float64)
