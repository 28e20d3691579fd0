"""Evidence to judge, and property tests that take as long as they take."""

from dataclasses import dataclass

import pytest
from hypothesis import settings

from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.engine.listening_points import listening_points

settings.register_profile("untimed", deadline=None, max_examples=15)
settings.load_profile("untimed")

RISE_DB = {"none": 0.1, "faint": 2.0, "clear": 4.0, "strong": 8.0, "undetermined": 0.8}


@dataclass(frozen=True)
class Bench:
    """Makes findings and evidence for one engine."""

    layout: EngineLayout

    def finding(self, point, grade="none", db=None, *, pair=False, **fields):
        rise = RISE_DB[grade] if db is None else db
        p = {"none": 0.4, "undetermined": 0.03}.get(grade, 0.0045)
        values = {
            "basis": "pair" if pair else "cycles",
            "point": point,
            "sample_rate_hz": 48000,
            "baseline_s": 20.0,
            "take_s": 20.0,
            "excess_db": rise,
            "interval_db": (rise - 0.5, rise + 0.5),
            "p_value": None if pair else p,
            "detectable_db": None if pair else 1.0,
            "grade": grade,
            "usable": True,
            "flags": ("screening-only",) if pair else (),
        }
        return Finding(**{**values, **fields})

    def evidence(self, cylinder, leakage=None, heard=None, *, silent_elsewhere=True, **fields):
        """`heard` maps points to grades, or to findings; the other points are silent."""
        points = tuple(p.name for p in listening_points(self.layout, cylinder))
        sounds = dict(heard or {})
        if silent_elsewhere and heard is not None:
            sounds = dict.fromkeys(points, "none") | sounds
        return CylinderEvidence(
            cylinder,
            points,
            leakage,
            findings=tuple(
                self.finding(p, s) if isinstance(s, str) else s for p, s in sounds.items()
            ),
            **fields,
        )

    def screened(self, cylinder, leakage, **fields):
        """A cylinder whose points were all screened by pairs and found silent."""
        points = [p.name for p in listening_points(self.layout, cylinder)]
        return self.evidence(
            cylinder, leakage, {p: self.finding(p, pair=True) for p in points}, **fields
        )


@pytest.fixture(scope="session")
def four():
    return Bench(engine_layout(4))


@pytest.fixture(scope="session")
def single():
    """An air-cooled single: no radiator and no neighbour, so few hypotheses."""
    return Bench(engine_layout(1, cooling="air"))


@pytest.fixture(scope="session")
def vee():
    return Bench(
        engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]], tailpipes=2)
    )
