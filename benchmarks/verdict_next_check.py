"""Follow the next best check, or a fixed order, until there is a verdict; count steps and minutes.

    python benchmarks/verdict_next_check.py --cylinders 150 --seed 4099

Cylinders of benchmarks/verdict_engines.py that read above the limit start with nothing but that
reading. One technician does what the program asks for; the other listens point by point in the
order of the listening plan, then watches for bubbles, does the set-up checks, the wet test and the
rest. Both stop at a verdict, when nothing is left, or after 16 steps. About a minute on one core.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from statistics import mean, median

import numpy as np

from earwitness.diagnosis.decision.next_check import Check, checks, gain_bit
from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.diagnosis.judge import case_of, judge_cylinder
from earwitness.diagnosis.likelihoods import MINUTES
from verdict_bench import Bench, on_bench
from verdict_engines import LIMIT, SUPPLY_KPA, draw_engine

MOST_STEPS = 16
FIXED = (
    "listen",
    "bubbles",
    "top-dead-centre",
    "adapter-tight",
    "tester-right",
    "wet",
    "ventilation-quiets",
    "tap-helps",
)


@dataclass(frozen=True)
class Path:
    """How one technician fared with one cylinder."""

    given: bool
    right: bool
    steps: int
    minutes: float


def follow(bench: Bench, choose) -> Path:
    """Test a cylinder step by step, as `choose` says, until there is a verdict."""
    evidence = CylinderEvidence(
        bench.number, bench.points, bench.percent, LIMIT, orifice_mm=1.0, supply_kpa=SUPPLY_KPA
    )
    tried: dict[str, int] = {}
    steps, minutes = 0, 0.0
    verdict = judge_cylinder(evidence)
    while verdict.verdict == "undetermined" and steps < MOST_STEPS:
        check = choose(evidence, tried)
        if check is None:
            break
        key = check.point or check.kind
        tried[key] = tried.get(key, 0) + 1
        evidence = done(evidence, check, bench)
        steps, minutes = steps + 1, minutes + check.minutes
        verdict = judge_cylinder(evidence)
    named = frozenset() if verdict.verdict == "sealed" else frozenset(verdict.verdict.split("+"))
    truth = bench.cylinder.truth
    right = named <= truth and bool(named) if verdict.open_part else named == truth
    return Path(verdict.verdict != "undetermined", right, steps, minutes)


def done(evidence: CylinderEvidence, check: Check, bench: Bench) -> CylinderEvidence:
    """Do a check on the bench and add what it shows."""
    match check.kind:
        case "listen":
            found = (*evidence.findings, bench.take(check.point or ""))
            return replace(evidence, findings=found)
        case "bubbles":
            return replace(evidence, bubbles=bench.bubbles())
        case "wet":
            dry, wet = bench.compression()
            return replace(evidence, compression_dry_kpa=dry, compression_wet_kpa=wet)
    answer = (check.kind, bench.answer(check.kind))
    return replace(evidence, checked=(*evidence.checked, answer))


def open_checks(evidence: CylinderEvidence, tried: dict[str, int]) -> list[Check]:
    """Return what can be done on the bench; a point is tried twice at most."""
    offered = checks(evidence, case_of(evidence))
    return [c for c in offered if c.kind in FIXED and tried.get(c.point or c.kind, 0) < 2]


def best(evidence: CylinderEvidence, tried: dict[str, int]) -> Check | None:
    """Choose by expected information a minute."""
    case = case_of(evidence)
    offered = open_checks(evidence, tried)
    return max(offered, key=lambda c: gain_bit(case, c) / c.minutes, default=None)


def in_order(evidence: CylinderEvidence, tried: dict[str, int]) -> Check | None:
    """Choose the next of a fixed order: point by point, then the rest."""
    offered = open_checks(evidence, tried)
    places = {p: k for k, p in enumerate(evidence.points)}
    return min(
        offered,
        key=lambda c: (
            tried.get(c.point or c.kind, 0),
            FIXED.index(c.kind),
            places.get(c.point, 0),
        ),
        default=None,
    )


def benches(cylinders: int, seed: int) -> list[tuple[int, int]]:
    """Return engines and cylinders that read above the limit."""
    found = []
    for i in range(10_000):
        rng = np.random.default_rng([seed, i])
        engine = draw_engine(rng)
        for n in engine.cylinders:
            bench = on_bench(engine, n, np.random.default_rng([seed, i, n]))
            if bench.percent > LIMIT and len(found) < cylinders:
                found.append((i, n))
        if len(found) >= cylinders:
            return found
    return found


def run(which: list[tuple[int, int]], seed: int, choose) -> list[Path]:
    paths = []
    for i, n in which:
        engine = draw_engine(np.random.default_rng([seed, i]))
        paths.append(follow(on_bench(engine, n, np.random.default_rng([seed, i, n])), choose))
    return paths


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--cylinders", type=int, default=150)
    parser.add_argument("--seed", type=int, default=4099)
    args = parser.parse_args()
    which = benches(args.cylinders, args.seed)
    print(
        f"{len(which)} cylinders above the limit, seed {args.seed}; a take counts "
        f"{MINUTES['listen']:g} min"
    )
    print(f"{'order':14} {'verdicts':>9} {'right':>7} {'steps':>14} {'minutes':>16}")
    both = {
        "next best": run(which, args.seed, best),
        "fixed order": run(which, args.seed, in_order),
    }
    shared = [all(p.given for p in pair) for pair in zip(*both.values(), strict=True)]
    for name, paths in both.items():
        given = [p for p in paths if p.given]
        alike = [p for p, yes in zip(paths, shared, strict=True) if yes]
        print(
            f"{name:14} {len(given) / len(paths):9.3f} "
            f"{sum(p.right for p in given) / len(given):7.3f} "
            f"{mean(p.steps for p in alike):7.2f} ({median(p.steps for p in alike):g}) "
            f"{mean(p.minutes for p in alike):9.2f} ({median(p.minutes for p in alike):g})"
        )
    print(
        f"steps and minutes: mean (median) over the {sum(shared)} cylinders both gave a verdict on"
    )


if __name__ == "__main__":
    main()
