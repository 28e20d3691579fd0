"""Assisted listening: what each part does to known signals, block by block."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal, stats

from earwitness.acoustics.assist.chain import (
    BAND_HZ,
    CEILING_DB,
    DOWN_HZ,
    MOST_GAIN_DB,
    Chain,
    Choice,
    mode_for,
)
from earwitness.acoustics.assist.filters import Shift
from earwitness.acoustics.assist.hearing import Dose, Limiter, Ramp
from earwitness.acoustics.assist.subtract import LEAST_GAIN, Subtraction
from earwitness.acoustics.assist.ticks import (
    FASTEST_HZ,
    LEAST_WINDOWS,
    SLOWEST_HZ,
    START,
    WINDOWS,
    Evidence,
    Ticks,
)

FS = 48_000
CHOICES = [
    Choice("band"),
    Choice("shift"),
    Choice("band", subtract=True, ticks=True, gain_db=12.0),
    Choice("shift", subtract=True, ticks=True, gain_db=12.0),
]


def tone(hz: float, seconds: float = 0.5, fs: int = FS) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * fs)) / fs)


def spectrum_db(samples: np.ndarray) -> np.ndarray:
    """Amplitude of each sine, 2 Hz apart for half a second [dB re 1]."""
    w = signal.windows.blackmanharris(len(samples))
    return 20 * np.log10(np.abs(np.fft.rfft(samples * w)) * 2 / w.sum() + 1e-12)


def in_blocks(chain, samples, size):
    return np.concatenate([chain.feed(samples[i : i + size]) for i in range(0, len(samples), size)])


@pytest.mark.parametrize("hz", [8000, 9500, 12_000, 16_000, 19_000])
def test_a_tone_is_moved_down_and_its_image_is_gone(hz):
    """A single side band: only f - 7 kHz is left, as a product with a cosine would not leave it."""
    out = spectrum_db(Shift(FS, DOWN_HZ).feed(tone(hz, 1.0))[FS // 2 :])
    wanted = (hz - DOWN_HZ) // 2
    assert out[wanted] == pytest.approx(0.0, abs=0.1)
    image = hz + DOWN_HZ if hz + DOWN_HZ < FS / 2 else FS - hz - DOWN_HZ
    assert out[image // 2] < -50


def test_the_shift_agrees_with_an_analytic_signal():
    """scipy.signal.hilbert is the whole-signal reference; the pair only adds its own phase."""
    noise = np.random.default_rng(3).standard_normal(FS)
    band = signal.sosfiltfilt(
        signal.butter(6, (9000, 15_000), "bandpass", fs=FS, output="sos"), noise
    )
    turn = np.exp(-2j * np.pi * DOWN_HZ * np.arange(FS) / FS)
    reference = (signal.hilbert(band) * turn).real
    ours = Shift(FS, DOWN_HZ).feed(band)
    _, a = signal.welch(reference[4800:-4800], FS, nperseg=2048)
    hz, b = signal.welch(ours[4800:-4800], FS, nperseg=2048)
    inside = (hz > 2500) & (hz < 7500)
    assert np.abs(10 * np.log10(b[inside] / a[inside])).max() < 0.1


@pytest.mark.parametrize("choice", CHOICES, ids=str)
@pytest.mark.parametrize("size", [37, 1000])
def test_the_size_of_blocks_changes_nothing(choice, size):
    noise = np.random.default_rng(4).standard_normal(FS // 30) * 0.2
    chains = [Chain(FS, choice) for _ in range(2)]
    for chain in chains:
        chain.muted, chain.learning = False, True
    whole = chains[0].feed(noise)
    assert in_blocks(chains[1], noise, size) == pytest.approx(whole, abs=1e-12)


@pytest.mark.parametrize("choice", CHOICES, ids=str)
def test_latency_is_below_fifteen_milliseconds(choice):
    """The envelope of a burst's middle comes out this much later; buffers of the device apart."""
    middle = sum(BAND_HZ[choice.mode]) / 2
    envelope = signal.windows.gaussian(FS // 8, 0.004 * FS)
    chain = Chain(FS, choice)
    chain.muted = False
    in_blocks(chain, np.zeros(FS // 4), 128)
    burst = envelope * tone(middle, 0.125) * 0.05
    out = np.abs(signal.hilbert(in_blocks(chain, np.concatenate([burst, np.zeros(2400)]), 128)))
    t = np.arange(len(out)) / FS
    envelope = np.concatenate([envelope, np.zeros(2400)])
    delay_s = (t * out**2).sum() / (out**2).sum() - (t * envelope**2).sum() / (envelope**2).sum()
    assert 0.001 < delay_s < 0.015


@pytest.mark.parametrize("choice", CHOICES, ids=str)
@pytest.mark.parametrize("kind", ["noise", "square", "click", "huge", "not finite"])
def test_the_ceiling_is_never_exceeded(choice, kind):
    rng = np.random.default_rng(5)
    sounds = {
        "noise": rng.standard_normal(FS // 4),
        "square": np.sign(tone(3000, 0.25)),
        "click": np.where(np.arange(FS // 4) % 3000 == 0, 1.0, 0.0),
        "huge": rng.standard_normal(FS // 4) * 1e12,
        "not finite": np.where(np.arange(FS // 4) % 7 == 0, np.nan, np.inf),
    }
    loud = Choice(choice.mode, choice.subtract, choice.ticks, MOST_GAIN_DB)
    chain = Chain(FS, loud)
    chain.muted = False
    out = in_blocks(chain, sounds[kind], 128)
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 10 ** (CEILING_DB / 20)


def test_the_limiter_holds_without_cutting():
    """Before its last rounding: what it multiplies with is at most ceiling / |x| everywhere."""
    x = np.random.default_rng(6).standard_normal(FS) * 4
    limiter = Limiter(FS, 0.25)
    out = in_blocks(limiter, x, 128)
    late = np.concatenate([np.zeros(limiter.delay_frames), x])[: len(x)]
    gain = out[np.abs(late) > 1e-3] / late[np.abs(late) > 1e-3]
    assert gain.max() <= 1 + 1e-9
    assert np.abs(np.diff(gain)).max() < 0.05


def test_what_is_below_the_ceiling_is_only_delayed():
    x = tone(1000) * 0.2
    limiter = Limiter(FS, 0.25)
    out = limiter.feed(x)
    assert out[limiter.delay_frames :] == pytest.approx(x[: -limiter.delay_frames], abs=1e-12)
    assert limiter.delay_frames / FS < 0.002


def test_it_starts_muted_and_comes_in_within_a_fifth_of_a_second():
    ramp = Ramp(FS)
    ones = np.ones(FS // 2)
    assert not ramp.feed(ones).any()
    ramp.muted = False
    rising = ramp.feed(ones)
    assert rising[0] < 1e-6
    assert np.all(np.diff(rising) >= 0)
    assert rising[round(0.1 * FS)] == pytest.approx(0.5, abs=0.01)
    assert rising[round(0.2 * FS)] == pytest.approx(1.0)
    ramp.muted = True
    assert ramp.feed(ones)[-1] == 0.0


def test_a_weekly_dose_is_eighty_decibels_for_forty_hours():
    """ITU-T H.870: 80 dB(A) for 40 h a week, 1.6 Pa^2 h. The rate of one second, times 144,000."""
    amplitude = 10 ** ((80 - 1.3 - 100) / 20)
    dose = Dose(FS, full_scale_db=100.0)
    dose.feed(amplitude * tone(1000, 1.0))
    assert dose.share_of_week * 40 * 3600 == pytest.approx(1.0, rel=1e-3)
    louder = Dose(FS, full_scale_db=103.0103)
    louder.feed(amplitude * tone(1000, 1.0))
    assert louder.share_of_week == pytest.approx(2 * dose.share_of_week, rel=1e-3)


@pytest.mark.parametrize(
    ("level_db", "hours"),
    [(80, 40), (83, 20), (86, 10), (89, 5), (92, 2.5), (95, 1.25), (98, 0.625), (101, 0.3125)],
)
def test_each_three_decibels_halve_the_time(level_db, hours):
    """WHO and ITU, Safe listening devices and systems (2019), weekly times: from memory."""
    dose = Dose(FS, full_scale_db=level_db - 1.3)
    dose.feed(tone(1000, 1.0))
    assert dose.share_of_week * hours * 3600 == pytest.approx(1.0, rel=0.02)


def test_headphones_that_are_not_calibrated_are_taken_as_loud():
    assert not Dose(FS).calibrated
    counted, known = Dose(FS), Dose(FS, full_scale_db=110.0)
    for dose in (counted, known):
        dose.feed(tone(1000))
    assert counted.share_of_week > known.share_of_week


def test_the_bank_passes_its_band_evenly():
    """With nothing learnt, the sum of the bands is flat within 3 dB inside the band."""
    bank = Subtraction(FS, *BAND_HZ["band"])
    impulse = np.zeros(FS)
    impulse[0] = 1.0
    level = 20 * np.log10(np.abs(np.fft.rfft(bank.feed(impulse))))
    inside = level[1200:6800]
    assert inside.max() - inside.min() < 3
    assert np.median(inside) == pytest.approx(0.0, abs=0.5)


@pytest.mark.slow
def test_subtraction_widens_the_step_of_a_faint_leak():
    """At -6 dB the sum rises by 10 lg(1 + 10^-0.6) = 0.97 dB; what is heard must rise by more.

    Leak and shop are independent noise, other samples in each part.
    """
    rng = np.random.default_rng(8)
    bank = Subtraction(FS, *BAND_HZ["band"])
    bank.feed(rng.standard_normal(4 * FS), learning=True)
    off = bank.feed(rng.standard_normal(4 * FS))[FS:]
    on = bank.feed(rng.standard_normal(4 * FS) * math.sqrt(1 + 10**-0.6))[FS:]
    step = 10 * np.log10(np.mean(on**2) / np.mean(off**2))
    assert step > 2 * 0.97
    assert np.mean(off**2) > LEAST_GAIN**2 * 0.2


def test_a_moved_probe_forgets():
    bank = Subtraction(FS, *BAND_HZ["band"])
    bank.feed(np.ones(4800), learning=True)
    bank.forget()
    assert bank.baseline is None


def evidence_of(rise_db: float, seed: int = 9) -> Evidence:
    rng = np.random.default_rng(seed)
    evidence = Evidence(FS)
    evidence.feed(rng.standard_normal(5 * FS) * 0.01, learning=True)
    evidence.feed(rng.standard_normal(2 * FS) * 0.01 * 10 ** (rise_db / 20), learning=False)
    return evidence


def test_evidence_grows_with_the_rise_and_is_held():
    grown = [evidence_of(rise).scatters for rise in (0.0, 0.3, 10.0)]
    assert None not in grown
    assert grown == sorted(grown)
    assert grown[-1] == 4.0


def test_there_is_no_evidence_before_four_seconds_of_air_off():
    evidence = Evidence(FS)
    evidence.feed(np.ones(round(0.25 * FS * (LEAST_WINDOWS - 1))), learning=True)
    assert evidence.baseline_db is None
    assert evidence.scatters is None


def test_a_false_tick_is_rare():
    """Student's t: mean of 4 less mean of 16, over the scatter of the 16."""
    spread = math.sqrt(1 / WINDOWS + 1 / LEAST_WINDOWS)
    per_second = stats.t.sf(START / spread, LEAST_WINDOWS - 1)
    assert 1 / per_second > 3600
    assert [evidence_of(0.0, seed).scatters > START for seed in range(5)] == [False] * 5


def test_ticks_have_hysteresis_and_silence():
    ticks = Ticks(FS)
    assert ticks.rate_hz(None) == ticks.rate_hz(2.0) == 0.0
    assert ticks.rate_hz(2.6) > SLOWEST_HZ
    assert ticks.rate_hz(2.0) > SLOWEST_HZ
    assert ticks.rate_hz(1.4) == ticks.rate_hz(2.0) == 0.0
    assert ticks.rate_hz(99.0) == FASTEST_HZ


def test_ticks_come_at_their_rate():
    ticks = Ticks(FS)
    out = np.concatenate([ticks.feed(128, 4.0) for _ in range(4 * FS // 128)])
    peaks, _ = signal.find_peaks(np.abs(out), height=0.05, distance=FS // 20)
    assert len(peaks) == pytest.approx(4 * FASTEST_HZ, abs=1)


def test_points_have_their_mode_and_choices_their_limits():
    assert [mode_for(p) for p in ("oil-filler", "throttle-body", "plug-hole-4")] == [
        "band",
        "shift",
        "shift",
    ]
    with pytest.raises(ValueError, match="gain_db"):
        Choice(gain_db=MOST_GAIN_DB + 1)
    with pytest.raises(ValueError, match="carries nothing"):
        Chain(16_000, Choice("shift"))
