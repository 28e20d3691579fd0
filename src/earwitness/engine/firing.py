"""Turn the crank from one cylinder's firing top dead centre to the next.

An evenly firing four-stroke engine fires all its cylinders in two turns of the crank, so
consecutive firings are 720/n degrees apart. Engines whose rods share crankpins that the angle
between the banks does not suit fire unevenly; their intervals are given with the layout.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.engine.layout import CYCLE_DEG

if TYPE_CHECKING:
    from earwitness.engine.layout import EngineLayout


def firing_interval_deg(cylinders: int) -> float:
    """Return the mean crank angle between consecutive firings, 720/n [degrees].

    References
    ----------
    Even spacing of firings: open textbook on diesel power, section 6.3.4, seen in a secondary copy.

    Examples
    --------
    >>> firing_interval_deg(6)
    120.0
    """
    if cylinders < 1:
        raise ValueError(f"cylinders={cylinders} must be at least 1")
    return CYCLE_DEG / cylinders


def degrees_to_turn(layout: EngineLayout, start: int, end: int) -> float:
    """Return how far the crank turns forward from `start`'s compression TDC to `end`'s [degrees].

    Raises
    ------
    LayoutError
        If either cylinder does not exist on this engine.
    """
    layout.require(start)
    layout.require(end)
    angles = layout.tdc_deg
    return (angles[end] - angles[start]) % CYCLE_DEG


def companion_pairs(layout: EngineLayout) -> tuple[tuple[int, int], ...]:
    """Return the pairs whose pistons reach the top together, in firing order; () if none do."""
    found: list[tuple[int, int]] = []
    for cylinder in layout.firing_order:
        other = layout.companion(cylinder)
        if other is not None and (other, cylinder) not in found:
            found.append((cylinder, other))
    return tuple(found)
