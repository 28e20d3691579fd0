"""The table is a table of probabilities, and louder always speaks more for the source."""

from itertools import pairwise

import pytest

from earwitness.diagnosis.evidence import GRADES, Heard, heard
from earwitness.diagnosis.hypotheses import SEALS, Way, parts, ways
from earwitness.diagnosis.likelihoods import (
    ALL_ALIKE,
    ANY_GRADE,
    BUBBLES,
    COMPRESSION,
    HEARD,
    LEAKAGE,
    LEAKAGE_EDGES_PERCENT,
    PRIOR,
    REACHES,
    SET_UP_SHARES,
    WET,
    at_nominal_limit,
    p_heard,
    p_leakage,
    prior,
    sources,
)

TABLES = {"leakage": LEAKAGE, "compression": COMPRESSION, "wet": WET, "bubbles": BUBBLES}


@pytest.mark.parametrize("name", TABLES)
def test_every_row_is_a_distribution_over_the_same_causes(name):
    table = TABLES[name]
    assert set(table) == set(LEAKAGE) == set(REACHES) == set(ALL_ALIKE)
    for row in table.values():
        assert sum(row) == pytest.approx(1)
        assert min(row) > 0


def test_sound_rows_are_distributions_over_the_grades():
    for row in (*HEARD.values(), ANY_GRADE):
        assert len(row) == len(GRADES)
        assert sum(row) == pytest.approx(1)
        assert min(row) > 0
    assert len(LEAKAGE["sealed"]) == len(LEAKAGE_EDGES_PERCENT) + 1


def test_false_hiss_stays_within_what_the_test_promises():
    """The permutation test: at most 1.5 % of takes without a leak at p <= 0.01; allowance 1 %."""
    assert sum(HEARD["quiet"][1:]) <= 0.015 + 0.010 + 1e-12


@pytest.mark.parametrize("size", ["source-small", "source-moderate", "source-large"])
@pytest.mark.parametrize("other", ["quiet", "blow-by", "weak", "cross"])
@pytest.mark.parametrize("trust", [1.0, 0.5, 0.1])
def test_louder_speaks_more_for_the_source(size, other, trust):
    """Monotone likelihood ratio, also where a take is only half trusted."""
    ratios = [
        (trust * HEARD[size][k] + (1 - trust) * ANY_GRADE[k])
        / (trust * HEARD[other][k] + (1 - trust) * ANY_GRADE[k])
        for k in range(len(GRADES))
    ]
    assert all(a < b for a, b in pairwise(ratios))


def test_more_leakage_speaks_less_for_a_sound_cylinder():
    for cause, row in LEAKAGE.items():
        ratios = [s / p for s, p in zip(LEAKAGE["sealed"], row, strict=True)]
        if cause != "sealed":
            assert all(a > b for a, b in pairwise(ratios))


def test_priors_are_shares():
    assert sum(SET_UP_SHARES.values()) == pytest.approx(1)
    assert sum(PRIOR.values()) == pytest.approx(1, abs=0.02)
    assert prior(Way("set-up", ("off-tdc",), share=0.45)) == pytest.approx(0.04 * 0.45)


def test_two_faults_are_rarer_than_either():
    for way in ways(("radiator", "plug-hole-2"), SET_UP_SHARES):
        for part in parts(way.verdict):
            assert prior(way) <= PRIOR[part]


def test_a_neighbour_gasket_shares_its_prior_between_two_holes():
    both = ways(("plug-hole-2", "plug-hole-4"), SET_UP_SHARES)
    gasket = [w for w in both if w.verdict == "head-gasket-neighbour"]
    assert [w.neighbour for w in gasket] == [2, 4]
    assert sum(prior(w) for w in gasket) == pytest.approx(PRIOR["head-gasket-neighbour"])
    assert sources(gasket[1]) == ("plug-hole-4",)


@pytest.mark.parametrize(
    ("percent", "limit", "nominal"),
    [(20, 20, 20), (25, 25, 20), (5, 10, 10), (100, 12, 100), (0, 25, 0)],
)
def test_a_leakage_is_stretched_to_the_nominal_limit(percent, limit, nominal):
    assert at_nominal_limit(percent, limit) == pytest.approx(nominal)


def test_an_edge_belongs_to_the_column_below():
    """The limit itself still passes, as in AC 43.13-1B ("in excess of")."""
    sealed = Way("sealed", ("sealed",))
    assert p_leakage(sealed, 20.0, 20.0) == LEAKAGE["sealed"][3]
    assert p_leakage(sealed, 20.1, 20.0) == LEAKAGE["sealed"][4]


def test_every_seal_has_a_point_of_its_own():
    assert {REACHES[s][k] for s in SEALS for k in REACHES[s]} <= {"source", "cross", "weak"}
    assert all("source" in REACHES[s].values() for s in SEALS)


def test_a_mixture_is_as_loud_as_its_louder_part(four):
    sound = heard(four.evidence(3, 42, {"tailpipe": "strong"}, silent_elsewhere=False))[0]
    mixture = Way("rings-or-piston+exhaust-valve", ("rings-or-piston", "exhaust-valve"))
    valve = Way("exhaust-valve", ("exhaust-valve",))
    assert p_heard(mixture, sound, 42) == p_heard(valve, sound, 42)


def test_level_of_the_hiss_itself():
    """A rise of 10 lg 2 = 3.01 dB is hiss as strong as the floor: 0 dB; no rise, no hiss."""
    loud = Heard("tailpipe", "clear", 3.0103, 0.0045, 1.0, proof=True)
    assert loud.hiss_db == pytest.approx(0, abs=1e-3)
    silent = Heard("tailpipe", "none", -0.2, 0.5, 1.0, proof=True)
    assert silent.hiss_db == float("-inf")
