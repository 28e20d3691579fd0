"""Several points together: corrected probabilities, the loudest point, and the hose."""

import dataclasses
import math

import pytest

from earwitness.acoustics.across import across_points, holm, leak_level_db
from earwitness.acoustics.bands import bands_for
from earwitness.acoustics.finding import Finding, Floors
from earwitness.acoustics.levels import decibels, power_ratio
from earwitness.diagnosis.evidence import CylinderEvidence, heard, loudest

FS = 48_000
BANDS = bands_for(FS)


def finding(point, leak_db, *, floor_db=-90.0, p=0.001, grade=None):
    """Make a finding of a leak at a level over full scale on a flat floor; None for no leak."""
    rise = 0.0 if leak_db is None else decibels(1 + power_ratio(leak_db - floor_db))
    floor = (floor_db,) * len(BANDS.centre_hz)
    return Finding(
        basis="cycles",
        point=point,
        sample_rate_hz=FS,
        baseline_s=20.0,
        take_s=20.0,
        excess_db=rise,
        interval_db=(rise - 0.5, rise + 0.5),
        p_value=p,
        detectable_db=0.5,
        grade=grade or ("none" if leak_db is None else "clear"),
        usable=True,
        flags=(),
        floors=Floors(tuple(BANDS.centre_hz), floor, floor),
    )


@pytest.mark.parametrize(
    ("raw", "corrected"),
    [
        ([0.01, 0.02, 0.03, 0.04, 0.05], [0.05, 0.08, 0.09, 0.09, 0.09]),
        ([0.01, 0.01, 0.01], [0.03, 0.03, 0.03]),
        ([0.3, 0.004, 0.5, 0.011], [0.6, 0.016, 0.6, 0.033]),
        ([0.7], [0.7]),
        ([], []),
    ],
)
def test_holm_by_hand(raw, corrected):
    """Holm (1979): times 5, 4, 3, ... in order of size, never falling, at most one; by hand."""
    assert holm(raw) == pytest.approx(corrected)


def test_holm_keeps_the_family_wise_error(rng):
    """Five uniform probabilities: some corrected one is at or below 5 % in 4.9 % of families.

    1 - (1 - 0.05 / 5)^5 = 4.90 % (Bonferroni's first step, independent tests; derived).
    """
    families = rng.uniform(size=(20_000, 5))
    wrong = sum(min(holm(list(row))) <= 0.05 for row in families) / len(families)
    assert wrong == pytest.approx(0.049, abs=0.006)


def test_a_level_adds_the_floor_again():
    assert leak_level_db(finding("tailpipe", -85.0)) == pytest.approx(-85.0, abs=1e-6)
    assert leak_level_db(finding("tailpipe", -85.0, floor_db=-80.0)) == pytest.approx(-85, abs=1e-6)
    bare = dataclasses.replace(finding("tailpipe", -85.0), floors=None)
    with pytest.raises(ValueError, match="has no floors"):
        leak_level_db(bare)


def test_the_loudest_point_is_where_it_leaks_though_it_stands_in_more_noise():
    """At the tailpipe the leak is 6 dB louder, but the fan beside it hides more of the rise."""
    tail, oil = finding("tailpipe", -84.0, floor_db=-80.0), finding("oil-filler", -90.0)
    assert tail.excess_db < oil.excess_db
    across = across_points([oil, tail])
    assert across.located == ("tailpipe",)
    assert across.margin_db == pytest.approx(6.0, abs=1e-6)


def test_within_the_margin_it_is_one_or_the_other():
    across = across_points(
        [finding("oil-filler", -86.0), finding("tailpipe", -84.0), finding("radiator", -95.0)]
    )
    assert across.located == ("tailpipe", "oil-filler")
    assert across.margin_db == pytest.approx(2.0, abs=1e-6)


def test_five_chances_make_a_weak_proof_none():
    """0.005 at one point of five is 0.025 in all: no longer at 1 %."""
    quiet = [finding(f"plug-hole-{n}", None, p=0.5) for n in range(1, 5)]
    alone = finding("tailpipe", -85.0, p=0.005)
    assert across_points([alone]).located == ("tailpipe",)
    assert across_points([alone, *quiet]).located == ()
    assert across_points([alone, *quiet], level=0.05).located == ("tailpipe",)


def test_what_hisses_as_loudly_at_the_hose_is_not_the_engine():
    takes = [finding("oil-filler", -88.0), finding("tailpipe", -80.0)]
    quiet_hose = [*takes, finding("control", None, p=0.6)]
    soft_hose = [*takes, finding("control", -86.0)]
    loud_hose = [*takes, finding("control", -70.0)]
    assert across_points(quiet_hose) == across_points(takes)
    assert across_points(soft_hose).located == ("tailpipe",)
    assert across_points(soft_hose).hose
    assert across_points(loud_hose).located == ()
    assert [p.found for p in across_points(loud_hose).points] == [False, False]


def test_what_proves_nothing_does_not_count():
    pair = dataclasses.replace(finding("radiator", -60.0), basis="pair", p_value=None)
    refused = dataclasses.replace(finding("oil-filler", -60.0), usable=False)
    unsteady = finding("throttle-body", -60.0, grade="undetermined")
    across = across_points([pair, refused, unsteady, finding("tailpipe", -85.0)])
    assert [p.name for p in across.points] == ["throttle-body", "tailpipe"]
    assert across.located == ("tailpipe",)
    assert across_points([]).located == ()


def test_the_last_take_at_a_point_counts():
    takes = [finding("tailpipe", -85.0), finding("tailpipe", None, p=0.8)]
    assert across_points(takes).located == ()


def test_a_noisy_take_may_hide_what_was_heard_across():
    """Nothing proved at the oil filler, but up to 3 dB over a floor of -90 dB: -90 dB, derived. A
    hiss of -95 dB elsewhere may be its echo, one of -85 dB may not.
    """
    spoilt = dataclasses.replace(
        finding("oil-filler", None, p=0.2), interval_db=(-2.0, 10 * math.log10(2))
    )
    faint, loud = finding("tailpipe", -95.0), finding("tailpipe", -85.0)
    assert across_points([faint, spoilt]).hidden == ("oil-filler",)
    assert across_points([faint, spoilt]).located == ("tailpipe",)
    assert across_points([loud, spoilt]).hidden == ()
    hose = dataclasses.replace(spoilt, point="control")
    assert across_points([faint, hose]).hidden == ("control",)
    assert across_points([spoilt]).hidden == ()


def test_a_record_may_state_any_number():
    """Levels beyond all sound, and floors that fit nothing, end in no error."""
    absurd = dataclasses.replace(finding("tailpipe", -85.0), excess_db=4000.0)
    short = dataclasses.replace(finding("oil-filler", -85.0), floors=Floors((1.0,), (), ()))
    across = across_points([absurd, short])
    assert [p.name for p in across.points] == ["tailpipe"]
    assert across.located == ("tailpipe",)


@pytest.mark.parametrize("floors_db", [(-90.0, -90.0, -90.0), (-95.0, -70.0, -90.0)])
@pytest.mark.parametrize("leaks_db", [(-80.0, -74.0, -90.0), (-76.0, -74.0, -90.0)])
def test_the_verdict_and_the_points_together_call_the_same_point_loudest(leaks_db, floors_db):
    """Three points in other floors: what counts is the leak, not how far it stands out.

    By hand: 6 dB apart is one point, 2 dB apart two, whatever the floors are.
    """
    names = ("oil-filler", "tailpipe", "throttle-body")
    found = tuple(
        finding(n, leak, floor_db=floor)
        for n, leak, floor in zip(names, leaks_db, floors_db, strict=True)
    )
    evidence = CylinderEvidence(1, names, findings=found)
    expected = {"tailpipe"} if leaks_db[0] == -80.0 else {"tailpipe", "oil-filler"}
    assert {h.point for h in loudest(heard(evidence))} == expected
    assert set(across_points(found).located) == expected


def test_without_floors_the_rises_are_compared():
    found = (
        dataclasses.replace(finding("oil-filler", -80.0, floor_db=-95.0), floors=None),
        finding("tailpipe", -74.0, floor_db=-70.0),
    )
    evidence = CylinderEvidence(1, ("oil-filler", "tailpipe"), findings=found)
    assert [h.point for h in loudest(heard(evidence))] == ["oil-filler"]
