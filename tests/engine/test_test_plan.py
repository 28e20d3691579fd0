"""The plan of a leak test: order, listening points, gauge, cautions."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.cautions import CAUTIONS, cautions
from earwitness.engine.gauge_set_up import gauge_set_up, orifice_for_bore
from earwitness.engine.layout import CYCLE_DEG, EngineLayout, engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.engine.test_plan import test_plan as plan_of
from earwitness.errors import LayoutError

V8 = engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]], tailpipes=2)


@st.composite
def layouts(draw):
    """Any engine that can be described: 1 to 16 cylinders, in line, vee or flat, even or not."""
    order = draw(st.integers(1, 16).flatmap(lambda n: st.permutations(range(1, n + 1))))
    count = len(order)
    arrangement = draw(st.sampled_from(["inline", "vee", "flat"] if count > 1 else ["inline"]))
    cut = draw(st.integers(1, count - 1)) if arrangement != "inline" else 0
    numbers = draw(st.permutations(range(1, count + 1)))
    weights = draw(st.lists(st.integers(1, 9), min_size=count, max_size=count))
    spare = CYCLE_DEG - 2.0 * count
    intervals = [2.0 + spare * w / sum(weights) for w in weights]
    return EngineLayout(
        count,
        tuple(order),
        arrangement,
        (tuple(numbers[:cut]), tuple(numbers[cut:])) if cut else (),
        bore_mm=draw(st.none() | st.floats(20, 400)),
        cooling=draw(st.sampled_from(["liquid", "air"])),
        fuel=draw(st.sampled_from(["petrol", "diesel"])),
        tailpipes=draw(st.sampled_from([1, 2])),
        firing_intervals_deg=tuple(intervals) if draw(st.booleans()) else (),
    )


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
    points = listening_points(engine_layout(4, fuel="diesel"), 1)
    openings = " ".join(p.opening for p in points).lower()
    assert "glow plug" in openings
    assert "spark" not in openings
    assert "throttle" not in openings


def test_what_to_open_at_each_point():
    """Throttle blocked open: US Army TM 5-4210-230-14&P-1; cold radiator: TM 5-3895-359-14&P; the
    rest common practice, no source."""
    openings = {p.name: p.opening for p in listening_points(engine_layout(4), 2)}
    assert "wide open" in openings["throttle-body"]
    assert openings["radiator"].startswith("Cold engine only")
    assert "dipstick" in openings["oil-filler"]
    assert openings["plug-hole-3"] == "Spark plug of cylinder 3 out."


def test_plan_follows_the_firing_order_and_says_how_far_to_turn():
    plan = plan_of(engine_layout(4))
    assert [(s.cylinder, s.turn_deg) for s in plan.steps] == [(1, 0), (3, 180), (4, 180), (2, 180)]
    assert plan.interval_deg == 180
    assert [s.companion for s in plan.steps] == [4, 2, 1, 3]


def test_plan_can_begin_anywhere_and_leave_cylinders_out():
    plan = plan_of(engine_layout(4), first=4, cylinders=[2, 4, 1])
    assert [(s.cylinder, s.turn_deg) for s in plan.steps] == [(4, 0), (2, 180), (1, 180)]


@settings(max_examples=25)
@given(layouts(), st.data())
def test_every_layout_has_a_plan(layout, data):
    """Every cylinder once, two turns in all, companions mutual, neighbours of the same bank."""
    first = data.draw(st.sampled_from(layout.firing_order))
    plan = plan_of(layout, first=first)
    steps = {s.cylinder: s for s in plan.steps}
    assert sorted(steps) == list(range(1, layout.cylinders + 1))
    assert plan.steps[0].cylinder == first
    turned = sum(s.turn_deg for s in plan.steps) + plan.back_to_first_deg
    assert turned == pytest.approx(CYCLE_DEG)
    assert [s.angle_deg for s in plan.steps] == sorted(s.angle_deg for s in plan.steps)
    for step in plan.steps:
        assert step.companion is None or steps[step.companion].companion == step.cylinder
        holes = {p.name for p in step.points if p.name.startswith("plug-hole-")}
        assert holes == {f"plug-hole-{n}" for n in layout.neighbours(step.cylinder)}
        assert ("radiator" in {p.name for p in step.points}) == (layout.cooling == "liquid")
    assert plan.gauge.steps
    assert plan.temperature
    assert all(advice.source for advice in (*plan.gauge.steps, *plan.temperature, *plan.notes))
    assert all(sign.source for sign in plan.signs)


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


def test_a_diesel_plan_says_what_is_different():
    """350 psi new, 300 psi used, within 100 psi: US Army TM 5-2420-230-24-2."""
    said = " ".join(n.text for n in plan_of(engine_layout(4, fuel="diesel")).notes)
    for psi in (350, 300, 100):
        assert f"{psi * 6.894757:.0f} kPa" in said.replace("690 kPa", "689 kPa")
    assert "glow plug or injector hole" in said
    assert "No wet test" in said
    assert plan_of(engine_layout(4)).notes == ()


def test_notes_for_air_cooling_banks_and_uneven_firing():
    twin = engine_layout(
        2,
        firing_order=[1, 2],
        arrangement="vee",
        banks=[[1], [2]],
        cooling="air",
        firing_intervals_deg=[315, 405],
    )
    plan = plan_of(twin)
    said = " ".join(n.text for n in plan.notes)
    assert "no radiator" in said
    assert "Banks, front to back: 1; 2" in said
    assert "315 - 405" in said
    assert plan.steps[1].turn_deg == 315
    assert plan.back_to_first_deg == 405
    assert "intervals as given" in plan.assumptions[0]
    assert not any("radiator" in advice.text.lower() for advice in plan.temperature)


def test_signs_part_compression_from_overlap():
    """US Army TM 5-3805-260-24: at the top of compression, the valves are on their seats."""
    signs = plan_of(engine_layout(4), first=1).signs
    assert all(sign.compression != sign.overlap for sign in signs)
    own = next(s for s in signs if s.sign.startswith("Valves of this cylinder"))
    assert "shut" in own.compression
    companion = next(s for s in signs if "cylinder 4" in s.sign)
    assert "rocking" in companion.compression
    assert "shut" in companion.overlap
    assert not any("cylinder" in s.sign.replace("this cylinder", "") for s in _signs_of_three())


def _signs_of_three():
    return plan_of(engine_layout(3)).signs


def test_set_up_follows_the_advisory_circular():
    """FAA AC 43.13-1B 8-14b(5): air of 100 to 120 psi, 20 psi first, 80 psi, again after 3 min."""
    said = " ".join(step.text for step in gauge_set_up(86).steps)
    assert "690 to 830 kPa" in said  # 100 psi is 689 kPa, 120 psi is 827 kPa
    assert said.index("138 kPa") < said.index("552 kPa")
    assert "3 minutes" in said
    assert said.index("zero") < said.index("138 kPa")
