"""Gauge values as they were said, and what they come to in one unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

from earwitness.diagnosis.evidence import CheckName
from earwitness.errors import GaugeError, RecordError
from earwitness.gauges.correction import ScaleCheck
from earwitness.gauges.leakage import check_leakage_percent, to_kpa
from earwitness.gauges.readout import LeakageRead, read_percent, read_two_gauges
from earwitness.gauges.repeated import repeated

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from earwitness.diagnosis.evidence import Bubbles
    from earwitness.record.bodies import Gauge, Quantity

CHECKS: tuple[CheckName, ...] = get_args(CheckName)
"""Quantities that are answered yes or no."""
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
    repeats: int | None = None
    """Entry of the first reading that it repeats."""
    retracted: str | None = None
    """Why it no longer counts; None while it does."""

    @property
    def series(self) -> int:
        """Entry of the first reading of the series that it belongs to."""
        return self.seq if self.repeats is None else self.repeats


def check_reading(reading: Reading) -> None:
    """Check that a reading is one a gauge can show.

    Raises
    ------
    RecordError, GaugeError
        If the value is no number, or the unit or the size is impossible.
    """
    if reading.quantity == "bubbles":
        bubbles_of(reading)
    elif reading.quantity in CHECKS:
        answer_of(reading)
    elif reading.quantity == "leakage":
        check_leakage_percent(number_of(reading))
    elif reading.quantity == "zero":
        ScaleCheck(shut_percent=(number_of(reading),))
    elif reading.quantity == "full":
        ScaleCheck(open_percent=(number_of(reading),))
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


def answer_of(reading: Reading) -> bool:
    """Return the answer of a check."""
    match reading.value:
        case "yes" | "no" as answer:
            return answer == "yes"
    raise RecordError(f"a check is answered yes or no, not {reading.value!r}")


def checks_of(readings: Iterable[Reading]) -> tuple[tuple[CheckName, bool], ...]:
    """Return each check that was done, with its last answer."""
    done = tuple(readings)
    last = ((name, last_of(done, name)) for name in CHECKS)
    return tuple((name, answer_of(reading)) for name, reading in last if reading is not None)


def last_of(readings: Iterable[Reading], quantity: Quantity) -> Reading | None:
    """Return the last reading of a quantity."""
    of_it = (r for r in readings if r.quantity == quantity)
    return max(of_it, key=lambda r: r.seq, default=None)


def series_of(readings: Iterable[Reading], quantity: Quantity) -> tuple[Reading, ...]:
    """Return the last reading of a quantity with those that it repeats, in the order taken.

    A reading that repeats none replaces what was read before, as after a piston was brought to the
    top again.
    """
    found = sorted((r for r in readings if r.quantity == quantity), key=lambda r: r.seq)
    return tuple(r for r in found if r.series == found[-1].series)


def mean_kpa(readings: Iterable[Reading], quantity: Quantity) -> float | None:
    """Return a pressure as last read, repeats averaged [kPa]; None if it was not read."""
    found = series_of(readings, quantity)
    return repeated([kpa_of(r) for r in found]).mean if found else None


def leakage_of(readings: tuple[Reading, ...], gauge: Gauge) -> LeakageRead | None:
    """Return the leakage of one cylinder from whichever form of reading came last.

    Readings that repeat each other are corrected one by one and averaged.

    Parameters
    ----------
    readings : tuple of Reading
        Those of one cylinder that count.
    gauge : Gauge
        The tester: its supply where none was read at this cylinder, and its scale.

    Returns
    -------
    LeakageRead or None
        None if it was not read, or a cylinder pressure was but no supply is known.

    Raises
    ------
    GaugeError
        If the readings cannot stand on one tester.
    """
    percents, cylinders = series_of(readings, "leakage"), series_of(readings, "cylinder-pressure")
    pairs = _pairs(cylinders, series_of(readings, "supply-pressure"), gauge.supply_kpa)
    two_gauges = pairs and not (percents and percents[-1].seq > cylinders[-1].seq)
    try:
        if two_gauges:
            return read_two_gauges(pairs)
        return _from_percents(percents, readings, gauge) if percents else None
    except GaugeError as e:
        raise GaugeError(f"Cylinder {readings[0].cylinder}: {e.fault}", remedy=e.remedy) from e


def _from_percents(
    percents: tuple[Reading, ...], readings: tuple[Reading, ...], gauge: Gauge
) -> LeakageRead:
    supply, flowing = last_of(readings, "supply-pressure"), last_of(readings, "supply-under-flow")
    return read_percent(
        [number_of(r) for r in percents],
        check=ScaleCheck(
            _ends(series_of(readings, "zero")) or gauge.zero_percent,
            _ends(series_of(readings, "full")) or gauge.full_percent,
        ),
        supply_kpa=gauge.supply_kpa if supply is None else kpa_of(supply),
        under_flow_kpa=None if flowing is None else kpa_of(flowing),
    )


def _pairs(
    cylinders: tuple[Reading, ...], supplies: tuple[Reading, ...], supply_kpa: float | None
) -> list[tuple[float, float]]:
    """Pair each cylinder pressure with its supply [kPa]; empty if no supply is known.

    As many supplies as cylinder pressures belong together in their order; else the last supply
    belongs to all of them.
    """
    if len(supplies) == len(cylinders):
        fed = [kpa_of(r) for r in supplies]
    else:
        last = kpa_of(supplies[-1]) if supplies else supply_kpa
        if last is None:
            return []
        fed = [last] * len(cylinders)
    return list(zip(fed, map(kpa_of, cylinders), strict=True))


def _ends(readings: tuple[Reading, ...]) -> tuple[float, ...]:
    """Return the first and the last of several checks of the scale [%]."""
    values = tuple(number_of(r) for r in readings)
    return values if len(values) < 2 else (values[0], values[-1])
