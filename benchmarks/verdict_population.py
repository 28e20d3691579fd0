"""Judge a simulated population of engines and print how often the verdict is right.

The population knows nothing of the likelihood table: leaks are holes, the gauge reading follows
from flow through the metering orifice, and sound spreads from each hole with a loss that is drawn
for each engine. Only the shape of a finding is shared with the program. It is a first measure of
the reasoning alone: detector, microphone and speech play no part, and the losses are guesses.

Run: python benchmarks/verdict_population.py [engines] [seed]
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.diagnosis.judge import judge_engine
from earwitness.diagnosis.repair import areas_of, deepest
from earwitness.engine.layout import engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.gauges.orifice import leak_size

ENGINES, SEED = 500, 4127
ORIFICE_MM, SUPPLY_KPA, LIMIT = 1.016, 551.6, 20.0
LIMIT_HOLE_MM = leak_size(LIMIT, orifice_mm=ORIFICE_MM, supply_kpa=SUPPLY_KPA).hole_mm
LAYOUT = engine_layout(4)
FAULT_SHARES = {
    "rings-or-piston": 0.28,
    "exhaust-valve": 0.27,
    "intake-valve": 0.15,
    "head-gasket-coolant": 0.10,
    "head-gasket-neighbour": 0.06,
    "off-tdc": 0.08,
    "adapter": 0.04,
    "gauge": 0.02,
}
SOURCE = {
    "rings-or-piston": "oil-filler",
    "exhaust-valve": "tailpipe",
    "intake-valve": "throttle-body",
    "head-gasket-coolant": "radiator",
    "adapter": "adapter",
}
# Loss on the way from the hole to another opening, lowest and highest [dB].
LOSS_DB = {
    ("rings-or-piston", "throttle-body"): (4, 16),
    ("rings-or-piston", "tailpipe"): (12, 25),
    ("intake-valve", "oil-filler"): (6, 18),
    ("intake-valve", "tailpipe"): (8, 20),
    ("intake-valve", "plug-hole"): (8, 22),
    ("exhaust-valve", "throttle-body"): (10, 22),
    ("exhaust-valve", "plug-hole"): (8, 22),
    ("head-gasket-neighbour", "tailpipe"): (8, 20),
    ("head-gasket-neighbour", "throttle-body"): (8, 20),
    ("adapter", "plug-hole"): (6, 18),
    ("adapter", "control"): (6, 18),
}
ELSEWHERE_DB = (18, 35)


@dataclass
class Cylinder:
    """What is really wrong, and how large the holes are [mm]."""

    faults: list[str] = field(default_factory=list)
    holes: list[tuple[str, float]] = field(default_factory=list)
    neighbour: int | None = None
    gauge_error: float = 0.0
    blow_by_mm: float = 0.0

    @property
    def truth(self) -> str:
        """The verdict that would be right; rings that alone exceed the limit are worn."""
        names = [f for f in FAULT_SHARES if f in self.faults]
        if any(f in ("off-tdc", "adapter", "gauge") for f in names):
            return "set-up"
        worn = self.blow_by_mm > LIMIT_HOLE_MM
        return "+".join(names) or ("rings-or-piston" if worn else "sealed")


def draw_engine(rng: np.random.Generator) -> dict[int, Cylinder]:
    """Draw what is wrong with each cylinder of one engine."""
    engine = {
        n: Cylinder(blow_by_mm=0.70 * math.exp(0.2 * rng.standard_normal()))
        for n in range(1, LAYOUT.cylinders + 1)
    }
    for n, cylinder in engine.items():
        if cylinder.faults or rng.random() > 0.27:
            continue
        count = 2 if rng.random() < 0.05 else 1
        for name in rng.choice(
            list(FAULT_SHARES), size=count, replace=False, p=list(FAULT_SHARES.values())
        ):
            add_fault(engine, n, str(name), rng)
    return engine


def add_fault(engine: dict[int, Cylinder], n: int, name: str, rng: np.random.Generator) -> None:
    """Give a cylinder a fault; a gasket between two cylinders is shared by both."""
    hole = 1.3 * math.exp(0.45 * rng.standard_normal())
    cylinder = engine[n]
    cylinder.faults.append(name)
    if name == "off-tdc":
        cylinder.holes += [
            ("intake-valve", rng.uniform(2, 6)),
            ("exhaust-valve", rng.uniform(2, 6)),
        ]
    elif name == "gauge":
        cylinder.gauge_error = rng.uniform(10, 35)
    elif name == "head-gasket-neighbour":
        other = int(rng.choice(LAYOUT.neighbours(n)))
        for a, b in ((n, other), (other, n)):
            engine[a].neighbour = b
            engine[a].holes.append((name, hole))
            if name not in engine[a].faults:
                engine[a].faults.append(name)
    else:
        cylinder.holes.append((name, hole))


def leakage_of(cylinder: Cylinder, rng: np.random.Generator) -> float:
    """Return the gauge reading [%]: the hole that all holes make together, by bisection."""
    whole = math.sqrt(cylinder.blow_by_mm**2 + sum(h**2 for _, h in cylinder.holes))
    low, high = 0.0, 99.99
    for _ in range(50):
        middle = (low + high) / 2
        size = leak_size(middle, orifice_mm=ORIFICE_MM, supply_kpa=SUPPLY_KPA)
        low, high = (middle, high) if size is not None and size.hole_mm < whole else (low, middle)
    read = low + cylinder.gauge_error + 1.5 * rng.standard_normal()
    return float(np.clip(round(read), 0, 100))


def hiss_at(point: str, sources: list[tuple[str, float, str]], rng: np.random.Generator) -> float:
    """Return hiss over the noise floor at a point, as a power ratio [1].

    `sources` are (cause, level at its own opening [dB], name of that opening).
    """
    total = 0.0
    for cause, level, own in sources:
        kind = "plug-hole" if point.startswith("plug-hole") else point
        loss = 0.0
        if point != own:
            loss = rng.uniform(*LOSS_DB.get((cause, kind), ELSEWHERE_DB))
        total += 10 ** ((level - loss) / 10)
    return total


def sources_of(
    cylinder: Cylinder, percent: float, shop_db: float, rng: np.random.Generator
) -> list[tuple[str, float, str]]:
    """Return the openings that hiss: the flow of each hole sets its level, give or take 3 dB."""
    cylinder_kpa = SUPPLY_KPA * (1 - min(percent, 99.0) / 100) + 101.325
    found = []
    for cause, hole in [*cylinder.holes, ("rings-or-piston", cylinder.blow_by_mm)]:
        flow = 0.040415 * cylinder_kpa * 1e3 * math.pi / 4 * (hole * 1e-3) ** 2 / 17.12 * 1e3
        level = 10 * math.log10(flow) + 1.0 + 3.0 * rng.standard_normal() - shop_db
        found.append((cause, level, SOURCE.get(cause, f"plug-hole-{cylinder.neighbour}")))
    if rng.random() < 0.04:
        found.append(("hose", rng.normal(-2, 3) - shop_db, "control"))
    return found


def cycled(point: str, hiss: float, rng: np.random.Generator) -> Finding:
    """Return a finding like that of an air-cycled take."""
    deaf = 0.8 * math.exp(0.5 * rng.standard_normal())
    needed = 10 * math.log10(10 ** (deaf / 10) - 1) - 1.5
    level = 10 * math.log10(max(hiss, 1e-9))
    rise = 10 * math.log10(1 + hiss) + 0.3 * rng.standard_normal()
    found = level + 1.5 * rng.standard_normal() > needed and rise > 0
    grade, p = "none", rng.uniform(0.05, 1)
    if found or rng.random() < 0.012:
        rise = rise if found else rng.uniform(0.1, 1.5)
        grade, p = graded(rise), 0.0045
    elif rng.random() < 0.04:
        grade, p = "undetermined", 0.03
    return finding(point, "cycles", rise, p, deaf * math.exp(0.2 * rng.standard_normal()), grade)


def pair(point: str, hiss: float, rng: np.random.Generator) -> Finding:
    """Return a finding like that of a screening pair, with 1 dB of drift between the takes."""
    rise = 10 * math.log10(1 + hiss) + rng.standard_normal()
    grade = graded(rise) if rise > 2 else "none" if rise + 2 < 3 else "undetermined"
    return finding(point, "pair", rise, None, None, grade)


def graded(rise_db: float) -> str:
    return "strong" if rise_db >= 6 else "clear" if rise_db >= 3 else "faint"


def finding(point, basis, rise, p_value, detectable, grade) -> Finding:
    return Finding(
        basis,
        point,
        48000,
        20.0,
        20.0,
        rise,
        (rise - 1, rise + 1),
        p_value,
        detectable,
        grade,
        usable=True,
        flags=(),
    )


def evidence_of(
    n: int, cylinder: Cylinder, shop_db: float, base_kpa: float, rng: np.random.Generator
) -> CylinderEvidence:
    """Test one cylinder as a busy technician would: screen what passes, prove what does not."""
    percent = leakage_of(cylinder, rng)
    points = tuple(p.name for p in listening_points(LAYOUT, n))
    sources = sources_of(cylinder, percent, shop_db, rng)
    take = cycled if percent > LIMIT else pair
    missed = {"adapter": 0.3, "control": 0.3}
    findings = tuple(
        take(p, hiss_at(p, sources, rng), rng) for p in points if rng.random() > missed.get(p, 0.15)
    )
    dry = wet = bubbles = None
    hurts = [f for f in cylinder.faults if f not in ("off-tdc", "adapter", "gauge")]
    if rng.random() < 0.6:
        loss = rng.uniform(0.3, 1.0) * percent / 100 if hurts else 0.0
        dry = base_kpa * (1 - loss) * (1 + 0.04 * rng.standard_normal())
        if rng.random() < 0.2:
            rings = "rings-or-piston" in hurts
            wet = dry * (1 + (rng.uniform(0.08, 0.4) if rings else rng.normal(0.04, 0.04)))
    if rng.random() < 0.5:
        seen = "head-gasket-coolant" in hurts and rng.random() < (0.8 if percent > 20 else 0.4)
        bubbles = ("steady" if rng.random() < 0.6 else "slow") if seen else "none"
        bubbles = "slow" if not seen and rng.random() < 0.03 else bubbles
    return CylinderEvidence(
        n,
        points,
        percent,
        LIMIT,
        compression_dry_kpa=dry,
        compression_wet_kpa=wet,
        bubbles=bubbles,
        findings=findings,
    )


def loudest_wins(evidence: CylinderEvidence) -> str:
    """Return what a rule of thumb says: over the limit, the loudest point names the seal."""
    if (evidence.leakage_percent or 0) <= LIMIT:
        return "sealed"
    heard = [f for f in evidence.findings if f.grade in ("faint", "clear", "strong")]
    if not heard:
        return "undetermined"
    point = str(max(heard, key=lambda f: f.excess_db).point)
    names = {where: seal for seal, where in SOURCE.items()} | {"adapter": "set-up"}
    return names.get(point, "set-up" if point == "control" else "head-gasket-neighbour")


def main() -> None:
    engines = int(sys.argv[1]) if len(sys.argv) > 1 else ENGINES
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else SEED)
    rows, areas = [], []
    for _ in range(engines):
        truth = draw_engine(rng)
        shop_db, base = rng.normal(0, 4), rng.uniform(950, 1350)
        tested = [evidence_of(n, c, shop_db, base, rng) for n, c in truth.items()]
        verdict = judge_engine(LAYOUT, tested)
        for e, v in zip(tested, verdict.cylinders, strict=True):
            rows.append((truth[v.cylinder].truth, v.verdict, v.ranking, loudest_wins(e), e))
        real = tuple(a for c in truth.values() for a in areas_of(c.truth))
        areas.append((verdict.area, deepest(real), set(real)))
    print_cylinders(engines, rows)
    print_thresholds(rows)
    print_calibration(rows)
    print_engines(areas)


def print_cylinders(engines: int, rows: list) -> None:
    print(f"{engines} engines, {len(rows)} cylinders")
    print(f"{'truth':24} {'n':>5} {'commits':>8} {'right':>7} {'part':>6} {'thumb':>7}")
    leaks = [r for r in rows if r[0] not in ("sealed", "set-up") and "+" not in r[0]]
    groups = {t: [r for r in rows if r[0] == t] for t in ("sealed", *SOURCE, "set-up")}
    groups["head-gasket-neighbour"] = [r for r in rows if r[0] == "head-gasket-neighbour"]
    groups["two faults"] = [r for r in rows if "+" in r[0]]
    groups["one leaking seal"] = leaks
    groups["all"] = rows
    for name, group in groups.items():
        if not group:
            continue
        given = [r for r in group if r[1] != "undetermined"]
        right = sum(r[1] == r[0] for r in given) / max(len(given), 1)
        part = sum(bool(set(r[1].split("+")) & set(r[0].split("+"))) for r in given)
        thumb = [r for r in group if r[3] != "undetermined"]
        said = sum(r[3] == r[0] for r in thumb) / max(len(thumb), 1)
        print(
            f"{name:24} {len(group):5} {len(given) / len(group):8.3f} {right:7.3f} "
            f"{part / max(len(given), 1):6.3f} {said:7.3f}"
        )
    sealed = [r for r in rows if r[0] == "sealed"]
    blamed = Counter(r[1] for r in sealed if r[1] not in ("sealed", "undetermined", "set-up"))
    thumb = sum(r[3] not in ("sealed", "undetermined", "set-up") for r in sealed)
    print(
        f"sound cylinders blamed: {sum(blamed.values())} of {len(sealed)} "
        f"({sum(blamed.values()) / len(sealed):.4f}); rule of thumb {thumb / len(sealed):.4f}"
    )
    over = [r for r in rows if (r[4].leakage_percent or 0) > LIMIT]
    given = [r for r in over if r[1] != "undetermined"]
    print(
        f"over the limit: {len(over)}, commits {len(given) / len(over):.3f}, "
        f"right {sum(r[1] == r[0] for r in given) / len(given):.3f}, rule of thumb "
        f"{sum(r[3] == r[0] for r in over) / sum(r[3] != 'undetermined' for r in over):.3f}"
    )


def print_thresholds(rows: list) -> None:
    """Print what other thresholds would have given, over the limit; other holds left aside."""
    over = [r for r in rows if (r[4].leakage_percent or 0) > LIMIT]
    print(f"\n{'threshold, over the limit':26} {'commits':>8} {'right':>7}")
    for threshold in (0.5, 0.6, 0.7, 0.8, 0.9, 0.95):
        given = [r for r in over if r[2][0].probability >= threshold]
        right = sum(r[2][0].verdict == r[0] for r in given) / max(len(given), 1)
        print(f"{threshold:26.2f} {len(given) / len(over):8.3f} {right:7.3f}")


def print_calibration(rows: list) -> None:
    print(f"\n{'first of the ranking':24} {'n':>5} {'said':>7} {'came true':>10}")
    edges = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.01)
    for low, high in pairwise(edges):
        group = [r for r in rows if low <= r[2][0].probability < high]
        if group:
            said = sum(r[2][0].probability for r in group) / len(group)
            true = sum(r[2][0].verdict == r[0] for r in group) / len(group)
            print(f"{low:.2f} to {min(high, 1):.2f}{'':12} {len(group):5} {said:7.3f} {true:10.3f}")
    brier = 0.0
    for truth, _, ranking, _, _ in rows:
        brier += sum((r.probability - (r.verdict == truth)) ** 2 for r in ranking)
        brier += truth not in [r.verdict for r in ranking]
    print(f"Brier score, all hypotheses: {brier / len(rows):.4f}")


def print_engines(areas: list) -> None:
    given = [a for a in areas if a[0] != "undetermined"]
    right = sum(a[0] == (a[1] if a[0] != "none" else "none") and a[0] in a[2] for a in given)
    alone = [a for a in given if a[0] != "none"]
    print(
        f"\nengines: area given for {len(given) / len(areas):.3f}, deepest area right "
        f"{right / len(given):.3f}; repair named {len(alone)}, "
        f"of which in a part that leaks {sum(a[0] in a[2] for a in alone) / len(alone):.3f}"
    )


if __name__ == "__main__":
    main()
