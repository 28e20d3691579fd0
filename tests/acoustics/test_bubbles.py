"""Bubbles: Minnaert's radius, finding them in noise, and telling a drip from a leak."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import signal, stats

from earwitness.acoustics.bubbles.events import (
    BUBBLES,
    BubbleStream,
    Listened,
    find_bubbles,
    radius_mm,
    sorted_out,
)
from earwitness.acoustics.bubbles.rate import compare_rates, count_bubbles
from earwitness.acoustics.bubbles.ringing import (
    Onset,
    Ring,
    bank_power,
    time_constant_s,
    whitened,
)
from earwitness.acoustics.hiss import score_cycled
from earwitness.simulate import shop_events
from earwitness.simulate.bubbles import bubbling, resonance_hz

FS = 48_000


def noise(seed: int, seconds: float = 10.0, fs: int = FS) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(round(seconds * fs))


@pytest.mark.parametrize(
    ("radius", "frequency"),
    [(0.5, 6572), (1.0, 3286), (1.5, 2191), (2.0, 1643), (3.0, 1095), (5.0, 657)],
)
def test_radius_is_that_of_minnaert(radius: float, frequency: float) -> None:
    # Minnaert, Phil. Mag. 16:235-248 (1933), computed for one atmosphere and water of 20 C.
    assert radius_mm(frequency) == pytest.approx(radius, rel=1e-3)
    assert resonance_hz(radius * 1e-3) == pytest.approx(frequency, rel=1e-3)


def test_bank_is_calibrated_on_noise() -> None:
    sound = whitened(noise(1), FS, (500, 5000), 11_000)
    power = bank_power(sound, np.array([700.0, 1500.0, 3000.0]))
    # The largest of the steps within a hop is kept, so the mean lies somewhat above one.
    assert np.all((power.mean(axis=1) > 0.9) & (power.mean(axis=1) < 2.5))


def test_a_free_bubble_rings_some_dozens_of_periods() -> None:
    # Quality factors of about 15 to 50 over 0.5-5 kHz: van den Doel (2005), from memory.
    f = np.array([500.0, 1000.0, 2000.0, 5000.0])
    assert np.all((np.pi * f * time_constant_s(f) > 15) & (np.pi * f * time_constant_s(f) < 50))


@pytest.mark.slow
def test_noise_holds_no_bubbles() -> None:
    heard = find_bubbles(noise(2, 30.0), FS)
    assert heard.bubbles == ()


@pytest.mark.slow
@pytest.mark.parametrize("fs", [16_000, 44_100, 48_000, 96_000])
def test_bubbles_are_found_at_any_rate(fs: int) -> None:
    made = bubbling(np.random.default_rng(3), fs, 10.0, 120.0)
    heard = find_bubbles(noise(4, 10.0, fs) + 20 * made.samples, fs)
    pairs = [
        (b, f)
        for at, f in zip(made.at_s, made.frequency_hz, strict=True)
        for b in heard.bubbles
        if abs(b.at_s - at) < 0.01 and abs(b.frequency_hz / f - 1) < 0.1
    ]
    assert len(made.at_s) > 5
    assert len(pairs) >= 0.7 * len(made.at_s)
    assert len(heard.bubbles) <= len(pairs) + 1
    errors = [abs(b.radius_mm / (resonance_hz(1e-3) / f) - 1) for b, f in pairs]
    assert np.median(errors) < 0.03


@pytest.mark.slow
@pytest.mark.parametrize("make", ["ratchet", "metal_drop", "impact_burst", "radio_phrase"])
def test_other_sounds_are_no_bubbles(make: str) -> None:
    rng = np.random.default_rng(5)
    sound = noise(6, 10.0)
    for at in (1.0, 4.0, 7.0):
        event = getattr(shop_events, make)(rng, FS)
        shop_events.add_at(sound, 30 * event / np.max(np.abs(event)), round(at * FS))
    assert len(find_bubbles(sound, FS).bubbles) <= 1


@pytest.mark.slow
def test_hammering_makes_deaf_where_it_hammers() -> None:
    sound = noise(7, 10.0)
    burst = shop_events.impact_burst(np.random.default_rng(8), FS)
    shop_events.add_at(sound, 100 * burst / np.max(np.abs(burst)), round(3.0 * FS))
    deaf = find_bubbles(sound, FS).deaf_s
    assert deaf
    assert all(2.8 < begin < end < 3.0 + len(burst) / FS + 1.0 for begin, end in deaf)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(deaf))


def test_a_low_rate_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="below"):
        find_bubbles(np.zeros(8000), 8000)


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(100), np.zeros(FS)])
def test_silence_and_scraps_hold_nothing(samples: np.ndarray) -> None:
    assert find_bubbles(samples, FS).bubbles == ()


def test_a_long_tone_is_no_bubble() -> None:
    t = np.arange(5 * FS) / FS
    tone = np.sin(2 * np.pi * 1200 * t) * (signal.square(2 * np.pi * 1.0 * t) > 0)
    assert len(find_bubbles(noise(9, 5.0) + 10 * tone, FS).bubbles) == 0


AIR_ON = [(4.0, 8.0), (12.0, 16.0), (20.0, 24.0)]


@pytest.mark.slow
def test_bubbles_that_follow_the_valve_are_told_from_drips() -> None:
    floor = noise(10, 28.0)
    driven = bubbling(np.random.default_rng(11), FS, 28.0, 90.0, during_s=AIR_ON)
    dripping = bubbling(np.random.default_rng(12), FS, 28.0, 60.0, drips=True)
    leak = count_bubbles(floor + 20 * driven.samples, FS, AIR_ON)
    drip = count_bubbles(floor + 20 * dripping.samples, FS, AIR_ON)
    assert leak.p_value < 0.001
    assert drip.p_value > 0.05
    assert leak.ratio_interval[0] > 3 > drip.ratio_interval[0]
    assert leak.radius_mm is not None
    assert 0.6 < leak.radius_mm < 6


@pytest.mark.slow
def test_a_cycled_take_at_the_radiator_counts_bubbles() -> None:
    driven = bubbling(np.random.default_rng(14), FS, 28.0, 90.0, during_s=AIR_ON)
    take = (noise(15, 28.0) + 20 * driven.samples) / 100
    finding = score_cycled(take, FS, AIR_ON, point="radiator")
    assert finding.bubbles is not None
    assert finding.bubbles.follows_air
    assert 20 < finding.bubbles.per_minute < 150
    assert score_cycled(take, FS, AIR_ON, point="tailpipe").bubbles is None


def test_comparison_of_rates_is_the_exact_binomial_one() -> None:
    # scipy.stats.poisson_means_test is another test (Krishnamoorthy and Thomson 2004); the exact
    # one must be near it and never below half of it at these counts.
    for on, off in ((12, 2), (5, 5), (9, 1)):
        ours = compare_rates(on, 20.0, off, 24.0).p_value
        other = stats.poisson_means_test(on, 20.0, off, 24.0, alternative="greater").pvalue
        assert 0.8 * other < ours < 3.5 * other
    # By hand: all 5 of 5 events in half the time have probability 2^-5.
    assert compare_rates(5, 10.0, 0, 10.0).p_value == pytest.approx(1 / 32)
    assert compare_rates(5, 10.0, 0, 10.0).ratio is None
    assert compare_rates(0, 10.0, 0, 10.0).ratio is None
    assert compare_rates(6, 10.0, 3, 10.0).ratio == pytest.approx(2.0)


@pytest.mark.slow
def test_chance_is_kept() -> None:
    rng = np.random.default_rng(13)
    p = [compare_rates(int(a), 20, int(b), 24).p_value for a, b in rng.poisson((5, 6), (2000, 2))]
    assert np.mean(np.array(p) <= 0.05) <= 0.05
    assert np.mean(np.array(p) <= 0.05) > 0.01


@pytest.mark.parametrize("air_on", [[(4.0, 3.0)], [(2.0, 2.0)]])
def test_a_period_that_ends_first_is_refused(air_on: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="before it begins"):
        count_bubbles(np.zeros(FS), FS, air_on)


def test_negative_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        compare_rates(-1, 1.0, 0, 1.0)


Sound = tuple[float, float, float, bool]
"""Time [s], frequency [Hz], level [dB], and whether one damped tone explains it."""


def told_apart(sounds: list[Sound]) -> Listened:
    heard = [Onset(at, f, db, 0.9 if tone else 0.2, 0.0) for at, f, db, tone in sounds]
    rings = [Ring(at, f, 1.0, 0.95, 20.0, db) if tone else None for at, f, db, tone in sounds]
    return sorted_out(heard, rings, BUBBLES)


@pytest.mark.parametrize(
    ("sounds", "bubbles"),
    [
        ([(1 + 0.4 * k, 1500.0, 30.0, True) for k in range(8)], 8),
        ([(1 + 0.08 * k, 1500.0, 30.0, True) for k in range(8)], 0),
        ([(1 + 0.008 * k, 900.0, 30.0, True) for k in range(8)], 0),
        ([(1 + 0.013 * k, 600.0 + 110 * k, 30.0, False) for k in range(25)], 0),
        ([(1.0, 1500.0, 30.0, True), (1.004, 4000.0, 25.0, False)], 1),
        ([(1.0, 1500.0, 30.0, True), (1.004, 4000.0, 35.0, False)], 0),
        ([(1.0, 1500.0, 30.0, True), (1.03, 1600.0, 26.0, False), (1.06, 3000.0, 24.0, True)], 2),
        ([(1.0, 1500.0, 30.0, True), (1.05, 3000.0, 33.0, False)], 0),
        ([(1.0, 800.0, 30.0, True), (1.02, 2500.0, 28.0, True)], 2),
        ([(1.0, 800.0, 30.0, True), (1.02, 820.0, 26.0, True)], 1),
    ],
    ids=[
        "equal bubbles, two a second",
        "a ratchet, twelve a second",
        "a voice",
        "a rattle",
        "a splash with it",
        "a louder clang with it",
        "its own tail hides no other",
        "a louder clang beside it",
        "two at once",
        "a bubble and its echo",
    ],
)
def test_a_bubble_is_told_by_what_is_around_it(sounds: list[Sound], bubbles: int) -> None:
    assert len(told_apart(sounds).bubbles) == bubbles


def test_bubbles_in_a_rattle_are_not_believed() -> None:
    rattle = [(1 + 0.02 * k, 600.0 + 130 * k, 28.0, False) for k in range(25)]
    alone, among = (1.25, 1500.0, 30.0, True), [(1.25, 1500.0, 30.0, True), *rattle]
    assert len(told_apart([alone]).bubbles) == 1
    assert len(told_apart(among).bubbles) == 0


@pytest.mark.slow
@pytest.mark.parametrize("size", [997, 65_536])
def test_the_size_of_blocks_changes_no_bubble(size: int) -> None:
    """Pieces begin at fixed samples: 12.5 s at 16 kHz, cut in blocks of any size."""
    made = bubbling(np.random.default_rng(16), 16_000, 12.5, 60.0)
    sound = noise(17, 12.5, 16_000) + 20 * made.samples
    stream = BubbleStream(16_000)
    for start in range(0, len(sound), size):
        stream.feed(sound[start : start + size])
    split, whole = stream.finish(), find_bubbles(sound, 16_000)
    assert split.bubbles == whole.bubbles
    assert split.deaf_s == whole.deaf_s
    assert len(whole.bubbles) > 5


@pytest.mark.slow
def test_no_bubble_is_lost_or_doubled_where_pieces_meet() -> None:
    """One bubble each tenth of a second, of its own frequency, about the seams at 8 and 16 s."""
    at_s = np.concatenate([np.arange(7.5, 8.5, 0.1), np.arange(15.5, 16.5, 0.1)])
    sound, t = noise(18, 26.0, 16_000), np.arange(1600) / 16_000
    for k, at in enumerate(at_s):
        f = 700.0 * 1.19 ** (k % 10)
        ring = np.exp(-t / float(time_constant_s(f))) * np.sin(2 * np.pi * f * t)
        shop_events.add_at(sound, 25 * ring, round(at * 16_000))
    heard = find_bubbles(sound, 16_000).bubbles
    nearest = [min(range(len(at_s)), key=lambda k: abs(at_s[k] - b.at_s)) for b in heard]
    assert len(set(nearest)) == len(nearest)
    assert len(nearest) >= len(at_s) - 2
