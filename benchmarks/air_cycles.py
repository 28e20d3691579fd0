"""Print the table of docs/why-air-cycles.md, and draw its pictures into docs/images.

Run: python benchmarks/air_cycles.py [--takes 150]   (about four minutes)
"""

from __future__ import annotations

import argparse
from itertools import combinations
from pathlib import Path

import matplotlib as mpl
import numpy as np
import scipy.signal
import scipy.stats

from earwitness.acoustics.hiss import score_cycled, score_pair
from earwitness.acoustics.settings import DEFAULTS
from earwitness.acoustics.stream import TakeStream
from earwitness.simulate.bay import Bay, air_schedule

mpl.use("Agg")
import matplotlib.pyplot as plt

IMAGES = Path(__file__).parents[1] / "docs" / "images"
FS, SECONDS, CYCLES, POINT = 24_000, 44.0, 6, "tailpipe"
SEED = 20_261
BLUE, RED, GREY = "#0b5394", "#b03a2e", "0.6"
LEAK_DB = -3.0
"""Level of the leak in the pictures over the quiet floor [dB]."""


def frame_levels_db(x: np.ndarray, frame_s: float) -> np.ndarray:
    """Level of each frame between 1 and 10 kHz [dB re full scale]."""
    sos = scipy.signal.butter(4, [1_000, 10_000], "band", fs=FS, output="sos")
    n = round(frame_s * FS)
    power = scipy.signal.sosfilt(sos, x) ** 2
    return 10 * np.log10(power[: len(power) // n * n].reshape(-1, n).mean(axis=1))


def floors_db(x: np.ndarray, air: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Floor over 1-16 kHz of each period and whether the air was on."""
    stream = TakeStream(FS, DEFAULTS, [turn for period in air for turn in period])
    stream.feed(x)
    heard = stream.finish()
    level = [10 / np.log(10) * f.log_power[9:].mean() for f in heard.floors]
    return np.array(level), np.array([s.on for s in heard.stretches])


def rhythms(on: np.ndarray, least_changes: int = 6) -> np.ndarray:
    """Every other way to place as many air-on periods, with at least six turns."""
    rows = np.zeros((0, len(on)))
    for places in combinations(range(len(on)), int(on.sum())):
        row = np.isin(np.arange(len(on)), places).astype(float)
        if np.abs(np.diff(row)).sum() >= least_changes:
            rows = np.vstack([rows, row])
    return rows


def contrasts(level: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Mean on less mean off for each rhythm, a straight drift taken off first [dB]."""
    straight = scipy.signal.detrend(level)
    return rows @ straight / rows.sum(axis=1) - (1 - rows) @ straight / (1 - rows).sum(axis=1)


def welch(off: np.ndarray, on: np.ndarray) -> float:
    """Return what Welch's test over frames of 20 ms claims, as textbooks compare two recordings."""
    a, b = (frame_levels_db(x, 0.02) for x in (off, on))
    return float(scipy.stats.ttest_ind(b, a, equal_var=False, alternative="greater").pvalue)


def draw_take() -> None:
    """Draw one take with a leak: the level over time, and what the rhythms make of it."""
    rng = np.random.default_rng(SEED)
    air = air_schedule(rng, CYCLES, SECONDS)
    bay = Bay(44, FS, "busy-drifting")
    figure, axes = plt.subplots(
        2, 2, figsize=(9.5, 5), width_ratios=(2, 1), layout="constrained", sharex="col"
    )
    for row, leak, title in zip(axes, (None, LEAK_DB), ("no leak", "a leak"), strict=True):
        x = bay.render_cycled(POINT, leak, air, SECONDS, take=2)
        level = frame_levels_db(x, 0.1)
        t = (np.arange(len(level)) + 0.5) * 0.1
        row[0].plot(t, level - np.median(level), color=GREY, linewidth=0.7)
        for begin, end in air:
            row[0].axvspan(begin, end, color=BLUE, alpha=0.12, linewidth=0)
        floors, on = floors_db(x, air)
        values = contrasts(floors, rhythms(on))
        true = contrasts(floors, on[np.newaxis].astype(float))[0]
        row[0].set(ylim=(-4, 14), ylabel="level re median [dB]", title=f"{title}; air on shaded")
        row[1].hist(values, bins=40, color=GREY)
        row[1].axvline(true, color=RED, linewidth=2)
        share = np.mean(values >= true - 1e-9)
        row[1].set(title=f"{100 * share:.1f} % of rhythms fit as well", yticks=[])
    axes[1, 0].set_xlabel("time [s]")
    axes[1, 1].set_xlabel("on less off [dB]; red: the valve's rhythm")
    figure.savefig(IMAGES / "air_cycles_take.png", dpi=110)


def null_p_values(shop: str, takes: int) -> dict[str, np.ndarray]:
    """Probabilities that three ways claim for takes in which nothing leaks."""
    rng = np.random.default_rng([SEED, len(shop)])
    claimed: dict[str, list[float]] = {"cycles": [], "pair": []}
    rises = []
    for _ in range(takes):
        bay = Bay(int(rng.integers(2**31)), FS, shop)
        air = air_schedule(rng, CYCLES, SECONDS)
        x = bay.render_cycled(POINT, None, air, SECONDS, take=0)
        claimed["cycles"].append(score_cycled(x, FS, air, point=POINT).p_value or 1.0)
        off, on = (bay.render_steady(POINT, None, 20.0, take=k) for k in (1, 2))
        claimed["pair"].append(welch(off, on))
        rises.append(score_pair(off, FS, on, FS, point=POINT).excess_db)
    return {name: np.array(p) for name, p in claimed.items()} | {"rise": np.array(rises)}


def draw_nulls(found: dict[str, dict[str, np.ndarray]]) -> None:
    """Draw how often a probability is undercut without a leak, and how far a pair strays."""
    figure, axes = plt.subplots(1, 2, figsize=(9.5, 3.6), layout="constrained")
    grid = np.geomspace(0.002, 1, 200)
    axes[0].plot(grid, grid, color=GREY, label="as it should be")
    for name, color in (("cycles", BLUE), ("pair", RED)):
        p = found["busy-drifting"][name]
        label = {"cycles": "air-cycled take", "pair": "two recordings, Welch's test"}[name]
        share = [np.mean(p <= g) for g in grid]
        axes[0].plot(
            grid, np.maximum(share, 1e-3), color=color, drawstyle="steps-post", label=label
        )
    axes[0].set(xscale="log", yscale="log", xlim=(0.002, 1), ylim=(0.002, 1.1))
    axes[0].set(xlabel="stated probability p", ylabel="share of leak-free takes at or below p")
    axes[0].legend(frameon=False, fontsize=8)
    for shop, color in (("still", GREY), ("busy-drifting", RED)):
        axes[1].hist(
            found[shop]["rise"], bins=np.arange(-4, 4.1, 0.2), color=color, alpha=0.7, label=shop
        )
    axes[1].set(xlabel="rise between two leak-free recordings [dB]", ylabel="pairs")
    axes[1].legend(frameon=False)
    figure.savefig(IMAGES / "air_cycles_nulls.png", dpi=110)


def main() -> None:
    """Draw both pictures and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=150)
    takes = parser.parse_args().takes
    draw_take()
    found = {shop: null_p_values(shop, takes) for shop in ("still", "busy-drifting")}
    print(f"{takes} leak-free takes and pairs a shop, seed {SEED}\n")
    print("shop            cycles p<=1%  p<=5%   pair p<=1%  p<=5%   rise of a pair: sd   largest")
    for shop, f in found.items():
        shares = [
            100 * np.mean(f[k] <= level) for k in ("cycles", "pair") for level in (0.01, 0.05)
        ]
        print(
            f"{shop:15} {shares[0]:12.1f} {shares[1]:6.1f} {shares[2]:12.1f} {shares[3]:6.1f}"
            f" {f['rise'].std():20.2f} {np.abs(f['rise']).max():9.1f}"
        )
    draw_nulls(found)


if __name__ == "__main__":
    main()
