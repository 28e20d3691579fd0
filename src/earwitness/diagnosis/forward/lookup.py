"""Look up in the table how probable each way makes what was observed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.diagnosis.hypotheses import SET_UP, Cause, Way
from earwitness.diagnosis.likelihoods import (
    ALL_ALIKE,
    BUBBLES,
    CHECKED,
    COMPRESSION,
    COMPRESSION_EDGES,
    LEAK_SIZE,
    LEVEL_DB,
    NOMINAL_LIMIT_PERCENT,
    PRIOR,
    SECOND_FAULT,
    SOUND_ON_TESTER,
    WET,
    Row,
    Spread,
)
from earwitness.gauges.compression import WET_RISE_CLEAR, WET_RISE_NONE

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import Bubbles, CheckName


def prior(way: Way) -> float:
    """Return the probability of a way before any evidence, not normalised [1]."""
    weight = 1.0 if len(way.causes) == 1 else SECOND_FAULT
    for cause in way.causes:
        weight *= PRIOR[way.verdict if way.verdict == SET_UP else cause]
    return weight * way.share


def leak_size(way: Way) -> Spread:
    """Return how large the leak of a way is: ln(area / area at the limit), mean and deviation."""
    return LEAK_SIZE["two-leaks" if len(way.causes) > 1 else way.causes[0]]


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


def level_db(cause: Cause, point: str, *, own_neighbour: bool = False) -> Spread:
    """Return the level of a gram a second of a cause at a point [dB over the floor].

    Parameters
    ----------
    cause : Cause
        One that `LEVEL_DB` names.
    point : str
        A listening point.
    own_neighbour : bool
        The point is the plug hole towards which the gasket leaks.
    """
    kind = "plug-hole" if point.startswith("plug-hole") else point
    row = LEVEL_DB[cause]
    return row["its-plug-hole"] if own_neighbour and "its-plug-hole" in row else row[kind]


def p_compression(way: Way, share_of_highest: float) -> float:
    """Return the probability of a dry compression over the engine's highest [1]."""
    return most_telling(COMPRESSION, way)[compression_column(share_of_highest)]


def compression_column(share_of_highest: float) -> int:
    """Return the column of `COMPRESSION`."""
    return 2 - sum(share_of_highest >= edge for edge in COMPRESSION_EDGES)


def p_wet(way: Way, rise: float) -> float:
    """Return the probability of a relative rise of compression after oil [1]."""
    return most_telling(WET, way)[sum(rise >= edge for edge in (WET_RISE_NONE, WET_RISE_CLEAR))]


def p_bubbles(way: Way, bubbles: Bubbles) -> float:
    """Return the probability of what was seen or heard at the radiator neck [1]."""
    return most_telling(BUBBLES, way)[("none", "slow", "steady").index(bubbles)]


def p_checked(way: Way, name: CheckName, *, yes: bool) -> float:
    """Return the probability of the answer to a check [1]."""
    usual, others = CHECKED[name]
    values = [others.get(cause, usual) for cause in way.causes]
    p = max(values, key=lambda value: abs(value - usual))
    return p if yes else 1.0 - p


def p_pair_pattern(way: Way, neighbour: int, seen: bool, table: tuple[float, float]) -> float:
    """Return the probability of a pattern shared with a neighbour, `HISS_BACK` or `LOW_BESIDE`."""
    yes = table[0] if way.neighbour == neighbour else table[1]
    return yes if seen else 1.0 - yes


def p_sound_on_tester(way: Way) -> float:
    """Return the probability that other cylinders read well on the same tester [1]."""
    return SOUND_ON_TESTER[1 if "gauge-wrong" in way.causes else 0]


def p_all_alike(way: Way) -> float:
    """Return the probability that all cylinders leak too much and alike [1]."""
    return max(ALL_ALIKE[cause] for cause in way.causes)


def most_telling(table: dict[Cause, Row], way: Way) -> Row:
    """Return a way's row; of two faults, that of the one less likely to show nothing."""
    return min((table[cause] for cause in way.causes), key=lambda row: row[0])
