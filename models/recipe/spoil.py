"""What happens to a voice before it is recognised: room, channel, noise, level. On the fly."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import torch

if TYPE_CHECKING:
    from noises import Noises
from scipy.fft import next_fast_len
from torch import Tensor

RATE_HZ = 16_000
CLEAN = 0.08
"""Share of clips without added noise [1]."""
SNR_DB = (-5.0, 26.0)
"""Lowest and highest ratio of voice to noise, while the voice speaks [dB]."""
HUMMING = 0.3
"""Share of clips with mains hum [1]."""
HUM_DB = (-12.0, 24.0)
"""Level of the hum relative to the other noise [dB]."""
FURTHEST_DB = 12.0
"""The hum stays at most so far above the voice [dB]."""
ECHOING, FILTERED, NARROW, OVERDRIVEN = 0.6, 0.7, 0.12, 0.12
"""Shares of clips that get a room, a channel, a telephone's band, and clipping [1]."""
LEVEL_DB = (-28.0, -5.0)
"""Softest and loudest power of a clip's loudest 0.3 s, re full scale [dB]."""
DITHER = (1e-5, 2e-3)
"""Least and most noise that is always added, root mean square of full scale [1]."""
CLEARER_DB = 15.0
"""How much less noise teachers hear [dB]. By judgement: so much less that they are mostly right at
the worst ratio; not varied."""
CLEAR_LEVEL_DB, CLEAR_DITHER = -15.0, 1e-4
"""The same two for what teachers hear: in the middle of the one, near the least of the other."""
MASKED, SWAYING = 0.6, 0.5
"""Shares of clips of whose cepstra parts are hidden, and whose pace sways [1]."""
MOST_BANDS, MOST_FRAMES = 7, 8
"""Most that one mask hides: bands of 40 in two of them, frames of 10 ms in one of every 0.75 s."""
MASK_NEPER = 2.5
"""Most by which what stands in the hidden place differs from the mean, in natural log of power."""
SWAY = 0.3
"""Most by which the pace differs from the mean pace at any moment [1]."""
SWAY_FRAMES = (30.0, 120.0)
"""Shortest and longest period of the pace [10 ms]."""


class Spoiler:
    """Spoils batches of voices.

    Parameters
    ----------
    responses : Tensor, shape (rooms, taps)
        Impulse responses, the direct sound first.
    noises : Noises
        Source of noise.
    """

    def __init__(self, responses: Tensor, noises: Noises) -> None:
        self._responses, self._noises = responses, noises
        self._uniform = noises.uniform

    def spoiled(self, voice: Tensor, present: Tensor) -> tuple[Tensor, Tensor]:
        """Return what a microphone might have got, and the same with less noise and no room.

        Parameters
        ----------
        voice : Tensor, shape (clips, samples)
            Clean voices; all zeros for noise alone.
        present : Tensor, shape (clips, samples)
            Where someone speaks.
        """
        clips, samples = voice.shape
        dry, voice = _of_unit_power(voice, present), _of_unit_power(self._through(voice), present)
        noise, hum = self._noises.draw(clips, samples)
        snr_db = self._uniform(*SNR_DB, clips, 1) + 60 * self._among(CLEAN, clips)
        hum_db = torch.minimum(
            self._uniform(*HUM_DB, clips, 1) - snr_db, torch.tensor(FURTHEST_DB)
        ) - 200 * (1 - self._among(HUMMING, clips).float())
        noise = noise * 10 ** (-snr_db / 20) + hum * 10 ** (hum_db / 20)
        clear = _levelled(dry + noise * 10 ** (-CLEARER_DB / 20)) * 10 ** (CLEAR_LEVEL_DB / 20)
        clear = clear + CLEAR_DITHER * torch.randn_like(clear)
        return self._recorded(voice + noise), clear

    def swaying(self, clips: int, frames: int) -> Tensor:
        """Return which frames stand in place of each, shape (clips, frames): the pace sways.

        No sound is smoothed: at a quicker pace frames are left out, at a slower one they stand
        twice.
        """
        at = torch.arange(frames, device=self._responses.device)[None]
        period = self._uniform(*SWAY_FRAMES, clips, 1)
        most = self._uniform(0, SWAY, clips, 1) * period / (2 * math.pi)
        away = most * torch.sin(2 * math.pi * (at / period + self._uniform(0, 1, clips, 1)))
        there = at + away * self._among(SWAYING, clips)
        return there.round().long().clamp(0, frames - 1)

    def hidden(self, energies: Tensor) -> Tensor:
        """Hide bands and moments of some clips.

        After D. Park and others, SpecAugment, Interspeech 2019.

        Parameters
        ----------
        energies : Tensor, shape (clips, frames, bands)
            Logarithms of power.
        """
        clips, frames, bands = energies.shape
        chosen = self._among(MASKED, clips)
        mean = energies.mean(1, keepdim=True)
        for _ in range(2):
            mask = self._stretch(bands, MOST_BANDS, clips) & chosen
            energies = torch.where(mask[:, None], mean, energies)
        for _ in range(frames // 75):
            mask = self._stretch(frames, MOST_FRAMES, clips) & chosen
            other = mean + self._uniform(-MASK_NEPER, MASK_NEPER, clips, 1)[:, None]
            energies = torch.where(mask[:, :, None], other, energies)
        return energies

    def _stretch(self, size: int, most: int, clips: int) -> Tensor:
        """Return where a stretch of random length and place is, shape (clips, size)."""
        width = self._uniform(0, most + 1, clips, 1).floor()
        start = self._uniform(0, 1, clips, 1) * (size - width)
        at = torch.arange(size, device=width.device)[None]
        return (at >= start) & (at < start + width)

    def _among(self, share: float, clips: int) -> Tensor:
        return self._uniform(0, 1, clips, 1) < share

    def _through(self, voice: Tensor) -> Tensor:
        """Send the voice through a room and a channel, in one filter."""
        clips, samples = voice.shape
        size = next_fast_len(samples + self._responses.shape[1], real=True)
        rooms = torch.rand(clips, device=voice.device).mul(len(self._responses)).long()
        direct = torch.zeros_like(self._responses[:1])
        direct[:, 0] = 1
        room = torch.where(self._among(ECHOING, clips), self._responses[rooms], direct)
        gain = torch.fft.rfft(room, size) * self._channel(clips, size // 2 + 1)
        return torch.fft.irfft(torch.fft.rfft(voice, size) * gain, size)[:, :samples]

    def _channel(self, clips: int, bins: int) -> Tensor:
        """Gain of a microphone and a manner of speaking: tilt, ripple, band."""
        hertz = torch.linspace(0, RATE_HZ / 2, bins, device=self._responses.device)[None].clamp_min(
            20
        )
        octaves = (hertz / 1000).log2()
        filtered = self._among(FILTERED, clips).float()
        tilt_db = self._uniform(-5, 5, clips, 1) * octaves.clamp(-3, 3)
        ripple_db = sum(
            (
                self._uniform(0, 3.5, clips, 1)
                * torch.sin(2 * math.pi * (octaves * k / 5 + self._uniform(0, 1, clips, 1)))
                for k in (1, 2, 3)
            ),
            torch.zeros_like(octaves),
        )
        gain = 10 ** (filtered * (tilt_db + ripple_db) / 20)
        low, high = self._uniform(30, 250, clips, 1), self._uniform(5000, 9000, clips, 1)
        narrow = self._among(NARROW, clips)
        low, high = torch.where(narrow, low.clamp_min(150), low), torch.where(narrow, 3400.0, high)
        return (
            gain
            / (1 + (low / hertz) ** 4).sqrt()
            / (1 + (hertz / high) ** torch.where(narrow, 24.0, 6.0)).sqrt()
        )

    def _recorded(self, heard: Tensor) -> Tensor:
        """Set the level, overdrive some, add dither."""
        clips = len(heard)
        heard = _levelled(heard)
        limit = torch.where(
            self._among(OVERDRIVEN, clips), self._uniform(0.8, 2.2, clips, 1), 100.0
        )
        heard = heard.clamp(-limit, limit) * 10 ** (self._uniform(*LEVEL_DB, clips, 1) / 20)
        dither = 10 ** self._uniform(math.log10(DITHER[0]), math.log10(DITHER[1]), clips, 1)
        return (heard + dither * torch.randn_like(heard)).clamp(-1, 1)


def _of_unit_power(voice: Tensor, present: Tensor) -> Tensor:
    """Return voices of unit power while they speak."""
    spoken = present.sum(1, keepdim=True).clamp_min(1)
    power = (voice.square() * present).sum(1, keepdim=True) / spoken
    return voice / torch.where(power > 1e-9, power, 1.0).sqrt()


def _levelled(heard: Tensor) -> Tensor:
    """Return sounds whose loudest 0.3 s have unit power."""
    loudest = torch.nn.functional.avg_pool1d(heard.square()[:, None], 4800, 1600).amax(2).sqrt()
    return heard / loudest.clamp_min(1e-6)
