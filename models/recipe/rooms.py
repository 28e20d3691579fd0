"""Impulse responses from mouth to microphone: a headset, a bench, and across the bay.

Early reflections by image sources in a box (J. B. Allen and D. A. Berkley (1979), J. Acoust. Soc.
Am. 65, 943-950, from memory), then a tail of noise that dies away with the reverberation time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

RATE_HZ = 16_000
SOUND_M_S = 343.0
LENGTH = 8_192
"""Samples of a response: 0.5 s."""
EARLY_S = 0.04
"""Reflections up to here are computed, later ones are noise [s]."""
HEADSET_M = (0.02, 0.12)
BAY_M = (0.3, 5.0)
"""Distance from mouth to microphone [m]."""


def response(rng: Generator) -> NDArray[np.float32]:
    """Return a response, shape (LENGTH,), the direct sound first and of height 1."""
    room = rng.uniform((4, 4, 2.6), (18, 12, 6))
    reverberation_s = rng.uniform(0.12, 0.9)
    mouth = rng.uniform(0.4, room - 0.4)
    away = rng.standard_normal(3)
    span = HEADSET_M if rng.random() < 0.4 else BAY_M
    distance = np.exp(rng.uniform(*np.log(span)))
    ear = np.clip(mouth + distance * away / np.linalg.norm(away), 0.1, room - 0.1)
    return _normalised(
        _early(room, mouth, ear, reverberation_s), distance, room, reverberation_s, rng
    )


def _early(
    room: NDArray[np.float64],
    mouth: NDArray[np.float64],
    ear: NDArray[np.float64],
    reverberation_s: float,
) -> NDArray[np.float64]:
    area = 2 * (room[0] * room[1] + room[0] * room[2] + room[1] * room[2])
    absorbed = np.clip(0.161 * np.prod(room) / (area * reverberation_s), 0.03, 0.95)
    reach = [int(np.ceil(EARLY_S * SOUND_M_S / (2 * side))) for side in room]
    cells = np.stack(
        np.meshgrid(*[np.arange(-r, r + 1) for r in reach], indexing="ij"), -1
    ).reshape(-1, 1, 3)
    flips = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])[None]
    images = (1 - 2 * flips) * mouth + 2 * cells * room
    bounces = np.abs(2 * cells - flips).sum(2)
    paths = np.linalg.norm(images - ear, axis=2)
    sound = np.zeros(LENGTH)
    at = np.rint((paths - paths.min()) / SOUND_M_S * RATE_HZ).astype(int)
    near = at < EARLY_S * RATE_HZ
    strength = (1 - absorbed) ** (bounces / 2) / np.maximum(paths, 0.02)
    np.add.at(sound, at[near], strength[near])
    return sound


def _normalised(
    early: NDArray[np.float64],
    distance: float,
    room: NDArray[np.float64],
    reverberation_s: float,
    rng: Generator,
) -> NDArray[np.float32]:
    """Join the tail; its power follows from the critical distance, 0.057 sqrt(V / T60)."""
    critical = 0.057 * np.sqrt(np.prod(room) / reverberation_s)
    times = np.arange(LENGTH) / RATE_HZ
    tail = rng.standard_normal(LENGTH) * 10 ** (-3 * times / reverberation_s) * (times > EARLY_S)
    power = (distance / critical) ** 2 * 10 ** (-6 * EARLY_S / reverberation_s)
    tail *= np.sqrt(power / max(np.sum(tail**2), 1e-12))
    return (early / max(early[0], 1e-9) + tail).astype(np.float32)
