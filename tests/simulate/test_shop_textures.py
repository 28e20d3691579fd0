"""Sounds that go on through a take: levels, loops, and that they differ from one another."""

from itertools import pairwise

import numpy as np
import pytest

from earwitness.simulate import shop_textures
from earwitness.simulate.bay import Bay
from earwitness.simulate.shop_noise import band_power
from earwitness.simulate.shops import Preset

pytestmark = pytest.mark.slow

FS = 16_000


@pytest.fixture(scope="module")
def every():
    return shop_textures.textures(FS)


def test_textures_have_unit_power(every):
    assert [np.mean(x**2) for x in every] == pytest.approx([1.0] * len(every))
    assert len(every) == 14


def test_textures_are_made_from_their_seed(every):
    again = shop_textures.textures.__wrapped__(FS)
    assert all(np.array_equal(a, b) for a, b in zip(every, again, strict=True))


def test_no_two_textures_have_the_same_spectrum(every):
    """Third-octave spectra of no pair agree within 0.5 dB."""
    edges = 125 * 2 ** (np.arange(19) / 3)
    f = np.fft.rfftfreq(len(every[0]), 1 / FS)
    spectra = []
    for x in every:
        power = np.abs(np.fft.rfft(x)) ** 2
        spectra.append([10 * np.log10(power[(f >= a) & (f < b)].sum()) for a, b in pairwise(edges)])
    s = np.array(spectra)
    apart = np.abs(s[:, None] - s[None]).max(axis=2)
    assert apart[~np.eye(len(s), dtype=bool)].min() > 0.5


def test_pieces_fade_into_each_other_at_constant_power():
    """Of noise of unit power: power 1 throughout, within 3 standard deviations of 0.1 s."""
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(round(shop_textures.TEXTURE_S * FS))
    sound = shop_textures.strung(rng, noise, 20 * FS, FS)
    power = np.mean(sound.reshape(-1, FS // 10) ** 2, axis=1)
    assert np.abs(power - 1).max() < 5 * np.sqrt(2 / (FS / 10))


def test_a_texture_does_not_repeat_itself_in_time():
    """A slow swell of the texture keeps no period: no peak of its autocorrelation from 3 s on."""
    rng = np.random.default_rng(4)
    swell = np.repeat(rng.uniform(0, 1, 70), FS // 100)[: 7 * FS // 10]
    swell = np.interp(np.arange(7 * FS), np.arange(len(swell)) * 10, swell)
    sound = shop_textures.strung(rng, swell, 120 * FS, FS)[:: FS // 20]
    sound = sound - sound.mean()
    r = np.correlate(sound, sound, "full")[len(sound) :] / (sound @ sound)
    assert np.abs(r[60:1200]).max() < 0.35


@pytest.mark.parametrize("seed", range(3))
def test_two_textures_are_added_to_a_shop_at_their_level(seed):
    """Each has -6 to +6 dB of the floor's power above 100 Hz: together 0.5 to 8 times that."""
    bay = Bay(seed, FS, Preset(textures=2))
    plain = Bay(seed, FS, Preset()).render_steady("tailpipe", None, 4.0, take=0)
    added = bay.render_steady("tailpipe", None, 4.0, take=0) - plain
    floor = band_power(bay.floor.density, FS, (100.0, 20_000.0))
    assert 0.4 < np.mean(added**2) / floor < 10
