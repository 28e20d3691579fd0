"""Spare the ears: a limiter that is never exceeded, a soft start, and a counter of sound dose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from earwitness.units import Floats

LOOK_AHEAD_S = 0.002
"""The limiter turns down this long before a peak [s]. Chosen: short against 15 ms of latency, long
enough not to click."""
RELEASE_S = 0.15
"""Time constant of its way back [s]. Common practice, no source."""
RAMP_S = 0.2
"""Time from silence to full level and back [s]. Chosen: no start frightens."""
WEEKLY_PA2H = 1.6
"""Sound exposure of one week that H.870 allows an adult [Pa^2 h]: 80 dB(A) for 40 h. ITU-T H.870
(03/2022) and WHO, seen in a secondary copy; 4e-10 Pa^2 x 10^8 x 40 h = 1.6."""
REFERENCE_PA = 2e-5
"""Reference sound pressure [Pa]. ISO 1683:2015."""
WEIGHTING_DB = 1.3
"""Added to the unweighted level [dB]: the most that A-weighting ever adds, at 2.5 kHz. IEC 61672-1,
table 3. So the dose that is counted is never less than the true one."""
ASSUMED_FULL_SCALE_DB = 120.0
"""Sound pressure level at the ear of a full-scale sine where it was not measured [dB]. Chosen:
louder than most headphones, so that the dose is counted high; estimate, no source."""


class Limiter:
    """Holds a signal below a ceiling, and delays it by the look-ahead.

    The gain is the least that any sample of the window needs, eased back over `RELEASE_S`, then
    averaged over the window: a mean of values none of which is above what the delayed sample needs.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    ceiling : float
        Largest magnitude that comes out [1].
    """

    def __init__(self, sample_rate_hz: int, ceiling: float) -> None:
        if not 0 < ceiling <= 1:
            raise ValueError(f"ceiling={ceiling} must be above 0 and at most 1")
        self._ceiling = ceiling
        self._width = max(1, round(LOOK_AHEAD_S * sample_rate_hz))
        self._back = float(1 - np.exp(-1 / (RELEASE_S * sample_rate_hz)))
        self._sound = np.zeros(self._width - 1)
        self._needed = np.ones(self._width - 1)
        self._eased = np.ones(self._width - 1)
        self._gain = 1.0

    @property
    def delay_frames(self) -> int:
        """How much later a sample comes out [samples]."""
        return self._width - 1

    def feed(self, samples: Floats) -> Floats:
        """Return the limited block, shape (frames,), `delay_frames` late."""
        n, before = len(samples), self._width - 1
        loud = np.maximum(np.abs(samples), self._ceiling)
        needed = np.concatenate([self._needed, self._ceiling / loud])
        least = ndimage.minimum_filter1d(needed, self._width, origin=(self._width - 1) // 2)[
            before:
        ]
        eased = np.concatenate([self._eased, self._ease(least)])
        windows = np.lib.stride_tricks.sliding_window_view(eased, self._width)
        sound = np.concatenate([self._sound, samples])
        out = sound[:n] * windows.mean(axis=1)
        self._needed, self._eased = needed[n:], eased[n:]
        self._sound = sound[n:]
        held: Floats = np.clip(out, -self._ceiling, self._ceiling)  # a last bit of rounding
        return held

    def _ease(self, least: Floats) -> Floats:
        """Follow down at once, come back slowly."""
        if self._gain == 1.0 and (not least.size or least.min() == 1.0):
            return least
        eased, gain = np.empty_like(least), self._gain
        for i, limit in enumerate(least.tolist()):
            gain = min(limit, gain + (1 - gain) * self._back)
            eased[i] = gain
        self._gain = gain if gain < 1 - 1e-9 else 1.0
        return eased


class Ramp:
    """Fades between silence and full level; silent at first."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._step = 1 / max(1, round(RAMP_S * sample_rate_hz))
        self._position = 0.0
        self.muted = True

    def feed(self, samples: Floats) -> Floats:
        """Return the block at the level of the moment, shape (frames,)."""
        step = -self._step if self.muted else self._step
        positions = np.clip(self._position + step * np.arange(1, len(samples) + 1), 0.0, 1.0)
        if len(samples):
            self._position = float(positions[-1])
        return np.asarray(samples * np.sin(positions * np.pi / 2) ** 2, dtype=np.float64)


class Dose:
    """Adds up the sound exposure of the ears, from above.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    full_scale_db : float, optional
        Sound pressure level at the ear of a full-scale sine [dB], measured with the headphones and
        the volume in use; `ASSUMED_FULL_SCALE_DB` if left out.
    """

    def __init__(self, sample_rate_hz: int, full_scale_db: float | None = None) -> None:
        self.calibrated = full_scale_db is not None
        level = ASSUMED_FULL_SCALE_DB if full_scale_db is None else full_scale_db
        sine_power = 0.5
        mean_square_pa2 = REFERENCE_PA**2 * 10 ** ((level + WEIGHTING_DB) / 10)
        self._pa2h_per_sample = mean_square_pa2 / sine_power / sample_rate_hz / 3600
        self._fs = sample_rate_hz
        self._energy, self._frames = 0.0, 0

    def feed(self, samples: Floats) -> None:
        """Count what goes to the ears."""
        self._energy += float(np.sum(np.square(samples)))
        self._frames += len(samples)

    @property
    def exposure_pa2h(self) -> float:
        """Sound exposure so far, at most [Pa^2 h]."""
        return self._energy * self._pa2h_per_sample

    @property
    def share_of_week(self) -> float:
        """Part of a week's allowance that was used, at most [1]; 1 is all of it."""
        return self.exposure_pa2h / WEEKLY_PA2H
