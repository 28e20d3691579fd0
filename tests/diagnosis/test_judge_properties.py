"""What must hold for any evidence whatever."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.diagnosis.hypotheses import IN_WORDS, SEALS, parts
from earwitness.diagnosis.judge import judge_cylinder, judge_engine
from earwitness.diagnosis.likelihoods import COMMIT_AT
from earwitness.engine.layout import engine_layout

POINTS = (
    "oil-filler",
    "tailpipe",
    "throttle-body",
    "radiator",
    "plug-hole-2",
    "plug-hole-4",
    "adapter",
    "control",
)
GRADES = ("none", "faint", "clear", "strong")
SOURCE = {
    "oil-filler": "rings-or-piston",
    "radiator": "head-gasket-coolant",
    "plug-hole-2": "head-gasket-neighbour",
    "tailpipe": "exhaust-valve",
    "throttle-body": "intake-valve",
}
percents = st.none() | st.floats(0, 100)


@st.composite
def sounds(draw, four):
    point = draw(st.sampled_from(POINTS))
    grade = draw(st.sampled_from((*GRADES, "undetermined")))
    return four.finding(
        point,
        grade,
        draw(st.floats(-1, 15)),
        pair=draw(st.booleans()),
        usable=draw(st.booleans()),
        detectable_db=draw(st.none() | st.floats(0.1, 20)),
    )


@st.composite
def evidences(draw, four, cylinder=3):
    dry = draw(st.none() | st.floats(1, 3000))
    return replace(
        four.evidence(cylinder, draw(percents)),
        limit_percent=draw(st.floats(1, 60)),
        compression_dry_kpa=dry,
        compression_wet_kpa=draw(st.none() | st.floats(1, 3000)),
        bubbles=draw(st.sampled_from([None, "none", "slow", "steady"])),
        findings=tuple(draw(st.lists(sounds(four), max_size=8))),
    )


def chance(verdict, name):
    return sum(r.probability for r in verdict.ranking if name in parts(r.verdict))


@given(st.data())
def test_probabilities_add_up_and_are_ranked(four, data):
    verdict = judge_cylinder(data.draw(evidences(four)))
    values = [r.probability for r in verdict.ranking]
    assert sum(values) == pytest.approx(1)
    assert values == sorted(values, reverse=True)
    if verdict.open_part is None:
        assert verdict.probability == values[0]
        assert verdict.verdict in (verdict.ranking[0].verdict, "undetermined")
    else:
        assert verdict.probability == pytest.approx(chance(verdict, verdict.verdict))
        assert verdict.probability >= COMMIT_AT > values[0]
    assert set(parts(verdict.verdict)) <= set(IN_WORDS)


@pytest.mark.slow
@given(st.data())
def test_what_says_nothing_changes_nothing(four, data):
    """Unusable, without a level, a pair or an unsteady rise that leave it open."""
    evidence = data.draw(evidences(four))
    point = data.draw(st.sampled_from(POINTS))
    place = data.draw(st.integers(0, len(evidence.findings)))
    dead = data.draw(
        st.sampled_from(
            [
                four.finding(point, "strong", usable=False, flags=("clipped",)),
                four.finding(point, "undetermined", pair=True),
                four.finding(point, "undetermined", p_value=0.004),
                four.finding(None, "strong"),
                four.finding(point, "strong", float("nan")),
            ]
        )
    )
    more = (*evidence.findings[:place], dead, *evidence.findings[place:])
    with_dead = judge_cylinder(replace(evidence, findings=more))
    assert with_dead.ranking == judge_cylinder(evidence).ranking
    assert with_dead.verdict == judge_cylinder(evidence).verdict


@pytest.mark.slow
@given(st.data())
def test_the_order_of_takes_at_different_points_changes_nothing(four, data):
    evidence = data.draw(evidences(four))
    by_point = {f.point: f for f in evidence.findings}
    shuffled = data.draw(st.permutations(list(by_point.values())))
    a = judge_cylinder(replace(evidence, findings=tuple(by_point.values())))
    b = judge_cylinder(replace(evidence, findings=tuple(shuffled)))
    assert a.verdict == b.verdict
    assert {r.verdict: r.probability for r in a.ranking} == pytest.approx(
        {r.verdict: r.probability for r in b.ranking}
    )


@pytest.mark.slow
@given(st.data())
def test_the_order_of_cylinders_changes_nothing(four, data):
    all_four = [data.draw(evidences(four, n)) for n in (1, 2, 3, 4)]
    all_four = [replace(e, points=four.evidence(e.cylinder).points) for e in all_four]
    shuffled = data.draw(st.permutations(all_four))
    layout = engine_layout(4)
    assert judge_engine(layout, all_four) == judge_engine(layout, shuffled)


@pytest.mark.slow
@given(st.sampled_from(list(SOURCE)), st.none() | st.floats(15, 60), st.booleans())
def test_clear_hiss_never_speaks_against_the_seal_it_comes_from(four, point, percent, pair):
    """Against silence there, for all that is heard of a leak of usual size."""
    chances = [
        chance(
            judge_cylinder(
                four.evidence(3, percent, {point: four.finding(point, *what, pair=pair)})
            ),
            SOURCE[point],
        )
        for what in (("none",), ("clear", 4.0), ("strong", 12.0))
    ]
    assert chances[0] < min(chances[1:])


@pytest.mark.slow
@given(st.sampled_from(list(SOURCE)), st.floats(15, 60), st.floats(6, 18))
def test_hiss_at_one_point_alone_puts_its_own_seal_before_every_other(four, point, percent, rise):
    seal = SOURCE[point]
    verdict = judge_cylinder(
        four.evidence(3, percent, {point: four.finding(point, "strong", rise)})
    )
    single = {r.verdict: r.probability for r in verdict.ranking}
    assert max(SEALS, key=single.get) == seal


@pytest.mark.slow
@given(st.floats(0, 100), st.floats(0, 100), st.floats(1, 60))
def test_more_leakage_never_makes_a_cylinder_sounder(four, a, b, limit):
    low, high = sorted((a, b))
    chances = [
        chance(judge_cylinder(replace(four.evidence(1, p), limit_percent=limit)), "sealed")
        for p in (low, high)
    ]
    assert chances[1] <= chances[0] + 0.02  # a reading may be misread


@given(st.floats(3, 15), st.floats(3, 15))
def test_a_louder_point_never_loses_to_a_quieter_one(four, oil, tail):
    """Both clear or both strong: the levels alone decide between rings and exhaust valve."""
    heard = {
        "oil-filler": four.finding("oil-filler", "clear", oil),
        "tailpipe": four.finding("tailpipe", "clear", tail),
    }
    quieter = {**heard, "oil-filler": four.finding("oil-filler", "clear", min(oil, 3.0))}
    now = chance(judge_cylinder(four.evidence(3, 42, heard)), "rings-or-piston")
    then = chance(judge_cylinder(four.evidence(3, 42, quieter)), "rings-or-piston")
    assert now >= then - 1e-12
