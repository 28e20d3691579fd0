"""The whole engine: where the repair lies, neighbours, all alike, and the stable JSON."""

import json
from dataclasses import replace

import pytest

from earwitness.diagnosis.forward.across import context_of
from earwitness.diagnosis.judge import judge_engine
from earwitness.diagnosis.repair import AREA_OF, REPAIRS, areas_of, deepest
from earwitness.diagnosis.verdict import to_json
from earwitness.engine.layout import engine_layout
from earwitness.errors import LayoutError

PSI = 6.895


@pytest.fixture
def weak_third(four):
    """One cylinder down: a burnt exhaust valve in the third, the others sound."""
    return [
        four.evidence(1, 7, {}, compression_dry_kpa=165 * PSI),
        four.screened(2, 8, compression_dry_kpa=164 * PSI),
        four.evidence(3, 42, {"tailpipe": "clear"}, compression_dry_kpa=95 * PSI),
        four.screened(4, 11, compression_dry_kpa=166 * PSI),
    ]


def test_one_burnt_valve_is_a_cylinder_head(four, weak_third):
    verdict = judge_engine(four.layout, weak_third)
    assert [c.verdict for c in verdict.cylinders] == ["sealed", "sealed", "exhaust-valve", "sealed"]
    assert verdict.area == "cylinder-head"
    assert verdict.probability >= 0.9
    assert "Cylinder 3 loses air past the exhaust valve" in verdict.summary
    assert "Cylinders 1, 2 and 4 hold their air" in verdict.summary
    assert verdict.next_check.startswith("Cylinder 3: ")
    assert "42 % on the gauge" in verdict.summary
    assert any("75 % of the highest" in r and "TM 5-4210-230" in r for r in verdict.reasons)
    assert any("maker" in c for c in verdict.cautions)


def test_all_sound_is_none(four):
    verdict = judge_engine(four.layout, [four.evidence(n, 6, {}) for n in (1, 2, 3, 4)])
    assert verdict.area == "none"
    product = 1.0
    for cylinder in verdict.cylinders:
        product *= cylinder.probability
    assert verdict.probability == pytest.approx(product)
    assert verdict.next_check is None


def test_sound_so_far_is_not_none(four):
    verdict = judge_engine(four.layout, [four.evidence(1, 6, {})])
    assert verdict.area == "undetermined"
    assert "Cylinders 2, 3 and 4 were not tested." in verdict.summary
    assert verdict.next_check == "Test cylinders 2, 3, 4."
    assert "cylinders-not-tested" in verdict.flags


def test_an_engine_nobody_tested_is_undetermined(four):
    verdict = judge_engine(four.layout, [])
    assert (verdict.area, verdict.probability, verdict.cylinders) == ("undetermined", 0.0, ())


def test_two_neighbours_that_leak_into_each_other_share_a_gasket(four):
    """US Army TM 5-4210-230-14&P-1: two adjacent low cylinders, head gasket may be the cause."""
    pair = [
        four.evidence(2, 40, {"plug-hole-3": "faint"}, compression_dry_kpa=600),
        four.evidence(3, 42, {"plug-hole-2": "faint"}, compression_dry_kpa=620),
    ]
    rest = [four.evidence(n, 6, {}, compression_dry_kpa=1150) for n in (1, 4)]
    together = judge_engine(four.layout, pair + rest)
    alone = judge_engine(four.layout, [pair[0]])
    assert together.area == "head-gasket"
    assert [together.cylinders[k].verdict for k in (1, 2)] == ["head-gasket-neighbour"] * 2
    assert together.reasons[0] == (
        "Cylinders 2 and 3 leak into each other: the gasket between them, or a crack."
    )
    assert together.reasons[1].startswith("Compression below 862 kPa")
    assert together.reasons[1].endswith("cylinder 2 and 3.")
    assert together.cylinders[1].probability > alone.cylinders[0].probability
    assert together.flags == ("gasket-between",)


@pytest.mark.parametrize(("back", "sign"), [("faint", 1), ("none", -1)])
def test_hiss_back_from_the_neighbours_own_test_speaks_for_the_gasket(four, back, sign):
    def p_gasket(*others):
        leak = four.evidence(2, 40, {"plug-hole-3": "faint"})
        ranking = judge_engine(four.layout, [leak, *others]).cylinders[0].ranking
        return next(r.probability for r in ranking if r.verdict == "head-gasket-neighbour")

    third = four.evidence(3, 40, {"plug-hole-2": back}, silent_elsewhere=False)
    assert (p_gasket(third) - p_gasket()) * sign > 0


def test_neighbours_that_are_low_speak_for_the_gasket(four):
    def p_gasket(beside):
        low = four.evidence(2, 40, {}, compression_dry_kpa=600)
        others = [four.evidence(3, None, compression_dry_kpa=beside)]
        best = four.evidence(4, None, compression_dry_kpa=1150)
        ranking = judge_engine(four.layout, [low, *others, best]).cylinders[0].ranking
        return next(r.probability for r in ranking if r.verdict == "head-gasket-neighbour")

    assert p_gasket(610) > p_gasket(1140)


def test_cylinders_on_different_banks_are_no_neighbours(vee):
    low = {n: vee.evidence(n, 40, compression_dry_kpa=600) for n in (1, 2)}
    high = {7: vee.evidence(7, 5, compression_dry_kpa=1100)}
    assert context_of(vee.layout, low | high, 1).low_beside == ()


def test_all_alike_is_wear_or_the_tester(four):
    silent = judge_engine(four.layout, [four.evidence(n, 30 + n, {}) for n in (1, 2, 3, 4)])
    assert "all-alike" in silent.flags
    assert "tester" in silent.summary
    assert "known orifice" in silent.next_check
    assert silent.area == "undetermined"
    worn = judge_engine(
        four.layout,
        [
            four.evidence(
                n,
                30 + n,
                {"oil-filler": four.finding("oil-filler", "strong", 18.0)},
                checked=(("tester-right", True),),
            )
            for n in (1, 2, 3, 4)
        ],
    )
    assert {c.verdict for c in worn.cylinders} == {"rings-or-piston"}
    assert worn.area == "bottom-end"


def test_all_alike_at_the_valves_is_the_cam_timing(four):
    """Common practice, no source."""
    heard = {"tailpipe": "strong", "throttle-body": "strong"}
    timing = judge_engine(four.layout, [four.evidence(n, 50 + n, heard) for n in (1, 2, 3, 4)])
    assert "cam timing" in timing.next_check
    assert "valve timing" in timing.summary


def test_a_whole_bank_shares_its_cause(vee):
    """A bank of a V engine has a head, a gasket and a camshaft of its own."""

    def judged(leaking):
        return judge_engine(
            vee.layout, [vee.evidence(n, 35 if n in leaking else 6, {}) for n in range(1, 9)]
        )

    left = judged((1, 3, 5, 7))
    assert "one-bank" in left.flags
    assert any("one bank leaks too much (1, 3, 5, 7)" in r for r in left.reasons)
    assert "one side" in left.summary
    assert "bank of cylinder 1" in left.next_check
    for others in ((1, 3, 5), (1, 2, 3, 5, 7), (1, 2)):
        assert "one-bank" not in judged(others).flags


def test_two_open_neighbours_are_tested_into_each_other_first(four):
    """US Army TM 5-4210-230-14&P-1: two adjacent low cylinders, head gasket may be the cause."""
    tested = [four.evidence(n, 40 if n in (2, 3) else 6, {}) for n in (1, 2, 3, 4)]
    verdict = judge_engine(four.layout, tested)
    assert "side-by-side" in verdict.flags
    assert verdict.next_check.startswith("Listen at each plug hole of cylinders 2 and 3")
    apart = [four.evidence(n, 40 if n in (1, 3) else 6, {}) for n in (1, 2, 3, 4)]
    assert "side-by-side" not in judge_engine(four.layout, apart).flags


def test_one_piston_off_top_dead_centre_among_sound_ones(four):
    heard = {"tailpipe": "strong", "throttle-body": four.finding("throttle-body", "strong", 18.0)}
    off = four.evidence(3, 98, heard)
    verdict = judge_engine(four.layout, [*(four.evidence(n, 6, {}) for n in (1, 2, 4)), off])
    assert verdict.cylinders[2].verdict == "set-up"
    assert "off-top-dead-centre" in verdict.flags
    assert verdict.next_check.startswith("Cylinder 3: Find top dead centre")


def test_the_sure_part_of_two_is_given_and_the_other_stays_open(four):
    """Air into the neighbour for certain, a little at the tailpipe, perhaps across a valve."""
    heard = {
        "plug-hole-2": four.finding("plug-hole-2", "strong", 16.0),
        "tailpipe": four.finding("tailpipe", "faint", 2.0),
    }
    beside = four.evidence(2, 40, {"plug-hole-3": four.finding("plug-hole-3", "strong", 16.0)})
    engine = judge_engine(four.layout, [beside, four.evidence(3, 45, heard)])
    sure = engine.cylinders[1]
    assert (sure.verdict, sure.open_part) == ("head-gasket-neighbour", "exhaust-valve")
    assert sure.ranking[0].probability < 0.8 <= sure.probability
    assert sure.reasons[0].endswith("whether the exhaust valve leaks as well stays open.")
    assert "second-seal-open" in sure.flags
    assert "whether past the exhaust valve too is open" in engine.summary
    assert to_json(engine)["cylinders"][1]["open_part"] == "exhaust-valve"


def test_one_good_cylinder_is_not_all_alike(four):
    tested = [four.evidence(n, 30, {}) for n in (1, 2, 3)] + [four.evidence(4, 8, {})]
    assert "all-alike" not in judge_engine(four.layout, tested).flags


def test_the_deepest_repair_leads_and_both_are_told(four):
    tested = [
        four.evidence(1, 45, {"oil-filler": "strong"}),
        four.evidence(2, 6, {}),
        four.evidence(3, 42, {"tailpipe": "strong"}),
        four.evidence(4, 6, {}),
    ]
    verdict = judge_engine(four.layout, tested)
    assert verdict.area == "bottom-end"
    assert "Cylinder 1 loses air past the piston rings" in verdict.summary
    assert "Cylinder 3 loses air past the exhaust valve" in verdict.summary


def test_a_set_up_fault_leaves_the_engine_open(four):
    heard = {"tailpipe": "strong", "throttle-body": four.finding("throttle-body", "strong", 18.0)}
    off = four.evidence(3, 95, heard, checked=(("top-dead-centre", False),))
    tested = [*(four.evidence(n, 6, {}) for n in (1, 2, 4)), off]
    verdict = judge_engine(four.layout, tested)
    assert verdict.area == "undetermined"
    assert "Cylinder 3 must be tested again." in verdict.summary


def test_cylinders_come_in_order_and_must_exist(four, weak_third):
    verdict = judge_engine(four.layout, weak_third[::-1])
    assert [c.cylinder for c in verdict.cylinders] == [1, 2, 3, 4]
    with pytest.raises(LayoutError, match="cylinder 9"):
        judge_engine(four.layout, [replace(weak_third[0], cylinder=9)])
    with pytest.raises(ValueError, match="twice"):
        judge_engine(four.layout, [weak_third[0], weak_third[0]])


def test_an_air_cooled_engine_is_not_warned_of_coolant(four):
    air = engine_layout(4, cooling="air")
    assert not any("coolant" in c for c in judge_engine(air, []).cautions)
    assert any("cooling system" in c for c in judge_engine(four.layout, []).cautions)


def test_areas():
    assert areas_of("exhaust-valve+intake-valve") == ("cylinder-head",)
    assert deepest(areas_of("rings-or-piston+head-gasket-coolant")) == "bottom-end"
    assert deepest(("none", "undetermined")) == "undetermined"
    assert set(AREA_OF.values()) == set(REPAIRS)
    for repair in REPAIRS.values():
        assert all((repair.technician, repair.customer, repair.does_not_tell))


KEYS = {
    "cylinder",
    "leakage_percent",
    "within_limit",
    "verdict",
    "probability",
    "ranking",
    "next_check",
    "reasons",
    "flags",
}


def test_stable_json(four, weak_third):
    body = to_json(judge_engine(four.layout, weak_third))
    assert json.loads(json.dumps(body, allow_nan=False)) == body
    assert body["schema"] == "earwitness.verdict/1"
    assert {"area", "probability", "summary", "next_check"} <= set(body["engine"])
    assert body["engine"]["repair"]["cost_band"] == "high"
    for cylinder in body["cylinders"]:
        assert set(cylinder) >= KEYS
        assert sum(r["probability"] for r in cylinder["ranking"]) == pytest.approx(1, abs=1e-4)
    third = body["cylinders"][2]
    assert (third["verdict"], third["area"]) == ("exhaust-valve", "cylinder-head")
    assert third["leakage_percent"] == 42
    real = judge_engine(four.layout, weak_third).cylinders[2].probability
    assert third["probability"] == pytest.approx(real, abs=1e-6)
