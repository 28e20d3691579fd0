"""Make one leakage of all that was read at a cylinder: repeats, scale, and sag of the supply."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.gauges.correction import ScaleCheck, sag_corrected_percent, scale_corrected
from earwitness.gauges.leakage import PERCENT_DIGITS, leakage_percent
from earwitness.gauges.repeated import Repeated, repeated, student_t

if TYPE_CHECKING:
    from collections.abc import Sequence

NO_CHECK = ScaleCheck()
"""The scale was not checked; it is taken to be right."""
READ_TO_PERCENT = 1.0
"""Step to which a leakage is read [%]. Common practice, no source: one division of a usual percent
scale, and about 1 psi of 100 on two gauges."""
NEGLIGIBLE_PERCENT = 0.05
"""Correction that is not worth a word [%]. Chosen: a twentieth of the finest division of a percent
scale; common practice, no source."""


@dataclass(frozen=True, slots=True)
class LeakageRead:
    """The leakage of one cylinder and how well it is known."""

    percent: float
    """Mean of the readings after all corrections [%]."""
    count: int
    """Readings that were averaged [1]."""
    scatter_percent: float | None
    """Standard deviation of one reading [%]; None for a single one."""
    standard_error_percent: float | None
    """Standard deviation of the mean [%]; None for a single one."""
    bound_percent: float
    """How far it may be off, either way, because the scale moved during the test [%]."""
    half_width_percent: float
    """How far it may be off in all [%]: 95 % interval of the mean, at least half a step of the
    display, and `bound_percent`."""
    remarks: tuple[str, ...] = ()
    """What was corrected and what stands out, one sentence each."""


def read_percent(
    percents: Sequence[float],
    *,
    check: ScaleCheck = NO_CHECK,
    supply_kpa: float | None = None,
    under_flow_kpa: float | None = None,
) -> LeakageRead:
    """Read a percent scale: correct each reading, then average.

    Parameters
    ----------
    percents : sequence of float
        As read, in their order [%].
    check : ScaleCheck
        What the scale shows where it should show 0 and 100.
    supply_kpa, under_flow_kpa : float, optional
        Supply without flow and while reading, gauge pressures; no sag if either is left out [kPa].

    Raises
    ------
    GaugeError
        If a reading is impossible.

    Examples
    --------
    >>> read_percent([33.0, 34.0, 36.0]).percent
    34.333333333
    """
    corrected = [scale_corrected(percent, check) for percent in percents]
    values = [c.percent for c in corrected]
    remarks = list(_scale_remark(percents, values, check))
    if supply_kpa is not None and under_flow_kpa is not None:
        sag = [
            sag_corrected_percent(v, supply_kpa=supply_kpa, under_flow_kpa=under_flow_kpa)
            for v in values
        ]
        remarks += _sag_remark(values, sag, supply_kpa, under_flow_kpa)
        values = sag
    return _read(values, max(c.bound_percent for c in corrected), remarks)


def read_two_gauges(pairs_kpa: Sequence[tuple[float, float]]) -> LeakageRead:
    """Read a tester with two gauges: a percentage from each pair, then the mean.

    Parameters
    ----------
    pairs_kpa : sequence of (float, float)
        Supply and cylinder, read at the same time; gauge pressures [kPa].

    Raises
    ------
    GaugeError
        If a pair cannot stand on one tester.

    Examples
    --------
    >>> read_two_gauges([(552.0, 414.0), (552.0, 414.0)]).percent
    25.0
    """
    values = [leakage_percent(supply_kpa=s, cylinder_kpa=c) for s, c in pairs_kpa]
    return _read(values, 0.0, [])


def half_width_percent(scatter_percent: float | None, count: int, bound_percent: float) -> float:
    """Return how far a mean of leakage readings may be off, either way [%].

    Parameters
    ----------
    scatter_percent : float or None
        Standard deviation of one reading [%]; None for a single one.
    count : int
        Readings that were averaged.
    bound_percent : float
        What the scale may have moved meanwhile [%].

    Examples
    --------
    >>> half_width_percent(None, 1, 0.25)
    0.75
    """
    half = READ_TO_PERCENT / 2.0
    if scatter_percent is not None and count > 1:
        half = max(half, student_t(0.975, count - 1) * scatter_percent / math.sqrt(count))
    return half + bound_percent


def _read(values: Sequence[float], bound_percent: float, remarks: list[str]) -> LeakageRead:
    averaged = repeated(values, resolution=READ_TO_PERCENT)
    return LeakageRead(
        percent=round(averaged.mean, PERCENT_DIGITS),
        count=len(averaged.values),
        scatter_percent=averaged.scatter,
        standard_error_percent=averaged.standard_error,
        bound_percent=bound_percent,
        half_width_percent=half_width_percent(averaged.scatter, len(values), bound_percent),
        remarks=(*remarks, *_repeat_remarks(averaged)),
    )


def _scale_remark(
    percents: Sequence[float], values: Sequence[float], check: ScaleCheck
) -> tuple[str, ...]:
    """Say that the scale was off, if it was."""
    if max(abs(p - v) for p, v in zip(percents, values, strict=True)) < NEGLIGIBLE_PERCENT:
        return ()
    shown = [
        f"{' and '.join(f'{v:g}' for v in given)} % with the hose {how}"
        for given, how in ((check.shut_percent, "shut"), (check.open_percent, "open"))
        if given
    ]
    off = f"The scale showed {', '.join(shown)}"
    return (f"{off}: {_listed(percents)} % as read is {_listed(values)} % corrected.",)


def _sag_remark(
    values: Sequence[float], sag: Sequence[float], supply_kpa: float, under_flow_kpa: float
) -> tuple[str, ...]:
    """Say that the supply sagged, if that made a difference."""
    if max(abs(a - b) for a, b in zip(values, sag, strict=True)) < NEGLIGIBLE_PERCENT:
        return ()
    fell = f"The supply fell from {supply_kpa:.0f} to {under_flow_kpa:.0f} kPa under flow"
    return (f"{fell}: {_listed(values)} % is {_listed(sag)} % of the supply that was there.",)


def _repeat_remarks(averaged: Repeated) -> tuple[str, ...]:
    """Say how many readings were averaged, and which one stands apart."""
    if averaged.scatter is None:
        return ()
    low, high = min(averaged.values), max(averaged.values)
    mean = (
        f"Mean of {len(averaged.values)} readings from {low:.3g} to {high:.3g} %, "
        f"standard deviation {averaged.scatter:.2g} %."
    )
    if averaged.outlier is None:
        return (mean,)
    apart = f"Reading {averaged.outlier + 1} ({averaged.values[averaged.outlier]:.3g} %)"
    return (mean, f"{apart} stands apart from the others: read it again.")


def _listed(values: Sequence[float]) -> str:
    return ", ".join(f"{v:.3g}" for v in values)
