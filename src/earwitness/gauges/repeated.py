"""Average readings that were taken more than once, and say how far they scatter.

JCGM 100:2008 (Guide to the expression of uncertainty in measurement), 4.2 for mean, scatter and
standard error, F.2.2.1 for the resolution of a display. Outliers: Grubbs' test as in
ISO 5725-2:1994, 7.3.4, and the NIST/SEMATECH handbook, 1.3.5.17.1. An outlier is pointed out,
never dropped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import GaugeError

if TYPE_CHECKING:
    from collections.abc import Sequence

OUTLIER_CHANCE = 0.05
"""Chance at which Grubbs' test calls a reading a straggler [1]. ISO 5725-2:1994, 7.3.3.2."""
FEWEST_FOR_OUTLIERS = 3
"""Fewest readings of which one can stand apart [1]. First row of the table in ISO 5725-2:1994."""


@dataclass(frozen=True, slots=True)
class Repeated:
    """Readings of one quantity and what they come to, all in the unit of the readings."""

    values: tuple[float, ...]
    mean: float
    scatter: float | None
    """Standard deviation of one reading; None for a single one."""
    standard_error: float | None
    """Standard deviation of the mean, scatter / sqrt(n); None for a single one."""
    outlier: int | None
    """Place in `values`, from 0, of a reading that stands apart from the others."""
    resolution: float = 0.0
    """Step of the display."""

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the mean: standard error and resolution together."""
        return math.hypot(self.standard_error or 0.0, self.resolution / math.sqrt(12.0))

    def interval(self, confidence: float = 0.95) -> tuple[float, float] | None:
        """Return the interval in which the mean of many such readings lies, None for a single one.

        Student's t over the standard error, but never narrower than one step of the display.
        """
        if self.standard_error is None:
            return None
        t = student_t(0.5 + confidence / 2.0, len(self.values) - 1)
        half = max(t * self.standard_error, self.resolution / 2.0)
        return self.mean - half, self.mean + half


def repeated(values: Sequence[float], *, resolution: float = 0.0) -> Repeated:
    """Average readings of one quantity.

    Parameters
    ----------
    values : sequence of float
        The readings, in the order they were taken, all in one unit.
    resolution : float
        Step of the display, in the same unit; 0 if it is not known.

    Raises
    ------
    GaugeError
        If a reading is not a finite number.
    ValueError
        If there is no reading.

    Examples
    --------
    >>> three = repeated([33.0, 34.0, 36.0])
    >>> round(three.mean, 2), round(three.scatter, 2), round(three.standard_error, 2)
    (34.33, 1.53, 0.88)
    """
    if not values:
        raise ValueError("no readings to average")
    if not all(map(math.isfinite, values)):
        raise GaugeError(f"readings {', '.join(f'{v:g}' for v in values)} are not all numbers")
    given = tuple(float(v) for v in values)
    mean = _between(math.fsum(given) / len(given), given)
    if len(given) == 1:
        return Repeated(given, mean, None, None, None, resolution)
    scatter = math.sqrt(math.fsum((v - mean) ** 2 for v in given) / (len(given) - 1))
    error = scatter / math.sqrt(len(given))
    outlier = _outlier(given, mean, math.hypot(scatter, resolution / math.sqrt(12.0)))
    return Repeated(given, mean, scatter, error, outlier, resolution)


def grubbs_critical(count: int, chance: float = OUTLIER_CHANCE) -> float:
    """Return the distance from the mean, in standard deviations, that only an outlier has [1].

    Two-sided: the largest deviation of `count` normal readings exceeds it with probability
    `chance`.

    Examples
    --------
    >>> round(grubbs_critical(8), 3)
    2.127
    """
    if count < FEWEST_FOR_OUTLIERS:
        raise ValueError(f"count={count} must be at least {FEWEST_FOR_OUTLIERS}")
    t2 = student_t(1.0 - chance / (2.0 * count), count - 2) ** 2
    return (count - 1) / math.sqrt(count) * math.sqrt(t2 / (count - 2 + t2))


def student_t(probability: float, freedom: int) -> float:
    """Return the quantile of Student's t with `freedom` degrees of freedom [1].

    Examples
    --------
    >>> round(student_t(0.975, 2), 3)
    4.303
    """
    from scipy.special import stdtrit

    return float(stdtrit(freedom, probability))


def _outlier(values: tuple[float, ...], mean: float, scatter: float) -> int | None:
    """Return the place of the reading that stands apart, if one does."""
    if len(values) < FEWEST_FOR_OUTLIERS or scatter == 0.0:
        return None
    place = max(range(len(values)), key=lambda i: abs(values[i] - mean))
    apart = abs(values[place] - mean) / scatter
    return place if apart > grubbs_critical(len(values)) else None


def _between(mean: float, values: tuple[float, ...]) -> float:
    """Keep a mean of equal readings from leaving them by rounding."""
    return min(max(mean, min(values)), max(values))
