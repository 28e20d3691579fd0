"""Tell a leaking gasket from a drip: bubbles that come more often while the air is on.

Coolant drips, a hose settles, air trapped in the heater comes up by itself: all of these make
bubbles whatever the valve does. Bubbles that the air drives come only, or far more often, while
the air is on. If bubbles come at random, each of the n that were heard fell into an air-on period
with the probability that such periods have of the time listened, so the number of those is
binomial, and no rate has to be known.

References
----------
J. Przyborowski and H. Wilenski, Biometrika 31:313-323 (1940): comparison of two Poisson counts by
the conditional binomial test. C. J. Clopper and E. S. Pearson, Biometrika 26:404-413 (1934): the
exact interval of a share.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bubbles.events import BUBBLES, BubbleSettings, find_bubbles
from earwitness.acoustics.finding import BubbleCount

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.acoustics.bubbles.events import Bubble, Listened
    from earwitness.units import Floats

    Stretch = tuple[float, float]

CONFIDENCE = 0.95
"""Confidence of the interval of a ratio [1]. Common practice, no source."""


def count_bubbles(
    samples: Floats,
    fs: float,
    air_on_s: Sequence[Stretch],
    settings: BubbleSettings = BUBBLES,
    *,
    guard_s: float = 0.6,
) -> BubbleCount:
    """Return how bubbles follow the valve in an air-cycled take.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        The take [1].
    fs : float
        Sample rate [Hz].
    air_on_s : sequence of (float, float)
        When the air was on [s].
    settings : BubbleSettings
        What passes for a bubble.
    guard_s : float
        Time left out after each turn of the valve [s]; four time constants of a cylinder that
        fills or drains in 0.15 s.

    Raises
    ------
    ValueError
        If an air-on period ends before it begins, or the sample rate is too low.
    """
    heard = find_bubbles(samples, fs, settings)
    return rate_of(heard, len(samples) / fs, air_on_s, guard_s=guard_s)


def rate_of(
    heard: Listened, seconds: float, air_on_s: Sequence[Stretch], *, guard_s: float = 0.6
) -> BubbleCount:
    """Return how bubbles that were heard follow the valve.

    Parameters
    ----------
    heard : Listened
        Bubbles of a take.
    seconds : float
        Its length [s].
    air_on_s, guard_s
        As for `count_bubbles`.

    Raises
    ------
    ValueError
        If an air-on period ends before it begins.
    """
    if any(end <= begin for begin, end in air_on_s):
        raise ValueError(f"air_on_s={air_on_s!r}: a period ends before it begins")
    on = [(begin + guard_s, end) for begin, end in air_on_s]
    edges = [0.0 - guard_s, *(edge for period in air_on_s for edge in period), seconds]
    off = [(a + guard_s, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    in_on = [b for b in heard.bubbles if _inside(b, on)]
    in_off = [b for b in heard.bubbles if _inside(b, off)]
    on_s, off_s = (_length_s(part, heard.deaf_s) for part in (on, off))
    return compare_rates(len(in_on), on_s, len(in_off), off_s, [b.radius_mm for b in in_on])


def compare_rates(
    on: int, on_s: float, off: int, off_s: float, radii_mm: Sequence[float] = ()
) -> BubbleCount:
    """Return the exact comparison of two Poisson rates.

    Parameters
    ----------
    on, off : int
        Events with the air on and off.
    on_s, off_s : float
        Time in which they were counted [s].
    radii_mm : sequence of float
        Radii of the bubbles with the air on [mm].

    Examples
    --------
    >>> count = compare_rates(12, 20.0, 2, 20.0)
    >>> count.ratio, round(count.p_value, 4)
    (6.0, 0.0065)
    """
    if on < 0 or off < 0 or on_s < 0 or off_s < 0:
        raise ValueError("counts and times must not be negative")
    from scipy import stats

    interval: tuple[float, float | None] = (0.0, None)
    n, p_value = on + off, 1.0
    if n and on_s > 0 and off_s > 0:
        share = on_s / (on_s + off_s)
        test = stats.binomtest(on, n, share, alternative="greater")
        p_value = float(test.pvalue)
        low, high = stats.binomtest(on, n, share).proportion_ci(CONFIDENCE, method="exact")
        interval = (_ratio(low, on_s, off_s) or 0.0, _ratio(high, on_s, off_s))
    return BubbleCount(
        on=on,
        off=off,
        on_s=on_s,
        off_s=off_s,
        ratio=on / on_s / (off / off_s) if off and on_s > 0 and off_s > 0 else None,
        ratio_interval=interval,
        p_value=p_value,
        radius_mm=float(np.median(radii_mm)) if len(radii_mm) else None,
    )


def _ratio(share: float, on_s: float, off_s: float) -> float | None:
    """Return the ratio of rates that gives a share of air-on events; None if unbounded."""
    return None if share >= 1 else float(share / (1 - share) * off_s / on_s)


def _inside(bubble: Bubble, periods: Sequence[Stretch]) -> bool:
    return any(begin <= bubble.at_s < end for begin, end in periods)


def _length_s(periods: Sequence[Stretch], without: Sequence[Stretch]) -> float:
    """Return the length of periods less what other stretches take of them [s]."""
    total = 0.0
    for begin, end in periods:
        total += max(end - begin, 0.0)
        total -= sum(max(min(end, b) - max(begin, a), 0.0) for a, b in without)
    return total
