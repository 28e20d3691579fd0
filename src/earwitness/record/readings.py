"""Gauge values as they were said, and what they come to in one unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import GaugeError, RecordError
from earwitness.gauges.leakage import check_leakage_percent, leakage_percent, to_kpa

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from earwitness.diagnosis.evidence import Bubbles
    from earwitness.record.bodies import Quantity

_DECIMAL = re.compile(r"-?\d{1,9}([.]\d{1,12})?([eE][+-]?\d{1,2})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Reading:
    """A gauge value."""

    seq: int
    time: datetime
    cylinder: int
    quantity: Quantity
    value: str
    """As it was said or written, in `unit`."""
    unit: str
    origin: str
    utterance: int | None
    retracted: str | None = None
    """Why it no longer counts; None while it does."""


def check_reading(reading: Reading) -> None:
    """Check that a reading is one a gauge can show.

    Raises
    ------
    RecordError, GaugeError
        If the value is no number, or the unit or the size is impossible.
    """
    if reading.quantity == "bubbles":
        bubbles_of(reading)
    elif reading.quantity == "leakage":
        check_leakage_percent(number_of(reading))
    else:
        kpa_of(reading)


def number_of(reading: Reading) -> float:
    """Return the value as a number, in the reading's own unit."""
    if not _DECIMAL.fullmatch(reading.value):
        raise RecordError(f"{reading.value!r} is not a decimal number")
    return float(reading.value)


def kpa_of(reading: Reading) -> float:
    """Return a pressure reading [kPa]."""
    return to_kpa(number_of(reading), reading.unit)


def bubbles_of(reading: Reading) -> Bubbles:
    """Return what the eye saw at the radiator."""
    match reading.value:
        case "none" | "slow" | "steady" as seen:
            return seen
    raise RecordError(f"bubbles are none, slow or steady, not {reading.value!r}")


def last_of(readings: Iterable[Reading], quantity: Quantity) -> Reading | None:
    """Return the last reading of a quantity."""
    of_it = (r for r in readings if r.quantity == quantity)
    return max(of_it, key=lambda r: r.seq, default=None)


def leakage_of(readings: tuple[Reading, ...], supply_kpa: float | None) -> float | None:
    """Return the leakage of one cylinder from whichever form of reading came last [%].

    Parameters
    ----------
    readings : tuple of Reading
        Those of one cylinder that count.
    supply_kpa : float or None
        The gauge's supply, where no supply pressure was read at this cylinder [kPa].

    Returns
    -------
    float or None
        None if it was not read, or a cylinder pressure was but no supply is known.

    Raises
    ------
    GaugeError
        If the two pressures cannot stand on one tester.
    """
    percent, cylinder = last_of(readings, "leakage"), last_of(readings, "cylinder-pressure")
    if cylinder is None or (percent is not None and percent.seq > cylinder.seq):
        return None if percent is None else number_of(percent)
    supply = last_of(readings, "supply-pressure")
    supplied = supply_kpa if supply is None else kpa_of(supply)
    if supplied is None:
        return None if percent is None else number_of(percent)
    try:
        return leakage_percent(supply_kpa=supplied, cylinder_kpa=kpa_of(cylinder))
    except GaugeError as e:
        raise GaugeError(f"Cylinder {cylinder.cylinder}: {e.fault}", remedy=e.remedy) from e
