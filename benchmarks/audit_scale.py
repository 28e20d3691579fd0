"""How an audit grows with the archive: time, memory, and what a second core buys.

Takes one claim bag, copies it, and audits the copies: `audit_scale.py BAG`. Prints the machine,
then bags a second and peak memory of parent and workers for each size, then the parallel efficiency
T1 / (2 T2) of two worker processes against one in the same run.
"""

from __future__ import annotations

import argparse
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SIZES = (4, 8, 16)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("bag", type=Path)
    bag = parser.parse_args().bag
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    print("bags  jobs  seconds  bags/s  peak MiB of a process")
    with tempfile.TemporaryDirectory() as folder:
        seconds = {n: _audit(bag, Path(folder) / str(n), n, jobs=1) for n in SIZES}
        both = _audit(bag, Path(folder) / "two", SIZES[-1], jobs=2)
    print(
        f"growth: {seconds[SIZES[-1]] / seconds[SIZES[0]] / (SIZES[-1] / SIZES[0]):.2f} of linear"
    )
    print(f"parallel efficiency on two processes: {seconds[SIZES[-1]] / (2 * both):.2f}")


def _audit(bag: Path, folder: Path, copies: int, *, jobs: int) -> float:
    for i in range(copies):
        shutil.copytree(bag, folder / f"claim-{i:04d}")
    table = folder.with_suffix(".csv")
    words = ["audit", str(folder), "--out", str(table), "--jobs", str(jobs)]
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "earwitness", *words], capture_output=True, check=False)
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(
        f"{copies:4d}  {jobs:4d}  {seconds:7.1f}  {copies / seconds:6.2f}  {peak:6.0f}", flush=True
    )
    return seconds


if __name__ == "__main__":
    main()
