"""Sensitivity, honesty, level and deafness of the cycled test in the five shops S0 to S4.

    nice python benchmarks/hiss_bound.py --takes 60 --seed 9

Every take is rendered once by the simulated bay, with a second microphone; a leak is added to its
spectrum, which is exact because sound adds. Without a leak it is scored at all five listening
points, each with a rhythm of its own. Prints per shop:

false alarms   share of leak-free scorings with p <= 0.01 and p <= 0.05, one and two microphones,
               a plain comparison of sound power beside them, and quantiles of p
SNR90          leak over quiet floor, both 1-16 kHz, found in 90 % of takes at p <= 0.01, and the
               matched-weight bound: floor known in shape, Gaussian, stationary, nothing else on
level          error of the leak's level, and how often the 95 % interval holds the true rise
deafness       share found of leaks of just the level that the leak-free take called detectable
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import scipy.fft
import scipy.optimize
import scipy.stats

from earwitness.acoustics.bands import bands_for, window_length
from earwitness.acoustics.floor import band_floor
from earwitness.acoustics.hiss import is_steady
from earwitness.acoustics.proof.cycles import periods_from, prove
from earwitness.acoustics.proof.rhythms import labelings
from earwitness.acoustics.proof.rise import rise_by_shape, rise_over_cycles
from earwitness.acoustics.proof.templates import expected_spectrum
from earwitness.acoustics.settings import DEFAULTS, HissSettings
from earwitness.simulate.bay import Bay, air_schedule
from earwitness.simulate.leak import valve_envelope
from earwitness.simulate.shop_noise import frequency_grid
from earwitness.simulate.shops import SCENES

POINTS = ("oil-filler", "tailpipe", "throttle-body", "radiator", "plug-hole-2")
SECONDS, CYCLES = 44.0, 6
SNR_DB = {"S0": (-24, -21, -18, -15, -12), "S1": (-21, -18, -15, -12, -9, -6)}
LOUD_DB = (-15, -12, -9, -6, -3, 0)
LEVEL_DB = (-12, -6, 0)
"""Levels of a leak at which the error of its level is stated, where they are scored [dB]."""
DEFLECTION = float(scipy.stats.norm.ppf(0.99) + scipy.stats.norm.ppf(0.9))
"""Distance of the means of a known Gaussian test at a false-alarm rate of 1 % and a hit rate of
90 % [standard deviations]. H. Urkowitz, Proc. IEEE 55(4):523-531 (1967), Gaussian limit."""


@dataclass
class Shop:
    """What was counted in one shop."""

    p: dict[int, list[float]] = field(default_factory=lambda: {1: [], 2: []})
    plain: list[float] = field(default_factory=list)
    found: dict[tuple[int, str, float], list[bool]] = field(default_factory=dict)
    bound: dict[str, list[float]] = field(default_factory=dict)
    error_db: dict[float, list[float]] = field(default_factory=dict)
    covered: list[bool] = field(default_factory=list)
    deaf_db: list[float] = field(default_factory=list)
    deaf: list[bool] = field(default_factory=list)


class Listener:
    """Scores spectra as the package scores sound: same bands, floors and test."""

    def __init__(self, fs: int, settings: HissSettings = DEFAULTS) -> None:
        self.fs, self.bands, self.n = fs, bands_for(fs), window_length(fs)
        self.settings = settings
        t = np.arange(self.n) / self.n
        hann = 0.5 - 0.5 * np.cos(2 * np.pi * t)
        self.window = (hann / np.sqrt((hann**2).sum())).astype(np.float32)
        self.mean = (self.bands.weights / self.bands.width_bins).astype(np.float32)
        self.f = np.arange(len(self.mean)) * fs / self.n

    def spectra(self, samples: np.ndarray) -> np.ndarray:
        """Spectra of half-overlapping frames, shape (frames, bins)."""
        x = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), self.n)
        x = x[:: self.n // 2]
        parts = [scipy.fft.rfft(x[i : i + 256] * self.window) for i in range(0, len(x), 256)]
        return np.concatenate([part[:, : len(self.mean)] for part in parts])

    def floors(self, power, air):
        """Floor and middle of each period of a rhythm."""
        edges = [0.0, *(t for on in air for t in on), SECONDS]
        hop, found = self.n // 2, []
        for a, b in pairwise(edges):
            first = int(np.ceil((a + self.settings.guard_after_s) * self.fs / hop))
            end = int(np.floor((b - self.settings.guard_before_s) * self.fs / hop)) - 1
            part = power[first:end].astype(np.float64)
            found.append(band_floor(part, self.bands, self.settings))
        middle = [(a + b) / 2 for a, b in pairwise(edges)]
        return found, middle

    def score(self, power, air, point, ambient=None, *, deafness=False):
        """Proof and rise of a take, from its band powers or from floors made before."""
        floors, middle = power if isinstance(power, tuple) else self.floors(power, air)
        on = [bool(i % 2) for i in range(len(floors))]
        other = None if ambient is None else ambient[0]
        periods = periods_from(floors, on, middle, self.bands, self.settings, other)
        expected = expected_spectrum(point, self.bands)
        proof = prove(periods, expected, self.bands, self.settings, deafness=deafness)
        rise = rise_over_cycles(periods, self.bands, self.settings)
        return proof, rise_by_shape(rise, proof) if proof.p_value <= DEFAULTS.found_p else rise


def main() -> None:
    args = _arguments()
    listener = Listener(args.rate)
    count = len(labelings((False, True) * CYCLES + (False,), DEFAULTS))
    print(f"{args.takes} takes a shop, {SECONDS:.0f} s, {CYCLES} cycles, {args.rate} Hz, ", end="")
    print(f"seed {args.seed}; {count} rhythms")
    for scene in args.scene or SCENES:
        shop = Shop()
        for i in range(args.first, args.first + args.takes):
            _take(shop, listener, scene, [args.seed, int(scene[1]), i], args.points)
        _print(scene, shop, args.points)


def _take(shop: Shop, ear: Listener, scene: str, seed: list[int], points: list[str]) -> None:
    rng = np.random.default_rng(seed)
    bay = Bay(int(rng.integers(2**31)), ear.fs, SCENES[scene])
    sound = bay.render_cycled("oil-filler", None, [], SECONDS, take=0)
    noise, far = ear.spectra(sound), ear.spectra(bay.render_ambient("oil-filler", SECONDS, take=0))
    power, far_power = (np.square(np.abs(x)) @ ear.mean for x in (noise, far))
    airs = [air_schedule(rng, CYCLES, SECONDS) for _ in POINTS]
    for point, air in zip(POINTS, airs, strict=True):
        floors, ambient = ear.floors(power, air), ear.floors(far_power, air)
        shop.p[1].append(ear.score(floors, air, point)[0].p_value)
        shop.p[2].append(ear.score(floors, air, point, ambient)[0].p_value)
        shop.plain.append(_plain_p(power, air, ear))
    air, ambient = airs[0], ear.floors(far_power, airs[0])
    white = rng.standard_normal(len(sound), dtype=np.float32)
    hiss = ear.spectra(white * valve_envelope(len(sound), ear.fs, air))
    for point in points:
        h = np.interp(ear.f, frequency_grid(ear.fs), bay.hiss_density(point)) * ear.fs / 2
        leak = Leak(ear, noise, power, hiss, h)
        shop.bound.setdefault(point, []).append(_bound_db(bay, point))
        for snr_db in SNR_DB.get(scene, LOUD_DB):
            _leaky(shop, ear, leak, (air, point, snr_db), ambient)
        _deaf(shop, ear, leak, air, point)


class Leak:
    """Band powers of a take with a leak of any level in it."""

    def __init__(self, ear: Listener, noise, power, hiss, h) -> None:
        self.power, self.mean_power = power, float(h @ ear.mean @ ear.bands.hiss)
        amplitude = np.sqrt(h).astype(np.float32)[:, np.newaxis]
        self.cross = 2 * (noise.real * hiss.real + noise.imag * hiss.imag) @ (ear.mean * amplitude)
        self.square = np.square(np.abs(hiss)) @ (ear.mean * amplitude**2)

    def at(self, gain: float) -> np.ndarray:
        """Add the leak at a power gain over the quiet floor's power [1]."""
        return np.maximum(self.power + np.sqrt(gain) * self.cross + gain * self.square, 1e-30)


def _leaky(shop: Shop, ear: Listener, leak: Leak, what, ambient) -> None:
    air, point, snr_db = what
    floors = ear.floors(leak.at(10 ** (snr_db / 10)), air)
    for microphones, other in ((1, None), (2, ambient)):
        proof, rise = ear.score(floors, air, point, other)
        hit = proof.p_value <= DEFAULTS.found_p
        shop.found.setdefault((microphones, point, snr_db), []).append(hit)
        if microphones == 1 and hit and is_steady(proof, rise) and snr_db in LEVEL_DB:
            true = leak.mean_power * 10 ** (snr_db / 10)
            stated = rise.off_power * (10 ** (rise.excess_db / 10) - 1)
            low, high = rise.interval_db
            shop.covered.append(low <= 10 * np.log10(1 + true / rise.off_power) <= high)
            error = 10 * np.log10(max(stated, 1e-3 * true) / true)
            shop.error_db.setdefault(snr_db, []).append(error)


def _deaf(shop: Shop, ear: Listener, leak: Leak, air, point: str) -> None:
    proof, rise = ear.score(leak.power, air, point, deafness=True)
    if proof.leak_power is None:
        return
    again, rise = ear.score(leak.at(proof.leak_power / leak.mean_power), air, point)
    shop.deaf_db.append(10 * np.log10(proof.leak_power / leak.mean_power))
    shop.deaf.append(again.p_value <= DEFAULTS.found_p and is_steady(again, rise))


def _bound_db(bay: Bay, point: str) -> float:
    """SNR90 of a test that knows both spectra, half the take on and half off [dB]."""
    grid = frequency_grid(bay.fs)
    inside = (grid > 100) & (grid < 17_000)
    ratio = (bay.hiss_density(point) / bay.floor.density)[inside]
    sharpness = SECONDS / 4 * (ratio**2).sum() * (bay.fs / 2) / (len(grid) - 1)
    return float(10 * np.log10(DEFLECTION / np.sqrt(sharpness)))


def _plain_p(power: np.ndarray, air, ear: Listener) -> float:
    """Return what Welch's t-test over the power of frames, 2-16 kHz, claims."""
    wide = (ear.bands.centre_hz > 2_000) & (ear.bands.hiss > 0)
    loud = power[:, wide] @ ear.bands.width_bins[wide]
    t = (np.arange(len(loud)) + 1) * (ear.n // 2) / ear.fs
    on = np.any([(t > a + 0.6) & (t < b) for a, b in air], axis=0)
    off = np.all([(t < a) | (t > b + 0.6) for a, b in air], axis=0)
    test = scipy.stats.ttest_ind(loud[on], loud[off], equal_var=False, alternative="greater")
    return float(test.pvalue)


def _snr90(levels, shares) -> str:
    """Interpolate where an isotonic fit crosses 0.9."""
    fit = scipy.optimize.isotonic_regression(shares).x
    if fit[-1] < 0.9:
        return f">{levels[-1]:.0f}"
    k = int(np.argmax(fit >= 0.9))
    if k == 0:
        return f"<{levels[0]:.0f}"
    part = (0.9 - fit[k - 1]) / (fit[k] - fit[k - 1])
    return f"{levels[k - 1] + part * (levels[k] - levels[k - 1]):.1f}"


def _print(scene: str, shop: Shop, points: list[str]) -> None:
    columns = [("1 mic", shop.p[1]), ("2 mics", shop.p[2]), ("plain", shop.plain)]
    for name, p in columns:
        shares = " ".join(f"{np.mean(np.array(p) <= x):.3f}" for x in (0.01, 0.05))
        q = " ".join(f"{x:.3f}" for x in np.quantile(p, (0.01, 0.05, 0.1, 0.25, 0.5, 0.75)))
        print(
            f"{scene} {name:6} false alarms <=.01 <=.05: {shares}  quantiles of p {q}  n={len(p)}"
        )
    levels = SNR_DB.get(scene, LOUD_DB)
    for point in points:
        bound = float(np.median(shop.bound[point]))
        row = [f"{scene} {point:13} bound {bound:6.1f}"]
        for microphones in (1, 2):
            shares = [np.mean(shop.found[microphones, point, s]) for s in levels]
            steps = " ".join(f"{s:+d}:{x:.2f}" for s, x in zip(levels, shares, strict=True))
            row.append(f"{microphones} mic SNR90 {_snr90(levels, shares)} ({steps})")
        print("  ".join(row))
    for snr_db, errors in shop.error_db.items():
        middle = np.median(errors)
        spread = 1.4826 * np.median(np.abs(errors - middle))
        print(
            f"{scene} level at {snr_db:+d} dB: bias {middle:+.2f} sd {spread:.2f} n={len(errors)}"
        )
    covered = f"{np.mean(shop.covered):.3f}" if shop.covered else "-"
    print(f"{scene} interval covers {covered}; stated level: median ", end="")
    print(f"{np.median(shop.deaf_db):.1f} dB SNR, found {np.mean(shop.deaf):.3f} ", end="")
    print(f"n={len(shop.deaf)}\n", flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60, help="takes a shop")
    parser.add_argument("--first", type=int, default=0, help="number of the first take")
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--rate", type=int, default=48_000, help="sample rate [Hz]")
    parser.add_argument("--scene", choices=SCENES, action="append")
    parser.add_argument("--points", nargs="+", choices=POINTS, default=[POINTS[0], POINTS[2]])
    return parser.parse_args()


if __name__ == "__main__":
    main()
