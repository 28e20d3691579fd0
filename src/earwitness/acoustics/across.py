"""Put the takes of one cylinder together: which hisses stand, and where it is loudest.

Whoever listens at five points has five chances to be wrong, so the probabilities are corrected for
their number (Holm). Hiss that leaks out at one point is heard at others too, more softly: the
loudest point is where it comes out, if it is clearly louder than the next. What hisses at the hose
as loudly is not the engine.

References
----------
S. Holm, Scand. J. Statist. 6:65-70 (1979): sequentially rejective multiple tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import HISS_HZ
from earwitness.acoustics.levels import decibels, power_ratio
from earwitness.acoustics.settings import DEFAULTS
from earwitness.engine.listening_points import ADAPTER, CONTROL

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.acoustics.finding import Finding

MARGIN_DB = 3.0
"""A point is told from another by at least this [dB]. Chosen: twice the scatter of
cross-talk between engines (1.5 dB, a guess: decision record 0020); benchmarks/across_points.py."""
LEAST_RISE_DB = 0.01
"""Rise below which a level is not worth stating; it is held there [dB]."""
MOST_DB = 300.0
"""Levels are held within this of full scale [dB]: a record may state any number."""


@dataclass(frozen=True, slots=True)
class Point:
    """One listening point of a cylinder among the others."""

    name: str
    p_value: float
    """Probability of a rise like this or a smaller one at any point if nothing leaks (Holm) [1]."""
    found: bool
    """Whether there is a hiss, all points regarded, which the hose does not make."""
    level_db: float
    """Leak alone over 1-16 kHz [dB re full-scale power per FFT bin]."""


@dataclass(frozen=True, slots=True)
class Across:
    """What the air-cycled takes of one cylinder say together."""

    points: tuple[Point, ...]
    """In the order of the findings; the hose and its adapter are not among them."""
    hose: bool
    """Whether the hose hisses as loudly as what was heard at some point."""
    located: tuple[str, ...]
    """Where it is loudest: one point, several within the margin ("A or B"), or none."""
    margin_db: float | None
    """How much louder that is than the loudest other point that was found [dB]; None without."""
    hidden: tuple[str, ...]
    """Points, the hose among them, where nothing was found, but noise could hide a leak louder than
    what was: their takes do not exclude that it leaks there and is heard across."""


def across_points(
    findings: Sequence[Finding],
    *,
    level: float = DEFAULTS.found_p,
    margin_db: float = MARGIN_DB,
) -> Across:
    """Return what the takes of one cylinder say together.

    Parameters
    ----------
    findings : sequence of Finding
        Of one cylinder, recorded with one gain. Only usable air-cycled ones with a p-value, a point
        and floors count; of several at a point the last.
    level : float
        Probability at which one of all points is called a hiss by mistake, at most [1].
    margin_db : float
        Least difference that tells two points apart [dB].
    """
    last = {f.point: f for f in findings if f.point and f.p_value is not None and has_level(f)}
    ours = {p: f for p, f in last.items() if p not in (CONTROL, ADAPTER)}
    adjusted = holm([f.p_value for f in ours.values() if f.p_value is not None])
    heard = [_is_heard(f) and p <= level for f, p in zip(ours.values(), adjusted, strict=True)]
    control = last.get(CONTROL)
    at_hose = -math.inf
    if control is not None and _is_heard(control):
        at_hose = leak_level_db(control)
    levels = [leak_level_db(f) for f in ours.values()]
    hose = any(h and x < at_hose + margin_db for h, x in zip(heard, levels, strict=True))
    points = tuple(
        Point(name, p, h and x >= at_hose + margin_db, x)
        for name, p, h, x in zip(ours, adjusted, heard, levels, strict=True)
    )
    located, margin = _loudest(points, margin_db)
    top = max((p.level_db for p in points if p.found), default=math.inf)
    silent = {n: f for (n, f), h in zip(ours.items(), heard, strict=True) if not h}
    if control is not None and not _is_heard(control):
        silent[CONTROL] = control
    hidden = tuple(
        name for name, f in silent.items() if leak_level_db(f, rise_db=f.interval_db[1]) > top
    )
    return Across(points, hose, located, margin, hidden)


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Return probabilities corrected for their number, in the same order [1].

    References
    ----------
    Holm (1979): the k-th smallest of n is multiplied by n - k + 1, and is no smaller than the one
    before.

    Examples
    --------
    >>> holm([0.02, 0.01, 0.04])
    (0.04, 0.03, 0.04)
    """
    found = [0.0] * len(p_values)
    highest = 0.0
    for k, i in enumerate(sorted(range(len(p_values)), key=lambda i: p_values[i])):
        highest = max(highest, min(1.0, (len(p_values) - k) * p_values[i]))
        found[i] = highest
    return tuple(found)


def loudest_of(levels_db: Sequence[float], margin_db: float = MARGIN_DB) -> tuple[int, ...]:
    """Return which of several hisses is loudest, with all that cannot be told from it.

    Parameters
    ----------
    levels_db : sequence of float
        Levels on one scale [dB]; -inf for silence.
    margin_db : float
        Least difference that tells two apart [dB].

    Returns
    -------
    tuple of int
        Places in `levels_db`, loudest first; () if there are none.

    Examples
    --------
    >>> loudest_of([-52.0, -44.0, -45.5])
    (1, 2)
    """
    order = sorted(range(len(levels_db)), key=lambda i: levels_db[i], reverse=True)
    top = max(levels_db, default=-math.inf)
    return tuple(i for i in order if levels_db[i] > top - margin_db or levels_db[i] == top)


def has_level(finding: Finding) -> bool:
    """Return whether a take's floors are known, so that its leak can be compared with others'."""
    floors = finding.floors
    if not finding.usable or floors is None:
        return False
    inside = [HISS_HZ[0] < f < HISS_HZ[1] for f in floors.centre_hz]
    return any(inside) and len(floors.off_db) == len(inside)


def leak_level_db(finding: Finding, *, rise_db: float | None = None) -> float:
    """Return the level of the leak alone over 1-16 kHz, floor taken off.

    The floor's own level is counted in, so that a point beside a fan is not taken for a soft one.

    Parameters
    ----------
    finding : Finding
        With floors.
    rise_db : float, optional
        Rise of the floor to take instead of the finding's own [dB].

    Returns
    -------
    float
        Level [dB re full-scale power per FFT bin].
    """
    floors = finding.floors
    if floors is None:
        raise ValueError(f"finding at {finding.point} has no floors")
    f, off_db = np.array(floors.centre_hz), np.array(floors.off_db)
    width = np.where((f > HISS_HZ[0]) & (f < HISS_HZ[1]), f, 0.0)
    floor = float(10 ** (off_db.clip(-MOST_DB, MOST_DB) / 10) @ width / width.sum())
    rise = finding.excess_db if rise_db is None else rise_db
    rise = min(max(rise, LEAST_RISE_DB), MOST_DB)
    return decibels(floor) + decibels(power_ratio(rise) - 1)


def _is_heard(finding: Finding) -> bool:
    return finding.grade in ("faint", "clear", "strong")


def _loudest(points: Sequence[Point], margin_db: float) -> tuple[tuple[str, ...], float | None]:
    """Return the loudest point with all within the margin, and its distance from the next."""
    found = [p for p in points if p.found]
    levels = sorted((p.level_db for p in found), reverse=True)
    near = loudest_of([p.level_db for p in found], margin_db)
    return tuple(found[i].name for i in near), levels[0] - levels[1] if len(levels) > 1 else None
