"""Build evidence that contradicts itself, and print how often the verdict stays open.

Called by benchmarks/verdict_population.py.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.diagnosis.judge import judge_engine
from earwitness.engine.layout import engine_layout
from earwitness.engine.listening_points import listening_points
from verdict_bench import finding, graded
from verdict_engines import LIMIT


def _sound_gauge_loud_valve(rng: np.random.Generator) -> list[CylinderEvidence]:
    """Build a gauge that reads next to nothing, and a roar at one opening."""
    tested = _silent(rng, float(rng.uniform(0, 3)))
    point = str(rng.choice(["tailpipe", "throttle-body", "radiator"]))
    return [_with(tested, point, float(rng.uniform(10, 20)))]


def _large_leak_silence(rng: np.random.Generator) -> list[CylinderEvidence]:
    """Build a large leak that no keen take hears, the set-up checked."""
    done = (("top-dead-centre", True), ("adapter-tight", True), ("tester-right", True))
    return [replace(_silent(rng, float(rng.uniform(30, 75))), checked=done)]


def _all_alike_loud(rng: np.random.Generator) -> list[CylinderEvidence]:
    """Build hiss that is as loud at every point, at the tailpipe and in free air too."""
    tested = _silent(rng, float(rng.uniform(20, 60)))
    level = rng.uniform(8, 18)
    for point in tested.points:
        tested = _with(tested, point, float(level + rng.normal(0, 0.7)))
    return [tested]


def _rings_without_air(rng: np.random.Generator) -> list[CylinderEvidence]:
    """Build a compression that oil restores, and a cylinder that loses no air and is silent."""
    dry = float(rng.uniform(350, 600))
    low = replace(
        _silent(rng, float(rng.uniform(0, 4))),
        compression_dry_kpa=dry,
        compression_wet_kpa=dry * float(rng.uniform(1.3, 1.6)),
    )
    return [low, CylinderEvidence(4, (), compression_dry_kpa=1200.0)]


def _gasket_one_way(rng: np.random.Generator) -> list[CylinderEvidence]:
    """Build air into a neighbour that itself loses none, and not to here."""
    leaks = _with(
        _silent(rng, float(rng.uniform(30, 60))), "plug-hole-2", float(rng.uniform(8, 18))
    )
    beside = _silent(rng, float(rng.uniform(2, 6)), cylinder=2)
    return [leaks, beside]


def _silent(rng: np.random.Generator, percent: float, cylinder: int = 3) -> CylinderEvidence:
    points = tuple(p.name for p in listening_points(engine_layout(4), cylinder))
    takes = [
        finding(p, "cycles", 0.0, (-0.3, 0.3), 0.4, float(rng.uniform(0.2, 0.7)), "none")
        for p in points
    ]
    return CylinderEvidence(cylinder, points, percent, LIMIT, findings=tuple(takes))


def _with(tested: CylinderEvidence, point: str, rise: float) -> CylinderEvidence:
    loud = finding(point, "cycles", rise, (rise - 0.7, rise + 0.7), 0.0045, 0.4, graded(rise))
    others = tuple(f for f in tested.findings if f.point != point)
    return replace(tested, findings=(*others, loud))


CONTRADICTIONS = {
    "next to no leakage, a roar at one opening": _sound_gauge_loud_valve,
    "large leak, set-up checked, silence everywhere": _large_leak_silence,
    "as loud at every point and in free air": _all_alike_loud,
    "oil restores compression, no air lost, silence": _rings_without_air,
    "air into a neighbour that loses none itself": _gasket_one_way,
}


def print_contradictions(seed: int, count: int = 200) -> None:
    print(f"\n{'contradictory evidence, cylinder 3':48} {'undetermined':>12}")
    for name, build in CONTRADICTIONS.items():
        rng = np.random.default_rng([seed, 99])
        said = Counter()
        for _ in range(count):
            verdicts = judge_engine(engine_layout(4), build(rng)).cylinders
            said[next(v.verdict for v in verdicts if v.cylinder == 3)] += 1
        rest = {v: n for v, n in said.most_common() if v != "undetermined"}
        print(f"{name:48} {said['undetermined'] / count:12.3f} {rest or ''}")
