"""Complaint, cause and correction in plain text, ready to paste into a work order or a claim.

It says what was found and what to check next. It never orders a repair, and where nothing is
settled it says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.diagnosis.repair import REPAIRS
from earwitness.record.readings import last_of
from earwitness.report import words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict
    from earwitness.record.bodies import Quantity
    from earwitness.record.model import Inspection

CAUSES = {
    "none": "No cylinder was found to leak beyond the limit.",
    "bottom-end": "Air most likely gets lost at the bottom end: pistons, rings or cylinder walls",
    "cylinder-head": "Air most likely gets lost at the cylinder head: valves and their seats",
    "head-gasket": "Air most likely gets lost at the head gasket",
    "undetermined": "Cause not determined by this inspection.",
}
"""How the cause begins, by area; a probability is added where something was found."""

READ: dict[Quantity, str] = {
    "compression-dry": "dry compression",
    "compression-wet": "wet compression",
    "bubbles": "bubbles at the radiator:",
}
"""What each further reading is called within a sentence."""


def complaint_cause_correction(told: Inspection) -> tuple[tuple[str, str], ...]:
    """Write the three parts of a work order's line.

    Parameters
    ----------
    told : Inspection
        The inspection.

    Returns
    -------
    tuple of (str, str)
        "Complaint", "Cause" and "Correction", each with its text.
    """
    return (
        ("Complaint", _complaint(told)),
        ("Cause", " ".join(_cause(told))),
        ("Correction", " ".join(_correction(told.verdict))),
    )


def _complaint(told: Inspection) -> str:
    if "complaint" in told.identity.withheld:
        return "Withheld from this copy."
    return _sentence((told.identity.get("complaint") or "").strip() or "Not written down.")


def _cause(told: Inspection) -> Iterator[str]:
    verdict = told.verdict
    if verdict is None:
        yield "Not determined: the inspection ended before it was judged."
        return
    begun = CAUSES.get(verdict.area, CAUSES["undetermined"])
    if not begun.endswith("."):
        begun += f" ({words.in_words(verdict.probability)}, {words.percent(verdict.probability)})."
    yield begun
    weak = [c for c in verdict.cylinders if c.verdict != "sealed"]
    for judged in weak:
        yield _cylinder(told, judged)
    sound = [c.cylinder for c in verdict.cylinders if c.verdict == "sealed"]
    if sound:
        yield f"Found sound: {_cylinders(sound)}."
    rest = [n for n in range(1, told.layout.cylinders + 1) if n not in told.tested]
    if rest:
        yield f"Not tested: {_cylinders(rest)}."


def _cylinder(told: Inspection, judged: CylinderVerdict) -> str:
    """Say what was read and heard at a cylinder, and what it points to."""
    number = judged.cylinder
    facts = [*_readings(told, number), *_heard(told, number)]
    leads = judged.ranking[0].verdict if judged.ranking else judged.verdict
    sure = words.percent(judged.probability)
    if judged.verdict == "undetermined":
        points = f"open, {words.verdict_name(leads)} leads with {sure}"
    else:
        points = f"points to {words.verdict_name(judged.verdict)} ({sure} sure)"
    return f"Cylinder {number}: {'; '.join([*facts, points])}."


def _readings(told: Inspection, number: int) -> Iterator[str]:
    percent, limit = told.leakage_percent(number), told.opened.limit
    if percent is not None:
        yield (
            f"leakage {percent:.3g} % of the supply (limit {limit.leakage_percent:g} %, "
            f"{limit.origin})"
        )
    for quantity, name in READ.items():
        reading = last_of(told.readings_of(number), quantity)
        if reading is not None:
            unit = words.UNITS.get(reading.unit, reading.unit)
            yield f"{name} {reading.value} {unit}".rstrip()


def _heard(told: Inspection, number: int) -> Iterator[str]:
    last = {t.point: t for t in told.takes if t.cylinder == number and t.counts}
    grades: dict[str, list[str]] = {}
    for take in last.values():
        if take.finding is not None:
            grades.setdefault(take.finding.grade, []).append(take.point)
    for grade in ("strong", "clear", "faint", "none"):
        if grade in grades:
            places = ", ".join(words.point_name(p).lower() for p in grades[grade])
            yield f"{words.GRADE_WORDS[grade]} at {places}"


def _correction(verdict: EngineVerdict | None) -> Iterator[str]:
    known = {str(area): repair for area, repair in REPAIRS.items()}
    repair = known.get(verdict.area if verdict else "", REPAIRS["undetermined"])
    yield "None carried out: this was a test at rest."
    if repair.area == "undetermined":
        yield "No repair can be named on this evidence."
    if verdict is not None and verdict.next_check:
        yield f"To check next: {_sentence(verdict.next_check)}"
    yield repair.technician
    yield repair.does_not_tell


def _cylinders(numbers: Sequence[int]) -> str:
    """Write "cylinder 3" or "cylinders 1, 2 and 4"."""
    if len(numbers) == 1:
        return f"cylinder {numbers[0]}"
    return f"cylinders {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else f"{text}."
