"""What must hold for any evidence whatever."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.diagnosis.hypotheses import IN_WORDS, SEALS, parts
from earwitness.diagnosis.judge import judge_cylinder, judge_engine
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
    assert verdict.probability == values[0]
    assert verdict.verdict in (verdict.ranking[0].verdict, "undetermined")
    assert set(parts(verdict.verdict)) <= set(IN_WORDS)


@pytest.mark.slow
@given(st.data())
def test_unusable_and_undetermined_findings_change_nothing(four, data):
    evidence = data.draw(evidences(four))
    point = data.draw(st.sampled_from(POINTS))
    place = data.draw(st.integers(0, len(evidence.findings)))
    dead = data.draw(
        st.sampled_from(
            [
                four.finding(point, "strong", usable=False, flags=("clipped",)),
                four.finding(point, "undetermined"),
                four.finding(None, "strong"),
                four.finding(point, "strong", float("nan")),
            ]
        )
    )
    more = (*evidence.findings[:place], dead, *evidence.findings[place:])
    with_dead = judge_cylinder(replace(evidence, findings=more))
    assert with_dead.ranking == judge_cylinder(evidence).ranking
    assert with_dead.verdict == judge_cylinder(evidence).verdict


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


@given(
    st.sampled_from([p for p in SOURCE if p in ("oil-filler", "radiator", "plug-hole-2")]),
    percents,
    st.booleans(),
    st.booleans(),
)
def test_more_hiss_never_speaks_against_the_seal_it_comes_from(four, point, percent, pair, quiet):
    """The other points are silent, or not listened to. Valves: see the next test."""
    seen = [
        chance(
            judge_cylinder(
                four.evidence(
                    3,
                    percent,
                    {point: four.finding(point, grade, pair=pair)},
                    silent_elsewhere=quiet,
                )
            ),
            SOURCE[point],
        )
        for grade in GRADES
    ]
    assert all(a <= b + 1e-12 for a, b in pairwise(seen))


@given(st.sampled_from(["tailpipe", "throttle-body"]), percents, st.booleans(), st.booleans())
def test_more_hiss_never_speaks_for_another_seal_against_the_valve(
    four, point, percent, pair, quiet
):
    """A roar at a valve may speak for a piston off top dead centre, but for no other seal."""
    valve = SOURCE[point]
    others = [s for s in SEALS if s != valve]
    odds = []
    for grade in GRADES:
        sound = {point: four.finding(point, grade, pair=pair)}
        verdict = judge_cylinder(four.evidence(3, percent, sound, silent_elsewhere=quiet))
        single = {r.verdict: r.probability for r in verdict.ranking}
        odds.append([single[valve] / single[other] for other in others])
    for before, after in pairwise(odds):
        assert all(a <= b * (1 + 1e-9) for a, b in zip(before, after, strict=True))


@given(st.floats(0, 100), st.floats(0, 100), st.floats(1, 60))
def test_more_leakage_never_makes_a_cylinder_sounder(four, a, b, limit):
    low, high = sorted((a, b))
    chances = [
        chance(judge_cylinder(replace(four.evidence(1, p), limit_percent=limit)), "sealed")
        for p in (low, high)
    ]
    assert chances[1] <= chances[0] + 1e-12


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
