"""Cepstra as Kaldi computes them, for many clips, the vocal tract made longer or shorter.

40 coefficients from 40 bands between 20 and 7600 Hz, frames of 25 ms every 10 ms: what the shipped
`conf/mfcc.conf` asks of the recogniser. Formulae: S. Young and others, The HTK Book 3.4, section 5,
and the source of kaldi-native-fbank, which tests compare with.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import torch
from torch import Tensor

if TYPE_CHECKING:
    from collections.abc import Callable

RATE_HZ = 16_000
FRAME, HOP, FFT = 400, 160, 512
BANDS = 40
LOWEST_HZ, HIGHEST_HZ = 20.0, 7_600.0
PREEMPHASIS = 0.97
LIFTER = 22.0
FULL_SCALE = 32_768.0
"""The recogniser counts samples in 16-bit steps."""
WARPS = tuple(np.exp(np.linspace(math.log(0.82), math.log(1.22), 25)))
"""Factors by which all resonances can be moved [1]: children's to large men's vocal tracts."""
WARP_KNEE_HZ = 5_500.0
"""Above this the warp bends back, so that the band's end stays where it is [Hz]."""


def frames_in(samples: int) -> int:
    """Return how many whole frames fit."""
    return 1 + (samples - FRAME) // HOP


def cepstra(
    sound: Tensor,
    warp: Tensor | None = None,
    changed: Callable[[Tensor], Tensor] | None = None,
) -> Tensor:
    """Return the cepstra of clips.

    Parameters
    ----------
    sound : Tensor, shape (clips, samples)
        Of full scale [1].
    warp : Tensor, shape (clips,), optional
        For each clip which of `WARPS`; none if left out.
    changed : callable, optional
        Changes the logarithms of the bands' power, shape (clips, frames, 40).

    Returns
    -------
    Tensor, shape (clips, frames, 40)
        Cepstral coefficients.
    """
    frames = (sound * FULL_SCALE).unfold(1, FRAME, HOP)
    frames = frames - frames.mean(2, keepdim=True)
    before = torch.cat([frames[..., :1], frames[..., :-1]], 2)
    window, banks, transform = (t.to(sound.device) for t in (_window(), _banks(), _transform()))
    power = torch.fft.rfft((frames - PREEMPHASIS * before) * window, FFT).abs().square()
    bank = banks[len(WARPS) if warp is None else warp]
    energies = (power @ bank).clamp_min(torch.finfo(torch.float32).eps).log()
    return (changed(energies) if changed else energies) @ transform


@cache
def _window() -> Tensor:
    n = torch.arange(FRAME, dtype=torch.float64)
    hann = 0.5 - 0.5 * torch.cos(2 * math.pi * n / (FRAME - 1))
    return (hann**0.85).float()


@cache
def _transform() -> Tensor:
    """Cosine transform and lifter, shape (bands, coefficients)."""
    k, n = np.arange(BANDS)[None], np.arange(BANDS)[:, None]
    dct = np.sqrt(2 / BANDS) * np.cos(np.pi / BANDS * (n + 0.5) * k)
    dct[:, 0] = np.sqrt(1 / BANDS)
    lifter = 1 + 0.5 * LIFTER * np.sin(np.pi * np.arange(BANDS) / LIFTER)
    return torch.tensor(dct * lifter, dtype=torch.float32)


@cache
def _banks() -> Tensor:
    """Return a filter bank for each warp, the plain one last: (warps + 1, FFT / 2 + 1, bands)."""
    return torch.tensor(np.stack([_bank(w) for w in (*WARPS, 1.0)]), dtype=torch.float32)


def _bank(warp: float) -> np.ndarray:
    edges_mel = np.linspace(_mel(LOWEST_HZ), _mel(HIGHEST_HZ), BANDS + 2)
    edges = _mel(_warped(_hertz(edges_mel), warp))
    at = _mel(np.arange(FFT // 2 + 1) * RATE_HZ / FFT)[:, None]
    rising = (at - edges[:-2]) / (edges[1:-1] - edges[:-2])
    falling = (edges[2:] - at) / (edges[2:] - edges[1:-1])
    bank = np.maximum(0, np.minimum(rising, falling))
    bank[-1] = 0  # Kaldi leaves the last bin out
    return bank


def _warped(hertz: np.ndarray, warp: float) -> np.ndarray:
    knee = WARP_KNEE_HZ / max(1.0, warp)
    slope = (HIGHEST_HZ - warp * knee) / (HIGHEST_HZ - knee)
    return np.where(hertz < knee, warp * hertz, warp * knee + slope * (hertz - knee))


def _mel(hertz: np.ndarray | float) -> np.ndarray:
    return 1127.0 * np.log1p(np.asarray(hertz) / 700.0)


def _hertz(mel: np.ndarray) -> np.ndarray:
    return 700.0 * np.expm1(mel / 1127.0)
