"""Correct a percent scale for a zero that has moved and for a supply that sags under flow.

A percent scale is a pressure gauge with its dial turned round: it shows 0 when the cylinder gauge
stands at the supply, and 100 when it stands at nothing. Both corrections follow from that; no
standard was found that gives them.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from earwitness.errors import GaugeError
from earwitness.gauges.leakage import (
    PERCENT_DIGITS,
    check_leakage_percent,
    check_supply_kpa,
    leakage_percent,
)

MOST_OFF_PERCENT = 10.0
"""Error of zero or full scale that is still corrected [%]. Chosen: twice the largest error class
of plain industrial pressure gauges, EN 837-1:1996 class 4, from memory, rounded up; a tester that
is further off needs adjusting."""


@dataclass(frozen=True, slots=True)
class ScaleCheck:
    """What a percent scale shows where it should show 0 and 100, before and after the test."""

    shut_percent: tuple[float, ...] = ()
    """With the hose shut, where 0 is right: one reading, or before and after [%]."""
    open_percent: tuple[float, ...] = ()
    """With the hose open to the air, where 100 is right: likewise [%]."""

    def __post_init__(self) -> None:
        for given, right, how in (
            (self.shut_percent, 0.0, "shut"),
            (self.open_percent, 100.0, "open"),
        ):
            if len(given) > 2:
                raise GaugeError(
                    f"{len(given)} readings were given for the scale with the hose {how}",
                    remedy="Give one, or two: before and after the test.",
                )
            for value in given:
                _check_near(value, right, how)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A percentage after correction."""

    percent: float
    """[%], from 0 to 100."""
    bound_percent: float
    """How far it may still be off, either way, because the scale moved during the test [%]."""


def scale_corrected(percent: float, check: ScaleCheck) -> Corrected:
    """Return what a scale with true zero and full scale would have shown.

    100 (r - z) / (f - z) with z and f the readings at 0 and 100. Where they were read before and
    after the test, the middle of the two is taken, and the bound covers every place between.

    Parameters
    ----------
    percent : float
        As read [%].
    check : ScaleCheck
        What the scale shows where it should show 0 and 100.

    Raises
    ------
    GaugeError
        If the reading is impossible.

    Examples
    --------
    >>> scale_corrected(34.0, ScaleCheck(shut_percent=(1.0, 3.0)))
    Corrected(percent=32.653061224, bound_percent=0.6942983378918584)
    """
    check_leakage_percent(percent)
    zeros, fulls = check.shut_percent or (0.0,), check.open_percent or (100.0,)
    middle = _on_scale(percent, math.fsum(zeros) / len(zeros), math.fsum(fulls) / len(fulls))
    corners = [_on_scale(percent, z, f) for z, f in itertools.product(zeros, fulls)]
    bound = max(abs(corner - middle) for corner in corners)
    return Corrected(round(middle, PERCENT_DIGITS), bound)


def sag_corrected_percent(percent: float, *, supply_kpa: float, under_flow_kpa: float) -> float:
    """Return the leakage from a percent scale whose supply fell when air began to flow [%].

    The scale was set to 0 at `supply_kpa` without flow, so it shows 100 (1 - p_c / p_s); the loss
    across the orifice is that from the supply under flow, 100 (1 - p_c / p_f), which is less.

    Parameters
    ----------
    percent : float
        As read [%].
    supply_kpa, under_flow_kpa : float
        Supply without flow, and at the moment of reading; gauge pressures [kPa].

    Raises
    ------
    GaugeError
        If the supply rose under flow, or fell below what the cylinder holds.

    Examples
    --------
    >>> sag_corrected_percent(30.0, supply_kpa=690.0, under_flow_kpa=644.0)
    25.0
    """
    check_leakage_percent(percent)
    check_supply_kpa(under_flow_kpa)
    if under_flow_kpa > check_supply_kpa(supply_kpa):
        raise GaugeError(
            f"the supply of {supply_kpa:g} kPa rose to {under_flow_kpa:g} kPa under flow",
            remedy="Read the supply gauge again, first with the hose shut, then with air flowing.",
        )
    held = supply_kpa * (1.0 - percent / 100.0)
    if held > under_flow_kpa * (1.0 + 1e-9):
        raise GaugeError(
            f"at {percent:g} percent the cylinder holds {held:.0f} kPa, more than the supply of "
            f"{under_flow_kpa:g} kPa under flow",
            remedy="Read the supply gauge again while the percentage is read.",
        )
    return leakage_percent(supply_kpa=under_flow_kpa, cylinder_kpa=min(held, under_flow_kpa))


def _on_scale(percent: float, zero: float, full: float) -> float:
    return min(max(100.0 * (percent - zero) / (full - zero), 0.0), 100.0)


def _check_near(value: float, right: float, how: str) -> None:
    if not math.isfinite(value) or abs(value - right) > MOST_OFF_PERCENT:
        raise GaugeError(
            f"with the hose {how} the tester shows {value:g} percent where {right:g} is right",
            remedy="Have the tester adjusted; more than "
            f"{MOST_OFF_PERCENT:g} percent off is not corrected.",
        )
