"""How faint a leak is still found, and whether the stated detectable level is true.

    python benchmarks/hiss_sensitivity.py --takes 40 --seed 7

First table: share of takes graded as a hiss at p <= 0.01 against the leak's power over the fan's
(1-16 kHz). Second: share found when the leak has just the level that the leak-free take called
detectable; the promise is 0.85. Third: error of the stated rise, and how often its 95 % interval
holds the true one.
"""

from __future__ import annotations

import numpy as np

from earwitness.acoustics.hiss import score_cycled
from hiss_scenes import BAYS, POINTS, SCENES, Take, add_leak, add_leak_power, arguments, null_take

SNR_DB = (-19, -16, -13, -10, -7, -4, -1, 2, 5)


def main() -> None:
    args = arguments(__doc__, takes=40, seed=7)
    for scene in args.scene or SCENES:
        found = {snr: [] for snr in SNR_DB}
        stated, errors = [], []
        for i in range(args.takes):
            rng = np.random.default_rng([args.seed, (SCENES + BAYS).index(scene), i])
            take = null_take(rng, scene, fs=args.rate, seconds=args.seconds, cycles=args.cycles)
            point = POINTS[i % len(POINTS)]
            for snr in SNR_DB:
                found[snr].append(_found(add_leak(rng, take, point, snr_db=snr), point))
            stated.append(_at_stated_level(rng, take, point))
            errors.append(_level_error(rng, take, point))
        _print(scene, found, stated, errors)


def _found(take: Take, point: str) -> bool:
    finding = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
    return finding.grade in ("faint", "clear", "strong")


def _at_stated_level(rng: np.random.Generator, take: Take, point: str) -> tuple[float, bool]:
    """Add a leak of the level that the leak-free take calls detectable."""
    finding = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
    if finding.detectable_db is None:
        return np.inf, True
    power = _floor_power(finding) * (10 ** (finding.detectable_db / 10) - 1)
    return finding.detectable_db, _found(add_leak_power(rng, take, point, power), point)


def _level_error(rng: np.random.Generator, take: Take, point: str) -> tuple[float, bool]:
    """Error of the rise for a leak twice as strong as the quiet floor, and interval coverage."""
    clean = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
    leaky = add_leak(rng, take, point, snr_db=3)
    finding = score_cycled(leaky.samples, leaky.fs, leaky.air_on_s, point=point)
    true_db = 10 * np.log10(1 + 2 * take.quiet_power / _floor_power(clean))
    low, high = finding.interval_db
    return finding.excess_db - true_db, low <= true_db <= high


def _floor_power(finding) -> float:
    """Air-off floor over 1-16 kHz: mean power per bin times the bins' share of the spectrum."""
    f = np.array(finding.floors.centre_hz)
    inside = (f > 1_000) & (f < 15_900)
    width = f[inside]
    mean = np.average(10 ** (np.array(finding.floors.off_db)[inside] / 10), weights=width)
    top = f[inside][-1] * 10 ** (1 / 40)
    return mean * (top - 1_000) / (finding.sample_rate_hz / 2)


def _print(scene: str, found: dict, stated: list, errors: list) -> None:
    row = "  ".join(f"{snr:+d}:{np.mean(hits):.2f}" for snr, hits in found.items())
    levels, hits = np.array(stated, dtype=float).T
    error, covered = np.array(errors, dtype=float).T
    spread = 1.4826 * np.median(np.abs(error - np.median(error)))
    print(f"{scene:<17} found at SNR [dB]  {row}")
    print(f"{'':<17} stated level: median {np.median(levels):.2f} dB, found {hits.mean():.2f}")
    print(
        f"{'':<17} rise at +3 dB: bias {np.median(error):+.2f} dB, sd {spread:.2f} dB, "
        f"coverage {covered.mean():.2f}   n={len(hits)}",
        flush=True,
    )


if __name__ == "__main__":
    main()
