"""The plan of a leak test: order, listening points, gauge, cautions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.engine.cautions import CAUTIONS, cautions
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.engine.test_plan import gauge_set_up, orifice_for_bore
from earwitness.engine.test_plan import test_plan as plan_of
from earwitness.errors import LayoutError

V8 = engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]], tailpipes=2)


def names(layout, cylinder):
    return [p.name for p in listening_points(layout, cylinder)]


def test_points_of_a_middle_cylinder():
    assert names(engine_layout(4), 3) == [
        "oil-filler",
        "tailpipe",
        "throttle-body",
        "radiator",
        "plug-hole-2",
        "plug-hole-4",
        "adapter",
        "control",
    ]


def test_air_cooled_engine_has_no_radiator():
    assert "radiator" not in names(engine_layout(4, cooling="air"), 2)


def test_two_tailpipes_are_two_points():
    got = names(V8, 1)
    assert [n for n in got if n.startswith("tail")] == ["tailpipe-left", "tailpipe-right"]
    assert [n for n in got if n.startswith("plug")] == ["plug-hole-3"]


def test_each_point_speaks_of_the_seal_the_handbooks_name():
    """FAA AC 43.13-1B ch. 8, AOPA 25 Oct 2016, FAA A&P study guide 8.6 (secondary copies)."""
    seals = {p.name: p.seal for p in listening_points(engine_layout(4), 3)}
    assert "rings" in seals["oil-filler"]
    assert seals["tailpipe"] == "exhaust valve"
    assert seals["throttle-body"] == "intake valve"
    assert "head gasket" in seals["radiator"]
    assert "head gasket to cylinder 2" in seals["plug-hole-2"]


def test_a_diesel_has_no_spark_plugs_to_take_out():
    how = " ".join(p.how for p in listening_points(engine_layout(4, fuel="diesel"), 1))
    assert "glow plug" in how
    assert "spark" not in how
    assert "throttle" not in how


def test_plan_follows_the_firing_order_and_says_how_far_to_turn():
    plan = plan_of(engine_layout(4))
    assert [(s.cylinder, s.turn_deg) for s in plan.steps] == [(1, 0), (3, 180), (4, 180), (2, 180)]
    assert plan.interval_deg == 180
    assert [s.companion for s in plan.steps] == [4, 2, 1, 3]


def test_plan_can_begin_anywhere_and_leave_cylinders_out():
    plan = plan_of(engine_layout(4), first=4, cylinders=[2, 4, 1])
    assert [(s.cylinder, s.turn_deg) for s in plan.steps] == [(4, 0), (2, 180), (1, 180)]


@given(st.integers(1, 16).flatmap(lambda n: st.permutations(range(1, n + 1))), st.data())
def test_plan_tests_every_cylinder_once_within_two_turns(order, data):
    first = data.draw(st.sampled_from(order))
    plan = plan_of(EngineLayout(len(order), tuple(order)), first=first)
    assert sorted(s.cylinder for s in plan.steps) == list(range(1, len(order) + 1))
    assert plan.steps[0].cylinder == first
    assert sum(s.turn_deg for s in plan.steps) < 720


@pytest.mark.parametrize("wrong", [{"first": 9}, {"cylinders": [1, 7]}, {"cylinders": []}])
def test_plan_refuses_cylinders_that_are_not_there(wrong):
    with pytest.raises(LayoutError):
        plan_of(engine_layout(4), **wrong)


def test_plan_refuses_to_begin_with_a_cylinder_it_leaves_out():
    with pytest.raises(LayoutError, match="cylinder 2 is to come first"):
        plan_of(engine_layout(4), first=2, cylinders=[1, 3])


@pytest.mark.parametrize(
    ("bore_inch", "orifice_inch"), [(3.4, 0.040), (4.99, 0.040), (5.00, 0.060), (6.1, 0.060)]
)
def test_orifice_by_bore(bore_inch, orifice_inch):
    """FAA AC 43.13-1B change 1 (2001): 0.040 in below 5.00 in bore, 0.060 in from there on."""
    assert orifice_for_bore(bore_inch * 25.4) == pytest.approx(orifice_inch * 25.4)


def test_pressures_are_those_of_the_advisory_circular():
    """FAA AC 43.13-1B 8-14b(5)(e), (f): 20 psi first, then 80 psi."""
    gauge = gauge_set_up(None)
    assert gauge.first_kpa == pytest.approx(20 * 6.894757, abs=0.5)
    assert gauge.test_kpa == pytest.approx(80 * 6.894757, abs=0.5)
    assert gauge.orifice_mm is None


def test_tdc_hint_names_the_companion():
    step = plan_of(engine_layout(4)).steps[1]
    assert "Cylinder 2 is at the top as well" in step.find_tdc
    assert "half a turn" in step.find_tdc  # AC 43.13-1B (g): at least one-half revolution


def test_a_vee_engine_is_told_to_check_its_numbering():
    assert len(plan_of(V8).assumptions) == 2
    assert len(plan_of(engine_layout(4)).assumptions) == 1


def test_cautions_stand_where_work_can_hurt():
    plan = {c.name for c in plan_of(engine_layout(4)).cautions}
    assert {"crank-turns", "no-start", "hot-coolant", "eyes-and-ears", "high-voltage"} <= plan
    assert "evidence-only" in {c.name for c in cautions("report")}
    assert "evidence-only" not in plan


def test_no_coolant_caution_without_coolant():
    air = engine_layout(4, cooling="air")
    assert "hot-coolant" not in {c.name for c in cautions("plan", air)}
    assert all(c.places for c in CAUTIONS)
    assert len({c.name for c in CAUTIONS}) == len(CAUTIONS)
