"""Simulate what a second microphone hears that lies in the same shop, away from the engine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.simulate.shop_events import add_at, shop_library
from earwitness.simulate.shop_noise import octaves_re_1_khz, shaped_noise

if TYPE_CHECKING:
    from earwitness.simulate.shop_events import Library
    from earwitness.units import Floats

FAR_DRIFT = 0.6
"""Share of the fan's drift between takes that a far microphone hears too [1]. Guess, 0022."""
FAR_RIPPLE_DB = 1.0
"""Standard deviation of a ripple of a machine's spectrum from place to place [dB]. Guess, 0022."""


@dataclass(frozen=True, slots=True, eq=False)
class FarMicrophone:
    """A second microphone, away from the engine, and what it has heard so far."""

    rng: np.random.Generator
    samples: Floats
    fs: int

    def hear(self, sound: Floats, at: int = 0) -> None:
        """Add a sound from a sample on, in place."""
        add_at(self.samples, sound, at)

    @property
    def library(self) -> Library:
        """What comes and goes, heard from its place."""
        return shop_library(self.fs, far=True)

    def coloured(self, density: Floats, *, sd_db: float) -> Floats:
        """Return a density as it is heard here: other by a gain and a smooth ripple [1/Hz]."""
        octaves = octaves_re_1_khz(self.fs)
        gain_db = self.rng.normal(0, sd_db) + self.rng.normal(0, FAR_RIPPLE_DB) * np.sin(
            2 * np.pi * (octaves / self.rng.uniform(0.7, 3) + self.rng.uniform())
        )
        return np.asarray(density * 10 ** (gain_db / 10), dtype=np.float64)

    def add_noise(self, density: Floats, amplitude: Floats, *, sd_db: float, at: int = 0) -> None:
        """Add a machine's noise, in place."""
        density = self.coloured(density, sd_db=sd_db)
        noise = shaped_noise(self.rng, len(amplitude), self.fs, density)
        self.hear(noise * amplitude, at)
