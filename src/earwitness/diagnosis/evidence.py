"""What is known about one cylinder before it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from earwitness.acoustics.across import MARGIN_DB, has_level, leak_level_db, loudest_of
from earwitness.engine.listening_points import CONTROL, PLUG_HOLE_PREFIX, TAILPIPE, TAILPIPES

if TYPE_CHECKING:
    from earwitness.acoustics.finding import Finding, Grade

Bubbles = Literal["none", "slow", "steady"]
CheckName = Literal[
    "top-dead-centre", "adapter-tight", "tester-right", "tap-helps", "ventilation-quiets"
]
"""Checks with a yes or a no: the piston was found at top dead centre of compression (marks, the
companion's valves on overlap, least leakage while the crank is rocked); soapy water showed no
bubbles at the adapter; the tester read a known orifice rightly; tapping the valve stems lowered
the leakage; pinching the crankcase ventilation silenced the throttle body."""

GRADES: tuple[Grade, ...] = ("none", "faint", "clear", "strong")
"""Grades that say something, quietest first; `undetermined` says nothing."""
FOUND_P = 0.01
"""Probability at or below which air cycles prove a hiss [1]. docs/json.md."""
MOST_RISE_DB = 200.0
"""Largest rise that is put on a scale of levels [dB]. Chosen: beyond the 144 dB that 24 bits can
hold."""
STEADY_PER_MINUTE = 60.0
"""Bubbles counted that are called steady [1/min]. Chosen: one a second; the count is a lower
bound."""


@dataclass(frozen=True, slots=True)
class CylinderEvidence:
    """Gauges, findings and what the eye saw, for one cylinder."""

    cylinder: int
    points: tuple[str, ...]
    """Listening points this engine offers at this cylinder, listened to or not."""
    leakage_percent: float | None = None
    """100 (supply - cylinder) / supply, gauge pressures [%]."""
    limit_percent: float = 20.0
    """Leakage above which the cylinder is suspect [%]."""
    limit_origin: str = "common practice, no source"
    orifice_mm: float | None = None
    """Metering orifice of the tester [mm]; without it a percentage says nothing of the hole."""
    supply_kpa: float | None = None
    """Regulated supply of the tester, gauge pressure [kPa]."""
    compression_dry_kpa: float | None = None
    compression_wet_kpa: float | None = None
    bubbles: Bubbles | None = None
    """What the eye saw at the radiator neck."""
    bubbles_heard: Bubbles | None = None
    """What a take of the radiator counted; the eye, where it looked, goes before it."""
    checked: tuple[tuple[CheckName, bool], ...] = ()
    """Checks that were done, and whether the answer was yes."""
    leakage_scatter_percent: float | None = None
    """Standard deviation of repeated leakage readings [%], None if read once."""
    leakage_count: int = 1
    """Leakage readings averaged [1]."""
    leakage_bound_percent: float = 0.0
    """What zero drift may still be off, either way [%]."""
    leakage_remarks: tuple[str, ...] = ()
    """Corrections and outliers of the leakage readings, one sentence each."""
    ambient_kpa: float = 101.325
    """Absolute pressure around the engine [kPa]."""
    findings: tuple[Finding, ...] = ()
    """In the order taken; the last usable one at a listening point counts."""


@dataclass(frozen=True, slots=True)
class EngineContext:
    """What the other cylinders tell about this one."""

    highest_dry_kpa: float | None = None
    """Highest dry compression of the engine, if two or more were read [kPa]."""
    hiss_back: tuple[tuple[int, bool], ...] = ()
    """Neighbour, and whether its own test made the hole of this cylinder hiss loudest of all."""
    low_beside: tuple[tuple[int, bool], ...] = ()
    """Neighbour, and whether its compression is low as well; empty if this one's is not."""
    leaks_beside: tuple[tuple[int, bool], ...] = ()
    """Neighbour whose leakage was read, and whether it is above its limit."""
    sound_on_tester: int = 0
    """Other cylinders that lose little by the same tester [1]."""
    tested_beside: tuple[int, ...] = ()
    """Neighbours that were tested."""
    blow_by_db: tuple[tuple[str, float, float], ...] = ()
    """Point, level of a gram a second past sound rings there, as the sound cylinders of this very
    engine show it, and its standard deviation [dB over the floor]."""
    all_alike: bool = False
    """True if every cylinder leaks too much, and all about as much."""


ALONE = EngineContext()
"""Nothing is known of the other cylinders."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What counts at one listening point: the last usable finding there."""

    point: str
    """Listening point; both tailpipes of a cylinder count as one, `tailpipe`."""
    grade: Grade
    excess_db: float
    """Rise of the noise floor with the air on [dB]."""
    p_value: float | None
    detectable_db: float | None
    """Rise that would have been found with probability 0.85 [dB]."""
    interval_db: tuple[float, float]
    """95 % interval of the rise [dB]."""
    proof: bool
    """True for an air-cycled take with an honest p-value, False for a screening pair."""
    level_db: float | None = None
    """Level of the hiss alone, comparable between points recorded with one gain [dB re full-scale
    power per FFT bin]; None where the take's floors are not known."""
    complete: bool = True
    """False if only one of two tailpipes was listened to."""

    @property
    def hiss_db(self) -> float:
        """Level of the hiss itself over the noise floor [dB]; -inf where the floor did not rise."""
        rise = 10.0 ** (min(self.excess_db, MOST_RISE_DB) / 10.0) - 1.0
        return 10.0 * math.log10(rise) if rise > 0 else -math.inf

    @property
    def audible(self) -> bool:
        """True if the take shows hiss at all."""
        return self.grade in GRADES[1:]


def bubbles_heard(findings: tuple[Finding, ...]) -> Bubbles | None:
    """Return the bubbles that the last take at the radiator heard come with the air.

    None where the air does not drive them, be it a drip or none at all: not to hear bubbles is not
    to see none.
    """
    counts = [f.bubbles for f in findings if f.usable and f.bubbles is not None]
    if not counts or not counts[-1].follows_air:
        return None
    return "steady" if counts[-1].per_minute >= STEADY_PER_MINUTE else "slow"


def heard(evidence: CylinderEvidence) -> tuple[Heard, ...]:
    """Return what was heard, one entry a point, leaving out what says nothing.

    In the order of the engine's listening points. Unusable findings, findings without a grade or a
    point, and all but the last usable one at a point are left out.
    """
    last = {f.point: _heard(f.point, f) for f in evidence.findings if f.point and _says(f)}
    pipes = [h for h in last.values() if h.point in TAILPIPES]
    others = [h for h in last.values() if h.point not in TAILPIPES]
    order = [TAILPIPE if p in TAILPIPES else p for p in evidence.points]
    return tuple(sorted((*others, *_one_tailpipe(pipes)), key=lambda h: _place(h.point, order)))


def like_control(evidence: CylinderEvidence) -> tuple[str, ...]:
    """Return the points whose hiss is not clearly louder than that of the control take."""
    sounds = [h for h in heard(evidence) if h.audible]
    control = next((h for h in sounds if h.point == CONTROL), None)
    if control is None:
        return ()
    levels = _levels_db(sounds)
    most = levels[sounds.index(control)] + MARGIN_DB
    return tuple(
        h.point
        for h, level in zip(sounds, levels, strict=True)
        if level < most and h.point not in (CONTROL, "adapter")
    )


def loudest(sounds: tuple[Heard, ...]) -> tuple[Heard, ...]:
    """Return the loudest audible point, and all within `MARGIN_DB` of it; () if silent.

    In the order of `sounds`. They are compared by the rule of `acoustics.across`.
    """
    audible = [h for h in sounds if h.audible]
    return tuple(audible[i] for i in sorted(loudest_of(_levels_db(audible))))


def _levels_db(sounds: list[Heard]) -> list[float]:
    """Return levels of hisses that can be compared [dB].

    The hiss alone, the floor it stands in counted in; without all of the floors the hiss over its
    own floor must do, as if all points were as noisy.
    """
    levels = [h.level_db for h in sounds if h.level_db is not None]
    return levels if len(levels) == len(sounds) else [h.hiss_db for h in sounds]


def neighbour_at(point: str) -> int | None:
    """Return the cylinder whose plug hole a point names, None for any other point."""
    number = point.removeprefix(PLUG_HOLE_PREFIX)
    return int(number) if number != point and number.isdecimal() else None


def _place(point: str, order: list[str]) -> tuple[int, str]:
    return (order.index(point) if point in order else len(order), point)


def _says(finding: Finding) -> bool:
    if not finding.usable or not math.isfinite(finding.excess_db):
        return False
    return finding.grade in GRADES or _unproven(finding)


def _unproven(finding: Finding) -> bool:
    """Tell whether air cycles neither proved a hiss nor excluded one: then it was no loud one."""
    p = finding.p_value
    return finding.basis == "cycles" and finding.grade == "undetermined" and (p or 0.0) > FOUND_P


def _heard(point: str, finding: Finding) -> Heard:
    return Heard(
        point=point,
        grade=finding.grade,
        excess_db=finding.excess_db,
        p_value=finding.p_value,
        detectable_db=finding.detectable_db,
        interval_db=finding.interval_db,
        proof=finding.basis == "cycles" and finding.p_value is not None,
        level_db=leak_level_db(finding) if has_level(finding) else None,
    )


def _one_tailpipe(pipes: list[Heard]) -> list[Heard]:
    """Merge two tailpipes into the one that tells most: the louder, or the only one."""
    if not pipes:
        return []
    levels = dict(zip(pipes, _levels_db(pipes), strict=True))
    best = max(pipes, key=lambda h: (h.audible, h.proof, levels[h]))
    return [replace(best, point=TAILPIPE, complete=len(pipes) == len(TAILPIPES))]
