"""Zero drift and supply sag, against a scale and a regulator that are modelled the other way."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import GaugeError
from earwitness.gauges.correction import ScaleCheck, sag_corrected_percent, scale_corrected

zeros = st.floats(-8, 8)
fulls = st.floats(92, 108)
leaks = st.floats(0, 100)


def shown(true, zero, full):
    """What a scale shows whose 0 stands at `zero` and whose 100 stands at `full`."""
    return zero + (full - zero) * true / 100


@settings(max_examples=25)
@given(leaks, zeros, fulls)
def test_a_moved_scale_is_put_right(true, zero, full):
    read = shown(true, zero, full)
    if 0 <= read <= 100:
        found = scale_corrected(read, ScaleCheck((zero,), (full,)))
        assert found.percent == pytest.approx(true, abs=1e-6)
        assert found.bound_percent == 0


@settings(max_examples=25)
@given(leaks, zeros, zeros, fulls, fulls, st.floats(0, 1))
def test_drift_during_the_test_stays_within_the_bound(true, z0, z1, f0, f1, when):
    """However far the scale had moved when it was read, the bound covers it."""
    read = shown(true, z0 + (z1 - z0) * when, f0 + (f1 - f0) * when)
    if 0 <= read <= 100:
        found = scale_corrected(read, ScaleCheck((z0, z1), (f0, f1)))
        assert abs(found.percent - true) <= found.bound_percent + 1e-6


@settings(max_examples=25)
@given(leaks, leaks, zeros, zeros, fulls)
def test_more_shown_is_more_leakage(a, b, z0, z1, full):
    check = ScaleCheck((z0, z1), (full,))
    low, high = (scale_corrected(p, check).percent for p in sorted((a, b)))
    assert 0 <= low <= high <= 100


def test_a_true_scale_needs_no_correction():
    assert scale_corrected(34.0, ScaleCheck()).percent == 34.0
    assert scale_corrected(34.0, ScaleCheck((0.0, 0.0), (100.0,))).bound_percent == 0.0


def test_by_hand():
    """2 % with the hose shut, 98 % open: 26 % is (26 - 2) / 96 = 25 %."""
    assert scale_corrected(26.0, ScaleCheck((2.0,), (98.0,))).percent == 25.0


@pytest.mark.parametrize(
    ("shut", "opened", "said"),
    [
        ((12.0,), (), "hose shut the tester shows 12 percent where 0 is right"),
        ((), (85.0,), "hose open the tester shows 85 percent where 100 is right"),
        ((float("nan"),), (), "shows nan percent"),
        ((0.0, 1.0, 2.0), (), "3 readings were given"),
    ],
)
def test_a_tester_that_is_far_off_is_not_corrected(shut, opened, said):
    with pytest.raises(GaugeError, match=said):
        ScaleCheck(shut, opened)


@settings(max_examples=25)
@given(leaks, st.floats(100, 1500), st.floats(0.3, 1.0))
def test_a_sagging_supply_is_put_right(true, supply, share):
    """The scale measures the cylinder pressure against the supply it was set to."""
    under_flow = supply * share
    cylinder = under_flow * (1 - true / 100)
    read = 100 * (1 - cylinder / supply)
    found = sag_corrected_percent(read, supply_kpa=supply, under_flow_kpa=under_flow)
    assert found == pytest.approx(true, abs=1e-6)
    assert found <= read + 1e-6


@settings(max_examples=25)
@given(st.floats(0, 100), st.floats(0, 100), st.floats(0.5, 1.0))
def test_more_read_is_more_leakage_under_sag(a, b, share):
    bottom = 100 * (1 - share)
    low, high = (
        sag_corrected_percent(
            bottom + (100 - bottom) * p / 100, supply_kpa=600, under_flow_kpa=600 * share
        )
        for p in sorted((a, b))
    )
    assert low <= high


@pytest.mark.parametrize(
    ("percent", "supply", "under_flow", "said"),
    [
        (30, 600, 650, "rose to 650 kPa under flow"),
        (10, 600, 300, "more than the supply of 300 kPa"),
        (130, 600, 550, "impossible"),
        (30, 600, 0, "supply pressure 0"),
    ],
)
def test_a_supply_that_cannot_be(percent, supply, under_flow, said):
    with pytest.raises(GaugeError, match=said):
        sag_corrected_percent(percent, supply_kpa=supply, under_flow_kpa=under_flow)
