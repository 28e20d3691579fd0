"""Crank angles between firings, and which pistons are at the top together."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.firing import (
    companion_pairs,
    degrees_to_turn,
    firing_interval_deg,
)
from earwitness.engine.layout import CYCLE_DEG, EngineLayout, engine_layout
from earwitness.errors import LayoutError

V8 = engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]])
V6_ON_THREE_PINS = engine_layout(
    6,
    firing_order=[1, 6, 5, 4, 3, 2],
    arrangement="vee",
    banks=[[1, 3, 5], [2, 4, 6]],
    firing_intervals_deg=[150, 90] * 3,
)


def twin(*intervals, arrangement="vee", banks=((1,), (2,))):
    return engine_layout(
        2,
        firing_order=[1, 2],
        arrangement=arrangement,
        banks=banks,
        firing_intervals_deg=intervals,
    )


@st.composite
def uneven_engines(draw):
    """In-line engines with any firing order and any firing intervals of at least 2 degrees."""
    order = draw(st.integers(2, 16).flatmap(lambda n: st.permutations(range(1, n + 1))))
    weights = draw(st.lists(st.integers(1, 9), min_size=len(order), max_size=len(order)))
    spare = CYCLE_DEG - 2.0 * len(order)
    intervals = [2.0 + spare * w / sum(weights) for w in weights]
    return EngineLayout(len(order), tuple(order), firing_intervals_deg=tuple(intervals))


@pytest.mark.parametrize(
    ("cylinders", "degrees"), [(3, 240), (4, 180), (5, 144), (6, 120), (8, 90), (12, 60), (1, 720)]
)
def test_interval_is_720_over_n(cylinders, degrees):
    """Even spacing principle: open textbook on diesel power, 6.3.4 (secondary copy)."""
    assert firing_interval_deg(cylinders) == degrees


def test_no_cylinders_have_no_interval():
    with pytest.raises(ValueError, match="at least 1"):
        firing_interval_deg(0)


def test_four_cylinder_fires_at_0_180_360_540():
    """Firing order 1-3-4-2: engineering course table, seen in a secondary copy."""
    assert engine_layout(4).tdc_deg == {1: 0, 3: 180, 4: 360, 2: 540}


@pytest.mark.parametrize(
    ("layout", "pairs"),
    [
        (engine_layout(4), {(1, 4), (3, 2)}),
        (engine_layout(6), {(1, 6), (5, 2), (3, 4)}),
        (V8, {(1, 6), (8, 5), (4, 7), (3, 2)}),
        (engine_layout(3), set()),
    ],
)
def test_companion_pairs(layout, pairs):
    """Calculated from the firing orders 1-3-4-2, 1-5-3-6-2-4 and 1-8-4-3-6-5-7-2."""
    assert set(companion_pairs(layout)) == pairs


def test_degrees_to_turn_goes_forward():
    four = engine_layout(4)
    assert degrees_to_turn(four, 1, 3) == 180
    assert degrees_to_turn(four, 2, 1) == 180
    assert degrees_to_turn(four, 3, 1) == 540
    assert degrees_to_turn(V8, 1, 8) == 90
    assert degrees_to_turn(four, 2, 2) == 0


def test_degrees_to_a_cylinder_that_is_not_there():
    with pytest.raises(LayoutError):
        degrees_to_turn(engine_layout(4), 1, 5)


@settings(max_examples=25)
@given(st.integers(1, 16).flatmap(lambda n: st.permutations(range(1, n + 1))))
def test_once_round_all_cylinders_is_two_turns_of_the_crank(order):
    layout = EngineLayout(len(order), tuple(order))
    following = [*order[1:], order[0]]
    turned = sum(degrees_to_turn(layout, a, b) for a, b in zip(order, following, strict=True))
    assert turned == pytest.approx(720 if len(order) > 1 else 0)


@settings(max_examples=25)
@given(st.integers(1, 8).flatmap(lambda n: st.permutations(range(1, 2 * n + 1))))
def test_companions_are_one_turn_apart(order):
    layout = EngineLayout(len(order), tuple(order))
    for a, b in companion_pairs(layout):
        assert degrees_to_turn(layout, a, b) == pytest.approx(360)
        assert layout.companion(a) == b


@pytest.mark.parametrize("angle", [45, 60, 75, 90])
def test_two_rods_on_one_pin(angle):
    """Vee twins, as the motorcycle press gives them (secondary copies): 45 degrees 315/405, 60
    degrees 300/420, 75 degrees 285/435, 90 degrees 270/450. By geometry, the second piston is at
    the top `angle` after or before the first, and fires in the other turn."""
    layout = twin(360 - angle, 360 + angle)
    assert degrees_to_turn(layout, 1, 2) == 360 - angle
    assert degrees_to_turn(layout, 2, 1) == 360 + angle
    assert layout.companion(1) is None
    assert companion_pairs(layout) == ()


def test_a_flat_twin_and_a_parallel_twin_on_one_throw_are_companions():
    """Both fire every 360 degrees; any textbook."""
    assert engine_layout(2).companion(1) == 2
    assert engine_layout(2, arrangement="flat", banks=[[1], [2]]).companion(2) == 1


def test_a_parallel_twin_with_opposed_throws_has_no_companion():
    """180 degree crank: fires after 180 and 540 degrees (motorcycle press, secondary copy)."""
    assert twin(180, 540, arrangement="inline", banks=[[1, 2]]).companion(1) is None


def test_six_rods_on_three_pins_between_banks_at_90_degrees():
    """Geometry: pins 120 degrees apart, banks 90 degrees apart, so a pin's two pistons reach the
    top 90 degrees apart, a bank fires every 240 degrees, and the order 1-6-5-4-3-2 fires at 150
    and 90 degrees in turn."""
    left_pin_up = {1: 0, 2: 0, 5: 240, 6: 240, 3: 120, 4: 120}  # which pin a rod sits on
    for cylinder, deg in V6_ON_THREE_PINS.tdc_deg.items():
        earlier = 90 if cylinder in {2, 4, 6} else 0  # the crank passes the right bank first
        assert deg % 360 == (left_pin_up[cylinder] - earlier) % 360, cylinder
    assert companion_pairs(V6_ON_THREE_PINS) == ()


def test_a_cross_plane_four_fires_at_270_180_90_180():
    """Order 1-3-2-4, intervals 270-180-90-180 (motorcycle press, secondary copy): throws at 0, 90,
    180 and 270 degrees, so no two pistons are at the top together."""
    layout = engine_layout(4, firing_order=[1, 3, 2, 4], firing_intervals_deg=[270, 180, 90, 180])
    assert sorted(angle % 360 for angle in layout.tdc_deg.values()) == [0, 90, 180, 270]
    assert companion_pairs(layout) == ()


@pytest.mark.parametrize(("vee", "pair"), [(90, (90, 54)), (72, (72, 72))])
def test_ten_rods_on_five_pins(vee, pair):
    """Geometry: pins 72 degrees apart; a bank fires every 144 degrees, the other `vee` later.
    At 90 degrees a ten fires unevenly, at 72 evenly."""
    order = [1, 10, 9, 4, 3, 6, 5, 8, 7, 2]
    layout = EngineLayout(10, tuple(order), firing_intervals_deg=pair * 5)
    left = [layout.tdc_deg[n] for n in order[::2]]
    right = [layout.tdc_deg[n] for n in order[1::2]]
    assert left == [144 * k for k in range(5)]
    assert right == [144 * k + vee for k in range(5)]
    assert layout.fires_evenly == (vee == 72)


@settings(max_examples=25)
@given(uneven_engines())
def test_uneven_intervals_add_up_to_two_turns(layout):
    order = layout.firing_order
    following = [*order[1:], order[0]]
    turned = [degrees_to_turn(layout, a, b) for a, b in zip(order, following, strict=True)]
    assert sum(turned) == pytest.approx(CYCLE_DEG)
    assert turned == pytest.approx(list(layout.intervals_deg), abs=1e-6)


@settings(max_examples=25)
@given(uneven_engines())
def test_uneven_companions_are_mutual_and_one_turn_apart(layout):
    for cylinder in layout.firing_order:
        other = layout.companion(cylinder)
        if other is not None:
            assert layout.companion(other) == cylinder
            assert degrees_to_turn(layout, cylinder, other) == pytest.approx(360, abs=0.5)
