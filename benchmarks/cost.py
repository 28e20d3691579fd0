"""Measure what scoring a take costs, against passes of plain Fourier transforms in the same run.

Every figure is processor time of one thread, best of several, on a take of the simulated bay. The
first table stands the whole of scoring beside one real transform of the take's samples (scipy,
double precision, all at once), beside one pass of half-overlapping frames, and beside the naive way
with librosa: a short-time transform, power in decibels, mean difference between air on and off. The
second shows how the cost grows with length, number of cycles and sample rate. With --memory, what
scoring a file takes of memory as it gets longer, instead.

Run: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/cost.py [--seed 9300] [--best-of 7]
     python benchmarks/cost.py --memory   (about three minutes)
"""

from __future__ import annotations

import argparse
import os
import platform
import tempfile
import time
import tracemalloc
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
import soundfile

from earwitness.acoustics.hiss import score_blocks, score_cycled
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.stream import TakeStream
from earwitness.audio.recording import open_recording
from earwitness.simulate.bay import Bay, air_schedule

if TYPE_CHECKING:
    from collections.abc import Callable

    Air = list[tuple[float, float]]

WINDOW_S = 1024 / 48_000
PICTURE = "docs/images/cost.png"


def take(seed: int, fs: int, seconds: float, cycles: int) -> tuple[np.ndarray, Air]:
    rng = np.random.default_rng(seed)
    air = air_schedule(rng, cycles, seconds)
    bay = Bay(int(rng.integers(2**31)), fs, "busy-drifting")
    return bay.render_cycled("tailpipe", -3.0, air, seconds, take=0).astype(np.float32), air


def best_s(work: Callable[[], object], times: int) -> float:
    """Least processor time of several runs, the first not counted [s]."""
    work()
    found = []
    for _ in range(times):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)


def framed_pass(x: np.ndarray, fs: int) -> None:
    """Transform half-overlapping frames, as a plain spectrogram does, and keep the powers."""
    n = 2 * round(WINDOW_S * fs / 2)
    frames = np.lib.stride_tricks.sliding_window_view(x, n)[:: n // 2]
    window = np.hanning(n)
    for start in range(0, len(frames), 256):
        spectrum = scipy.fft.rfft(frames[start : start + 256] * window, axis=1)
        _ = spectrum.real**2 + spectrum.imag**2


def naive(x: np.ndarray, fs: int, air: Air) -> float:
    """Mean difference of decibels between air on and off, with librosa."""
    import librosa

    n = 2 * round(WINDOW_S * fs / 2)
    s = librosa.power_to_db(np.abs(librosa.stft(x, n_fft=n, hop_length=n // 2)) ** 2)
    at = np.arange(s.shape[1]) * (n // 2) / fs
    on = np.any([(at >= a) & (at < b) for a, b in air], axis=0)
    return float(s[:, on].mean() - s[:, ~on].mean())


def heard(x: np.ndarray, fs: int, air: Air) -> None:
    stream = TakeStream(fs, DEFAULTS, [turn for period in air for turn in period])
    stream.feed(x)
    stream.finish()


def compared(seed: int, times: int) -> None:
    fs, seconds, cycles = 48_000, 44.0, 6
    x, air = take(seed, fs, seconds, cycles)
    double = x.astype(np.float64)
    rows = {
        "one real transform of all samples (scipy)": lambda: scipy.fft.rfft(double),
        "one pass of half-overlapping frames (scipy)": lambda: framed_pass(double, fs),
        "naive: librosa stft, decibels, difference": lambda: naive(x, fs, air),
        "listening: checks, bands, floors": lambda: heard(x, fs, air),
        "scoring, all of it": lambda: score_cycled(x, fs, air, point="tailpipe"),
        "scoring at the radiator, bubbles counted": lambda: score_cycled(
            x, fs, air, point="radiator"
        ),
    }
    print(f"a take of {seconds:.0f} s, {fs} Hz, {cycles} cycles; best of {times}\n")
    print(f"{'':46}   ms   x real time   x transform")
    unit = 0.0
    for name, work in rows.items():
        s = best_s(work, times if "bubbles" not in name else 1)
        unit = unit or s
        print(f"{name:44} {1000 * s:7.1f} {seconds / s:11.0f} {s / unit:13.2f}", flush=True)


def growth(seed: int, times: int) -> dict[str, list[tuple[float, float]]]:
    found: dict[str, list[tuple[float, float]]] = {"length [s]": [], "cycles": [], "rate [kHz]": []}
    for seconds in (22.0, 44.0, 88.0, 176.0, 352.0):
        x, air = take(seed, 48_000, seconds, 6)
        s = best_s(lambda: score_cycled(x, 48_000, air, point="tailpipe"), times)  # noqa: B023
        found["length [s]"].append((seconds, 1000 * s))
    for cycles in (5, 6, 7, 8, 10, 12):
        x, air = take(seed, 48_000, 60.0, cycles)
        s = best_s(lambda: score_cycled(x, 48_000, air, point="tailpipe"), times)  # noqa: B023
        found["cycles"].append((cycles, 1000 * s))
    for fs in (24_000, 48_000, 96_000, 192_000):
        x, air = take(seed, fs, 44.0, 6)
        s = best_s(lambda: score_cycled(x, fs, air, point="tailpipe"), times)  # noqa: B023
        found["rate [kHz]"].append((fs / 1000, 1000 * s))
    return found


def memory() -> None:
    """Print the most memory that scoring a file takes, over its length and file size."""
    fs = 48_000
    print("\nscoring a file block by block: most memory beside the program's own [MB]")
    print(f"{'length [s]':>12}{'file':>8}{'tailpipe':>10}{'radiator':>10}")
    with tempfile.TemporaryDirectory() as folder:
        for seconds in (44, 176, 704):
            path, air = long_take(Path(folder), fs, seconds)
            size_mb = path.stat().st_size / 1e6
            peaks = "".join(f"{peak_mb(path, air, p):10.1f}" for p in ("tailpipe", "radiator"))
            print(f"{seconds:12}{size_mb:8.0f}{peaks}", flush=True)


def long_take(folder: Path, fs: int, seconds: int) -> tuple[Path, Air]:
    """Write noise with the air on six times, in single precision."""
    path, rng = folder / f"{seconds}.wav", np.random.default_rng(9)
    with soundfile.SoundFile(path, "w", fs, 1, subtype="FLOAT") as f:
        for _ in range(seconds):
            f.write(0.01 * rng.standard_normal(fs))
    period_s = seconds / 13
    return path, [(k * period_s, (k + 1) * period_s) for k in range(1, 13, 2)]


def peak_mb(path: Path, air: Air, point: str) -> float:
    """Most memory allocated while a file is scored [MB]."""
    recording = open_recording(path)
    tracemalloc.start()
    score_blocks(recording.blocks(), recording.sample_rate_hz, air, point=point)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def draw(found: dict[str, list[tuple[float, float]]]) -> None:
    """Draw the growth into the docs."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 2.8), layout="constrained")
    for axes, (name, points) in zip(figure.subplots(1, 3, sharey=True), found.items(), strict=True):
        axes.plot(*zip(*points, strict=True), marker="o", color="#26547c")
        axes.set_xlabel(name)
        axes.grid(alpha=0.3)
        axes.set_ylim(bottom=0)
    figure.axes[0].set_ylabel("processor time [ms]")
    figure.savefig(PICTURE, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=9300)
    parser.add_argument("--best-of", type=int, default=7)
    parser.add_argument("--picture", action="store_true", help=f"draw {PICTURE}")
    parser.add_argument("--memory", action="store_true", help="measure memory, not time")
    options = parser.parse_args()
    if options.memory:
        memory()
        return
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, numpy {np.__version__}\n"
    )
    compared(options.seed, options.best_of)
    found = {} if options.best_of < 3 else growth(options.seed, max(2, options.best_of // 2))
    for name, points in found.items():
        print(f"\n{name:12}" + "".join(f"{a:9g}" for a, _ in points))
        print(f"{'ms':12}" + "".join(f"{b:9.0f}" for _, b in points))
    if options.picture:
        draw(found)


if __name__ == "__main__":
    main()
