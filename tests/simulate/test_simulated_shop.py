"""The steady and the passing noises of the shop, and the passages of the engine."""

import numpy as np
import pytest
from scipy import signal

from earwitness.simulate import shop_events, shop_noise
from earwitness.simulate.passage import (
    PASSAGES,
    Passage,
    passage_of,
    power_gain,
    resonances_hz,
    scattered,
)

FS = 48_000


def test_white_noise_gains_one_decibel_a_third_octave():
    """+1.000 dB per base-10 third-octave: IEC 61260-1:2014 band widths."""
    noise = shop_noise.shaped_noise(
        np.random.default_rng(1), 20 * FS, FS, np.ones(shop_noise.GRID_POINTS)
    )
    power = np.abs(np.fft.rfft(noise)) ** 2
    f = np.fft.rfftfreq(len(noise), 1 / FS)
    centres = 10 ** (np.arange(0, 13) / 10 + 3)
    levels = [
        10 * np.log10(power[(f >= c * 10**-0.05) & (f < c * 10**0.05)].sum()) for c in centres
    ]
    assert np.polyfit(np.arange(13), levels, 1)[0] == pytest.approx(1.0, abs=0.02)


def test_noise_has_the_power_of_its_density():
    """A flat one-sided density of 1/Hz holds fs / 2 (Parseval)."""
    noise = shop_noise.shaped_noise(
        np.random.default_rng(2), 4 * FS, FS, np.ones(shop_noise.GRID_POINTS)
    )
    assert np.mean(noise**2) == pytest.approx(FS / 2, rel=0.02)


def test_floor_has_the_level_that_was_asked_for():
    floor = shop_noise.draw_floor(np.random.default_rng(3), FS, -72.0, hum_db=(5.0, 22.0))
    assert 10 * np.log10(shop_noise.band_power(floor.density, FS)) == pytest.approx(-72.0, abs=1e-9)


def test_hum_stands_on_harmonics_of_the_mains_only():
    floor = shop_noise.draw_floor(np.random.default_rng(4), 8000, -60.0, hum_db=(5.0, 22.0))
    spectrum = np.abs(np.fft.rfft(shop_noise.hum(np.random.default_rng(5), 8000, 8000, floor.hum)))
    assert set(np.flatnonzero(spectrum > 1e-6 * spectrum.max())) == {
        60 * n for n in shop_noise.HUM_HARMONICS
    }


def test_wander_has_its_spread_and_forgets_in_its_time():
    """Autocorrelation of an Ornstein-Uhlenbeck process falls to 1/e in one time constant."""
    change = shop_noise.wandering(
        np.random.default_rng(6), 200_000, 20.0, time_constant_s=5.0, sd=0.25
    )
    assert np.std(change) == pytest.approx(0.25, rel=0.05)
    correlation = np.mean(change[:-100] * change[100:]) / np.var(change)
    assert correlation == pytest.approx(np.exp(-1), abs=0.05)


def test_tilt_wander_moves_high_bands_against_low_ones():
    """A tilt of q dB/octave changes 8 kHz against 500 Hz by 4 q: sd 0.1 gives 0.4 dB."""
    fs, sway = 24_000, shop_noise.Sway(gain_db=0.0, tilt_db=1.0, tilt_s=1e6)
    changes = []
    for seed in range(30):
        rng, flat = np.random.default_rng(seed), np.ones(shop_noise.GRID_POINTS)
        (noise,) = shop_noise.drifting_noises([rng], fs, fs, [flat], sway=sway)
        power = np.abs(np.fft.rfft(noise)) ** 2
        changes.append(10 * np.log10(power[7600:8400].mean() / power[475:525].mean()))
    assert 2.5 < np.std(changes) < 5.5


def test_machine_that_neither_runs_nor_starts_is_silent():
    rng = np.random.default_rng(7)
    assert shop_noise.running_envelope(rng, 100, 10.0, share=0.0, switch=0.0, rise_s=1.0) is None
    started = shop_noise.running_envelope(rng, 1000, 10.0, share=0.0, switch=1.0, rise_s=0.4)
    assert started[0] == 0
    assert started.max() > 0.99


@pytest.mark.parametrize("reverberation_s", [0.5, 0.9])
def test_room_dies_away_in_its_reverberation_time(reverberation_s):
    """Slope of the backward-integrated response (Schroeder 1965, ISO 3382; from memory)."""
    response = shop_events.room_response(np.random.default_rng(8), 16_000, reverberation_s)
    low = signal.sosfilt(signal.butter(4, 1500, "lowpass", fs=16_000, output="sos"), response)
    decay_db = 10 * np.log10(np.cumsum(low[::-1] ** 2)[::-1] / np.sum(low**2))
    begin, end = np.argmax(decay_db < -5), np.argmax(decay_db < -25)
    assert 3 * (end - begin) / 16_000 == pytest.approx(reverberation_s, rel=0.15)


def test_impact_wrench_strikes_18_to_30_times_a_second():
    """The rate this simulator claims, found again in the envelope of five bursts."""
    for seed in range(5):
        burst = shop_events.impact_burst(np.random.default_rng(seed), 16_000)[:9600]
        envelope = np.abs(burst).reshape(-1, 32).mean(axis=1)
        spectrum = np.abs(np.fft.rfft((envelope - envelope.mean()) * np.hanning(300), 4096))
        f = np.fft.rfftfreq(4096, 32 / 16_000)
        inside = (f > 12) & (f < 36)
        assert 17 < f[inside][np.argmax(spectrum[inside])] < 31


def test_radio_is_voiced_and_band_limited():
    phrase = shop_events.radio_phrase(np.random.default_rng(9), 16_000)
    power = np.abs(np.fft.rfft(phrase)) ** 2
    f = np.fft.rfftfreq(len(phrase), 1 / 16_000)
    assert power[(f > 200) & (f < 4000)].sum() > 20 * power[(f > 5500) | (f < 100)].sum()
    assert 1.0 < len(phrase) / 16_000 < 6.0


@pytest.mark.slow
def test_library_is_made_from_its_seed():
    make = shop_events.shop_library.__wrapped__
    first, same, again = make(8000, 1), make(8000, 1), make(8000, 2)
    for kind, sounds in first.sounds.items():
        assert all(np.array_equal(a, b) for a, b in zip(sounds, same.sounds[kind], strict=True))
        assert not np.array_equal(sounds[0][:100], again.sounds[kind][0][:100])


@pytest.mark.parametrize("at", [-5, 0, 7, 12])
def test_adding_at_an_edge_cuts_off_what_does_not_fit(at):
    total, part = np.zeros(10), np.arange(1.0, 5.0)
    shop_events.add_at(total, part, at)
    expected = np.zeros(30)
    expected[10 + at : 14 + at] = part
    assert total.tolist() == expected[10:20].tolist()


def test_plug_well_rings_at_odd_quarter_waves():
    """f = (2n - 1) c / 4L: a 78 mm well at 343.3 m/s rings at 1100, 3301 and 5502 Hz."""
    rings = resonances_hz(PASSAGES["plug-hole"])
    assert rings == pytest.approx([1100.3, 3301.0, 5501.6], rel=1e-3)


def test_open_pipe_rings_at_half_waves():
    """f = n c / 2L: 343.3 / 0.76 = 451.7 Hz and its multiples."""
    rings = resonances_hz(PASSAGES["tailpipe"])
    assert rings == pytest.approx([451.7 * n for n in range(1, 6)], rel=1e-3)


def test_low_pass_is_half_at_its_corner_and_falls_by_its_order():
    """1 / (1 + (f/fc)^2n): -3.01 dB at the corner, -6.02 n dB an octave far above it."""
    gain_db = 10 * np.log10(
        power_gain(Passage(corner_hz=100.0, order=1.5), np.array([100.0, 1e4, 2e4]))
    )
    assert gain_db[0] == pytest.approx(-3.01, abs=0.01)
    assert gain_db[1] - gain_db[2] == pytest.approx(9.03, abs=0.01)


@pytest.mark.parametrize(
    ("point", "kind"),
    [("tailpipe-left", "tailpipe"), ("plug-hole-12", "plug-hole"), ("control", "control")],
)
def test_numbered_and_sided_points_share_a_passage(point, kind):
    assert passage_of(point) is PASSAGES[kind]


def test_unknown_point_is_refused():
    with pytest.raises(ValueError, match="glove-box"):
        passage_of("glove-box")


def test_engines_scatter_about_the_nominal_corner():
    rng = np.random.default_rng(10)
    octaves = [np.log2(scattered(PASSAGES["oil-filler"], rng).corner_hz / 2500) for _ in range(400)]
    assert np.mean(octaves) == pytest.approx(0, abs=0.06)
    assert np.std(octaves) == pytest.approx(0.35, abs=0.04)
