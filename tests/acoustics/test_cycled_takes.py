"""Air-cycled takes: what is found, what is refused, and what must not change a finding."""

import dataclasses
import math

import numpy as np
import pytest
import scipy.signal

from earwitness.acoustics import bands as bands_module
from earwitness.acoustics.hiss import HissSettings, is_steady, score_cycled
from earwitness.acoustics.proof.cycles import Proof
from earwitness.acoustics.proof.rhythms import labelings, least_p
from earwitness.acoustics.proof.rise import Rise
from earwitness.acoustics.proof.templates import expected_spectrum
from earwitness.acoustics.settings import DEFAULTS
from earwitness.errors import SheetError

FS = 24_000
PERIOD = 1.3
"""Length of each air-off and air-on period [s]; 0.6 s of it are used."""
POINTS = (None, "oil-filler", "tailpipe-left", "throttle-body", "radiator", "plug-hole-3")


LENGTH = int(11 * PERIOD * FS)


def rhythm(cycles, period=PERIOD):
    """Equal periods, off first and last."""
    return [(period * (2 * i + 1), period * (2 * i + 2)) for i in range(cycles)]


def cycled(
    noise, fs, hiss_db, cycles=5, *, seed=0, band=(2_000, 10_000), period=PERIOD, late_s=0.0
):
    """Add a band of hiss in each air-on period; its level is over the noise in the same band."""
    x = noise(seed, fs, period * (2 * cycles + 1))
    if hiss_db is None:
        return x
    sos = scipy.signal.butter(4, band, "band", fs=fs, output="sos")
    h = scipy.signal.sosfilt(sos, np.random.default_rng([seed, 1]).standard_normal(len(x)))
    h *= scipy.signal.sosfilt(sos, x).std() / h.std() * 10 ** (hiss_db / 20)
    for a, b in rhythm(cycles, period):
        i, j = int((a + late_s) * fs), int((b + late_s) * fs)
        x[i:j] += h[i:j]
    return x


def numbers(value):
    if isinstance(value, float):
        yield value
    elif isinstance(value, tuple):
        for v in value:
            yield from numbers(v)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from numbers(getattr(value, field.name))


@pytest.mark.slow
@pytest.mark.parametrize("point", POINTS)
@pytest.mark.parametrize("hiss_db", [0, 30])
def test_a_hiss_is_found_at_every_point(floor_noise, point, hiss_db):
    """The band of 2 to 10 kHz is nothing like any expected spectrum: that must not hide it."""
    finding = score_cycled(cycled(floor_noise, FS, hiss_db), FS, rhythm(5), point=point)
    assert finding.p_value == pytest.approx(1 / 221)
    assert finding.grade in ("faint", "clear", "strong")
    assert all(v > 0 for v in finding.cycles_db)


@pytest.mark.parametrize("point", POINTS)
def test_steady_noise_alone_shows_nothing(floor_noise, point):
    finding = score_cycled(cycled(floor_noise, FS, None, seed=3), FS, rhythm(5), point=point)
    assert finding.grade in ("none", "undetermined")
    assert finding.hiss_db is None
    assert finding.detectable_db > 0
    assert abs(finding.excess_db) < 0.2


@pytest.mark.slow
@pytest.mark.parametrize("fs", [22_050, 32_000, 44_100, 48_000, 96_000, 192_000])
def test_any_sample_rate_gives_the_same_rise(floor_noise, fs):
    finding = score_cycled(cycled(floor_noise, fs, 6, period=1.2), fs, rhythm(5, 1.2))
    assert finding.sample_rate_hz == fs
    assert finding.grade in ("clear", "strong")
    assert len(finding.floors.centre_hz) <= 42


@pytest.mark.parametrize(("fs", "found"), [(48_000, False), (96_000, True)])
def test_a_hiss_above_hearing_is_found_where_the_rate_carries_it(floor_noise, fs, found):
    """20 to 38 kHz only, as loud as the noise there; at 48 kHz there is nothing of it to record."""
    band = (20_000, 38_000) if fs > 80_000 else (22_000, 23_900)
    finding = score_cycled(cycled(floor_noise, fs, 3, band=band), fs, rhythm(5))
    assert (finding.p_value <= 0.01) is found


def test_a_known_white_hiss_has_its_level(rng):
    """White on white, 6.0 dB over the floor: rise 10 lg(1 + 10^0.6) = 6.973 dB, K1 0.973 dB."""
    x = rng.standard_normal(LENGTH) * 0.01
    for a, b in rhythm(5):
        n = int(b * FS) - int(a * FS)
        x[int(a * FS) : int(b * FS)] += rng.standard_normal(n) * 0.01 * 10 ** (6 / 20)
    finding = score_cycled(x, FS, rhythm(5))
    assert finding.excess_db == pytest.approx(6.973, abs=0.15)
    assert finding.hiss_db == pytest.approx(6.0, abs=0.2)
    assert finding.interval_db[0] < 6.973 < finding.interval_db[1]
    assert np.mean(finding.floors.off_db[10:]) == pytest.approx(-40, abs=0.2)
    assert np.mean(finding.floors.on_db[10:]) == pytest.approx(-40 + 6.973, abs=0.2)
    assert finding.cycles_db == pytest.approx([6.973] * 5, abs=0.4)
    assert (finding.baseline_s, finding.take_s) == pytest.approx((6 * 0.6, 5 * 0.6))


@pytest.mark.slow
def test_rise_grows_with_the_hiss_and_stays_found(floor_noise):
    findings = [score_cycled(cycled(floor_noise, FS, d), FS, rhythm(5)) for d in (-6, 3, 12, 30)]
    rises = [f.excess_db for f in findings]
    assert rises == sorted(rises)
    assert all(f.p_value == findings[0].p_value for f in findings)
    assert (findings[0].grade, findings[-1].grade) == ("faint", "strong")


def test_the_upper_bound_is_flagged_below_six_decibels(floor_noise):
    faint = score_cycled(cycled(floor_noise, FS, 0), FS, rhythm(5))
    strong = score_cycled(cycled(floor_noise, FS, 20), FS, rhythm(5))
    assert "upper-bound" in faint.flags
    assert faint.hiss_db == pytest.approx(faint.excess_db - 1.2563, abs=1e-3)
    assert strong.flags == ()
    assert strong.hiss_db <= strong.excess_db


@pytest.mark.slow
@pytest.mark.parametrize(("hiss_db", "gain"), [(None, 0.5), (-12, 0.317)])
def test_a_constant_gain_changes_nothing_but_the_absolute_level(floor_noise, hiss_db, gain):
    """To what rounding to the 24 bits of a sample leaves."""
    x = cycled(floor_noise, FS, hiss_db, seed=5)
    a, b = (score_cycled(y, FS, rhythm(5), point="radiator") for y in (x, x * gain))
    assert b.p_value == a.p_value
    assert b.grade == a.grade
    assert b.excess_db == pytest.approx(a.excess_db, abs=1e-6)
    assert b.detectable_db == pytest.approx(a.detectable_db, abs=1e-6)
    shift = np.subtract(b.floors.off_db, a.floors.off_db)
    np.testing.assert_allclose(shift, 20 * np.log10(gain), atol=1e-6)


def test_the_same_samples_give_the_same_finding_bit_for_bit(floor_noise):
    x = cycled(floor_noise, FS, -9, seed=6).astype(np.float32)
    first = score_cycled(x, FS, rhythm(5))
    stereo = np.column_stack([x, x[::-1]])
    assert score_cycled(x.copy(), FS, rhythm(5)) == first
    assert score_cycled(stereo, FS, rhythm(5)) == first
    assert score_cycled(np.asfortranarray(stereo), FS, rhythm(5)) == first
    assert score_cycled(x.astype(np.float64), FS, rhythm(5)) == first


@pytest.mark.parametrize("chunk", [37])
def test_the_number_of_frames_transformed_at_once_changes_nothing(floor_noise, monkeypatch, chunk):
    x = cycled(floor_noise, FS, -9, seed=7)
    first = score_cycled(x, FS, rhythm(5))
    monkeypatch.setattr(bands_module, "BATCH_FRAMES", chunk)
    again = score_cycled(x, FS, rhythm(5))
    assert again.p_value == first.p_value
    assert again.excess_db == pytest.approx(first.excess_db, abs=1e-9)


def test_a_hand_that_is_late_at_the_valve_still_shows_the_leak(floor_noise):
    """The valve turned 0.4 s after the time in the sheet: within the guard."""
    x = cycled(floor_noise, FS, 3, late_s=0.4)
    assert score_cycled(x, FS, rhythm(5)).grade in ("faint", "clear")


def test_quiet_sixteen_bit_sound_is_scored(floor_noise):
    def quiet(seed, fs, seconds):
        return floor_noise(seed, fs, seconds, level=4 / 32768)

    x = np.round(cycled(quiet, FS, 6) * 32768) / 32768
    assert np.mean(x == 0) > 0.05
    assert score_cycled(x, FS, rhythm(5)).p_value == pytest.approx(1 / 221)


def test_shop_noise_that_comes_only_twice_is_not_called_a_leak(floor_noise):
    x = cycled(floor_noise, FS, None, seed=8)
    rng = np.random.default_rng(9)
    for a, b in rhythm(5)[1:3]:
        x[int(a * FS) : int(b * FS)] += 0.05 * rng.standard_normal(int(b * FS) - int(a * FS))
    assert score_cycled(x, FS, rhythm(5)).grade in ("none", "undetermined")


@pytest.mark.parametrize(("bursts", "flagged"), [(2, False), (11, True)])
def test_few_quiet_frames_is_said_of_a_take_and_not_of_a_period(floor_noise, bursts, flagged):
    """Clatter of 0 to 40 dB over the floor, drawn anew each 25 ms, in two periods or in all."""
    x, n = cycled(floor_noise, FS, None, seed=10), int(PERIOD * FS)
    rng = np.random.default_rng(11)
    for k in range(bursts):
        loud = np.repeat(10 ** rng.uniform(0, 2, n // 600 + 1), 600)[:n]
        x[k * n : k * n + n] += loud * rng.standard_normal(n) * x.std() / 4
    finding = score_cycled(x / np.abs(x).max(), FS, rhythm(5))
    assert ("few-quiet-frames" in finding.flags) is flagged


@pytest.mark.parametrize(
    ("cycles", "excess", "steady"),
    [
        ([1, 2, 1, 1, 1], 1.0, True),
        ([1, 2, -1, 1, 1], 1.0, True),
        ([1, 2, -1, -1, 1], 1.0, False),
        ([1, 2, 1, 1, 1], -0.1, False),
    ],
)
def test_all_periods_but_one_must_rise(cycles, excess, steady):
    proof = Proof(0.005, 5.0, np.array(cycles, float), None)
    assert is_steady(proof, Rise(excess, (0, 2), 1.0, ())) is steady


@pytest.mark.parametrize(("cycles", "count"), [(4, 27), (5, 221)])
def test_number_of_rhythms(cycles, count):
    """All orders of `cycles` ones among 2 cycles + 1 with six changes or more; counted by hand
    for 4: one with 8 changes, 6 + 20 with 7 and 6 less those that begin or end on.
    """
    on = tuple(bool(i % 2) for i in range(2 * cycles + 1))
    rows = labelings(on, DEFAULTS)
    assert len(rows) == count
    assert (rows.sum(axis=1) == cycles).all()
    assert (np.abs(np.diff(rows, axis=1)).sum(axis=1) >= 6).all()
    assert len(np.unique(rows, axis=0)) == count
    np.testing.assert_array_equal(rows[0], on)


@pytest.mark.parametrize("cycles", [6, 7, 8, 12])
def test_many_cycles_reach_one_percent_and_are_drawn_alike_each_time(cycles):
    on = tuple(bool(i % 2) for i in range(2 * cycles + 1))
    rows = labelings(on, DEFAULTS)
    assert 300 <= len(rows) <= DEFAULTS.most_labelings + 1
    assert least_p(on, DEFAULTS) < 0.004
    other = dataclasses.replace(DEFAULTS, label_seed=DEFAULTS.label_seed)
    np.testing.assert_array_equal(rows, labelings(on, other))


@pytest.mark.parametrize("cycles", [1, 2, 3, 4])
def test_too_few_cycles_give_no_p_value(floor_noise, cycles):
    finding = score_cycled(cycled(floor_noise, FS, 12, cycles), FS, rhythm(cycles))
    assert finding.p_value is None
    assert finding.detectable_db is None
    assert {"too-few-cycles", "screening-only"} <= set(finding.flags)
    assert finding.usable
    assert finding.excess_db > 3


def test_six_cycles_with_a_leak_are_found(floor_noise):
    finding = score_cycled(cycled(floor_noise, FS, 6, 6), FS, rhythm(6))
    assert finding.p_value < 0.002
    assert finding.grade == "clear"


def test_air_on_from_the_first_moment_costs_a_period(floor_noise):
    """Five on-periods, but only five off-periods: fewer rhythms, still enough or said so."""
    x = cycled(floor_noise, FS, 6)[int(PERIOD * FS) :]
    finding = score_cycled(x, FS, [(a - PERIOD, b - PERIOD) for a, b in rhythm(5)])
    assert finding.usable
    assert finding.baseline_s == pytest.approx(5 * 0.6)
    assert (finding.p_value is None) == ("too-few-cycles" in finding.flags)


def test_an_ambient_microphone_takes_shop_noise_off(floor_noise):
    """A second hiss that both microphones hear comes and goes with the air by misfortune."""
    x = cycled(floor_noise, FS, None, seed=10)
    ambient = cycled(floor_noise, FS, None, seed=11)
    common = cycled(lambda _s, fs, sec: np.zeros(int(fs * sec)) + 1e-12, FS, None)
    for a, b in rhythm(5):
        i, j = int(a * FS), int(b * FS)
        common[i:j] += 0.02 * np.random.default_rng(i).standard_normal(j - i)
    alone = score_cycled(x + common, FS, rhythm(5))
    both = score_cycled(x + common, FS, rhythm(5), reference=ambient + 2 * common)
    assert alone.p_value == pytest.approx(1 / 221)
    assert both.p_value > alone.p_value or both.grade == alone.grade
    assert "reference-ignored" not in both.flags


@pytest.mark.slow
@pytest.mark.parametrize(
    "reference", [np.zeros(LENGTH), np.ones(100), np.full(LENGTH, np.nan), np.zeros((LENGTH, 2))]
)
def test_an_ambient_recording_that_does_not_fit_is_left_out(floor_noise, reference):
    x = cycled(floor_noise, FS, 6)
    finding = score_cycled(x, FS, rhythm(5), reference=reference)
    assert "reference-ignored" in finding.flags
    assert finding.p_value == score_cycled(x, FS, rhythm(5)).p_value


@pytest.mark.parametrize(
    ("air_on_s", "words"),
    [
        ([], "air_on_s is empty"),
        ([(4.0, 2.0)], "period 1 runs from 4.0 s to 2.0 s"),
        ([(-1.0, 2.0)], "period 1 runs from -1.0 s"),
        ([(2.0, 4.0), (3.0, 6.0)], "period 2 starts at 3.0 s, before 4.0 s"),
        ([(8.0, 9.0), (2.0, 4.0)], "period 2 starts at 2.0 s, before 9.0 s"),
        ([(2.0, math.nan)], "period 1 runs from 2.0 s to nan s"),
        ([(2.0, 44.0)], "ends after the take, which is 22.00 s long"),
    ],
)
def test_impossible_air_times_are_one_plain_sentence(floor_noise, air_on_s, words):
    with pytest.raises(SheetError, match=words):
        score_cycled(floor_noise(1, FS, 22), FS, air_on_s)


@pytest.mark.parametrize(
    ("samples", "flag"),
    [
        (np.zeros(0), "too-short"),
        (np.ones(1), "too-short"),
        (np.zeros((5, 0)), "too-short"),
        (np.zeros(LENGTH), "silent"),
        (np.full(LENGTH, 0.5), "silent"),
        (np.full(LENGTH, np.nan), "not-finite"),
        (np.random.default_rng(1).standard_normal(LENGTH) * 1e200, "not-finite"),
        (np.random.default_rng(1).standard_normal(LENGTH).clip(-1, 1), "clipped"),
    ],
)
def test_sound_that_cannot_be_trusted_concludes_nothing(samples, flag):
    finding = score_cycled(samples, FS, rhythm(5), point="tailpipe")
    assert not finding.usable
    assert finding.flags == (flag,)
    assert finding.grade == "undetermined"
    assert finding.p_value is None
    assert finding.point == "tailpipe"
    assert all(math.isfinite(v) for v in numbers(finding))


@pytest.mark.parametrize("fs", [1, 8, 4_000, 8_000, 16_000])
def test_a_low_sample_rate_is_refused(fs):
    x = np.random.default_rng(2).standard_normal(fs * 22) * 0.1
    finding = score_cycled(x, fs, rhythm(5))
    assert not finding.usable


def test_periods_shorter_than_the_valve_are_refused(floor_noise):
    finding = score_cycled(floor_noise(1, FS, 12), FS, [(2.0, 4.0), (4.5, 6.0), (8.0, 10.0)])
    assert finding.flags == ("too-short",)
    assert not score_cycled(floor_noise(1, FS, 12), FS, [(0.0, 12.0)]).usable


def test_every_number_of_a_finding_is_finite(floor_noise):
    for hiss_db in (None, 20):
        finding = score_cycled(cycled(floor_noise, FS, hiss_db, seed=12), FS, rhythm(5))
        assert all(math.isfinite(v) for v in numbers(finding))


@pytest.mark.parametrize("fs", [0, -48_000])
def test_a_sample_rate_that_is_none_is_a_mistake(fs):
    with pytest.raises(ValueError, match="must be positive"):
        score_cycled(np.ones(10), fs, rhythm(1))


def test_three_dimensions_are_a_mistake():
    with pytest.raises(ValueError, match="one or two dimensions"):
        score_cycled(np.ones((2, 2, 2)), FS, rhythm(1))


def test_settings_can_be_changed_for_one_take(floor_noise):
    x = cycled(floor_noise, FS, 3)
    strict = score_cycled(x, FS, rhythm(5), settings=HissSettings(clear_db=0.1, strong_db=0.2))
    assert strict.grade == "strong"


@pytest.mark.parametrize("point", POINTS)
def test_expected_spectra_have_mean_one_over_the_hiss_band(point):
    bands = bands_module.bands_for(48_000)
    shape = expected_spectrum(point, bands)
    assert shape @ bands.hiss == pytest.approx(1.0)
    assert (shape > 0).all()


def test_the_jet_spectrum_is_the_standards_skirt():
    """IEC 60534-8-3:2010, eq. (19): far below the peak the third-octave level rises by 5.1 dB an
    octave, the power per hertz by 2.1 (slopes derived; 1.7 * 3.01 dB, less one octave of width).
    """
    bands = bands_module.bands_for(48_000)
    db = 10 * np.log10(expected_spectrum("throttle-body", bands))
    octave = np.log2(bands.centre_hz)
    low = bands.centre_hz < 800
    assert np.polyfit(octave[low], db[low], 1)[0] == pytest.approx(2.1, abs=0.1)


def test_oil_and_water_muffle_and_an_open_throttle_does_not():
    bands = bands_module.bands_for(48_000)
    high = bands.centre_hz > 8_000
    oil, open_throttle = (expected_spectrum(p, bands) for p in ("oil-filler", "throttle-body"))
    assert oil[high].max() < 0.4
    assert open_throttle[high].min() > 1
    np.testing.assert_array_equal(expected_spectrum("control", bands), np.ones(35))
