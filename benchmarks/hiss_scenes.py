"""Shop noise and leak hiss for the hiss benchmarks, made without any part of the detector.

Four scenes, each a cruel step beyond the one before:

steady       a fan: noise falling with frequency, and the microphone's own noise
busy         + impact bursts, a ratchet, dropped metal, a voice, an air tool now and then
shop         + the fan's level and tilt wander, and a compressor starts or stops
second-leak  + another air hiss somewhere in the shop that comes and goes by itself

The scenes bay-still, bay-busy, bay-busy-drifting and bay-second-hiss come from the package's own
simulated bay instead, which is another program.

Spectra of leaks are drawn anew for every take and use other formulas than the detector's.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.signal

SCENES = ("steady", "busy", "shop", "second-leak")
BAYS = ("bay-still", "bay-busy", "bay-busy-drifting", "bay-second-hiss")
POINTS = ("oil-filler", "tailpipe", "throttle-body", "radiator", "plug-hole-2")
VALVE_S = 0.15
"""Time constant of filling and draining the cylinder [s]."""


@dataclass(frozen=True, slots=True)
class Take:
    """One cycled take without a leak, and what is needed to add one."""

    samples: np.ndarray
    fs: int
    air_on_s: list[tuple[float, float]]
    quiet_power: float
    """Power of the fan and microphone over 1-16 kHz [full scale squared]."""


def schedule(rng: np.random.Generator, *, cycles: int, seconds: float) -> list[tuple[float, float]]:
    """Air-on periods between equally long air-off ones, each 25 % longer or shorter at random."""
    lengths = rng.uniform(0.75, 1.25, 2 * cycles + 1)
    edges = np.cumsum(lengths * seconds / lengths.sum())
    return [(float(a), float(b)) for a, b in zip(edges[:-1:2], edges[1::2], strict=True)]


def null_take(
    rng: np.random.Generator, scene: str, *, fs: int = 48_000, seconds: float = 44, cycles: int = 5
) -> Take:
    """Make a take in which nothing leaks."""
    if scene in BAYS:
        return _bay_take(rng, scene.removeprefix("bay-"), fs, seconds, cycles)
    n = int(fs * seconds)
    f = np.fft.rfftfreq(scipy.fft.next_fast_len(n, real=True), 1 / fs)
    psd = _fan(rng, f)
    moving = scene in ("shop", "second-leak")
    x = _wandering(rng, psd, f, n, fs) if moving else _shaped(rng, psd, n)
    quiet = _hiss_power(psd, f)
    if moving:
        loud = _fan(rng, f) * 10 ** (rng.normal(2, 2.5) / 10)
        x += _shaped(rng, loud, n) * _switching(
            rng, n, fs, chance_on=0.4, chance_switch=0.3, lag_s=0.4
        )
    if scene == "second-leak":
        x += _other_leak(rng, f, n, fs, quiet)
    if scene != "steady":
        x += _events(rng, n, fs, np.sqrt(quiet))
    gain = 0.3 / max(0.3, np.abs(x).max())
    air = schedule(rng, cycles=cycles, seconds=n / fs)
    return Take((x * gain).astype(np.float32), fs, air, quiet * gain**2)


def add_leak(rng: np.random.Generator, take: Take, point: str, *, snr_db: float) -> Take:
    """Return the take with a leak whose power over 1-16 kHz is snr_db over the quiet floor's."""
    return add_leak_power(rng, take, point, take.quiet_power * 10 ** (snr_db / 10))


def add_leak_power(rng: np.random.Generator, take: Take, point: str, power: float) -> Take:
    """Return the take with a leak of this power over 1-16 kHz [full scale squared]."""
    n, fs = len(take.samples), take.fs
    f = np.fft.rfftfreq(scipy.fft.next_fast_len(n, real=True), 1 / fs)
    psd = leak_spectrum(rng, point, f)
    psd *= power / _hiss_power(psd, f)
    hiss = _shaped(rng, psd, n) * np.sqrt(_valve(take.air_on_s, n, fs))
    return Take((take.samples + hiss).astype(np.float32), fs, take.air_on_s, take.quiet_power)


def leak_spectrum(rng: np.random.Generator, point: str, f: np.ndarray) -> np.ndarray:
    """Power spectrum of a leak with a path of its own: corners, tilt and ripple are random."""
    octaves = lambda spread: 2 ** rng.normal(0, spread)  # noqa: E731
    f = np.maximum(f, 20.0)
    r = (f / (rng.uniform(7_000, 14_000) * octaves(0.3))) ** 2
    psd = r / (1 + r) ** 2
    corner = {"oil-filler": 2_500, "tailpipe": 3_500, "radiator": 3_000}.get(point)
    if corner:
        psd = psd / (1 + (f / (corner * octaves(0.35))) ** rng.uniform(2, 3.5))
    octave = np.log2(f / 4_000)
    ripple = 1.5 * np.sin(2 * np.pi * (octave / rng.uniform(1, 2.5) + rng.uniform()))
    return psd * 10 ** (0.1 * (rng.normal(0, 0.7) * octave + ripple))


def naive_p(take: Take) -> float:
    """Return what a plain comparison of sound power claims.

    Welch's t-test over the power of 21 ms frames, 2-16 kHz, as if they were independent.
    """
    n = round(take.fs * 1024 / 48_000)
    sos = scipy.signal.butter(
        4, [2_000, min(16_000, 0.45 * take.fs)], "band", fs=take.fs, output="sos"
    )
    y = scipy.signal.sosfilt(sos, take.samples)
    power = np.square(y[: len(y) // n * n]).reshape(-1, n).mean(axis=1)
    middle = (np.arange(len(power)) + 0.5) * n / take.fs
    on = np.zeros(len(power), dtype=bool)
    off = np.ones(len(power), dtype=bool)
    for a, b in take.air_on_s:
        on |= (middle > a + 0.6) & (middle < b)
        off &= (middle < a) | (middle > b + 0.6)
    from scipy.stats import ttest_ind

    return float(ttest_ind(power[on], power[off], equal_var=False, alternative="greater").pvalue)


def _bay_take(rng, preset, fs, seconds, cycles):
    from earwitness.simulate.bay import Bay, air_schedule

    bay = Bay(int(rng.integers(2**31)), fs, preset)
    air = air_schedule(rng, cycles, seconds)
    x = bay.render_cycled("oil-filler", None, air, seconds, take=0)
    return Take(x.astype(np.float32), fs, air, bay.quiet_power)


def _fan(rng, f):
    fan = 1 / (1 + (f / rng.uniform(80, 200)) ** rng.uniform(1.1, 1.9))
    microphone = 10 ** (-rng.uniform(12, 28) / 10) * np.interp(1_000, f, fan)
    return (fan + microphone) * 1e-6


def _shaped(rng, psd, n):
    """Gaussian noise of a given power spectrum (1 = white noise of variance one)."""
    m = 2 * (len(psd) - 1)
    z = rng.standard_normal((len(psd), 2)).view(np.complex128)[:, 0]
    return scipy.fft.irfft(z * np.sqrt(psd * m / 2), m)[:n]


def _wandering(rng, psd, f, n, fs):
    """Noise whose level and tilt wander: two halves of the spectrum with gains of their own."""
    high = 1 / (1 + (2_000 / np.maximum(f, 1)) ** 4)
    level, tilt = _wander(rng, n, fs, 5, 0.25), _wander(rng, n, fs, 8, 0.2)
    x = _shaped(rng, psd * (1 - high), n) * 10 ** ((level - tilt) / 20)
    return x + _shaped(rng, psd * high, n) * 10 ** ((level + tilt) / 20)


def _wander(rng, n, fs, tau_s, sd_db):
    """First-order random drift [dB]."""
    steps = int(n / fs * 20) + 2
    a = np.exp(-1 / (20 * tau_s))
    e = rng.standard_normal(steps) * sd_db * np.sqrt(1 - a * a)
    e[0] = rng.normal(0, sd_db)
    slow = scipy.signal.lfilter([1], [1, -a], e)
    return np.interp(np.arange(n) / fs * 20, np.arange(steps), slow)


def _switching(rng, n, fs, *, chance_on, chance_switch, lag_s):
    """Amplitude of a machine that is on or off, and may switch once."""
    on = float(rng.uniform() < chance_on)
    gate = np.full(n, on)
    if rng.uniform() < chance_switch:
        gate[rng.integers(n) :] = 1 - on
    a = np.exp(-1 / (lag_s * fs))
    return np.sqrt(np.maximum(scipy.signal.lfilter([1 - a], [1, -a], gate - on) + on, 0))


def _other_leak(rng, f, n, fs, quiet):
    psd = leak_spectrum(rng, "throttle-body", f)
    psd *= quiet / _hiss_power(psd, f) * 10 ** (rng.uniform(-10, 3) / 10)
    return _shaped(rng, psd, n) * _switching(
        rng, n, fs, chance_on=0.25, chance_switch=0.3, lag_s=0.05
    )


def _events(rng, n, fs, rms):
    """Impact bursts, ratchets, dropped metal, air tool and a voice, each with reverberation."""
    x = np.zeros(n)
    for kind, per_20_s, low, high in (
        (_impacts, 1.5, 8, 28),
        (_ratchet, 1.0, 0, 15),
        (_drop, 2.0, 2, 22),
        (_air_tool, 1.5, 3, 20),
        (_voice, 2.0, 0, 12),
    ):
        for _ in range(rng.poisson(per_20_s * n / fs / 20)):
            y = kind(rng, fs)
            start = int(rng.integers(n))
            y = y[: n - start] * rms * 10 ** (rng.uniform(low, high) / 20)
            x[start : start + len(y)] += y
    return x


def _strokes(rng, fs, times, decay_s, low, high):
    """Make decaying strokes of filtered noise with a reverberant tail, of unit power."""
    length = int(fs * (times[-1] + 1.0))
    y = np.zeros(length)
    stroke = rng.standard_normal(int(fs * 8 * decay_s))
    stroke *= np.exp(-np.arange(len(stroke)) / fs / decay_s)
    for t in times:
        i = int(t * fs)
        part = stroke[: length - i]
        y[i : i + len(part)] += rng.uniform(0.5, 1.2) * part
    sos = scipy.signal.butter(1, [low, min(high, 0.45 * fs)], "band", fs=fs, output="sos")
    return _unit(_reverberant(rng, scipy.signal.sosfilt(sos, y), fs))


def _reverberant(rng, y, fs):
    t = np.arange(int(0.6 * fs)) / fs
    tail = rng.standard_normal(len(t)) * 10 ** (-3 * t / rng.uniform(0.5, 1.3))
    tail *= rng.uniform(0.5, 1.5) / np.sqrt((tail**2).sum())
    tail[0] += 1
    return scipy.signal.oaconvolve(y, tail)


def _unit(y):
    loud = np.abs(y) > 0.1 * np.abs(y).max()
    return y / np.sqrt(np.mean(y[loud] ** 2))


def _impacts(rng, fs):
    times = np.arange(0, rng.uniform(0.6, 2.5), 1 / rng.uniform(18, 30))
    return _strokes(rng, fs, times, rng.uniform(0.003, 0.02), 700, 10_000)


def _ratchet(rng, fs):
    times = np.arange(0, rng.uniform(0.4, 1.5), 1 / rng.uniform(9, 18))
    return _strokes(rng, fs, times, rng.uniform(0.001, 0.006), 1_500, 12_000)


def _drop(rng, fs):
    times = 0.25 * (1 - 0.62 ** np.arange(6)) / 0.38
    return _strokes(rng, fs, times, rng.uniform(0.02, 0.1), 900, 9_000)


def _air_tool(rng, fs):
    n = int(fs * rng.uniform(0.4, 2.5))
    f = np.fft.rfftfreq(2 * (n // 2), 1 / fs)
    return _unit(_reverberant(rng, _shaped(rng, leak_spectrum(rng, "throttle-body", f), n), fs))


def _voice(rng, fs):
    """Make a buzz with syllables: harmonics of a wandering pitch under two formants."""
    n = int(fs * rng.uniform(1, 4))
    t = np.arange(n) / fs
    phase = (
        2 * np.pi * np.cumsum(rng.uniform(100, 220) * (1 + 0.1 * np.sin(2 * np.pi * 1.3 * t))) / fs
    )
    buzz = scipy.signal.sawtooth(phase) * np.maximum(
        0, np.sin(2 * np.pi * rng.uniform(1.5, 2.5) * t)
    )
    sos = scipy.signal.butter(1, [300, 2_500], "band", fs=fs, output="sos")
    return _unit(_reverberant(rng, scipy.signal.sosfilt(sos, buzz), fs))


def _valve(air_on_s, n, fs):
    """Leak power over time, rising and falling with the valve's time constant."""
    gate = np.zeros(n)
    for a, b in air_on_s:
        gate[int(a * fs) : int(b * fs)] = 1
    k = np.exp(-1 / (VALVE_S * fs))
    return np.maximum(scipy.signal.lfilter([1 - k], [1, -k], gate), 0)


def _hiss_power(psd, f):
    """Power of noise with this spectrum over 1-16 kHz, or to where a sample rate carries bands."""
    top = min(15_849.0, 1_000 * 10 ** (np.floor(20 * np.log10(0.92 * f[-1] / 1_000)) / 20))
    inside = (f >= 1_000) & (f < top)
    return float(psd[inside].sum() / len(f))


def arguments(purpose: str, *, takes: int, seed: int) -> argparse.Namespace:
    """Read the command line of a benchmark over these scenes."""
    parser = argparse.ArgumentParser(description=purpose.splitlines()[0])
    parser.add_argument("--takes", type=int, default=takes, help="takes per scene")
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--rate", type=int, default=48_000, help="sample rate [Hz]")
    parser.add_argument("--seconds", type=float, default=44.0, help="length of a take [s]")
    parser.add_argument("--cycles", type=int, default=5, help="air-on periods")
    parser.add_argument("--scene", choices=SCENES + BAYS, action="append")
    return parser.parse_args()
