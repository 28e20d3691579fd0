"""How often a take without a leak is called a leak, and what plain comparisons would say.

    python benchmarks/hiss_false_alarms.py --takes 100 --seed 1

Prints the share of leak-free cycled takes with p <= 0.01 and p <= 0.05 for each scene and listening
point, beside a plain comparison of sound power on the same takes; then what a pair of recordings
shows where nothing leaks. The promise is 1.5 % at 0.01 and 7 % at 0.05.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.hiss import score_cycled, score_pair
from hiss_scenes import BAYS, POINTS, SCENES, Take, arguments, naive_p, null_take

if TYPE_CHECKING:
    import argparse


def main() -> None:
    args = arguments(__doc__, takes=100, seed=1)
    print("leak-free takes         |  detector       | plain power   | pair: rise at | called")
    print("scene             point |   n  <=.01 <=.05 |  <=.01  <=.05 |  95 % [dB]   | a hiss")
    for scene in args.scene or SCENES:
        _scene(scene, args)


def _scene(scene: str, args: argparse.Namespace) -> None:
    rows: dict[str, list[list[float]]] = {p: [] for p in POINTS}
    for i in range(args.takes):
        rng = np.random.default_rng([args.seed, (SCENES + BAYS).index(scene), i])
        take = null_take(rng, scene, fs=args.rate, seconds=args.seconds, cycles=args.cycles)
        point = POINTS[i % len(POINTS)]
        finding = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
        if not finding.usable:
            raise SystemExit(f"{scene} take {i}: {finding.flags}")
        rows[point].append([finding.p_value, naive_p(take), *_pair(take, point)])
    for point in POINTS:
        if rows[point]:
            _print(scene, point, np.array(rows[point]))
    _print(scene, "all", np.array([row for r in rows.values() for row in r]))


def _pair(take: Take, point: str) -> tuple[float, float]:
    """Screen the first against the last third of a take: rise, and whether it was graded."""
    third = len(take.samples) // 3
    first, last = take.samples[:third], take.samples[-third:]
    finding = score_pair(first, take.fs, last, take.fs, point=point)
    return finding.excess_db, float(finding.grade in ("faint", "clear", "strong"))


def _print(scene: str, point: str, rows: np.ndarray) -> None:
    p, naive, rise, graded = rows.T
    shares = [np.mean(x <= limit) for x in (p, naive) for limit in (0.01, 0.05)]
    drift = np.quantile(np.abs(rise), 0.95)
    print(
        f"{scene:<17} {point:<13} | {len(p):4d} {shares[0]:6.3f} {shares[1]:6.3f} "
        f"| {shares[2]:6.3f} {shares[3]:6.3f} | {drift:6.2f} | {graded.mean():6.3f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
