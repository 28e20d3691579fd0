"""Every number the verdict rests on, in one place, each with its origin.

Each row is a probability distribution over what may be observed, given what lets the air out.
"Expert estimate, to be calibrated" means what it says: set by hand from trade knowledge, not
fitted to anything; `benchmarks/verdict_population.py` measures how they do on simulated engines
that were not used to set them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from earwitness.diagnosis.evidence import GRADES, Heard, neighbour_at
from earwitness.diagnosis.hypotheses import SEALED, SEALS, SET_UP, Cause, Way
from earwitness.gauges.compression import LOWEST_OF_HIGHEST, WET_RISE_CLEAR, WET_RISE_NONE

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import Bubbles

Row = tuple[float, ...]
Loudness = Literal[
    "quiet", "blow-by", "weak", "cross", "source-small", "source-moderate", "source-large", "full"
]

# --- before any evidence ---------------------------------------------------------------------

PRIOR: dict[str, float] = {
    SEALED: 0.70,
    "rings-or-piston": 0.09,
    "exhaust-valve": 0.08,
    "intake-valve": 0.04,
    "head-gasket-coolant": 0.025,
    "head-gasket-neighbour": 0.015,
    SET_UP: 0.04,
}
"""Share of tested cylinders [1]; normalised over what the engine makes possible. About one
cylinder in four of an engine that was brought in is down. Expert estimate, to be calibrated."""
SECOND_FAULT = 0.5
"""Prior of a two-fault mixture over the product of the priors of its parts [1]: nearly
independent wear. Expert estimate, to be calibrated."""
SET_UP_SHARES: dict[Cause, float] = {"off-tdc": 0.45, "adapter-leak": 0.30, "gauge-wrong": 0.25}
"""How a set-up goes wrong, share of each way [1]. Expert estimate, to be calibrated."""

# --- leakage gauge ---------------------------------------------------------------------------

NOMINAL_LIMIT_PERCENT = 20.0
"""Limit at which `LEAKAGE` is written [%]; a reading is first stretched so that the limit in
force falls here. Common practice, no source."""
LEAKAGE_EDGES_PERCENT = (5.0, 10.0, 15.0, 20.0, 30.0, 50.0, 80.0)
"""Bounds of the columns of `LEAKAGE` [% at a 20 % limit]; an edge belongs to the column below."""
_LEAK = (0.02, 0.06, 0.10, 0.14, 0.25, 0.25, 0.13, 0.05)
LEAKAGE: dict[Cause, Row] = {
    #                <5     5-10   10-15  15-20  20-30  30-50  50-80  >80 %
    "sealed": (0.285, 0.385, 0.225, 0.090, 0.012, 0.0022, 0.0006, 0.0002),
    **dict.fromkeys(SEALS, _LEAK),
    "off-tdc": (0.005, 0.010, 0.020, 0.035, 0.080, 0.200, 0.300, 0.350),
    "adapter-leak": (0.030, 0.070, 0.120, 0.160, 0.250, 0.220, 0.110, 0.040),
    "gauge-wrong": (0.050, 0.080, 0.120, 0.150, 0.220, 0.200, 0.120, 0.060),
}
"""Probability of a leakage reading [1]. Rings never seal fully, so a sound cylinder loses 5-15 %;
off top dead centre an open valve loses nearly all. Expert estimate, to be calibrated."""

# --- sound -----------------------------------------------------------------------------------

HEARD: dict[Loudness, Row] = {
    #                   none   faint  clear  strong
    "quiet": (0.975, 0.018, 0.006, 0.001),
    "blow-by": (0.660, 0.260, 0.070, 0.010),
    "weak": (0.880, 0.090, 0.025, 0.005),
    "cross": (0.560, 0.300, 0.115, 0.025),
    "source-small": (0.420, 0.380, 0.160, 0.040),
    "source-moderate": (0.150, 0.350, 0.320, 0.180),
    "source-large": (0.070, 0.250, 0.350, 0.330),
    "full": (0.020, 0.050, 0.280, 0.650),
}
"""Probability of the grade of an air-cycled take [1], by how loud the air is there. Any hiss was
found at p <= 0.01; it is clear from a rise of 3 dB and strong from 6 dB. `quiet`: the permutation
test promises at most 1.5 % of hiss where there is none, the rest allows for what follows the
valve; `blow-by`: what passes sound rings; `weak` and `cross`: cross-talk by a long or a short way;
`source`: where a small, moderate or large leak comes out; `full`: an open valve. Expert estimate,
to be calibrated."""
SMALL_BELOW_PERCENT, LARGE_ABOVE_PERCENT = 12.0, 30.0
"""Leakage that parts small, moderate and large leaks [% at a 20 % limit]. Not read: moderate.
Expert estimate, to be calibrated."""

_OPEN_VALVE = {"tailpipe": "full", "throttle-body": "full", "plug-hole": "weak"}
REACHES: dict[Cause, dict[str, str]] = {
    "sealed": {},
    "rings-or-piston": {"oil-filler": "source", "throttle-body": "cross", "tailpipe": "weak"},
    "exhaust-valve": {"tailpipe": "source", "throttle-body": "weak", "plug-hole": "weak"},
    "intake-valve": {
        "throttle-body": "source",
        "oil-filler": "cross",
        "tailpipe": "weak",
        "plug-hole": "weak",
    },
    "head-gasket-coolant": {"radiator": "source"},
    "head-gasket-neighbour": {
        "its-plug-hole": "source",
        "tailpipe": "weak",
        "throttle-body": "weak",
    },
    "off-tdc": {**_OPEN_VALVE},
    "adapter-leak": {
        "adapter": "source",
        "control": "cross",
        "plug-hole": "weak",
        "throttle-body": "weak",
    },
    "gauge-wrong": {"control": "cross", "adapter": "weak"},
}
"""How loud the air of each cause is at each kind of point; `quiet` where nothing is said, and
never below `blow-by` at the oil filler. Where the air goes: FAA AC 43.13-1B chapter 8 and US Army
TM 5-3805-260-24, seen in secondary copies. The ways across: crankcase ventilation joins oil
filler and intake; a companion cylinder on overlap joins intake, exhaust and plug holes; common
practice, no source."""

PAIR_TRUST = 0.5
"""Weight of a screening pair's grade against knowing nothing [1]. Without any leak 9-14 % of pairs
were graded as hiss in the two loudest scenes of benchmarks/hiss_false_alarms.py (400 takes each,
--seconds 44 --cycles 6 --seed 777). Expert estimate, to be calibrated."""
ONE_PIPE_TRUST = 0.5
"""Weight of silence at one of two tailpipes [1]: the leak may be on the other bank. Chosen:
even."""
DEAF_TRUST: tuple[tuple[float, float], ...] = ((2.0, 1.0), (4.0, 0.6), (8.0, 0.3))
"""Weight of silence by the rise that would have been found [dB, 1]; 0.1 above the last. A shop
in which only 6 dB could be heard proves little by silence. Expert estimate, to be calibrated."""
DEAFEST_TRUST = 0.1
"""Weight of silence where only a roar would have been found [1]. Expert estimate."""
ANY_GRADE = (0.720, 0.195, 0.070, 0.015)
"""Probability of each grade where the take says nothing about the leak [1]: about the average over
takes, and such that louder still speaks more for the source. Expert estimate, to be calibrated."""

LOUDEST_ALONE, LOUDEST_TIED, LOUDEST_ELSEWHERE, LOUDEST_BOTH, LOUDEST_UNKNOWN = (
    0.75,
    0.18,
    0.07,
    0.45,
    0.35,
)
"""Probability that, of two or more audible points, the leak's own is loudest by 3 dB, ties, or is
beaten [1]; then that one of two leaks' own is loudest, and the value where the leak has no audible
point of its own. Expert estimates, to be calibrated."""

# --- compression, wet test, bubbles ----------------------------------------------------------

COMPRESSION_EDGES = (LOWEST_OF_HIGHEST, 0.90)
"""Dry compression over the engine's highest that parts very low, low and normal [1]. 0.75: US
Army TM 5-4210-230-14&P-1; 0.90: expert estimate."""
COMPRESSION: dict[Cause, Row] = {
    #               normal low  very low
    "sealed": (0.78, 0.19, 0.03),
    **dict.fromkeys(SEALS, (0.25, 0.30, 0.45)),
    "head-gasket-coolant": (0.50, 0.30, 0.20),
    "head-gasket-neighbour": (0.12, 0.23, 0.65),
    **dict.fromkeys(("off-tdc", "adapter-leak", "gauge-wrong"), (0.60, 0.25, 0.15)),
}
"""Probability of a dry compression [1]; a fault of the leak test does not touch it. Expert
estimate, to be calibrated."""
WET: dict[Cause, Row] = {
    #               none  little clear rise
    "sealed": (0.50, 0.35, 0.15),
    **dict.fromkeys(SEALS, (0.60, 0.28, 0.12)),
    "rings-or-piston": (0.10, 0.25, 0.65),
    **dict.fromkeys(("off-tdc", "adapter-leak", "gauge-wrong"), (0.50, 0.35, 0.15)),
}
"""Probability of the rise after oil [1]. Direction: US Army TM 5-4210-230-14&P-1; size: expert
estimate, to be calibrated."""
BUBBLES: dict[Cause, Row] = {
    #               none   slow   steady
    **dict.fromkeys(LEAKAGE, (0.965, 0.030, 0.005)),
    "head-gasket-coolant": (0.25, 0.30, 0.45),
}
"""Probability of bubbles at the radiator neck [1]; slow ones may be trapped air. Direction: study
guide for automotive examinations, secondary copy; size: expert estimate, to be calibrated."""

# --- the other cylinders ---------------------------------------------------------------------

HISS_BACK = (0.60, 0.03)
"""Probability that the neighbour's own test makes this cylinder's hole hiss, if the gasket
between them leaks and if not [1]. Expert estimate, to be calibrated."""
LOW_BESIDE = (0.70, 0.12)
"""Probability that the neighbour of a low cylinder is low too, if the gasket between them leaks
and if not [1]. Direction: US Army TM 5-4210-230-14&P-1; size: expert estimate."""
ALL_ALIKE: dict[Cause, float] = {
    **dict.fromkeys(LEAKAGE, 0.05),
    "rings-or-piston": 0.20,
    "adapter-leak": 0.20,
    "gauge-wrong": 0.35,
}
"""Probability that all cylinders leak too much and alike [1]: wear, or the tester. Expert
estimate, to be calibrated."""


def prior(way: Way) -> float:
    """Return the probability of a way before any evidence, not normalised [1]."""
    weight = 1.0 if len(way.causes) == 1 else SECOND_FAULT
    for cause in way.causes:
        weight *= PRIOR[way.verdict if way.verdict == SET_UP else cause]
    return weight * way.share


def p_leakage(way: Way, percent: float, limit_percent: float) -> float:
    """Return the probability of a leakage reading, given the way the air gets out [1]."""
    column = _column(at_nominal_limit(percent, limit_percent), LEAKAGE_EDGES_PERCENT)
    return most_telling(LEAKAGE, way)[column]


def at_nominal_limit(percent: float, limit_percent: float) -> float:
    """Stretch a leakage so that the limit in force falls on `NOMINAL_LIMIT_PERCENT` [%].

    Examples
    --------
    >>> at_nominal_limit(25.0, 25.0), at_nominal_limit(100.0, 25.0)
    (20.0, 100.0)
    """
    if percent <= limit_percent:
        return percent / limit_percent * NOMINAL_LIMIT_PERCENT
    above = (percent - limit_percent) / (100.0 - limit_percent)
    return NOMINAL_LIMIT_PERCENT + above * (100.0 - NOMINAL_LIMIT_PERCENT)


def p_heard(way: Way, sound: Heard, nominal_percent: float | None) -> float:
    """Return the probability of what was heard at one point, given the way the air gets out [1].

    Parameters
    ----------
    way : Way
    sound : Heard
    nominal_percent : float or None
        Leakage stretched by `at_nominal_limit` [%], None if not read.
    """
    column = GRADES.index(sound.grade)
    sure = HEARD[loudness(way, sound.point, nominal_percent)][column]
    trust = trust_in(sound)
    return trust * sure + (1.0 - trust) * ANY_GRADE[column]


def loudness(way: Way, point: str, nominal_percent: float | None) -> Loudness:
    """Return how loud a way is at a point: its loudest cause there."""
    found = [_one_loudness(cause, way.neighbour, point, nominal_percent) for cause in way.causes]
    return min(found, key=lambda name: HEARD[name][0])


def sources(way: Way) -> tuple[str, ...]:
    """Return the points at which a way's air comes out first-hand."""
    found: list[str] = []
    for cause in way.causes:
        for kind, how in REACHES[cause].items():
            if how in ("source", "full"):
                found.append(f"plug-hole-{way.neighbour}" if kind == "its-plug-hole" else kind)
    return tuple(found)


def trust_in(sound: Heard) -> float:
    """Return the weight of a take against knowing nothing [1]."""
    trust = 1.0 if sound.proof else PAIR_TRUST
    if sound.audible:
        return trust
    if not sound.complete:
        trust *= ONE_PIPE_TRUST
    if sound.detectable_db is None:
        return trust
    deaf = (weight for level, weight in DEAF_TRUST if sound.detectable_db <= level)
    return trust * next(deaf, DEAFEST_TRUST)


def p_loudest(way: Way, sounds: tuple[Heard, ...], top: tuple[Heard, ...]) -> float:
    """Return the probability that just these points are the loudest, given the way [1].

    Parameters
    ----------
    way : Way
    sounds : tuple of Heard
        All points listened to.
    top : tuple of Heard
        The loudest and those that tie with it.
    """
    own = set(sources(way)) & {h.point for h in sounds if h.audible}
    loud = {h.point for h in top}
    sure = LOUDEST_UNKNOWN
    if len(own) > 1:
        sure = LOUDEST_BOTH if own & loud else LOUDEST_ELSEWHERE
    elif own:
        hit = LOUDEST_ALONE if len(loud) == 1 else LOUDEST_TIED
        sure = hit if own & loud else LOUDEST_ELSEWHERE
    trust = min(trust_in(h) for h in sounds if h.audible)
    return trust * sure + (1.0 - trust) * LOUDEST_UNKNOWN


def p_compression(way: Way, share_of_highest: float) -> float:
    """Return the probability of a dry compression over the engine's highest [1]."""
    column = 2 - sum(share_of_highest >= edge for edge in COMPRESSION_EDGES)
    return most_telling(COMPRESSION, way)[column]


def p_wet(way: Way, rise: float) -> float:
    """Return the probability of a relative rise of compression after oil [1]."""
    return most_telling(WET, way)[sum(rise >= edge for edge in (WET_RISE_NONE, WET_RISE_CLEAR))]


def p_bubbles(way: Way, bubbles: Bubbles) -> float:
    """Return the probability of what the eye saw at the radiator neck [1]."""
    return most_telling(BUBBLES, way)[("none", "slow", "steady").index(bubbles)]


def p_pair_pattern(way: Way, neighbour: int, seen: bool, table: tuple[float, float]) -> float:
    """Return the probability of a pattern shared with a neighbour, `HISS_BACK` or `LOW_BESIDE`."""
    yes = table[0] if way.neighbour == neighbour else table[1]
    return yes if seen else 1.0 - yes


def p_all_alike(way: Way) -> float:
    """Return the probability that all cylinders leak too much and alike [1]."""
    return max(ALL_ALIKE[cause] for cause in way.causes)


def most_telling(table: dict[Cause, Row], way: Way) -> Row:
    """Return a way's row; of two faults, that of the one less likely to show nothing."""
    return min((table[cause] for cause in way.causes), key=lambda row: row[0])


def _one_loudness(
    cause: Cause, neighbour: int | None, point: str, nominal_percent: float | None
) -> Loudness:
    kind = point
    if neighbour_at(point) is not None:
        own = cause == "head-gasket-neighbour" and neighbour_at(point) == neighbour
        kind = "its-plug-hole" if own else "plug-hole"
    match REACHES[cause].get(kind, "blow-by" if point == "oil-filler" else "quiet"):
        case "source":
            return _source_loudness(nominal_percent)
        case "full":
            return "full"
        case "cross":
            return "cross"
        case "weak":
            return "weak"
        case "blow-by":
            return "blow-by"
    return "quiet"


def _source_loudness(nominal_percent: float | None) -> Loudness:
    if nominal_percent is None:
        return "source-moderate"
    if nominal_percent < SMALL_BELOW_PERCENT:
        return "source-small"
    return "source-large" if nominal_percent > LARGE_ABOVE_PERCENT else "source-moderate"


def _column(value: float, edges: tuple[float, ...]) -> int:
    """Return the column of a value; one that stands on an edge belongs to the lower."""
    return sum(value > edge for edge in edges)
