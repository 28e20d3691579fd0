"""Test a simulated engine as a technician does: takes, gauges, checks, and mistakes.

Takes find hiss, miss it and measure it as benchmarks/hiss_bound.py measures the detector to
do; only the shape of the evidence is the program's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.engine.listening_points import listening_points
from verdict_engines import (
    LIMIT,
    SUPPLY_KPA,
    Cylinder,
    Engine,
    Ranges,
    even,
    leakage_of,
    levels_at,
)


def cycled(point: str, level: float, ranges: Ranges, rng: np.random.Generator) -> Finding:
    """Return a finding like that of an air-cycled take.

    Hiss is found, missed and measured as the detector does it.
    """
    median, spread = ranges.detectable_db
    deaf = float(np.clip(median * math.exp(spread * rng.standard_normal()), 0.2, 12))
    told = deaf * math.exp(0.15 * rng.standard_normal())
    needed = 10 * math.log10(10 ** (deaf / 10) - 1) - 3.9
    margin = level + 2.3 * rng.standard_normal() - needed
    if margin > 0:
        return _hiss(point, level, ranges, told, rng)
    if rng.random() < ranges.false_hiss:
        return _hiss(point, rng.normal(-8, 4), ranges, told, rng)
    grade, p = "none", float(rng.uniform(0.05, 1))
    if margin > -1.2 or rng.random() < 0.04:
        grade, p = "undetermined", 0.03
    rise = 10 * math.log10(1 + 10 ** (level / 10)) + 0.15 * rng.standard_normal()
    return finding(point, "cycles", rise, (rise - 0.5, rise + 0.5), p, told, grade)


def _hiss(point: str, level: float, ranges: Ranges, told: float, rng) -> Finding:
    error = ranges.level_error_db + 0.15 * max(0.0, -1 - level)
    measured = level + error * rng.standard_normal()
    power = 10 ** (measured / 10)
    rise = 10 * math.log10(1 + power)
    half = 1.96 * math.hypot(error, 0.3) * power / (1 + power)
    return finding(point, "cycles", rise, (rise - half, rise + half), 0.0045, told, graded(rise))


def pair(point: str, level: float, ranges: Ranges, rng: np.random.Generator) -> Finding:
    """Return a finding like that of a screening pair, with 1 dB of drift between the takes."""
    rise = 10 * math.log10(1 + 10 ** (level / 10)) + rng.standard_normal()
    low, high = rise - 1.96, rise + 1.96
    grade = graded(rise) if low > 0 else "none" if high < 3 else "undetermined"
    return finding(point, "pair", rise, (low, high), None, None, grade)


def graded(rise_db: float) -> str:
    return "strong" if rise_db >= 6 else "clear" if rise_db >= 3 else "faint"


def finding(point, basis, rise, interval, p_value, detectable, grade) -> Finding:
    return Finding(
        basis,
        point,
        48000,
        20.0,
        20.0,
        float(rise),
        (float(interval[0]), float(interval[1])),
        p_value,
        detectable,
        grade,
        usable=True,
        flags=(),
    )


# --- the test ------------------------------------------------------------------------------------


@dataclass
class Bench:
    """One cylinder on the bench: what each check would show if it were made."""

    engine: Engine
    number: int
    points: tuple[str, ...]
    percent: float
    """As read [%]."""
    levels: dict[str, float]
    rng: np.random.Generator

    @property
    def cylinder(self) -> Cylinder:
        """What is really wrong with it."""
        return self.engine.cylinders[self.number]

    def take(self, point: str, *, proof: bool = True) -> Finding:
        """One take; air cycles that leave it undetermined are made once more."""
        ranges, at = self.engine.ranges, point
        if self.rng.random() < ranges.wrong_point:
            at = str(self.rng.choice(self.points))
        found = (cycled if proof else pair)(point, self.levels[at], ranges, self.rng)
        if proof and found.grade == "undetermined":
            found = cycled(point, self.levels[at], ranges, self.rng)
        return found

    def compression(self) -> tuple[float, float]:
        """Dry and wet [kPa]; a fault of the leak test does not touch them."""
        hurts = self.cylinder.truth - {"set-up"}
        loss = even(self.rng, (0.2, 0.9)) * self.percent / 100 if hurts else 0.0
        dry = self.engine.highest_kpa * (1 - loss) * (1 + 0.04 * self.rng.standard_normal())
        rings = "rings-or-piston" in hurts
        rise = even(self.rng, (0.06, 0.40)) if rings else self.rng.normal(0.04, 0.04)
        return dry, dry * (1 + rise)

    def bubbles(self) -> str:
        """Look into the radiator neck."""
        leaks = "head-gasket-coolant" in self.cylinder.truth
        if leaks and self.rng.random() < (0.85 if self.percent > LIMIT else 0.5):
            return "steady" if self.rng.random() < 0.6 else "slow"
        return "slow" if self.rng.random() < 0.03 else "none"

    def answer(self, name: str) -> bool:
        """Answer a check with a yes or a no."""
        faults, sure = self.cylinder.faults, self.rng.random()
        match name:
            case "top-dead-centre":
                return bool(sure < (0.06 if "off-tdc" in faults else 0.96))
            case "adapter-tight":
                return bool(sure < (0.06 if "adapter" in faults else 0.96))
            case "tester-right":
                return bool(sure < (0.06 if "gauge" in faults else 0.97))
            case "tap-helps":
                valves = {"exhaust-valve", "intake-valve"} & set(faults)
                return bool(sure < (0.25 if valves else 0.02))
            case "ventilation-quiets":
                return bool(sure < (0.8 if "rings-or-piston" in faults else 0.2))
        raise ValueError(name)


def on_bench(engine: Engine, number: int, rng: np.random.Generator) -> Bench:
    """Put a cylinder under air."""
    cylinder = engine.cylinders[number]
    true, read = leakage_of(cylinder, engine.ranges, rng)
    points = tuple(p.name for p in listening_points(engine.layout, number))
    levels = levels_at(engine, cylinder, true, points, rng)
    return Bench(engine, number, points, read, levels, rng)


def evidence_of(bench: Bench) -> CylinderEvidence:
    """Test one cylinder, as the engine's technician does.

    Carefully, with the piston swept for top dead centre and air cycles everywhere; or as a busy
    shop does, which misses points and screens what passes.
    """
    rng, careful = bench.rng, bench.engine.careful
    proof = careful or bench.percent > LIMIT
    missed = 0.0 if careful else 0.15
    swept = careful and bench.engine.ranges.swept
    findings = [bench.take(p, proof=proof) for p in bench.points if rng.random() >= missed]
    dry, wet = bench.compression()
    dry_read, wet_read = rng.random() < 0.6, rng.random() < 0.2
    return CylinderEvidence(
        bench.number,
        bench.points,
        bench.percent,
        LIMIT,
        orifice_mm=1.0,
        supply_kpa=SUPPLY_KPA,
        compression_dry_kpa=dry if dry_read else None,
        compression_wet_kpa=wet if dry_read and wet_read else None,
        bubbles=bench.bubbles() if rng.random() < 0.5 else None,
        checked=(("top-dead-centre", bench.answer("top-dead-centre")),) if swept else (),
        findings=tuple(findings),
    )
