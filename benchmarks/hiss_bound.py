"""Sensitivity, honesty, level and deafness of the cycled test in the five shops S0 to S4.

    nice python benchmarks/hiss_bound.py --takes 60 --seed 9 --values p.json \
        --picture docs/images/p-values.png

Every take is rendered once by the simulated bay, with a second microphone; a leak is added to its
spectrum, which is exact because sound adds. Without a leak it is scored at all five listening
points, each with a rhythm of its own and begun at another place of the sound, its end joined to its
start, so that the five share little. `--values` collects the probabilities shop by shop,
`--picture` draws the quantiles of all that were collected. Prints per shop:

false alarms   share of leak-free scorings with p <= 0.01 and p <= 0.05, one and two microphones,
               a plain comparison of sound power beside them, and quantiles of p
SNR90          leak over quiet floor, both 1-16 kHz, found in 90 % of takes at p <= 0.01, and the
               matched-weight bound: floor known in shape, Gaussian, stationary, nothing else on;
               beside each SNR90 its gap to that bound
level          error of the leak's level, and how often the 95 % interval holds the true rise
deafness       share found of leaks of just the level that the leak-free take called detectable, and
               of leaks of other levels against that: where half are found, how gradually
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.optimize
import scipy.stats

from earwitness.acoustics.bands import bands_for, window_length
from earwitness.acoustics.floor import band_floor
from earwitness.acoustics.hiss import is_steady
from earwitness.acoustics.proof.cycles import periods_from, prove
from earwitness.acoustics.proof.rhythms import labelings
from earwitness.acoustics.proof.rise import rise_by_shape, rise_db, rise_over_cycles
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
    deaf_rise_db: list[float] = field(default_factory=list)
    beside: list[tuple[float, bool]] = field(default_factory=list)
    """Level against the detectable one [dB], and whether it was found."""


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
    for scene in (args.scene or SCENES) if args.takes else ():
        shop = Shop()
        for i in range(args.first, args.first + args.takes):
            _take(shop, listener, scene, [args.seed, int(scene[1]), i], args.points)
        _print(scene, shop, args.points)
        _collect(args.values, scene, shop)
    if args.picture:
        _draw(args.values, args.picture)


def _take(shop: Shop, ear: Listener, scene: str, seed: list[int], points: list[str]) -> None:
    rng = np.random.default_rng(seed)
    bay = Bay(int(rng.integers(2**31)), ear.fs, SCENES[scene])
    sound = bay.render_cycled("oil-filler", None, [], SECONDS, take=0)
    noise, far = ear.spectra(sound), ear.spectra(bay.render_ambient("oil-filler", SECONDS, take=0))
    power, far_power = (np.square(np.abs(x)) @ ear.mean for x in (noise, far))
    airs = [air_schedule(rng, CYCLES, SECONDS) for _ in POINTS]
    for point, air in zip(POINTS, airs, strict=True):
        start = int(rng.integers(len(power)))
        here, there = np.roll(power, start, axis=0), np.roll(far_power, start, axis=0)
        floors, ambient = ear.floors(here, air), ear.floors(there, air)
        shop.p[1].append(ear.score(floors, air, point)[0].p_value)
        shop.p[2].append(ear.score(floors, air, point, ambient)[0].p_value)
        shop.plain.append(_plain_p(here, air, ear))
    air, ambient = airs[0], ear.floors(far_power, airs[0])
    white = rng.standard_normal(len(sound), dtype=np.float32)
    hiss = ear.spectra(white * valve_envelope(len(sound), ear.fs, air))
    for point in points:
        h = np.interp(ear.f, frequency_grid(ear.fs), bay.hiss_density(point)) * ear.fs / 2
        leak = Leak(ear, noise, power, hiss, h)
        shop.bound.setdefault(point, []).append(_bound_db(bay, point))
        detectable_db = _deaf(shop, ear, leak, air, point)
        for snr_db in SNR_DB.get(scene, LOUD_DB):
            called = _leaky(shop, ear, leak, (air, point, snr_db), ambient)
            if detectable_db is not None:
                shop.beside.append((snr_db - detectable_db, called))


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


def _leaky(shop: Shop, ear: Listener, leak: Leak, what, ambient) -> bool:
    """Score a leak with one microphone and with two; return whether the one calls it."""
    air, point, snr_db = what
    floors, called = ear.floors(leak.at(10 ** (snr_db / 10)), air), False
    for microphones, other in ((1, None), (2, ambient)):
        proof, rise = ear.score(floors, air, point, other)
        hit = proof.p_value <= DEFAULTS.found_p
        shop.found.setdefault((microphones, point, snr_db), []).append(hit)
        called = called or (microphones == 1 and hit and is_steady(proof, rise))
        if microphones == 1 and called and snr_db in LEVEL_DB:
            true = leak.mean_power * 10 ** (snr_db / 10)
            stated = rise.off_power * (10 ** (rise.excess_db / 10) - 1)
            low, high = rise.interval_db
            shop.covered.append(low <= 10 * np.log10(1 + true / rise.off_power) <= high)
            error = 10 * np.log10(max(stated, 1e-3 * true) / true)
            shop.error_db.setdefault(snr_db, []).append(error)
    return called


def _deaf(shop: Shop, ear: Listener, leak: Leak, air, point: str) -> float | None:
    """Put in a leak of the level that the take calls detectable; return that level [dB]."""
    proof, rise = ear.score(leak.power, air, point, deafness=True)
    if proof.leak_power is None:
        return None
    shop.deaf_rise_db.append(rise_db(proof.leak_power, rise.off_power))
    again, rise = ear.score(leak.at(proof.leak_power / leak.mean_power), air, point)
    shop.deaf_db.append(10 * np.log10(proof.leak_power / leak.mean_power))
    shop.deaf.append(again.p_value <= DEFAULTS.found_p and is_steady(again, rise))
    return shop.deaf_db[-1]


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
            snr90 = _snr90(levels, shares)
            gap = f" gap {float(snr90) - bound:.1f}" if snr90[0] not in "<>" else ""
            row.append(f"{microphones} mic SNR90 {snr90}{gap} ({steps})")
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
    print(f"n={len(shop.deaf)}")
    half, gradual = _half_found(shop.beside)
    print(
        f"{scene} stated rise: median {np.median(shop.deaf_rise_db):.2f} dB; half are found ",
        end="",
    )
    print(f"{half:+.1f} dB from the stated level, gradual over {gradual:.1f} dB\n", flush=True)


def _half_found(beside: list[tuple[float, bool]]) -> tuple[float, float]:
    """Fit a normal distribution function to what is found: its middle and spread [dB]."""
    x, found = np.array(beside).T

    def unlikely(t):
        p = np.clip(scipy.stats.norm.cdf((x - t[0]) / np.exp(t[1])), 1e-4, 1 - 1e-4)
        return -np.log(np.where(found > 0, p, 1 - p)).sum()

    half, log_spread = scipy.optimize.minimize(unlikely, (-3.0, 1.0), method="Nelder-Mead").x
    return float(half), float(np.exp(log_spread))


def _collect(values: Path | None, scene: str, shop: Shop) -> None:
    """Add the probabilities of a shop to a file of them."""
    if values is None or not shop.plain:
        return
    every = json.loads(values.read_text()) if values.exists() else {}
    every[scene] = {"one": shop.p[1], "two": shop.p[2], "plain": shop.plain}
    values.write_text(json.dumps(every))


def _draw(values: Path, picture: Path) -> None:
    """Draw how often a leak-free take has a probability of so much or less, shop by shop."""
    from matplotlib.figure import Figure

    every = json.loads(values.read_text())
    figure = Figure(figsize=(9, 3.4), layout="constrained")
    axes = figure.subplots(1, 3, sharey=True)
    titles = {"one": "one microphone", "two": "two microphones", "plain": "plain comparison"}
    at = np.geomspace(1e-3, 1, 200)
    for ax, (key, title) in zip(axes, titles.items(), strict=True):
        for k, scene in enumerate(sorted(every)):
            p = np.sort(every[scene][key])
            share = np.searchsorted(p, at, side="right") / len(p)
            ax.plot(at, share, color=f"C{k}", lw=1.4, label=f"{scene}, {len(p)} scorings")
        ax.plot(at, at, color="0.5", lw=0.8, ls="--")
        ax.plot((0.01, 0.05), (0.015, 0.07), "kv", ms=5, label="highest allowed")
        ax.set(xscale="log", yscale="log", title=title, xlim=(1e-3, 1), ylim=(5e-4, 1.1))
        ax.set_xlabel("stated probability p")
        ax.grid(color="0.9")
    axes[0].set_ylabel("share of leak-free scorings at or below p")
    axes[0].legend(fontsize=7, loc="upper left")
    figure.savefig(picture, dpi=120)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60, help="takes a shop")
    parser.add_argument("--first", type=int, default=0, help="number of the first take")
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--rate", type=int, default=48_000, help="sample rate [Hz]")
    parser.add_argument("--scene", choices=SCENES, action="append")
    parser.add_argument("--points", nargs="+", choices=POINTS, default=[POINTS[0], POINTS[2]])
    parser.add_argument("--values", type=Path, help="file that collects probabilities")
    parser.add_argument("--picture", type=Path, help="draws what is collected")
    return parser.parse_args()


if __name__ == "__main__":
    main()
