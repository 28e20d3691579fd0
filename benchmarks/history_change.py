"""Measure how often a history calls a change, where there is none and where there is one.

Engines are simulated with their own numbers, written down here and not taken from the program:
each visit sets the test up anew and reads it once or more; leakage scatters by 1.5 points from
set-up to set-up and by 1 point from reading to reading, compression by 4 % and 1 %, and hiss by
3 dB over a noise floor that is measured to 0.25 dB. First table: engines that never change, at that
scatter, at more of it and with heavy tails; if the scatter is as stated, a change is called in at
most 5 % of them. Second: one cylinder's leakage rises by so many points at the last visit, and how
often its change is called. Third: it creeps up a little every year over five visits.

Run: python benchmarks/history_change.py [engines] [seed]; 600 engines a row take about a minute.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.finding import Finding
from earwitness.engine.layout import engine_layout
from earwitness.gauges.leakage import LeakageLimit
from earwitness.record.archive import Engine, Visit
from earwitness.record.bodies import Gauge, Opened
from earwitness.record.history import engine_history
from earwitness.record.model import Inspection, Take
from earwitness.record.readings import Reading

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.record.history import EngineHistory

ENGINES, SEED = 600, 90_911
POINTS = ("oil-filler", "radiator", "tailpipe", "throttle-body")
DAY = datetime(2021, 5, 3, 9, 0, tzinfo=UTC)
LIMIT = LeakageLimit(20.0, "common practice, no source")


@dataclass(frozen=True)
class World:
    """How a population is made."""

    cylinders: int = 4
    visits: int = 2
    readings: int = 1
    scatter: float = 1.0
    """Factor on every scatter."""
    heavy: bool = False
    """Student's t with four degrees of freedom in place of the normal distribution."""
    step: float = 0.0
    """Rise of cylinder 1's leakage at the last visit [points]."""
    creep: float = 0.0
    """Rise of cylinder 1's leakage from each visit to the next [points]."""


def simulate(world: World, rng: np.random.Generator) -> Engine:
    """Return an engine with all its visits."""

    def noise(sigma: float) -> float:
        drawn = rng.standard_t(4) / math.sqrt(2.0) if world.heavy else rng.normal()
        return float(drawn * sigma * world.scatter)

    numbers = range(1, world.cylinders + 1)
    leak = {n: float(rng.uniform(5, 35)) for n in numbers}
    squeeze = float(rng.uniform(900, 1300))
    hiss = {
        (n, p): float(rng.uniform(-6, 9)) if rng.random() < 0.3 else None
        for n in numbers
        for p in POINTS
    }
    visits = []
    for v in range(world.visits):
        rise = world.creep * v + (world.step if v == world.visits - 1 else 0.0)
        readings: list[Reading] = []
        takes: list[Take] = []
        for n in numbers:
            level = leak[n] + (rise if n == 1 else 0.0) + noise(1.5)
            first = len(readings)
            readings += [
                _reading(first + i, n, "leakage", level + noise(1.0), "percent", first)
                for i in range(world.readings)
            ]
            pressed = squeeze * (1 + noise(0.04)) * (1 + noise(0.01))
            readings.append(_reading(len(readings), n, "compression-dry", pressed, "kpa"))
            takes += [
                _take(len(takes), n, point, _level(hiss[n, point], noise), rng) for point in POINTS
            ]
        visits.append(_visit(world, v, readings, takes))
    return Engine("vin", "1M8GDM9AXKP042788", tuple(visits))


def _level(true_db: float | None, noise: Callable[[float], float]) -> float | None:
    return None if true_db is None else true_db + noise(3.0)


def _reading(
    seq: int, cylinder: int, quantity: str, value: float, unit: str, first: int | None = None
) -> Reading:
    held = min(max(value, 0.0), 100.0) if unit == "percent" else value
    repeats = None if first == seq else first
    return Reading(seq, DAY, cylinder, quantity, f"{held:.6f}", unit, "typed", None, repeats)


def _take(
    seq: int, cylinder: int, point: str, level_db: float | None, rng: np.random.Generator
) -> Take:
    true_rise = 0.0 if level_db is None else 10 * math.log10(1 + 10 ** (level_db / 10))
    rise = true_rise + float(rng.normal(0, 0.25))
    heard = rise > 2.326 * 0.25
    finding = Finding(
        "cycles", point, 48_000, 20.0, 20.0, rise, (rise - 0.49, rise + 0.49),
        0.005 if heard else 0.3, 0.85, "clear" if heard else "none", usable=True, flags=(),
    )  # fmt: skip
    return Take(seq, DAY, cylinder, point, "cycles", (), ((1.0, 2.0),), (finding,))


def _visit(world: World, number: int, readings: list[Reading], takes: list[Take]) -> Visit:
    layout = engine_layout(world.cylinders, firing_order=tuple(range(1, world.cylinders + 1)))
    opened = Opened("an engine", layout, Gauge(1.0, 690.0), LIMIT, "", "benchmark")
    at = DAY + timedelta(days=365 * number)
    told = Inspection(
        "visit", opened, at, at, True, 1, "", readings=tuple(readings), takes=tuple(takes)
    )
    return Visit(f"visit-{number}", "record", date(2021 + number, 5, 3), told)


def called(history: EngineHistory, cylinder: int | None = None) -> bool:
    """Tell whether any change is called; of a cylinder's leakage if one is named."""
    return any(
        c.called
        for c in history.changes
        if cylinder is None or (c.cylinder == cylinder and c.quantity == "leakage")
    )


def share(world: World, engines: int, seed: int, cylinder: int | None = None) -> float:
    """Return the share of engines in which a change is called [1]."""
    rng = np.random.default_rng(seed)
    return (
        sum(called(engine_history(simulate(world, rng)), cylinder) for _ in range(engines))
        / engines
    )


def main() -> None:
    engines = int(sys.argv[1]) if len(sys.argv) > 1 else ENGINES
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    error = 100 * 1.96 * math.sqrt(0.05 * 0.95 / engines)
    print(f"{engines} engines a row, seed {seed}; 95 % interval of 5 %: ±{error:.1f} points\n")
    print("No change: engines with any change called")
    rows = [
        World(), World(visits=5), World(cylinders=8, visits=3), World(readings=3),
        World(readings=3, visits=4), World(heavy=True), World(scatter=1.5),
        World(scatter=1.5, visits=5), World(scatter=2.0), World(scatter=2.0, visits=5),
    ]  # fmt: skip
    for i, w in enumerate(rows):
        print(
            f"  {w.cylinders} cylinders, {w.visits} visits, {w.readings} readings, scatter x"
            f"{w.scatter:<3g}{', heavy tails' if w.heavy else '':13}"
            f"{100 * share(w, engines, seed + i):6.1f} %"
        )
    print("\nOne cylinder of four leaks more at the second visit: change called")
    for step in (4, 6, 8, 10, 12, 15, 20):
        one, three = (
            share(World(step=step, readings=k), engines // 3, seed + 100 * step + k, cylinder=1)
            for k in (1, 3)
        )
        print(f"  +{step:2} points: {100 * one:5.1f} % read once, {100 * three:5.1f} % read thrice")
    print("\nOne cylinder of four creeps up over five yearly visits: change called")
    for creep in (1, 2, 3, 4, 5):
        w = World(creep=creep, visits=5)
        print(f"  +{creep} a year: {100 * share(w, engines // 3, seed + 7 * creep, 1):5.1f} %")


if __name__ == "__main__":
    main()
