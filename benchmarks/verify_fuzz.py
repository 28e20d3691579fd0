"""Damage a claim bag many times at random, and see that the verifier stays on its feet.

Prints, for each depth used, how many bags were damaged and found, how long one takes, and the
largest memory of the process. A bag counts as found if it is unsound; one whose bytes all happen
to be as they were must be sound. The run stops at the first bag that is neither.

Usage: python benchmarks/verify_fuzz.py [--bags 10000] [--seed 1] [--recompute-every 10]
"""

from __future__ import annotations

import argparse
import platform
import resource
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))

from tampering.damage import Fuzzer
from tampering.small_bag import DRAWING, make_bag

if TYPE_CHECKING:
    from earwitness.record.claim.check.defects import Depth


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bags", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--recompute-every", type=int, default=10)
    given = parser.parse_args()
    print(f"{platform.machine()}, Python {platform.python_version()}, seed {given.seed}")
    with tempfile.TemporaryDirectory() as folder:
        room = Path(folder) / "room"
        room.mkdir()
        fuzzer = Fuzzer(make_bag(Path(folder) / "sound"), room, seed=given.seed)
        seconds, equal = run(fuzzer, given.bags, given.recompute_every)
    for depth, taken in seconds.items():
        print(
            f"{depth}: {len(taken)} bags, median {1e3 * np.median(taken):.0f} ms, "
            f"longest {1e3 * max(taken):.0f} ms"
        )
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{given.bags - equal} damaged bags, all found; {equal} left as they were, all sound")
    print(f"no traceback, nothing written; largest memory {memory:.0f} MiB, libraries included")


def run(fuzzer: Fuzzer, bags: int, recompute_every: int) -> tuple[dict[Depth, list[float]], int]:
    """Return the time of each check by depth [s], and how many bags were left as they were."""
    seconds: dict[Depth, list[float]] = defaultdict(list)
    equal = 0
    for number in range(bags):
        depth: Depth = "default" if number % recompute_every else "recompute"
        began = time.perf_counter()
        act = fuzzer.act(depth, DRAWING)
        seconds[depth].append(time.perf_counter() - began)
        equal += act.equal
        if act.found.sound != act.equal:
            sys.exit(f"bag {number}, {act.what}: sound {act.found.sound}, equal {act.equal}")
    return seconds, equal


if __name__ == "__main__":
    main()
