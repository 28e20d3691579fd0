"""Complaint, cause and correction: complete, plain, and never an order."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from earwitness.diagnosis.repair import REPAIRS
from earwitness.record import model
from earwitness.record.identity import Identity
from earwitness.record.store import read_record
from earwitness.report.sections.paragraph import complaint_cause_correction

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.model import Inspection


@pytest.fixture(scope="module")
def told(visit_folder: Path) -> Inspection:
    return model.inspection(read_record(visit_folder))


def test_the_paragraph_says_what_was_read_heard_and_concluded(told: Inspection) -> None:
    said = dict(complaint_cause_correction(told))
    assert list(said) == ["Complaint", "Cause", "Correction"]
    assert said["Complaint"] == "Rough idle, loss of power on cylinder 3."
    assert said["Cause"] == (
        "Air most likely gets lost at the cylinder head: valves and their seats (very likely, "
        "94 %). "
        "Cylinder 3: leakage 34.5 % of the supply (limit 20 %, common practice, no source); "
        "dry compression 690 kPa; clear hiss at tailpipe; faint hiss at throttle body; "
        "no hiss found at oil filler; points to the exhaust valve (93 % sure). "
        "Cylinder 4: leakage 31 % of the supply (limit 20 %, common practice, no source); "
        "open, the piston rings, the cylinder wall or the piston leads with 44 %. "
        "Found sound: cylinder 1. Not tested: cylinder 2."
    )
    assert said["Correction"].startswith("None carried out: this was a test at rest. To check next")
    assert "Cylinder 3: tap the valve stem." in said["Correction"]


@pytest.mark.parametrize("area", [*REPAIRS, "nonsense"])
def test_nothing_is_ordered_and_what_is_open_is_called_open(told: Inspection, area: str) -> None:
    assert told.verdict is not None
    verdict = replace(told.verdict, area=area)
    cause, correction = (
        t for _, t in complaint_cause_correction(replace(told, verdict=verdict))[1:]
    )
    assert not re.search(
        r"\b(replace|renew|must be|fit a new|overhaul)\b", correction, re.IGNORECASE
    )
    assert correction.startswith("None carried out")
    open_question = area in ("undetermined", "nonsense")
    assert ("Cause not determined" in cause) == open_question
    assert ("No repair can be named on this evidence" in correction) == open_question


def test_a_complaint_that_is_withheld_is_said_to_be(told: Inspection) -> None:
    said = dict(complaint_cause_correction(replace(told, identity=Identity({}, ("complaint",)))))
    assert said["Complaint"] == "Withheld from this copy."


def test_an_inspection_without_verdict_says_so(told: Inspection) -> None:
    bare = replace(told, verdict=None, identity=Identity())
    said = dict(complaint_cause_correction(bare))
    assert said["Complaint"] == "Not written down."
    assert said["Cause"] == "Not determined: the inspection ended before it was judged."
    assert "No repair can be named on this evidence." in said["Correction"]
