"""Screening from two recordings, one with the air off and one with it on.

Between two recordings a shop changes by itself, and nothing in them tells that change from a leak.
So a pair has no p-value: it gives a rise, an interval that allows for drift, and a grade.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.acoustics.proof.cycles import Periods, periods_from
from earwitness.acoustics.proof.rise import Rise, rise_of_one

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.finding import Grade
    from earwitness.acoustics.floor import Floor
    from earwitness.acoustics.settings import HissSettings


def screen(
    off: Floor, on: Floor, bands: Bands, settings: HissSettings
) -> tuple[Rise, Periods, Grade]:
    """Return what a pair of floors shows: the rise, the floors as periods, and a grade."""
    periods = periods_from([off, on], [False, True], [0.0, 1.0], bands, settings)
    rise = rise_of_one(periods, bands, settings)
    return rise, periods, screening_grade(rise, settings)


def screening_grade(rise: Rise, settings: HissSettings) -> Grade:
    """Return the grade of a rise that has no p-value.

    Graded by its size if its interval lies above zero; `none` if the interval leaves no room for
    a clear hiss; else undetermined.
    """
    low, high = rise.interval_db
    if low > 0:
        return grade_of_rise(rise.excess_db, settings)
    return "none" if high < settings.clear_db else "undetermined"


def grade_of_rise(excess_db: float, settings: HissSettings) -> Grade:
    """Return faint, clear or strong."""
    if excess_db >= settings.strong_db:
        return "strong"
    return "clear" if excess_db >= settings.clear_db else "faint"
