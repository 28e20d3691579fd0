"""The table is a table of probabilities, and the levels in it say where air comes out."""

import math

import pytest

from earwitness.diagnosis.evidence import CylinderEvidence
from earwitness.diagnosis.forward.leak import leak_of, mach, p_leakage
from earwitness.diagnosis.forward.lookup import (
    at_nominal_limit,
    level_db,
    p_bubbles,
    p_checked,
    p_wet,
    prior,
)
from earwitness.diagnosis.hypotheses import OWN_POINT, SEALS, SET_UP_CAUSES, Way, parts, ways
from earwitness.diagnosis.likelihoods import (
    ALL_ALIKE,
    BUBBLES,
    CHECKED,
    COMPRESSION,
    FALSE_HISS,
    LEAK_SIZE,
    LEVEL_DB,
    MINUTES,
    PRIOR,
    SET_UP_SHARES,
    WET,
)
from earwitness.gauges.orifice import leak_size

TABLES = {"compression": COMPRESSION, "wet": WET, "bubbles": BUBBLES}


@pytest.mark.parametrize("name", TABLES)
def test_every_row_is_a_distribution_over_the_same_causes(name):
    table = TABLES[name]
    assert set(table) == {"sealed", *SEALS, *SET_UP_CAUSES} == set(ALL_ALIKE)
    for row in table.values():
        assert sum(row) == pytest.approx(1)
        assert min(row) > 0


def test_every_cause_has_a_size_and_a_sound():
    assert set(LEAK_SIZE) == {*COMPRESSION, "two-leaks"}
    assert set(LEVEL_DB) == {*SEALS, "adapter-leak"}
    for row in LEVEL_DB.values():
        assert all(deviation > 0 for _, deviation in row.values())


@pytest.mark.parametrize("cause", LEVEL_DB)
def test_a_leak_is_loudest_where_its_air_comes_out(cause):
    """The listening order of the trade: each seal has an opening of its own."""
    row = LEVEL_DB[cause]
    own = OWN_POINT.get(cause, ["its-plug-hole"])[0]
    assert max(row, key=lambda point: row[point][0]) == own
    second = sorted(mean for mean, _ in row.values())[-2]
    assert row[own][0] >= second + 10


def test_false_hiss_is_what_the_test_promises():
    """docs/json.md: under no leak at most 1.5 % of takes fall at or below p = 0.01."""
    assert FALSE_HISS[0] == 0.015


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
    near, far = (
        level_db("head-gasket-neighbour", "plug-hole-2", own_neighbour=own)[0]
        for own in (True, False)
    )
    assert near >= far + 10


@pytest.mark.parametrize(
    ("percent", "limit", "nominal"),
    [(20, 20, 20), (25, 25, 20), (5, 10, 10), (100, 12, 100), (0, 25, 0)],
)
def test_a_leakage_is_stretched_to_the_nominal_limit(percent, limit, nominal):
    assert at_nominal_limit(percent, limit) == pytest.approx(nominal)


@pytest.mark.parametrize(
    ("psi", "ratio"), [(72, 0.625), (65, 0.890), (60, 1.059), (50, 1.384), (40, 1.722)]
)
def test_the_size_of_a_leak_follows_from_orifice_flow(psi, ratio):
    """Leak over orifice area at 80 psi by the choked and isentropic flow equations, worked by an
    independent calculation; 20 % is the limit that ln(area) is counted from."""
    percent = 100 * (80 - psi) / 80
    size = leak_of(CylinderEvidence(1, (), percent)).size[0]
    at_limit = leak_size(20, orifice_mm=1.016, supply_kpa=551.58).hole_mm ** 2 / 1.016**2
    assert math.exp(size) * at_limit == pytest.approx(ratio, rel=2e-3)


def test_the_speed_of_a_jet():
    """Choked at a ratio of 1 / 0.528282 = 1.8929 (gas dynamics, any table); slower below."""
    assert mach(1 / 0.528282) == pytest.approx(1, abs=1e-5)
    assert mach(7.0) == 1.0
    assert 0 < mach(1.05) < mach(1.4) < 1


def test_more_scatter_says_less_of_the_size():
    once = leak_of(CylinderEvidence(1, (), 22.0)).size[1]
    loose = leak_of(CylinderEvidence(1, (), 22.0, leakage_scatter_percent=5.0)).size[1]
    often = leak_of(CylinderEvidence(1, (), 22.0, leakage_count=4)).size[1]
    drift = leak_of(CylinderEvidence(1, (), 22.0, leakage_bound_percent=4.0)).size[1]
    assert often < once < loose
    assert once < drift


def test_more_leakage_speaks_less_for_a_sound_cylinder():
    sealed, leaks = Way("sealed", ("sealed",)), Way("exhaust-valve", ("exhaust-valve",))

    def ratio(percent):
        leak = leak_of(CylinderEvidence(1, (), percent))
        return p_leakage(sealed, leak) / p_leakage(leaks, leak)

    assert ratio(4) == ratio(5) > ratio(8) > ratio(12) > ratio(18) > ratio(25) > ratio(35)


def test_the_wet_test_of_the_army_manual():
    """US Army TM 5-4210-230-14&P-1: a significant rise is the rings, no rise the valves."""
    rings, valve = (Way(c, (c,)) for c in ("rings-or-piston", "exhaust-valve"))
    assert p_wet(rings, 0.3) > 4 * p_wet(valve, 0.3)
    assert p_wet(valve, 0.0) > 4 * p_wet(rings, 0.0)


def test_bubbles_are_the_gasket_towards_the_coolant():
    """Study guide for automotive examinations (secondary copy). A gasket may fail without water in
    the oil, and with no bubbles in a quarter of cases: common practice, no source."""
    gasket, valve = (Way(c, (c,)) for c in ("head-gasket-coolant", "exhaust-valve"))
    assert p_bubbles(gasket, "steady") > 10 * p_bubbles(valve, "steady")
    assert p_bubbles(gasket, "none") > 0.2


def test_checks_have_minutes_and_mean_what_they_say():
    assert set(CHECKED) <= set(MINUTES)
    assert all(m > 0 for m in MINUTES.values())
    off, valve = Way("set-up", ("off-tdc",)), Way("exhaust-valve", ("exhaust-valve",))
    no = [p_checked(way, "top-dead-centre", yes=False) for way in (off, valve)]
    assert no[0] > 10 * no[1]
    assert p_checked(off, "top-dead-centre", yes=True) == pytest.approx(1 - no[0])
