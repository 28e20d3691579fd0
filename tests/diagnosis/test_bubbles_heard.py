"""Bubbles that a take counted speak only where the air drives them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from earwitness.acoustics.bubbles.rate import compare_rates
from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.evidence import CylinderEvidence, bubbles_heard
from earwitness.diagnosis.judge import judge_cylinder

NONE = Finding(
    "cycles", "radiator", 48_000, 20.0, 20.0, 0.0, (-0.2, 0.2), 0.6, 0.5, "none", True, ()
)
POINTS = ("oil-filler", "tailpipe", "throttle-body", "radiator", "adapter", "control")


@pytest.mark.parametrize(
    ("on", "off", "heard"),
    [(0, 0, None), (10, 9, None), (40, 38, None), (9, 0, "slow"), (30, 2, "steady")],
)
def test_only_what_the_air_drives_counts(on: int, off: int, heard: str | None) -> None:
    counted = replace(NONE, bubbles=compare_rates(on, 20.0, off, 20.0))
    assert bubbles_heard((NONE, counted)) == heard
    assert bubbles_heard((counted, replace(counted, usable=False))) == heard


def test_bubbles_heard_raise_the_gasket_as_bubbles_seen_do() -> None:
    quiet = CylinderEvidence(3, POINTS, leakage_percent=35.0, findings=(NONE,))

    def gasket(evidence: CylinderEvidence) -> float:
        ranking = judge_cylinder(evidence).ranking
        return sum(r.probability for r in ranking if "head-gasket-coolant" in r.verdict)

    heard = gasket(replace(quiet, bubbles_heard="steady"))
    assert heard > 2 * gasket(quiet)
    assert heard == pytest.approx(gasket(replace(quiet, bubbles="steady")))
    assert gasket(replace(quiet, bubbles="none", bubbles_heard="steady")) < gasket(quiet)
