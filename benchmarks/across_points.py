"""Measure what several listening points say together: false alarms, and where a leak is put.

Inspections of five points come from the simulated bay, every point with noise of its own. First
without a leak: how often is any point called a hiss, each probability taken alone and all corrected
for their number? Then with a leak at one point that the others hear through walls, 6 to 20 dB
softer give or take 1.5 dB; *hidden*: heard elsewhere, with the warning that noise could hide a
louder leak where it is. Last with a hose that hisses at its coupling and an engine that does not
leak. A second plug hole stands in for the radiator, where bubbles would be counted as well.

The noise of a take is rendered once and used for all levels of the leak, and without a leak for
several rhythms that the air might have had; so inspections of a row are not all independent of each
other, but every one is as probable as any other.

Run: python benchmarks/across_points.py [--inspections 400] [--seed 9200]   (about 50 minutes)
"""

from __future__ import annotations

import argparse
from collections import Counter
from itertools import product

import numpy as np
import scipy.stats

from earwitness.acoustics.across import across_points
from earwitness.acoustics.hiss import score_cycled
from earwitness.engine.listening_points import CONTROL
from earwitness.simulate.bay import Bay, air_schedule

FS = 48_000
SECONDS, CYCLES = 32.0, 6
POINTS = ("oil-filler", "tailpipe", "throttle-body", "plug-hole-1", "plug-hole-3")
SHOPS = ("still", "busy-drifting", "second-hiss")
RHYTHMS = 4
"""Rhythms at which a take without a leak is scored [1]."""
LEVELS_DB, CROSS_DB = (-7.0, -1.0, 5.0), (-6.0, -12.0, -20.0)
SCATTER_DB = 1.5
HOSE_LOSS_DB = 8.0
"""How much softer a hissing hose is at a listening point than at the hose [dB]. Guess."""
EACH = ("right", "or", "hidden", "wrong", "nothing")


class Take:
    """One take: its noise, and hiss of the level of the quiet floor, from here or through walls."""

    def __init__(self, rng, bay, point, air, *, here) -> None:
        self.point, self.air, self.fs = point, air, bay.fs
        take = int(rng.integers(2**31))
        hiss = {"snr_db": 0.0} if here else {"snr_db": None, "cross_talk_db": 0.0}
        self.noise = bay.render_cycled(point, None, air, SECONDS, take=take)
        self.hiss = bay.render_cycled(point, air_on_s=air, seconds=SECONDS, take=take, **hiss)
        self.hiss -= self.noise

    def scored(self, db):
        """Score it with the hiss at a level over the quiet floor [dB]."""
        x = self.noise + self.hiss * 10 ** (db / 20)
        return score_cycled(x.astype(np.float32), self.fs, self.air, point=self.point)


def schedule(rng):
    return air_schedule(rng, CYCLES, SECONDS)


def nothing_leaks(rng, shop, number):
    alone, together = [0, 0], [0, 0]
    for _ in range(number // RHYTHMS):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        airs = [schedule(rng) for _ in range(RHYTHMS)]
        noises = [bay.render_cycled(p, None, airs[0], SECONDS, take=0) for p in POINTS]
        for air in airs:
            found = [
                score_cycled(x.astype(np.float32), FS, air, point=p)
                for x, p in zip(noises, POINTS, strict=True)
            ]
            for i, level in enumerate((0.01, 0.05)):
                alone[i] += any(f.p_value <= level for f in found)
                together[i] += any(p.p_value <= level for p in across_points(found).points)
    shares = [100 * n / number for n in (*alone, *together)]
    row = "".join(f"{s:9.1f}" for s in shares)
    print(f"{shop:15} {number:6}{row}{100 * upper(together[0], number):9.1f}", flush=True)


def upper(events, number):
    """Upper 95 % limit of a share, one-sided (Clopper and Pearson 1934)."""
    return float(scipy.stats.beta.ppf(0.95, events + 1, number - events))


def one_leaks(rng, shop, number):
    seen = {combination: Counter() for combination in product(LEVELS_DB, CROSS_DB)}
    for _ in range(number):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        leak = str(rng.choice(POINTS))
        takes = [Take(rng, bay, p, schedule(rng), here=p == leak) for p in POINTS]
        scatter_db = rng.normal(0, SCATTER_DB, len(POINTS))
        for (snr_db, cross_db), count in seen.items():
            across_db = snr_db + cross_db + scatter_db
            levels = [
                snr_db if t.point == leak else x for t, x in zip(takes, across_db, strict=True)
            ]
            found = [t.scored(db) for t, db in zip(takes, levels, strict=True)]
            count[placed(across_points(found), leak)] += 1
    for (snr_db, cross_db), count in seen.items():
        row = "".join(f"{100 * count[k] / number:9.0f}" for k in EACH)
        print(f"{shop:15} {snr_db:6.0f} {cross_db:10.0f} {number:6}{row}", flush=True)


def placed(across, leak):
    """Say whether a leak was put where it is."""
    if not across.located:
        return "nothing"
    if across.located == (leak,):
        return "right"
    if leak in across.located:
        return "or"
    return "hidden" if leak in across.hidden else "wrong"


def hose_leaks(rng, shop, number):
    levels_db = (0.0, 10.0)
    named = {db: [0, 0, 0] for db in levels_db}
    for _ in range(number):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        takes = [Take(rng, bay, p, schedule(rng), here=False) for p in POINTS]
        hose = Take(rng, bay, CONTROL, schedule(rng), here=True)
        scatter_db = rng.normal(0, SCATTER_DB, len(POINTS)) - HOSE_LOSS_DB
        for db, count in named.items():
            found = [t.scored(db + x) for t, x in zip(takes, scatter_db, strict=True)]
            across = across_points([*found, hose.scored(db)])
            count[0] += bool(across_points(found).located)
            count[1] += bool(across.located) and CONTROL not in across.hidden
            count[2] += bool(across.located) and CONTROL in across.hidden
    for db, count in named.items():
        row = "".join(f"{100 * n / number:12.0f}" for n in count)
        print(f"{shop:15} {db:6.0f} {number:6}{row}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inspections", type=int, default=400)
    parser.add_argument("--seed", type=int, default=9200)
    parser.add_argument("--shop", choices=SHOPS, action="append", help="only this shop")
    parser.add_argument("--part", choices=("none", "one", "hose"), action="append")
    options = parser.parse_args()
    rng, n = np.random.default_rng(options.seed), options.inspections
    shops = options.shop or SHOPS
    parts = options.part or ("none", "one", "hose")
    print(f"seed {options.seed}; {CYCLES} cycles in {SECONDS:.0f} s, {FS} Hz, {len(POINTS)} points")
    if "none" in parts:
        print("\nnothing leaks: inspections in which some point is called a hiss, %")
        print("shop            number   alone 1%      5%  Holm 1%      5%  1% at most")
        for shop in shops:
            nothing_leaks(rng, shop, n)
    if "one" in parts:
        print("\none point leaks: where it is put, %")
        print(
            "shop            SNR dB  crosstalk number    right   A or B   hidden    wrong  nothing"
        )
        for shop in shops:
            one_leaks(rng, shop, n // 10)
    if "hose" in parts:
        print("\nthe hose hisses, the engine does not: inspections that name a point, %")
        print("shop            SNR dB number  no take at it     with it      warned")
        for shop in shops:
            hose_leaks(rng, shop, n // 20)


if __name__ == "__main__":
    main()
