"""Takes rendered in a simulated bay: levels, independence, schedules, presets."""

import numpy as np
import pytest

from earwitness.simulate.bay import CROSS_TALK_DB, Bay, air_schedule
from earwitness.simulate.shops import PRESETS, SCENES, Preset

FS = 48_000
POINTS = ("oil-filler", "tailpipe", "throttle-body", "radiator", "plug-hole-2")


def band_power_db(samples, fs=FS):
    """Power between 1 and 16 kHz from a plain FFT of the samples [dB re full scale]."""
    power = 2 * np.abs(np.fft.rfft(samples)) ** 2 / len(samples) ** 2
    f = np.fft.rfftfreq(len(samples), 1 / fs)
    return 10 * np.log10(power[(f >= 1000) & (f <= 16_000)].sum())


@pytest.mark.slow
def test_same_seed_gives_the_same_samples():
    on = [(1.0, 2.0)]
    first = Bay(1).render_cycled("tailpipe", 0.0, on, 3.0, take=4)
    assert np.array_equal(first, Bay(1).render_cycled("tailpipe", 0.0, on, 3.0, take=4))


def test_a_take_does_not_depend_on_what_was_rendered_before():
    bay = Bay(1)
    bay.render_steady("radiator", 3.0, 1.0, take=1)
    again = bay.render_steady("tailpipe", 3.0, 1.0, take=2)
    assert np.array_equal(again, Bay(1).render_steady("tailpipe", 3.0, 1.0, take=2))


@pytest.mark.slow
@pytest.mark.parametrize(
    "other",
    [
        lambda: Bay(2, preset="still").render_steady("tailpipe", None, 2.0, take=1),
        lambda: Bay(1, preset="still").render_steady("tailpipe", None, 2.0, take=2),
        lambda: Bay(1, preset="still").render_steady("radiator", None, 2.0, take=1),
    ],
    ids=["other seed", "other take", "other point"],
)
def test_noise_is_independent_between_takes(other):
    """Correlation above 1 kHz of independent noise is below 5 / sqrt(n)."""
    a = np.diff(Bay(1, preset="still").render_steady("tailpipe", None, 2.0, take=1), 3)
    b = np.diff(other(), 3)
    assert abs(np.corrcoef(a, b)[0, 1]) < 5 * 3 / np.sqrt(len(a))


def test_quiet_floor_has_its_level():
    for seed in range(3):
        bay = Bay(seed, preset="still", floor_dbfs=-60.0)
        floor = bay.render_steady("tailpipe", None, 8.0, take=1)
        assert band_power_db(floor) == pytest.approx(-60.0, abs=0.2)


@pytest.mark.slow
@pytest.mark.parametrize("point", POINTS)
@pytest.mark.parametrize("snr_db", [-10.0, 3.0])
def test_hiss_has_the_level_that_was_asked_for(point, snr_db):
    """The same take with and without a leak differs by the hiss alone."""
    bay = Bay(5, preset="busy")
    leak = bay.render_steady(point, snr_db, 4.0, take=1)
    hiss = leak - bay.render_cycled(point, None, [], 4.0, take=1)
    assert band_power_db(hiss) - 10 * np.log10(bay.quiet_power) == pytest.approx(snr_db, abs=0.2)


def test_hiss_follows_the_valve():
    bay = Bay(6, preset="still")
    leak = bay.render_cycled("throttle-body", 0.0, [(2.0, 5.0)], 7.0, take=1)
    hiss = leak - bay.render_cycled("throttle-body", None, [(2.0, 5.0)], 7.0, take=1)
    power = np.mean(hiss.reshape(70, -1) ** 2, axis=1)
    assert power[:20].max() == 0
    assert power[35:50].min() > 0.8 * power[35:50].mean()
    assert power[60] < 1e-4 * power[40]


def test_cross_talk_is_rendered_at_its_level_and_duller():
    """Mass law: 6 dB an octave above the corner, so the top octave loses against the bottom."""
    bay = Bay(7, preset="still")
    heard = bay.render_steady("throttle-body", None, 4.0, take=1, cross_talk_db=-12.0)
    through_walls = heard - bay.render_cycled("throttle-body", None, [], 4.0, take=1)
    level = band_power_db(through_walls) - 10 * np.log10(bay.quiet_power)
    assert level == pytest.approx(-12.0, abs=0.2)
    direct, dull = (
        bay.hiss_density("throttle-body"),
        bay.hiss_density("throttle-body", muffled=True),
    )
    ratio = direct / dull
    assert ratio[2731] / ratio[341] == pytest.approx(
        (1 + 16**2 / 1.5**2) / (1 + 2**2 / 1.5**2), rel=0.02
    )


def test_cross_talk_scatters_about_its_nominal_level():
    levels = [
        Bay(seed, fs=8000, preset="still").cross_talk_db("tailpipe", point)
        for seed in range(60)
        for point in ("radiator", "oil-filler", "throttle-body")
    ]
    assert np.mean(levels) == pytest.approx(CROSS_TALK_DB, abs=0.4)
    assert np.std(levels) == pytest.approx(1.5, abs=0.3)


def test_two_engines_colour_the_same_point_differently():
    one, other = (Bay(s).hiss_density("tailpipe") for s in (1, 2))
    assert np.abs(10 * np.log10(one[100:] / other[100:])).max() > 3


@pytest.mark.parametrize("cycles", [1, 5, 6, 8])
def test_schedule_is_jittered_disjoint_and_ends_off(cycles):
    rng = np.random.default_rng(cycles)
    for _ in range(50):
        on = air_schedule(rng, cycles, 33.0)
        edges = np.array([0.0, *np.ravel(on), 33.0])
        periods = np.diff(edges)
        assert len(on) == cycles
        assert periods.min() > 0
        assert periods.max() / periods.min() <= 1.25 / 0.75 + 0.05
        assert len(set(periods.round(2))) > 1


def test_a_schedule_needs_a_cycle():
    with pytest.raises(ValueError, match="cycles=0"):
        air_schedule(np.random.default_rng(1), 0, 10.0)


@pytest.mark.slow
def test_busy_shops_are_spiky_and_a_still_one_is_not():
    def crest_db(preset, seed):
        take = np.diff(
            Bay(seed, fs=16_000, preset=preset).render_steady("control", None, 20.0, take=1)
        )
        return 20 * np.log10(np.abs(take).max() / np.sqrt(np.median(take**2)))

    assert max(crest_db("still", s) for s in range(3)) < 20
    assert min(crest_db("busy", s) for s in range(3)) > 25


@pytest.mark.slow
def test_drift_changes_the_floor_between_takes_by_its_spread():
    """A gain drift of 2 dB shows as 2 dB between takes of a shop in which nothing else moves.

    The power of 620-1000 Hz over 1 s, 760 degrees of freedom, adds 0.2 dB of its own.
    """
    bay = Bay(9, fs=8000, preset=Preset(gain_drift_db=2.0))
    spectra = [np.fft.rfft(bay.render_steady("control", None, 1.0, take=k)) for k in range(120)]
    levels = [10 * np.log10(np.mean(np.abs(s[620:1000]) ** 2)) for s in spectra]
    assert np.std(levels) == pytest.approx(2.0, abs=0.4)


@pytest.mark.slow
def test_second_hiss_comes_in_some_takes_only():
    with_hiss = Preset(second_hiss=0.25)
    bay, quiet = Bay(10, fs=8000, preset=with_hiss), Bay(10, fs=8000, preset="still")
    rise = [
        np.mean(np.diff(bay.render_steady("control", None, 1.0, take=k)) ** 2)
        / np.mean(np.diff(quiet.render_steady("control", None, 1.0, take=k)) ** 2)
        for k in range(60)
    ]
    share = np.mean(np.array(rise) > 1.05)
    assert 0.1 < share < 0.6


@pytest.mark.slow
@pytest.mark.parametrize(("fs", "preset"), [(8000, "second-hiss"), (44_100, "still")])
def test_any_sample_rate(fs, preset):
    take = Bay(11, fs=fs, preset=preset).render_cycled("tailpipe", 0.0, [(0.2, 0.4)], 0.5, take=1)
    assert take.shape == (round(0.5 * fs),)
    assert np.isfinite(take).all()


def test_presets_differ_and_unknown_ones_are_refused():
    assert len(set(PRESETS.values())) == len(PRESETS) >= 4
    with pytest.raises(ValueError, match="library"):
        Bay(1, preset="library")


def test_too_low_a_sample_rate_is_refused():
    with pytest.raises(ValueError, match="fs=4000"):
        Bay(1, fs=4000)


@pytest.mark.slow
def test_second_microphone_hears_the_same_shop_at_the_same_times():
    """Loud events coincide; the noise itself is another."""
    bay = Bay(11, 16_000, preset="busy")
    near = bay.render_cycled("oil-filler", None, [], 20.0, take=0)
    far = bay.render_ambient("oil-filler", 20.0, take=0)
    loud = [10 * np.log10(np.mean(x.reshape(-1, 1600) ** 2, axis=1)) for x in (near, far)]
    assert np.corrcoef(*loud)[0, 1] > 0.8
    quiet = [np.diff(x[loud[0].argmin() * 1600 :][:1600], 2) for x in (near, far)]
    assert abs(np.corrcoef(*quiet)[0, 1]) < 0.2


def test_second_microphone_changes_nothing_for_the_first():
    bay = Bay(1, 16_000, preset="second-hiss")
    bay.render_ambient("tailpipe", 3.0, take=4)
    again = bay.render_cycled("tailpipe", None, [], 3.0, take=4)
    fresh = Bay(1, 16_000, preset="second-hiss").render_cycled("tailpipe", None, [], 3.0, take=4)
    assert np.array_equal(again, fresh)


@pytest.mark.slow
def test_second_microphone_hears_no_leak_but_the_floor():
    bay = Bay(3, 24_000, preset="still", floor_dbfs=-60.0)
    far = bay.render_ambient("tailpipe", 8.0, take=1)
    assert band_power_db(far, 24_000) == pytest.approx(-60.0, abs=4.0)


def test_the_five_shops_have_presets():
    assert list(SCENES) == ["S0", "S1", "S2", "S3", "S4"]
    assert set(SCENES.values()) == set(PRESETS)
