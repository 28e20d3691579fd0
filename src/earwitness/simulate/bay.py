"""Render takes in a simulated engine bay, at any listening point, with or without a leak.

A `Bay` is one visit to one shop: its fan, its engine's passages, its radio. A take is drawn from
the bay's seed, the listening point and the take's own number, so that takes have independent noise
and each can be rendered anew alone. Levels of a hiss are relative to the quiet floor of the bay
(fan and microphone, without anything that comes and goes), both between 1 and 16 kHz.

Examples
--------
>>> bay = Bay(7, preset="busy")
>>> air_on_s = [(4.0, 8.0), (12.0, 16.0)]
>>> bay.render_cycled("tailpipe", -3.0, air_on_s, 20.0, take=1).shape
(960000,)
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

from earwitness.simulate.far import FAR_DRIFT, FarMicrophone
from earwitness.simulate.leak import jet_density, peak_frequency_hz, valve_envelope
from earwitness.simulate.passage import passage_of, power_gain, scattered, unknown_colour
from earwitness.simulate.shop_events import REVERBERATION_S, add_at, air_blast, shop_library
from earwitness.simulate.shop_noise import (
    band_power,
    draw_compressor,
    draw_floor,
    drifting_noises,
    frequency_grid,
    hum,
    octaves_re_1_khz,
    running_envelope,
    shaped_noise,
)
from earwitness.simulate.shop_textures import strung, textures
from earwitness.simulate.shops import (
    AIR_TOOL,
    EVENTS,
    PRESETS,
    SECOND_HISS_DB,
    SWITCH_IN_TAKE,
    TEXTURE_DB,
    Preset,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.units import Floats

LOWEST_FS = 8_000
"""Lowest sample rate that holds enough of the noises to tell them apart [Hz]. Chosen."""
QUIET_FLOOR_DBFS = -78.0
"""Power of the quiet floor between 1 and 16 kHz relative to full scale [dB].

Chosen: about 4 steps of a 16-bit sample, so that its rounding (0.3 steps) does not matter.
"""
GAP_MM = (0.1, 3.0)
"""Narrowest and widest gap of a leak, drawn evenly over its logarithm [mm]. Guess, record 0020."""
CROSS_TALK_DB = -12.0
"""Level of a hiss at a listening point that the leak does not lead to [dB]. Guess, record 0020."""
CROSS_TALK_SCATTER_DB = 1.5
"""Standard deviation of that level from point to point [dB]. Guess, decision record 0020."""
WALL_CORNER_HZ = 1500.0
"""Frequency above which walls dull what comes through them [Hz]. Guess, decision record 0020."""


class Bay:
    """One visit to one simulated engine bay.

    Parameters
    ----------
    seed : int
        Decides the shop, the engine's passages and, with a take's number, its noise.
    fs : int
        Sample rate [Hz].
    preset : str or Preset
        A name in `PRESETS`, or a shop of one's own.
    floor_dbfs : float
        Power of the quiet floor between 1 and 16 kHz relative to full scale [dB].

    Raises
    ------
    ValueError
        If there is no such preset, or the sample rate is below `LOWEST_FS`.
    """

    def __init__(
        self,
        seed: int,
        fs: int = 48_000,
        preset: str | Preset = "busy-drifting",
        floor_dbfs: float = QUIET_FLOOR_DBFS,
    ) -> None:
        if fs < LOWEST_FS:
            raise ValueError(f"fs={fs} must be at least {LOWEST_FS}")
        self.seed, self.fs, self.shop = seed, fs, _preset(preset)
        rng = np.random.default_rng([seed, 0])
        self.floor = draw_floor(rng, fs, floor_dbfs, hum_db=self.shop.hum_db)
        self.compressor = draw_compressor(rng, fs, self.floor)
        self.radio_on = bool(rng.uniform() < self.shop.radio)
        self.reverberation_s = rng.uniform(*REVERBERATION_S)
        self.quiet_power = band_power(self.floor.density, fs)
        self._hiss: dict[tuple[str, bool], Floats] = {}

    def render_cycled(
        self,
        point: str,
        snr_db: float | None,
        air_on_s: Sequence[tuple[float, float]],
        seconds: float,
        *,
        take: int,
        cross_talk_db: float | None = None,
    ) -> Floats:
        """Render a take during which the air valve is opened and closed.

        Parameters
        ----------
        point : str
            Listening point.
        snr_db : float or None
            Level of the hiss there with the valve open, re the quiet floor; None for no leak [dB].
        air_on_s : sequence of (float, float)
            When the valve is open, in order and disjoint [s].
        seconds : float
            Length [s].
        take : int
            Number of the take; another number gives independent noise.
        cross_talk_db : float or None
            Level of hiss that leaks out elsewhere and is heard here through walls, re the quiet
            floor; None for none [dB].

        Returns
        -------
        ndarray, shape (frames,)
            Samples relative to full scale, not clipped [1].
        """
        rng = np.random.default_rng([self.seed, 1, crc32(point.encode()), take])
        frames = round(seconds * self.fs)
        samples = self._noise(rng, frames, None)
        levels = ((snr_db, False), (cross_talk_db, True))
        heard = [
            self.hiss_density(point, muffled=muffled) * 10 ** (level / 10)
            for level, muffled in levels
            if level is not None
        ]
        if heard and air_on_s:
            hiss = shaped_noise(rng, frames, self.fs, np.sum(heard, axis=0))
            samples += hiss * valve_envelope(frames, self.fs, air_on_s)
        return samples

    def render_ambient(self, point: str, seconds: float, *, take: int) -> Floats:
        """Render what a second microphone, away from the engine, hears during a take.

        It hears the same machines, tools and voices at the same times, through another part of the
        room: their noise is independent of the probe's, their levels and spectra differ by a few
        decibels. It does not hear the leak.

        Parameters
        ----------
        point : str
            Where the probe is.
        seconds : float
            Length [s].
        take : int
            Number of the take, as for `render_cycled`.

        Returns
        -------
        ndarray, shape (frames,)
            Samples relative to full scale, not clipped [1].
        """
        near, there = (
            np.random.default_rng([self.seed, stream, crc32(point.encode()), take])
            for stream in (1, 4)
        )
        far = FarMicrophone(there, np.zeros(round(seconds * self.fs)), self.fs)
        self._noise(near, len(far.samples), far)
        return far.samples

    def render_steady(
        self,
        point: str,
        snr_db: float | None,
        seconds: float,
        *,
        take: int,
        cross_talk_db: float | None = None,
    ) -> Floats:
        """Render one side of a pair: air off (both levels None), or on since before the take.

        Parameters and the result are those of `render_cycled`.
        """
        on = [(-60.0, seconds)]
        return self.render_cycled(
            point, snr_db, on, seconds, take=take, cross_talk_db=cross_talk_db
        )

    def hiss_density(self, point: str, *, muffled: bool = False) -> Floats:
        """Density of a leak's hiss as this point hears it, with the power of the quiet floor.

        Parameters
        ----------
        point : str
            Listening point.
        muffled : bool
            True for hiss that leaks out elsewhere and comes here through walls, which dull it by
            6 dB an octave above a corner (mass law).

        Returns
        -------
        ndarray, shape (GRID_POINTS,)
            One-sided density on the frequency grid [1/Hz].
        """
        if (point, muffled) not in self._hiss:
            rng = np.random.default_rng([self.seed, 2, crc32(point.encode())])
            grid = frequency_grid(self.fs)
            gap_mm = float(np.exp(rng.uniform(*np.log(GAP_MM))))
            density = jet_density(grid, peak_frequency_hz(gap_mm))
            density *= power_gain(scattered(passage_of(point), rng), grid)
            density *= unknown_colour(grid, rng)
            if muffled:
                density /= 1 + (grid / WALL_CORNER_HZ) ** 2
            density *= self.quiet_power / band_power(density, self.fs)
            self._hiss[point, muffled] = density
        return self._hiss[point, muffled]

    def cross_talk_db(self, leak_point: str, point: str) -> float:
        """Level of a leak at a point it does not lead to, re its level where it comes out [dB].

        Parameters
        ----------
        leak_point, point : str
            Where the air comes out, and where the probe is.
        """
        rng = np.random.default_rng([self.seed, 3, crc32(f"{leak_point}>{point}".encode())])
        return float(CROSS_TALK_DB + rng.normal(0, CROSS_TALK_SCATTER_DB))

    def _noise(self, rng: np.random.Generator, frames: int, far: FarMicrophone | None) -> Floats:
        """Render all that is not a leak; a far microphone gets its share, in place."""
        samples = self._steady_noise(rng, frames, far)
        self._add_events(rng, samples, far)
        floor = band_power(self.floor.density, self.fs, (100.0, 20_000.0))
        for _ in range(self.shop.textures):
            every = textures(self.fs)
            texture = every[int(rng.integers(len(every)))]
            level = np.sqrt(floor) * 10 ** (rng.uniform(*TEXTURE_DB) / 20)
            sound = level * strung(rng, texture, frames, self.fs)
            samples += sound
            if far is not None:
                far.hear(sound)
        return samples

    def _steady_noise(
        self, rng: np.random.Generator, frames: int, far: FarMicrophone | None
    ) -> Floats:
        fs, shop = self.fs, self.shop
        samples = self._fan(rng, frames, far)
        samples += shaped_noise(rng, frames, fs, self.floor.microphone)
        samples += hum(rng, frames, fs, self.floor.hum)
        if far is not None:
            far.hear(shaped_noise(far.rng, frames, fs, self.floor.microphone))
            far.hear(hum(far.rng, frames, fs, self.floor.hum))
        running = _running(rng, frames, fs, share=shop.compressor, rise_s=0.4)
        if running is not None:
            samples += shaped_noise(rng, frames, fs, self.compressor) * running
            if far is not None:
                far.add_noise(self.compressor, running, sd_db=2.0)
        hissing = _running(rng, frames, fs, share=shop.second_hiss, rise_s=0.15)
        if hissing is not None:
            other = self.hiss_density("control") * 10 ** (rng.uniform(*SECOND_HISS_DB) / 10)
            samples += shaped_noise(rng, frames, fs, other) * hissing
            if far is not None:
                far.add_noise(other, hissing, sd_db=2.0)
        return samples

    def _fan(self, rng: np.random.Generator, frames: int, far: FarMicrophone | None) -> Floats:
        """Fan noise with the drift of this take and a slow wander of gain and tilt in it."""
        fs, shop = self.fs, self.shop
        elsewhere = self.floor.fan if far is None else far.coloured(self.floor.fan, sd_db=1.0)
        if not shop.drifts:
            if far is not None:
                far.hear(shaped_noise(far.rng, frames, fs, elsewhere))
            return shaped_noise(rng, frames, fs, self.floor.fan)
        octaves = octaves_re_1_khz(fs)
        offset_db = rng.normal(0, shop.gain_drift_db) + rng.normal(0, shop.tilt_drift_db) * octaves
        ripple = np.sin(2 * np.pi * (octaves / rng.uniform(0.7, 3) + rng.uniform()))
        offset_db += ripple * rng.normal(0, shop.ripple_drift_db)
        density = self.floor.fan * 10 ** (offset_db / 10)
        rngs, densities = [rng], [density]
        if far is not None:
            rngs.append(far.rng)
            densities.append(elsewhere * 10 ** (FAR_DRIFT * offset_db / 10))
        noises = drifting_noises(rngs, frames, fs, densities, sway=shop.sway)
        if far is not None:
            far.hear(noises[1])
        return noises[0]

    def _add_events(
        self, rng: np.random.Generator, samples: Floats, far: FarMicrophone | None
    ) -> None:
        """Add what is hit, dropped, blown and said during a take, in place."""
        unit = float(np.sqrt(self.quiet_power))
        takes_20_s = len(samples) / self.fs / 20 * self.shop.transients
        library = shop_library(self.fs)
        for kind, (number, lowest_db, highest_db) in EVENTS.items():
            for _ in range(rng.poisson(number * takes_20_s)):
                level = unit * 10 ** (rng.uniform(lowest_db, highest_db) / 20)
                choice = library.pick(rng, kind)
                at = int(rng.integers(len(samples)))
                add_at(samples, library.sounds[kind][choice] * level, at)
                if far is not None:
                    far.hear(far.library.sounds[kind][choice] * level, at)
        for _ in range(rng.poisson(AIR_TOOL[0] * takes_20_s)):
            density, amplitude = self._air_tool(rng)
            blast = shaped_noise(rng, len(amplitude), self.fs, density) * amplitude
            level = 10 ** (rng.uniform(*AIR_TOOL[1:]) / 20)
            at = int(rng.integers(len(samples)))
            add_at(samples, blast * level, at)
            if far is not None:
                far.add_noise(density, amplitude * level, sd_db=2.0, at=at)
        if self.radio_on:
            self._add_radio(rng, samples, far)

    def _air_tool(self, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Draw an air tool that blows for 0.4-2.5 s with the power of the quiet floor: its density
        and its amplitude over time.
        """  # noqa: D205
        amplitude = air_blast(rng.uniform(0.4, 2.5), self.reverberation_s, self.fs)
        density = jet_density(frequency_grid(self.fs), 9000 * 2 ** rng.normal(0, 0.5))
        return density * self.quiet_power / band_power(density, self.fs), amplitude

    def _add_radio(
        self, rng: np.random.Generator, samples: Floats, far: FarMicrophone | None
    ) -> None:
        """Add a radio that talks six tenths of the time, in place."""
        floor = band_power(self.floor.density, self.fs, (100.0, 20_000.0))
        level = np.sqrt(floor) * 10 ** (rng.uniform(*self.shop.radio_db) / 20)
        library, at = shop_library(self.fs), 0
        while at < len(samples):
            if rng.uniform() < 0.6:
                choice = library.pick(rng, "radio")
                phrase = library.sounds["radio"][choice]
                add_at(samples, phrase * level, at)
                if far is not None:
                    far.hear(far.library.sounds["radio"][choice] * level, at)
                at += len(phrase)
            else:
                at += 3 * self.fs


def air_schedule(
    rng: np.random.Generator, cycles: int, seconds: float
) -> list[tuple[float, float]]:
    """Draw when the air is on in a cycled take: off, on, off, ... on, off, each +-25 % jittered.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    cycles : int
        How often the valve is opened.
    seconds : float
        Length of the take [s].

    Returns
    -------
    list of (float, float), length cycles
        Begin and end of each opening, rounded to 10 ms [s].

    Raises
    ------
    ValueError
        If there is no cycle.
    """
    if cycles < 1:
        raise ValueError(f"cycles={cycles} must be at least 1")
    lengths = rng.uniform(0.75, 1.25, 2 * cycles + 1)
    ends = np.round(np.cumsum(lengths) / np.sum(lengths) * seconds, 2)
    return [(float(ends[2 * i]), float(ends[2 * i + 1])) for i in range(cycles)]


def _running(
    rng: np.random.Generator, frames: int, fs: float, *, share: float, rise_s: float
) -> Floats | None:
    switch = SWITCH_IN_TAKE if share > 0 else 0.0
    return running_envelope(rng, frames, fs, share=share, switch=switch, rise_s=rise_s)


def _preset(preset: str | Preset) -> Preset:
    if isinstance(preset, Preset):
        return preset
    if preset not in PRESETS:
        raise ValueError(f"preset={preset!r} is none of {', '.join(PRESETS)}")
    return PRESETS[preset]
