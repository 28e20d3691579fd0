"""Read what the cylinders of an engine show together: a shared gasket, a bank, wear, a set-up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.diagnosis.decision.decide import over_limit
from earwitness.diagnosis.evidence import heard
from earwitness.diagnosis.forward.across import all_alike
from earwitness.diagnosis.hypotheses import SET_UP, UNDETERMINED, parts
from earwitness.gauges.compression import compression_rules

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from earwitness.diagnosis.evidence import CylinderEvidence
    from earwitness.diagnosis.verdict import CylinderVerdict
    from earwitness.engine.layout import EngineLayout

VALVE_POINTS = {"tailpipe", "throttle-body"}
"""Where a valve that is held open is heard."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Something that more than one cylinder shows, or one against all others."""

    flag: str | None
    technician: str
    customer: str | None = None
    """None where the cylinders' own sentences say it already."""
    check: str | None = None
    """What comes before any cylinder's own next check."""


def patterns(
    layout: EngineLayout,
    evidences: Mapping[int, CylinderEvidence],
    verdicts: tuple[CylinderVerdict, ...],
) -> tuple[Pattern, ...]:
    """Return what the cylinders show together, the most telling first.

    Parameters
    ----------
    layout : EngineLayout
    evidences : mapping of int to CylinderEvidence
        Evidence of every tested cylinder by its number.
    verdicts : tuple of CylinderVerdict
        Of the same cylinders.
    """
    by_number = {v.cylinder: v for v in verdicts}
    return (
        *_alike(layout, evidences),
        *_gasket_between(layout, by_number),
        *_side_by_side(layout, evidences, by_number),
        *_one_bank(layout, evidences),
        *_off_top_dead_centre(evidences, by_number),
        *_compression(layout, evidences),
    )


def _alike(layout: EngineLayout, evidences: Mapping[int, CylinderEvidence]) -> Iterator[Pattern]:
    """Tell wear, a wrong tester and wrong valve timing apart, where all cylinders leak alike."""
    if not all_alike(layout, evidences):
        return
    audible = [{h.point for h in heard(e) if h.audible} for e in evidences.values()]
    customer = "All cylinders leak alike: that is either general wear or the tester itself."
    check = "Check the leakage tester against a known orifice before blaming every cylinder."
    cause = "the tester reads wrong, or all rings are worn"
    if all(points & VALVE_POINTS for points in audible):
        cause = "valves of every cylinder stand open: cam timing first, then valve clearance"
        customer = "All cylinders leak alike past their valves: that speaks for the valve timing."
        check = "Check the cam timing and the valve clearances before blaming every cylinder."
    elif any(points - {"oil-filler"} for points in audible):
        cause = "the tester reads wrong, the cam timing is off, or the whole engine is worn"
    yield Pattern(
        "all-alike", f"All cylinders leak too much, and about as much: {cause}.", customer, check
    )


def _gasket_between(
    layout: EngineLayout, verdicts: Mapping[int, CylinderVerdict]
) -> Iterator[Pattern]:
    blamed = {n for n, v in verdicts.items() if "head-gasket-neighbour" in parts(v.verdict)}
    for a, b in layout.neighbour_pairs():
        if {a, b} <= blamed:
            yield Pattern(
                "gasket-between",
                f"Cylinders {a} and {b} leak into each other: the gasket between them, or a crack.",
                f"Cylinders {a} and {b} leak into each other: that is one place, not two.",
            )


def _side_by_side(
    layout: EngineLayout,
    evidences: Mapping[int, CylinderEvidence],
    verdicts: Mapping[int, CylinderVerdict],
) -> Iterator[Pattern]:
    """Name two neighbours above the limit, alone and not both explained otherwise."""
    over = {n for n, e in evidences.items() if over_limit(e)}
    for a, b in layout.neighbour_pairs():
        open_still = any(verdicts[n].verdict == UNDETERMINED for n in (a, b) if n in verdicts)
        if over == {a, b} and open_still:
            yield Pattern(
                "side-by-side",
                f"Cylinders {a} and {b} stand side by side, and they alone leak too much: the "
                "gasket between them comes first (US Army TM 5-4210-230-14&P-1 on low compression "
                "of two adjacent cylinders).",
                check=f"Listen at each plug hole of cylinders {a} and {b} with the other under "
                "air, the air cycled on and off.",
            )


def _one_bank(layout: EngineLayout, evidences: Mapping[int, CylinderEvidence]) -> Iterator[Pattern]:
    """Name a bank whose cylinders all leak too much while no other does."""
    bank = layout.whole_bank([n for n, e in evidences.items() if over_limit(e)])
    if bank is None or len(evidences) < layout.cylinders:
        return
    numbers = ", ".join(map(str, layout.banks[bank]))
    yield Pattern(
        "one-bank",
        f"Every cylinder of one bank leaks too much ({numbers}) and none of the other: what that "
        "bank alone has comes first, its cam timing, its head and its gasket; common practice, "
        "no source.",
        "All cylinders of one side leak and none of the other: the cause is most likely one thing "
        "that this side shares.",
        f"Check the cam timing and the valve clearances of the bank of cylinder "
        f"{layout.banks[bank][0]}.",
    )


def _off_top_dead_centre(
    evidences: Mapping[int, CylinderEvidence], verdicts: Mapping[int, CylinderVerdict]
) -> Iterator[Pattern]:
    for n, verdict in verdicts.items():
        found_off = ("top-dead-centre", False) in evidences[n].checked
        both = {h.point for h in heard(evidences[n]) if h.audible} >= VALVE_POINTS
        others = [v for m, v in verdicts.items() if m != n]
        alone = others and not any(v.verdict == SET_UP for v in others)
        if verdict.verdict == SET_UP and alone and (found_off or both):
            yield Pattern(
                "off-top-dead-centre",
                f"Cylinder {n} alone reads like a piston off top dead centre, so the tester is "
                "right: turn the crank to the top of compression and test this one again.",
            )


def _compression(
    layout: EngineLayout, evidences: Mapping[int, CylinderEvidence]
) -> Iterator[Pattern]:
    dry = {
        n: e.compression_dry_kpa for n, e in evidences.items() if e.compression_dry_kpa is not None
    }
    for rule in compression_rules(dry, fuel=layout.fuel):
        if not rule.passed:
            yield Pattern(
                None,
                f"Compression below {rule.bound_kpa:.0f} kPa, {rule.name} ({rule.source}): "
                f"cylinder {' and '.join(map(str, rule.low))}.",
            )
