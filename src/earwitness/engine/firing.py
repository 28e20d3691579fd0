"""Turn the crank from one cylinder's firing top dead centre to the next.

An evenly firing four-stroke engine fires all its cylinders in two turns of the crank, so
consecutive firings are 720/n degrees apart. Engines that fire unevenly (some V-twins and early
V6s) do not follow this: there the maker's timing marks decide.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from earwitness.engine.layout import EngineLayout

CYCLE_DEG = 720.0
"""Crank rotation of one four-stroke working cycle [degrees]. Definition."""


def firing_interval_deg(cylinders: int) -> float:
    """Return the crank angle between consecutive firings, 720/n [degrees].

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


def tdc_angles(layout: EngineLayout) -> dict[int, float]:
    """Return each cylinder's compression top dead centre after that of the first to fire.

    Returns
    -------
    dict of int to float
        Crank angle by cylinder number, 0 up to 720 [degrees].
    """
    step = firing_interval_deg(layout.cylinders)
    return {cylinder: place * step for place, cylinder in enumerate(layout.firing_order)}


def degrees_to_turn(layout: EngineLayout, start: int, end: int) -> float:
    """Return how far the crank turns forward from `start`'s compression TDC to `end`'s [degrees].

    Raises
    ------
    LayoutError
        If either cylinder does not exist on this engine.
    """
    layout.require(start)
    layout.require(end)
    angles = tdc_angles(layout)
    return (angles[end] - angles[start]) % CYCLE_DEG


def companion_pairs(layout: EngineLayout) -> tuple[tuple[int, int], ...]:
    """Return the pairs whose pistons reach the top together, in firing order; () if odd."""
    half = layout.cylinders // 2
    if layout.cylinders % 2:
        return ()
    return tuple(zip(layout.firing_order[:half], layout.firing_order[half:], strict=True))
