"""Tell a change of an engine over several visits from the scatter of the test itself.

A value read at two visits differs because the engine changed, or because the test was set up and
read again. Every comparison is a weighted sum of the values of one series whose weights add up to
nothing, so that its expectation is zero if nothing changed; its standard error follows from the
scatter, and Student's distribution with the effective degrees of freedom says how large it gets by
chance. All comparisons of an engine together call a change where there is none in at most
`FALSE_CHANGE` of engines (Bonferroni: each has its equal share).

References
----------
JCGM 100:2008 (GUM), clause 5.1.2 (combined standard uncertainty), clause G.4.1 equation (G.2b)
(Welch-Satterthwaite), clause 4.2 (scatter from repeated readings); from memory. Bonferroni's
inequality and weighted least squares: any text on statistics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from math import fsum as _sum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Quantity = Literal["leakage", "compression-dry", "compression-wet", "hiss"]
"""What a series follows: leakage in percent on one tester, the two compressions, and the hiss at
one listening point against the noise of the day."""
Comparison = Literal["since the visit before", "over all visits"]

FALSE_CHANGE = 0.05
"""Most engines without any change for which one is called all the same [1]. Chosen:
docs/decisions/0091-when-a-change-is-called.md; benchmarks/history_change.py measures it."""
FOUND = 0.85
"""Probability with which a change of the size called `detectable` is found [1]. Chosen: that of
the detectable level of a take, decision 0014."""
FEWEST_FOR_A_LINE = 3
"""Visits from which a line is laid through a series [1]: through two it says nothing new."""
LEAST_REPEATS = 4
"""Degrees of freedom from which the scatter of repeated readings replaces the default [1]. Chosen:
below four, a scatter is known to no better than a factor of two (95 %, chi-square)."""
FEWEST_STEPS = 8
"""Steps from visit to visit, over all cylinders, from which they tell whether the scatter is larger
than stated [1]. Chosen: benchmarks/history_change.py; with four, one cylinder that changed hides
itself in one engine of twelve."""
DOUBT = 0.02
"""Chance below which the steps of an engine are held to contradict the stated scatter [1]. Chosen:
benchmarks/history_change.py; at 0.1 chance hides one change of ten."""
DAYS_OF_A_YEAR = 365.25
"""Julian year [days]. Exact by definition, IAU."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations of one quantity where nothing changed."""

    set_up: float
    """Between visits: adapter screwed in again, piston set again, another day's warmth or noise."""
    reading: float
    """Between readings of one set-up."""
    least_reading: float
    """Least of `reading` that repeats may show: what the marks of a gauge hide."""
    relative: bool
    """True if all three are shares of the value [1], False if they are in its own unit."""
    origin: str


SCATTER: dict[Quantity, Scatter] = {
    "leakage": Scatter(1.5, 1.0, 0.3, relative=False, origin="chosen, no source"),
    "compression-dry": Scatter(0.04, 0.01, 0.003, relative=True, origin="chosen, no source"),
    "compression-wet": Scatter(0.06, 0.01, 0.003, relative=True, origin="chosen, no source"),
    "hiss": Scatter(3.0, 0.0, 0.0, relative=False, origin="chosen, no source"),
}
"""Scatter where the visits do not tell it themselves: leakage in points of percent, compressions
as a share of the value, hiss in decibels. Docs/decisions/0090-the-scatter-of-a-test.md says what
each stands for; `least_reading` is a mark of the gauge, 1 % and 1 % of the value, over sqrt(12)
(JCGM 100:2008, F.2.2.1, from memory)."""


@dataclass(frozen=True, slots=True)
class Value:
    """What one visit says in a series."""

    visit: int
    """Place of the visit, from 0."""
    day: float
    """Time since the first visit [days]."""
    value: float
    set_up: float
    """Standard deviation from setting up anew, in the series' unit."""
    reading: float
    """Standard error of what was read or heard there, in the series' unit."""
    bound: bool = False
    """True if nothing was found: `value` is then the most that may have been there."""
    readings: int = 1
    """Number of readings at this visit."""
    as_read: float | None = None
    """What the gauge showed, where `value` is that carried over to another tester."""

    @property
    def standard_error(self) -> float:
        """Of the value as a measure of the engine, in the series' unit."""
        return math.hypot(self.set_up, self.reading)


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one cylinder, visit by visit; visits that lack it are left out."""

    cylinder: int
    quantity: Quantity
    point: str | None
    """Listening point, for hiss."""
    unit: str
    values: tuple[Value, ...]
    reading_freedom: float = math.inf
    """Degrees of freedom of the readings' scatter [1]; infinite for a default."""


@dataclass(frozen=True, slots=True)
class Change:
    """One comparison, whether or not it shows a change."""

    cylinder: int
    quantity: Quantity
    point: str | None
    unit: str
    comparison: Comparison
    first_visit: int
    last_visit: int
    from_value: float
    to_value: float
    """Both as read; where a line was laid, its two ends."""
    from_bound: bool
    to_bound: bool
    change: float
    """In the unit; for a bound the least it can be."""
    years: float
    scatter: float
    """What chance alone may do to `change` in all comparisons together, in the unit."""
    detectable: float
    """Change that would have been called with probability `FOUND`, in the unit."""
    p_value: float
    """Two-sided probability of so much by chance, in this comparison alone [1]."""
    widened: float
    """Factor on the stated scatter, where the engine's own steps show more [1]."""
    called: bool

    @property
    def interval(self) -> tuple[float, float]:
        """Interval of the change that holds in all comparisons together, in the unit."""
        return self.change - self.scatter, self.change + self.scatter


def compare(series: Sequence[Series], *, false_change: float = FALSE_CHANGE) -> tuple[Change, ...]:
    """Compare the last visit of every series with the one before, and lay a line through all.

    Parameters
    ----------
    series : sequence of Series
        All that is known of one engine.
    false_change : float
        Most engines without a change for which one may be called [1].

    Returns
    -------
    tuple of Change
        In the order of the series; none for a series of one value, or of two upper bounds.
    """
    asked = [(s, contrast) for s in series for contrast in _contrasts(s)]
    share = false_change / max(1, len(asked))
    wider = {s.quantity: widening(series, s.quantity) for s in series}
    return tuple(_change(s, contrast, share, wider[s.quantity]) for s, contrast in asked)


def widening(series: Sequence[Series], quantity: Quantity) -> float:
    """Return the factor by which an engine's own steps show the scatter to be wider than stated.

    Where the steps show more, and so much more that it has a chance of `DOUBT` or less, the stated
    scatter is widened to agree with them; otherwise the factor is 1.

    References
    ----------
    R. T. Birge, Phys. Rev. 40 (1932) 207: scaling of stated errors by the ratio of external to
    internal consistency; from memory.
    """
    ratio, count = own_scatter(series, quantity)
    if count < FEWEST_STEPS:
        return 1.0
    largest = math.sqrt(_median_square(count, 1.0 - DOUBT) / _median_square(count, 0.5))
    return ratio if ratio > largest else 1.0


def own_scatter(series: Sequence[Series], quantity: Quantity) -> tuple[float, int]:
    """Return what an engine's own steps show of the scatter, over what is stated.

    A step from visit to visit over its standard error is a standard normal number if nothing
    changed. What most cylinders do tells the scatter even where one has changed, so the lower
    median of the squares is taken, over what it is to be expected to be.

    Returns
    -------
    float
        Scatter shown over scatter stated [1]; NaN without a step.
    int
        Number of steps, over all cylinders.
    """
    squares = sorted(
        (step.change / step.standard_error(s.reading_freedom)[0]) ** 2
        for s in series
        if s.quantity == quantity
        for before, after in pairwise(s.values)
        if not (before.bound or after.bound)
        for step in [_step(before, after)]
    )
    if not squares:
        return math.nan, 0
    seen = squares[(len(squares) - 1) // 2]
    return math.sqrt(seen / _median_square(len(squares), 0.5)), len(squares)


def _median_square(count: int, share: float) -> float:
    """Return the quantile of the lower median of the squares of normal numbers [1].

    References
    ----------
    H. A. David, Order Statistics: the k-th of n uniform numbers is Beta(k, n + 1 - k); from memory.
    """
    from scipy.special import betaincinv, ndtri

    place = (count + 1) // 2
    return float(ndtri((1.0 + betaincinv(place, count + 1 - place, share)) / 2.0)) ** 2


def pooled_scatter(repeats: Iterable[tuple[float, int]]) -> tuple[float, int]:
    """Return the standard deviation of repeated readings over all set-ups, and its freedom.

    Parameters
    ----------
    repeats : iterable of (float, int)
        Standard deviation and number of the readings of each set-up, in one unit.

    Returns
    -------
    float
        Root of the mean variance, each weighted by its degrees of freedom; NaN if there are none.
    int
        Degrees of freedom: readings less set-ups.

    Examples
    --------
    >>> pooled_scatter([(2.0, 2), (1.0, 4)])
    (1.3228756555322954, 4)
    """
    squares, freedom = 0.0, 0
    for deviation, count in repeats:
        squares += (count - 1) * deviation**2
        freedom += count - 1
    return (math.sqrt(squares / freedom) if freedom else math.nan), freedom


def student_quantile(probability: float, freedom: float) -> float:
    """Return the quantile of Student's distribution; the normal one at infinite freedom."""
    from scipy.special import ndtri, stdtrit

    return float(ndtri(probability) if math.isinf(freedom) else stdtrit(freedom, probability))


@dataclass(frozen=True, slots=True)
class _Contrast:
    """A comparison of a series: a weighted sum of its values."""

    comparison: Comparison
    values: tuple[Value, ...]
    weights: tuple[float, ...]
    """One a value; they add up to nothing."""
    ends: tuple[float, float]
    """Where it begins and ends: as read, or on the line through all."""

    @property
    def change(self) -> float:
        """The weighted sum, in the series' unit."""
        return _sum(w * v.value for w, v in zip(self.weights, self.values, strict=True))

    def standard_error(self, freedom: float) -> tuple[float, float]:
        """Return the standard error of the change, and its effective degrees of freedom."""
        pairs = list(zip(self.weights, self.values, strict=True))
        known = _sum((w * v.set_up) ** 2 for w, v in pairs)
        read = _sum((w * v.reading) ** 2 for w, v in pairs)
        effective = math.inf if not read else freedom * ((known + read) / read) ** 2
        return math.sqrt(known + read), effective


def _contrasts(series: Series) -> list[_Contrast]:
    values = series.values
    found = []
    if len(values) > 1 and not (values[-2].bound and values[-1].bound):
        found.append(_step(*values[-2:]))
    bounds = any(v.bound for v in values)
    if not bounds and len(values) >= FEWEST_FOR_A_LINE and values[-1].day > values[0].day:
        found.append(_line(values))
    return found


def _step(before: Value, after: Value) -> _Contrast:
    ends = (before.value, after.value)
    return _Contrast("since the visit before", (before, after), (-1.0, 1.0), ends)


def _line(values: tuple[Value, ...]) -> _Contrast:
    """Lay a line through values by weighted least squares; the change is that along the line."""
    precision = [v.standard_error**-2 for v in values]
    pairs = list(zip(precision, values, strict=True))
    middle = _sum(p * v.day for p, v in pairs) / _sum(precision)
    mean = _sum(p * v.value for p, v in pairs) / _sum(precision)
    spread = _sum(p * (v.day - middle) ** 2 for p, v in pairs)
    per_day = _sum(p * (v.day - middle) * v.value for p, v in pairs) / spread
    span = values[-1].day - values[0].day
    return _Contrast(
        "over all visits",
        values,
        tuple(span * p * (v.day - middle) / spread for p, v in pairs),
        (mean + per_day * (values[0].day - middle), mean + per_day * (values[-1].day - middle)),
    )


def _change(series: Series, contrast: _Contrast, share: float, wider: float) -> Change:
    first, last = contrast.values[0], contrast.values[-1]
    error, freedom = contrast.standard_error(series.reading_freedom)
    error *= wider
    scatter = student_quantile(1.0 - share / 2.0, freedom) * error
    change = _least(contrast.change, first, last)
    begin, end = contrast.ends
    return Change(
        cylinder=series.cylinder,
        quantity=series.quantity,
        point=series.point,
        unit=series.unit,
        comparison=contrast.comparison,
        first_visit=first.visit,
        last_visit=last.visit,
        from_value=begin,
        to_value=end,
        from_bound=first.bound,
        to_bound=last.bound,
        change=change,
        years=(last.day - first.day) / DAYS_OF_A_YEAR,
        scatter=scatter,
        detectable=scatter + student_quantile(FOUND, freedom) * error,
        p_value=_two_sided(change / error, freedom),
        widened=wider,
        called=abs(change) > scatter,
    )


def _least(change: float, first: Value, last: Value) -> float:
    """Return the least that a change can be where one end is only an upper bound.

    From "at most 2" to 5 it is at least 3; from "at most 5" to 2 it may be nothing.
    """
    if first.bound:
        return max(0.0, change)
    return min(0.0, change) if last.bound else change


def _two_sided(ratio: float, freedom: float) -> float:
    from scipy.special import ndtr, stdtr

    one_sided = ndtr(-abs(ratio)) if math.isinf(freedom) else stdtr(freedom, -abs(ratio))
    return float(min(1.0, 2.0 * one_sided))
