"""Measure what several listening points say together: false alarms, and where a leak is put.

Inspections of five points come from the simulated bay, every point with noise of its own. First
without a leak: how often is any point called a hiss, each probability taken alone and all corrected
for their number? Then with a leak at one point that the others hear through walls, 6 to 20 dB
softer give or take 1.5 dB; *hidden*: heard elsewhere, with the warning that noise could hide a
louder leak where it is. Last with a hose that hisses at its coupling and an engine that does not
leak. A second plug hole stands in for the radiator, where bubbles would be counted as well.

Run: python benchmarks/across_points.py [--inspections 100] [--seed 9200]   (about 15 minutes)
"""

from __future__ import annotations

import argparse
from collections import Counter
from itertools import product

import numpy as np

from earwitness.acoustics.across import across_points
from earwitness.acoustics.hiss import score_cycled
from earwitness.engine.listening_points import CONTROL
from earwitness.simulate.bay import Bay, air_schedule

FS = 24_000
SECONDS, CYCLES = 32.0, 6
POINTS = ("oil-filler", "tailpipe", "throttle-body", "plug-hole-1", "plug-hole-3")
SHOPS = ("still", "busy-drifting", "second-hiss")
SCATTER_DB = 1.5
HOSE_LOSS_DB = 8.0
"""How much softer a hissing hose is at a listening point than at the hose [dB]. Guess."""


def finding(rng, bay, point, snr_db, *, muffled_db=None):
    air = air_schedule(rng, CYCLES, SECONDS)
    take = int(rng.integers(2**31))
    x = bay.render_cycled(point, snr_db, air, SECONDS, take=take, cross_talk_db=muffled_db)
    return score_cycled(x.astype(np.float32), FS, air, point=point)


def nothing_leaks(rng, shop, number):
    alone = [0, 0]
    together = [0, 0]
    for _ in range(number):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        found = [finding(rng, bay, p, None) for p in POINTS]
        for i, level in enumerate((0.01, 0.05)):
            alone[i] += any(f.p_value <= level for f in found)
            together[i] += any(p.p_value <= level for p in across_points(found).points)
    shares = [100 * n / number for n in (*alone, *together)]
    print(f"{shop:15} {number:6}" + "".join(f"{s:9.1f}" for s in shares), flush=True)


def one_leaks(rng, shop, snr_db, cross_db, number):
    seen = Counter()
    for _ in range(number):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        leak = str(rng.choice(POINTS))
        found = [
            finding(rng, bay, p, snr_db)
            if p == leak
            else finding(
                rng, bay, p, None, muffled_db=snr_db + cross_db + rng.normal(0, SCATTER_DB)
            )
            for p in POINTS
        ]
        across = across_points(found)
        if not across.located:
            seen["nothing"] += 1
        elif across.located == (leak,):
            seen["right"] += 1
        elif leak in across.located:
            seen["or"] += 1
        else:
            seen["hidden" if leak in across.hidden else "wrong"] += 1
    shares = [100 * seen[k] / number for k in ("right", "or", "hidden", "wrong", "nothing")]
    row = "".join(f"{s:9.0f}" for s in shares)
    print(f"{shop:15} {snr_db:6.0f} {cross_db:10.0f} {number:6}{row}", flush=True)


def hose_leaks(rng, shop, snr_db, number):
    named = [0, 0, 0]
    for _ in range(number):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        found = [
            finding(rng, bay, p, None, muffled_db=snr_db - HOSE_LOSS_DB + rng.normal(0, SCATTER_DB))
            for p in POINTS
        ]
        control = finding(rng, bay, "control", snr_db)
        named[0] += bool(across_points(found).located)
        across = across_points([*found, control])
        named[1] += bool(across.located) and CONTROL not in across.hidden
        named[2] += bool(across.located) and CONTROL in across.hidden
    row = "".join(f"{100 * n / number:12.0f}" for n in named)
    print(f"{shop:15} {snr_db:6.0f} {number:6}{row}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inspections", type=int, default=100)
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
        print("shop            number   alone 1%      5%  Holm 1%      5%")
        for shop in shops:
            nothing_leaks(rng, shop, 2 * n)
    if "one" in parts:
        print("\none point leaks: where it is put, %")
        print(
            "shop            SNR dB  crosstalk number    right   A or B   hidden    wrong  nothing"
        )
        for shop, snr_db, cross_db in product(shops, (-7.0, -1.0, 5.0), (-6.0, -12.0, -20.0)):
            one_leaks(rng, shop, snr_db, cross_db, n // 4)
    if "hose" in parts:
        print("\nthe hose hisses, the engine does not: inspections that name a point, %")
        print("shop            SNR dB number  no take at it     with it      warned")
        for shop, snr_db in product(shops, (0.0, 10.0)):
            hose_leaks(rng, shop, snr_db, n // 4)


if __name__ == "__main__":
    main()
