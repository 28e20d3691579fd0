"""Noise for training, made on the fly for a whole batch: eight families, mixed at random.

What tests use and training never hears: trains of blows (impact wrenches, ratchets, dropped
tools), and the prompts' own shop noise of `benchmarks/dictation_prompts.py`.
"""

from __future__ import annotations

import math

import torch
from scipy.fft import next_fast_len
from torch import Tensor

RATE_HZ = 16_000


class Noises:
    """Draws noise.

    Parameters
    ----------
    bank : Tensor, shape (samples,)
        Simulated shop noise without blows, any level [1].
    talk : Tensor, shape (samples,)
        Speech one clip after another, from which babble is cut [1].
    generator : torch.Generator
        Source of chance, on the device of the rest.
    """

    def __init__(self, bank: Tensor, talk: Tensor, generator: torch.Generator) -> None:
        self._bank, self._talk, self._chance = bank, talk, generator
        self._device = bank.device

    def draw(self, clips: int, samples: int) -> tuple[Tensor, Tensor]:
        """Return noise of unit power, and mains hum of unit power, each (clips, samples)."""
        wanted, samples = samples, next_fast_len(samples, real=True)
        families = (
            self._coloured,
            self._band,
            self._machine,
            self._babble,
            self._voice,
            self._music,
            self._clanks,
            self._shop,
        )
        odds = torch.tensor((0.3, 0.15, 0.1, 0.08, 0.05, 0.06, 0.1, 0.16), device=self._device)
        mixed = torch.zeros(clips, samples, device=self._device)
        for strength in (1.0, 0.5):
            chosen = torch.multinomial(odds, clips, replacement=True, generator=self._chance)
            for n, family in enumerate(families):
                who = torch.nonzero(chosen == n)[:, 0]
                if len(who):
                    made = unit(family(len(who), samples))
                    swell = made if n in (3, 4, 5, 6) else made * self._swell(len(who), samples)
                    mixed[who] += (
                        strength
                        * self.uniform(0, 1, len(who), 1) ** (0.0 if strength == 1 else 1.0)
                        * unit(swell)
                    )
        return unit(mixed[:, :wanted]), unit(self._mains(clips, wanted))

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Return random numbers between two."""
        return low + (high - low) * torch.rand(*shape, device=self._device, generator=self._chance)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, device=self._device, generator=self._chance)

    def _coloured(self, clips: int, samples: int) -> Tensor:
        """Noise that falls by -1.5 to 6 dB an octave, with a smooth ripple."""
        spectrum = torch.fft.rfft(self._normal(clips, samples))
        hertz = torch.linspace(0, RATE_HZ / 2, spectrum.shape[1], device=self._device).clamp_min(30)
        octaves = (hertz / 1000).log2()[None]
        slope_db = -self.uniform(-1.5, 6, clips, 1)
        ripple_db = self.uniform(0, 6, clips, 1) * torch.sin(
            2 * math.pi * (octaves / self.uniform(0.7, 4, clips, 1) + self.uniform(0, 1, clips, 1))
        )
        return torch.fft.irfft(spectrum * 10 ** ((slope_db * octaves + ripple_db) / 20), samples)

    def _band(self, clips: int, samples: int) -> Tensor:
        """Noise about one frequency: hissing air, whining bearings, a fan."""
        spectrum = torch.fft.rfft(self._normal(clips, samples))
        hertz = torch.linspace(0, RATE_HZ / 2, spectrum.shape[1], device=self._device).clamp_min(30)
        middle = 2 ** self.uniform(-3, 3, clips, 1)
        away = ((hertz[None] / 1000).log2() - middle.log2()) / self.uniform(0.15, 1.5, clips, 1)
        return torch.fft.irfft(spectrum * (torch.exp(-away.square()) + 0.03), samples)

    def _machine(self, clips: int, samples: int) -> Tensor:
        """Harmonics of a rotating machine whose speed wanders, over noise."""
        steps = self.uniform(22, 240, clips, 1) * (1 + 0.01 * self._slow(clips, samples))
        turn = 2 * math.pi * torch.cumsum(steps, 1) / RATE_HZ
        total = 0.3 * self._coloured(clips, samples)
        fall = self.uniform(0.2, 1.2, clips, 1)
        for harmonic in range(1, 17):
            level = self.uniform(0.1, 1, clips, 1) / harmonic**fall
            total = total + level * torch.sin(harmonic * turn + self.uniform(0, 6.3, clips, 1))
        return total

    def _mains(self, clips: int, samples: int) -> Tensor:
        """Hum of 50 or 60 Hz with harmonics up to the twelfth."""
        base = torch.where(self.uniform(0, 1, clips, 1) < 0.5, 50.0, 60.0) * self.uniform(
            0.996, 1.004, clips, 1
        )
        turn = 2 * math.pi * base * torch.arange(samples, device=self._device)[None] / RATE_HZ
        total = torch.zeros(clips, samples, device=self._device)
        for harmonic in (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12):
            level = 10 ** (self.uniform(-30, 0, clips, 1) / 20)
            total = total + level * torch.sin(harmonic * turn + self.uniform(0, 6.3, clips, 1))
        return total

    def _babble(self, clips: int, samples: int) -> Tensor:
        """Three to six people at once."""
        return sum(
            (
                self.uniform(0.3, 1, clips, 1) * self._cut(self._talk, clips, samples)
                for _ in range(5)
            ),
            torch.zeros(()),
        )

    def _voice(self, clips: int, samples: int) -> Tensor:
        """One other voice, as from a radio without the lowest and highest tones, under noise."""
        radio = unit(self._filtered(self._cut(self._talk, clips, samples), 250, 4500))
        return radio * self.uniform(0.2, 0.8, clips, 1) + unit(self._coloured(clips, samples))

    def _music(self, clips: int, samples: int) -> Tensor:
        """Chords and a beat."""
        seconds = torch.arange(samples, device=self._device)[None] / RATE_HZ
        beat_s = self.uniform(0.25, 0.7, clips, 1)
        bar = torch.floor(seconds / beat_s + self.uniform(0, 1, clips, 1))
        fade = torch.exp(-4 * (seconds / beat_s - torch.floor(seconds / beat_s)))
        total = 0.1 * fade * self._normal(clips, samples)
        for _ in range(4):
            key = self.uniform(0, 24, clips, 1)
            step = torch.floor(torch.sin(bar * self.uniform(1, 3, clips, 1)) * 5)
            note = 110 * 2 ** (torch.round(key + step) / 12)
            turn = 2 * math.pi * torch.cumsum(note, 1) / RATE_HZ
            for harmonic in range(1, 6):
                total = (
                    total
                    + torch.sin(harmonic * turn) * fade * self.uniform(0.1, 1, clips, 1) / harmonic
                )
        return total

    def _clanks(self, clips: int, samples: int) -> Tensor:
        """Single blows that ring: a few in each clip, over faint noise."""
        rare = (
            self.uniform(0, 1, clips, samples) < self.uniform(0.5, 4, clips, 1) / RATE_HZ
        ).float()
        at = torch.arange(4096, device=self._device)[None] / RATE_HZ
        ring = torch.zeros(clips, 4096, device=self._device)
        for _ in range(4):
            tone = torch.sin(2 * math.pi * 2 ** self.uniform(-1.5, 2.5, clips, 1) * 1000 * at)
            ring = ring + tone * torch.exp(-at / self.uniform(0.003, 0.12, clips, 1))
        ring = ring + self._normal(clips, 4096) * torch.exp(
            -at / self.uniform(0.001, 0.02, clips, 1)
        )
        size = next_fast_len(samples + 4096, real=True)
        blows = torch.fft.irfft(
            torch.fft.rfft(rare * self.uniform(0.2, 1, clips, samples), size)
            * torch.fft.rfft(ring, size),
            size,
        )
        return unit(blows[:, :samples]) + self.uniform(0.05, 0.6, clips, 1) * unit(
            self._coloured(clips, samples)
        )

    def _shop(self, clips: int, samples: int) -> Tensor:
        """Cut a piece of the simulated shop."""
        return self._cut(self._bank, clips, samples)

    def _cut(self, source: Tensor, clips: int, samples: int) -> Tensor:
        start = torch.randint(
            len(source) - samples, (clips, 1), device=self._device, generator=self._chance
        )
        return source[start + torch.arange(samples, device=self._device)].float()

    def _filtered(self, sound: Tensor, low_hz: float, high_hz: float) -> Tensor:
        spectrum = torch.fft.rfft(sound)
        hertz = torch.linspace(0, RATE_HZ / 2, spectrum.shape[1], device=self._device)
        gain = 1 / (1 + (low_hz / hertz.clamp_min(1)) ** 4) / (1 + (hertz / high_hz) ** 6)
        return torch.fft.irfft(spectrum * gain, sound.shape[1])

    def _slow(self, clips: int, samples: int) -> Tensor:
        """Slow random change, about unit size."""
        points = self._normal(clips, 1, 12)
        return torch.nn.functional.interpolate(points, samples, mode="linear", align_corners=True)[
            :, 0
        ]

    def _swell(self, clips: int, samples: int) -> Tensor:
        """Steady for half of the clips; for the others the level comes and goes."""
        depth_db = self.uniform(0, 5, clips, 1) * (self.uniform(0, 1, clips, 1) < 0.5)
        return 10 ** (depth_db * self._slow(clips, samples) / 20)


def unit(sound: Tensor) -> Tensor:
    """Return sounds of unit power."""
    return sound / sound.square().mean(1, keepdim=True).sqrt().clamp_min(1e-6)
