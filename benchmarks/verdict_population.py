"""Judge thousands of simulated engines and print how often the verdict is right.

    python benchmarks/verdict_population.py                      all tables, 5000 engines
    python benchmarks/verdict_population.py --engines 500 --seed 7 --only main
    python benchmarks/verdict_population.py --figure FILE.png    and the reliability picture

The engines come from benchmarks/verdict_engines.py, which knows nothing of the likelihood table.
Detector, microphone and speech play no part: this measures the reasoning. A verdict is right if it
names just the seals that leak; where it says that a second seal stays open, if the one it names
leaks. About four minutes on one core with the default numbers, less with --workers.
"""

from __future__ import annotations

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from earwitness.diagnosis.judge import judge_engine
from earwitness.diagnosis.repair import areas_of, deepest
from verdict_bench import evidence_of, on_bench
from verdict_contradictions import print_contradictions
from verdict_engines import LIMIT, RANGES, SEALS, TUNING, Engine, Ranges, bent, draw_engine

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import CylinderEvidence

ENGINES, SEED, TUNING_SEED = 5000, 60413, 31
SENSITIVITY_ENGINES = 100
SEAL_AT = {
    "oil-filler": "rings-or-piston",
    "tailpipe": "exhaust-valve",
    "throttle-body": "intake-valve",
    "radiator": "head-gasket-coolant",
    "adapter": "set-up",
    "control": "set-up",
}


@dataclass(frozen=True)
class Row:
    """One cylinder: what is true, what was said."""

    truth: frozenset[str]
    verdict: str
    probability: float
    open_part: bool
    first: str
    """First of the ranking."""
    ranking: tuple[tuple[str, float], ...]
    chart: str
    loudest: str
    percent: float
    complete: bool

    @property
    def given(self) -> bool:
        """A verdict was given."""
        return self.verdict != "undetermined"

    @property
    def faulty(self) -> bool:
        """A seal of the engine leaks."""
        return bool(self.truth) and "set-up" not in self.truth

    @property
    def right(self) -> bool:
        """The claim is true; of the first of the ranking where there is no verdict."""
        said = names(self.verdict if self.given else self.first)
        return said <= self.truth and bool(said) if self.open_part else said == self.truth


def names(verdict: str) -> frozenset[str]:
    return frozenset() if verdict == "sealed" else frozenset(verdict.split("+"))


def flow_chart(evidence: CylinderEvidence) -> str:
    """Return what a flow chart says: over the limit, the first point that hisses names the seal."""
    return _by_point(evidence, lambda heard: heard[0])


def loudest_wins(evidence: CylinderEvidence) -> str:
    """Return what the loudest point says, over the limit."""
    return _by_point(evidence, lambda heard: max(heard, key=lambda f: f.excess_db))


def _by_point(evidence: CylinderEvidence, choose) -> str:
    if (evidence.leakage_percent or 0) <= LIMIT:
        return "sealed"
    heard = [f for f in evidence.findings if f.grade in ("faint", "clear", "strong")]
    return SEAL_AT.get(choose(heard).point, "head-gasket-neighbour") if heard else "undetermined"


def rows_of(engine: Engine, rng: np.random.Generator) -> tuple[list[Row], tuple]:
    """Return the cylinders of one engine, and what was said of the whole."""
    tested = [evidence_of(on_bench(engine, n, rng)) for n in engine.cylinders]
    verdict = judge_engine(engine.layout, tested)
    rows = []
    for e, v in zip(tested, verdict.cylinders, strict=True):
        rows.append(
            Row(
                engine.cylinders[v.cylinder].truth,
                v.verdict,
                v.probability,
                v.open_part is not None,
                v.ranking[0].verdict,
                tuple((r.verdict, r.probability) for r in v.ranking),
                flow_chart(e),
                loudest_wins(e),
                e.leakage_percent or 0.0,
                engine.careful,
            )
        )
    real = {a for c in engine.cylinders.values() for s in c.truth for a in areas_of(s)}
    return rows, (verdict.area, deepest(tuple(sorted(real))) if real else "none", real)


def run(engines: int, seed: int, ranges: Ranges) -> tuple[list[Row], list[tuple]]:
    rows, areas = [], []
    for i in range(engines):
        rng = np.random.default_rng([seed, i])
        found, area = rows_of(draw_engine(rng, ranges), rng)
        rows += found
        areas.append(area)
    return rows, areas


def spread_out(engines: int, seed: int, ranges: Ranges, workers: int):
    """Run in several processes; the engines are the same whatever their number."""
    if workers < 2:
        return run(engines, seed, ranges)
    shares = [len(part) for part in np.array_split(np.arange(engines), workers)]
    with ProcessPoolExecutor(workers) as pool:
        parts = pool.map(
            _share, shares, np.cumsum([0, *shares[:-1]]), [seed] * workers, [ranges] * workers
        )
        found = list(parts)
    return [r for rows, _ in found for r in rows], [a for _, areas in found for a in areas]


def _share(engines: int, first: int, seed: int, ranges: Ranges):
    rows, areas = [], []
    for i in range(first, first + engines):
        rng = np.random.default_rng([seed, i])
        found, area = rows_of(draw_engine(rng, ranges), rng)
        rows += found
        areas.append(area)
    return rows, areas


# --- figures -------------------------------------------------------------------------------------


def share(rows: list[Row], what) -> float:
    return sum(map(what, rows)) / len(rows) if rows else float("nan")


def calibration_error(rows: list[Row], bins: int = 10) -> float:
    """Return the expected calibration error: the mean gap of stated and true in even bins [1]."""
    edges = np.linspace(0, 1, bins + 1)
    gap = 0.0
    for low, high in pairwise(edges):
        group = [r for r in rows if low < r.probability <= high]
        if group:
            gap += abs(sum(r.probability for r in group) - sum(r.right for r in group))
    return gap / len(rows)


def brier(rows: list[Row]) -> float:
    """Brier score over all hypotheses (0 best, 2 worst) [1]."""
    total = 0.0
    for r in rows:
        hit = [(p, names(v) == r.truth) for v, p in r.ranking]
        total += sum((p - yes) ** 2 for p, yes in hit) + (not any(yes for _, yes in hit))
    return total / len(rows)


GROUPS = (
    "sealed",
    *SEALS,
    "two seals",
    "set-up",
    "faulty",
    "faulty, complete takes",
    "over the limit",
    "all",
)


KINDS = {
    "sealed": lambda r: not r.truth,
    "two seals": lambda r: len(r.truth) > 1,
    "faulty": lambda r: r.faulty,
    "faulty, complete takes": lambda r: r.faulty and r.complete,
    "over the limit": lambda r: r.percent > LIMIT,
    "all": lambda _: True,
}


def group(rows: list[Row], name: str) -> list[Row]:
    belongs = KINDS.get(name, lambda r: r.truth == {name})
    return [r for r in rows if belongs(r)]


def print_main(rows: list[Row], areas: list[tuple]) -> None:
    print(f"{'truth':24} {'n':>6} {'commits':>8} {'right':>7} {'chart':>7} {'loudest':>8}")
    for name in GROUPS:
        found = group(rows, name)
        given = [r for r in found if r.given]
        chart = [r for r in found if r.chart != "undetermined"]
        loud = [r for r in found if r.loudest != "undetermined"]
        print(
            f"{name:24} {len(found):6} {share(found, lambda r: r.given):8.3f} "
            f"{share(given, lambda r: r.right):7.4f} "
            f"{share(chart, lambda r: names(r.chart) == r.truth):7.3f} "
            f"{share(loud, lambda r: names(r.loudest) == r.truth):8.3f}"
        )
    sound = group(rows, "sealed")
    condemned = [r for r in sound if r.given and r.verdict not in ("sealed", "set-up")]
    by_chart = share(sound, lambda r: r.chart not in ("sealed", "set-up", "undetermined"))
    print(
        f"sound cylinders condemned: {len(condemned)} of {len(sound)} "
        f"({len(condemned) / len(sound):.4f}); flow chart {by_chart:.4f}"
    )
    print(f"  as {dict(Counter(r.verdict for r in condemned))}")
    for name in ("all", "faulty", "over the limit"):
        found = group(rows, name)
        print(
            f"{name}: expected calibration error {calibration_error(found):.4f}, "
            f"Brier score {brier(found):.4f}"
        )
    sure = [r for r in rows if r.given and r.open_part]
    print(f"second seal left open: {len(sure)}, right {share(sure, lambda r: r.right):.3f}")
    print_areas(areas)


def print_areas(areas: list[tuple]) -> None:
    given = [a for a in areas if a[0] != "undetermined"]
    named = [a for a in given if a[0] != "none"]
    print(
        f"engines: area given {len(given) / len(areas):.3f}, right "
        f"{sum(a[0] == a[1] for a in given) / len(given):.3f}; repair named {len(named)}, in a "
        f"part that leaks {sum(a[0] in a[2] for a in named) / len(named):.3f}"
    )


def print_thresholds(rows: list[Row]) -> None:
    """Print what other thresholds give, of those that one of them keeps open or lets through."""
    faulty = group(rows, "faulty")
    print(f"\n{'threshold, faulty':20} {'commits':>8} {'right':>7}")
    for threshold in (0.6, 0.7, 0.8, 0.85, 0.9, 0.95):
        given = [r for r in faulty if r.probability >= threshold and r.first != "sealed"]
        print(
            f"{threshold:20.2f} {len(given) / len(faulty):8.3f} "
            f"{share(given, lambda r: r.right):7.4f}"
        )


def print_reliability(rows: list[Row]) -> None:
    print(f"\n{'stated':16} {'n':>6} {'mean':>7} {'came true':>10}")
    for low, high in pairwise((0, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98, 1.0)):
        found = [r for r in rows if low < r.probability <= high]
        if found:
            said = sum(r.probability for r in found) / len(found)
            print(
                f"{low:.2f} to {high:.2f}     {len(found):6} {said:7.3f} "
                f"{share(found, lambda r: r.right):10.3f}"
            )


SENSITIVITY = {
    "as tested": {},
    "twice as many faults": {"fault_share": 0.45},
    "half as many faults": {"fault_share": 0.12},
    "valves three times rings": {"shares": (0.14, 0.34, 0.26, 0.08, 0.04, 0.09, 0.05)},
    "gaskets as often as rings": {"shares": (0.19, 0.19, 0.13, 0.19, 0.16, 0.09, 0.05)},
    "set-up faults twice": {"shares": (0.24, 0.23, 0.13, 0.08, 0.04, 0.18, 0.10)},
    "two faults, one in five": {"second_fault": 0.20},
    "ventilation 6 dB more open": {"ventilation_db": (2.0, 20.0)},
    "overlap 6 dB more open": {"overlap_db": (11.0, 29.0), "egr": (0.3, (4.0, 18.0))},
    "all cross-talk 6 dB more": {
        "ventilation_db": (2.0, 20.0),
        "overlap_db": (11.0, 29.0),
        "egr": (0.3, (4.0, 18.0)),
        "block_db": (19.0, 39.0),
        "open_valve_db": (0.0, 14.0),
        "air_db": (6.0, 22.0),
        "far_air_db": (22.0, 39.0),
    },
    "shop 10 dB louder": {"floor_db": (55.0, 82.0)},
    "levels measured to 1.5 dB": {"level_error_db": 1.5},
    "takes half as keen": {"detectable_db": (2.0, 0.6)},
    "wrong point 4 %": {"wrong_point": 0.04},
    "gauge misread 5 %": {"misread": 0.05},
    "hose hisses 20 %": {"hose": 0.20},
    "top dead centre not swept": {"swept": False},
}


def print_sensitivity(engines: int, seed: int, workers: int) -> None:
    print(
        f"\n{'settings':28} {'commits':>8} {'right':>7} {'faulty':>7} {'condemned':>10} {'ECE':>6}"
    )
    for name, changes in SENSITIVITY.items():
        rows, _ = spread_out(engines, seed, bent(**changes), workers)
        complete = group(rows, "faulty, complete takes")
        given = [r for r in rows if r.given]
        sound = group(rows, "sealed")
        false = share(sound, lambda r: r.given and r.verdict not in ("sealed", "set-up"))
        print(
            f"{name:28} {share(complete, lambda r: r.given):8.3f} "
            f"{share(given, lambda r: r.right):7.4f} "
            f"{share([r for r in given if r.faulty], lambda r: r.right):7.4f} "
            f"{false:10.4f} {calibration_error(rows):6.3f}"
        )


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--engines", type=int, default=ENGINES)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--tuning", action="store_true", help="the settings thresholds were set on")
    parser.add_argument("--only", choices=("main", "sensitivity"))
    parser.add_argument("--figure")
    return parser.parse_args()


def main() -> None:
    args = arguments()
    if args.only != "sensitivity":
        ranges, seed = (TUNING, TUNING_SEED) if args.tuning else (RANGES, args.seed)
        rows, areas = spread_out(args.engines, seed, ranges, args.workers)
        print(f"{args.engines} engines, {len(rows)} cylinders, seed {seed}")
        print_main(rows, areas)
        print_thresholds(rows)
        print_reliability(rows)
        print_contradictions(seed)
    if args.only != "main" and not args.tuning:
        print_sensitivity(SENSITIVITY_ENGINES, args.seed + 1, args.workers)


if __name__ == "__main__":
    main()
