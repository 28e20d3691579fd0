"""Simulate engines with real holes in them, and the hiss at each listening point.

Nothing here is taken from the verdict's own table. Leaks are holes; the gauge reading follows from
flow through the metering orifice; the air escapes as a jet whose sound power follows from flow and
Mach number (IEC 60534-8-3, from memory); its sound fills a cavity of the engine, leaks into others,
loses level on the way to each opening and through the air, and meets the noise floor of the shop.
Every range is a guess of ours: the verdict is tested on `RANGES`; table and thresholds were looked
at on `TUNING`, narrower and shifted, with other seeds. `bent` varies them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.engine.layout import EngineLayout, engine_layout

ORIFICE_MM, SUPPLY_KPA, AMBIENT_KPA, LIMIT = 1.016, 551.6, 101.325, 20.0
SEALS = (
    "rings-or-piston",
    "exhaust-valve",
    "intake-valve",
    "head-gasket-coolant",
    "head-gasket-neighbour",
)
SET_UPS = ("off-tdc", "adapter", "gauge")
HOME = {
    "rings-or-piston": "crankcase",
    "exhaust-valve": "exhaust",
    "intake-valve": "intake",
    "head-gasket-coolant": "coolant",
    "adapter": "adapter",
}
OPENINGS = {
    "oil-filler": "crankcase",
    "tailpipe": "exhaust",
    "throttle-body": "intake",
    "radiator": "coolant",
    "adapter": "adapter",
}
Range = tuple[float, float]


@dataclass(frozen=True)
class Ranges:
    """What is drawn evenly between two bounds, for each engine, shop or take."""

    fault_share: float = 0.24
    """Cylinders with a fault of their own [1]."""
    shares: tuple[float, ...] = (0.28, 0.27, 0.15, 0.10, 0.06, 0.09, 0.05)
    """Of `SEALS`, a piston off top dead centre, and a leaking adapter [1]."""
    wrong_tester: float = 0.015
    """Testers that read 10 to 35 % too much, at every cylinder of the engine [1]."""
    second_fault: float = 0.06
    hole_mm: tuple[float, float, float, float] = (1.3, 0.38, 0.75, 3.0)
    """Median, spread of the logarithm, least and largest hole of a fault [mm]: less is not a fault,
    more holds no pressure that could hiss."""
    blow_by_mm: tuple[float, float] = (0.61, 0.16)
    """Median and spread of the logarithm of what passes sound rings, as a hole [mm]."""
    labyrinth_db: Range = (6.0, 15.0)
    """What sound rings hiss less than a hole of that flow: gaps in series, slow jets [dB]."""
    floor_db: Range = (45.0, 72.0)
    """Noise floor of the shop in 1-16 kHz [dB re 20 uPa]."""
    efficiency_lg: Range = (-4.35, -3.65)
    """Acoustic efficiency of a choked jet, logarithm [1]."""
    in_band_db: Range = (-9.5, -6.0)
    """Part of the sound in 1-16 kHz [dB]."""
    passage_db: tuple[tuple[str, Range], ...] = (
        ("oil-filler", (18.0, 31.0)),
        ("tailpipe", (25.0, 39.0)),
        ("throttle-body", (14.0, 27.0)),
        ("radiator", (21.0, 36.0)),
        ("plug-hole", (11.0, 23.0)),
        ("adapter", (1.0, 11.0)),
    )
    """Loss from a cavity to a probe in its opening [dB]."""
    ventilation_db: Range = (8.0, 26.0)
    """Between crankcase and intake [dB]."""
    pinched: tuple[float, float] = (0.6, 12.0)
    """Engines whose ventilation hose is pinched, as the plan asks, and what that takes off
    [1, dB]."""
    overlap_db: Range = (17.0, 35.0)
    """Between intake and exhaust, by a companion on overlap [dB]."""
    egr: tuple[float, Range] = (0.3, (10.0, 24.0))
    """Engines with an exhaust gas return that stands open, and its loss [1, dB]."""
    block_db: Range = (25.0, 45.0)
    """Between any other two cavities, through metal [dB]."""
    open_valve_db: Range = (6.0, 20.0)
    """Between a neighbour and the port its open valve leads to [dB]."""
    air_db: Range = (12.0, 28.0)
    """From one opening to a probe at another in the engine bay [dB]."""
    far_air_db: Range = (28.0, 45.0)
    """The same to and from the tailpipe [dB]."""
    point_floor_db: float = 2.0
    """How much the floor differs from point to point [dB]."""
    detectable_db: tuple[float, float] = (0.8, 0.6)
    """Median and spread of the logarithm of the detectable rise of a take [dB]."""
    level_error_db: float = 0.5
    """Of the level of a hiss above -1 dB, more below [dB]."""
    false_hiss: float = 0.012
    hose: float = 0.05
    """Couplings that hiss [1]."""
    wrong_point: float = 0.01
    """Takes that were made at another point than they say [1]."""
    misread: float = 0.01
    """Gauges read wrong by 8 to 30 % [1]."""
    swept: bool = True
    """Careful technicians sweep for top dead centre, and say so."""
    layouts: tuple[int, ...] = (4, 4, 4, 6, 3)


RANGES = Ranges()
TUNING = Ranges(
    fault_share=0.28,
    shares=(0.25, 0.25, 0.17, 0.12, 0.08, 0.08, 0.05),
    second_fault=0.05,
    hole_mm=(1.2, 0.35, 0.75, 3.0),
    floor_db=(50.0, 68.0),
    passage_db=(
        ("oil-filler", (20.0, 28.0)),
        ("tailpipe", (27.0, 36.0)),
        ("throttle-body", (15.0, 24.0)),
        ("radiator", (23.0, 33.0)),
        ("plug-hole", (12.0, 20.0)),
        ("adapter", (2.0, 10.0)),
    ),
    labyrinth_db=(8.0, 14.0),
    ventilation_db=(10.0, 24.0),
    overlap_db=(18.0, 32.0),
    egr=(0.2, (12.0, 24.0)),
    air_db=(14.0, 26.0),
    detectable_db=(0.9, 0.5),
)


@dataclass
class Cylinder:
    """What is really wrong, and how large the holes are [mm]."""

    blow_by_mm: float
    faults: list[str] = field(default_factory=list)
    holes: list[tuple[str, float]] = field(default_factory=list)
    """Cause or cavity, and the hole."""
    neighbour: int | None = None
    gauge_error: float = 0.0
    off_tdc: bool = False

    @property
    def truth(self) -> frozenset[str]:
        """The seals that leak, or `set-up`; empty for a sound cylinder."""
        if any(f in SET_UPS for f in self.faults):
            return frozenset({"set-up"})
        named = frozenset(f for f in self.faults if f in SEALS)
        worn = percent_of(self.blow_by_mm) > LIMIT
        return named or (frozenset({"rings-or-piston"}) if worn else named)


@dataclass(frozen=True)
class Engine:
    """One engine in one shop."""

    layout: EngineLayout
    cylinders: dict[int, Cylinder]
    ranges: Ranges
    floor_db: float
    passage_db: dict[str, float]
    ventilation_db: float
    overlap_db: float
    hose_db: float | None
    """Level of a hissing hose at the control position over the floor [dB]."""
    highest_kpa: float
    air_db: dict[frozenset[str], float]
    """From opening to opening."""
    metal_db: dict[frozenset[str], float]
    """From cavity to cavity."""
    careful: bool
    """Every point of every cylinder gets an air-cycled take; else as a busy shop does it."""


def even(rng: np.random.Generator, bounds: Range) -> float:
    """Draw evenly between two bounds."""
    return float(rng.uniform(*bounds))


def draw_engine(rng: np.random.Generator, ranges: Ranges = RANGES) -> Engine:
    """Draw an engine, what is wrong with it, and the shop."""
    layout = engine_layout(int(rng.choice(ranges.layouts)))
    median, spread = ranges.blow_by_mm
    cylinders = {
        n: Cylinder(median * math.exp(spread * rng.standard_normal()))
        for n in range(1, layout.cylinders + 1)
    }
    for n, cylinder in cylinders.items():
        if cylinder.faults or rng.random() > ranges.fault_share:
            continue
        count = 2 if rng.random() < ranges.second_fault else 1
        names = rng.choice(
            [*SEALS, "off-tdc", "adapter"], size=count, replace=False, p=ranges.shares
        )
        for name in names:
            add_fault(cylinders, layout, n, str(name), ranges, rng)
    if rng.random() < ranges.wrong_tester:
        error = even(rng, (10, 35))
        for cylinder in cylinders.values():
            cylinder.gauge_error = error
            cylinder.faults.append("gauge")
    return Engine(
        layout,
        cylinders,
        ranges,
        even(rng, ranges.floor_db),
        {name: even(rng, bounds) for name, bounds in ranges.passage_db},
        _ventilation(ranges, rng),
        _overlap(ranges, rng),
        float(rng.normal(3, 6)) if rng.random() < ranges.hose else None,
        even(rng, (950, 1350)),
        *_ways_across(layout, ranges, rng),
        careful=bool(rng.random() < 0.5),
    )


def _ways_across(layout: EngineLayout, ranges: Ranges, rng: np.random.Generator):
    """Losses from opening to opening and from cavity to cavity: an engine has its own."""
    holes = [f"plug-hole-{n}" for n in range(1, layout.cylinders + 1)]
    places = [*OPENINGS, "control", *holes]
    air, metal = {}, {}
    for i, a in enumerate(places):
        for b in places[i + 1 :]:
            far = "tailpipe" in (a, b)
            air[frozenset((a, b))] = even(rng, ranges.far_air_db if far else ranges.air_db)
    cavities = ["crankcase", "exhaust", "intake", "coolant", *holes]
    for i, a in enumerate(cavities):
        for b in cavities[i + 1 :]:
            metal[frozenset((a, b))] = even(rng, ranges.block_db)
    return air, metal


def _ventilation(ranges: Ranges, rng: np.random.Generator) -> float:
    share, more = ranges.pinched
    return even(rng, ranges.ventilation_db) + (more if rng.random() < share else 0.0)


def _overlap(ranges: Ranges, rng: np.random.Generator) -> float:
    loss = even(rng, ranges.overlap_db)
    share, bounds = ranges.egr
    return min(loss, even(rng, bounds)) if rng.random() < share else loss


def add_fault(
    cylinders: dict[int, Cylinder],
    layout: EngineLayout,
    n: int,
    name: str,
    ranges: Ranges,
    rng: np.random.Generator,
) -> None:
    """Give a cylinder a fault; a gasket between two cylinders is shared by both."""
    cylinder = cylinders[n]
    hole = draw_hole(ranges, rng)
    cylinder.faults.append(name)
    if name == "off-tdc":
        cylinder.off_tdc = True
        form = rng.choice(["both", "exhaust-valve", "intake-valve"], p=[0.5, 0.25, 0.25])
        for valve in ("exhaust-valve", "intake-valve"):
            if form in ("both", valve):
                cylinder.holes.append((valve, even(rng, (2, 6))))
    elif name == "head-gasket-neighbour":
        other = int(rng.choice(layout.neighbours(n)))
        for a, b in ((n, other), (other, n)):
            cylinders[a].neighbour = b
            cylinders[a].holes.append((name, hole))
            if name not in cylinders[a].faults:
                cylinders[a].faults.append(name)
    else:
        cylinder.holes.append((name, hole))


def draw_hole(ranges: Ranges, rng: np.random.Generator) -> float:
    median, spread, least, most = ranges.hole_mm
    while True:
        hole = median * math.exp(spread * rng.standard_normal())
        if least <= hole <= most:
            return hole


def bent(**changes: object) -> Ranges:
    """Return the test ranges with some changed."""
    return replace(RANGES, **changes)


def _flow(inside_kpa: float, outside_kpa: float, area_mm2: float) -> float:
    """Air through a hole [g/s], choked or not; 0.0404 is the choked coefficient of air [SI]."""
    ratio = outside_kpa / inside_kpa
    choked = 0.040415 * inside_kpa * area_mm2 * 1e-3 / math.sqrt(293.15) * 1e3
    if ratio <= 0.528282:
        return choked
    return choked * math.sqrt(max(ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4), 0.0) / 0.0669796 * 1.0)


def percent_of(hole_mm: float) -> float:
    """Leakage that a hole makes the tester show [%], by bisection of its pressure."""
    orifice, hole = (math.pi / 4 * d**2 for d in (ORIFICE_MM, hole_mm))
    low, high = 0.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2
        inside = SUPPLY_KPA * (1 - middle / 100) + AMBIENT_KPA
        fed = _flow(SUPPLY_KPA + AMBIENT_KPA, inside, orifice)
        low, high = (middle, high) if _flow(inside, AMBIENT_KPA, hole) > fed else (low, middle)
    return low


def leakage_of(cylinder: Cylinder, ranges: Ranges, rng: np.random.Generator) -> tuple[float, float]:
    """Return the true leakage and the reading [%]."""
    whole = math.sqrt(cylinder.blow_by_mm**2 + sum(h**2 for _, h in cylinder.holes))
    true = percent_of(whole)
    read = true + cylinder.gauge_error + 1.5 * rng.standard_normal()
    if rng.random() < ranges.misread:
        read += even(rng, (8, 30)) * (1 if rng.random() < 0.5 else -1)
    return true, float(np.clip(round(read), 0, 100))


def jet_db(hole_mm: float, percent: float, engine: Engine, rng: np.random.Generator) -> float:
    """Sound power of a hole in 1-16 kHz [dB re 1 pW]."""
    inside = SUPPLY_KPA * (1 - min(percent, 99.5) / 100) + AMBIENT_KPA
    flow = _flow(inside, AMBIENT_KPA, math.pi / 4 * hole_mm**2) * 1e-3
    mach = min(1.0, math.sqrt(5 * ((inside / AMBIENT_KPA) ** (2 / 7) - 1)))
    power = 0.5 * flow * (313 * mach) ** 2 * mach**3.6
    eta = 10 ** even(rng, engine.ranges.efficiency_lg)
    return 10 * math.log10(power * eta / 1e-12) + even(rng, engine.ranges.in_band_db)


def cavity_levels(
    engine: Engine, cylinder: Cylinder, percent: float, beside: tuple[int, ...], rng
) -> dict[str, float]:
    """Power in each cavity of the engine while the cylinder is under air [dB re 1 pW]."""
    power: dict[str, float] = {}
    rings = [("rings-or-piston", cylinder.blow_by_mm)]
    for cause, hole in [*cylinder.holes, *rings]:
        home = HOME.get(cause, f"plug-hole-{cylinder.neighbour}")
        level = jet_db(hole, percent, engine, rng)
        if (cause, hole) in rings:
            level -= even(rng, engine.ranges.labyrinth_db)
        power[home] = power.get(home, 0.0) + 10 ** (level / 10)
    cavities = ["crankcase", "exhaust", "intake", "coolant", *(f"plug-hole-{n}" for n in beside)]
    loss = _coupling(engine, beside, rng)
    return {
        c: 10
        * math.log10(
            sum(
                p * 10 ** (-(0.0 if home == c else loss.get(frozenset((home, c)), 99)) / 10)
                for home, p in power.items()
            )
            + 1e-9
        )
        for c in [*cavities, "adapter"]
    }


def _coupling(engine: Engine, beside: tuple[int, ...], rng) -> dict[frozenset[str], float]:
    ranges = engine.ranges
    loss = dict(engine.metal_db)
    loss[frozenset(("crankcase", "intake"))] = engine.ventilation_db
    loss[frozenset(("intake", "exhaust"))] = engine.overlap_db
    for n in beside:
        port = rng.choice(["intake", "exhaust", "shut"], p=[0.3, 0.3, 0.4])
        if port != "shut":
            loss[frozenset((f"plug-hole-{n}", str(port)))] = even(rng, ranges.open_valve_db)
    return loss


def levels_at(
    engine: Engine, cylinder: Cylinder, percent: float, points: tuple[str, ...], rng
) -> dict[str, float]:
    """Level of the hiss over the floor at each point [dB]."""
    beside = tuple(int(p.rpartition("-")[2]) for p in points if p.startswith("plug-hole"))
    cavity = cavity_levels(engine, cylinder, percent, beside, rng)
    near = 12.0  # 10 cm away, half space: 10 lg(1 / (2 pi r^2))
    radiates = {}
    for p in points:
        kind = "plug-hole" if p.startswith("plug-hole") else p
        if p != "control":
            home = OPENINGS.get(p, p)
            radiates[p] = cavity[home] - engine.passage_db[kind] + near + rng.normal(0, 1.5)
    found = {}
    for p in points:
        total = 10 ** (radiates[p] / 10) if p in radiates else 0.0
        for q, level in radiates.items():
            if q != p:
                loss = engine.air_db[frozenset((p, q))]
                total += 10 ** ((level - loss + rng.normal(0, 2)) / 10)
        level = 10 * math.log10(total + 1e-9)
        level -= engine.floor_db + engine.ranges.point_floor_db * rng.standard_normal()
        found[p] = _plus_hose(engine, p, level, rng)
    return found


def _plus_hose(engine: Engine, point: str, level: float, rng) -> float:
    if engine.hose_db is None:
        return level
    loss = 0.0
    if point != "control":
        loss = engine.air_db[frozenset((point, "control"))]
    return 10 * math.log10(10 ** (level / 10) + 10 ** ((engine.hose_db - loss) / 10))
