"""Crank angles between firings, and which pistons are at the top together."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.engine.firing import (
    companion_pairs,
    degrees_to_turn,
    firing_interval_deg,
    tdc_angles,
)
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.errors import LayoutError

V8 = engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]])


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
    assert tdc_angles(engine_layout(4)) == {1: 0, 3: 180, 4: 360, 2: 540}


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


@given(st.integers(1, 16).flatmap(lambda n: st.permutations(range(1, n + 1))))
def test_once_round_all_cylinders_is_two_turns_of_the_crank(order):
    layout = EngineLayout(len(order), tuple(order))
    following = [*order[1:], order[0]]
    turned = sum(degrees_to_turn(layout, a, b) for a, b in zip(order, following, strict=True))
    assert turned == pytest.approx(720 if len(order) > 1 else 0)


@given(st.integers(1, 8).flatmap(lambda n: st.permutations(range(1, 2 * n + 1))))
def test_companions_are_one_turn_apart(order):
    layout = EngineLayout(len(order), tuple(order))
    for a, b in companion_pairs(layout):
        assert degrees_to_turn(layout, a, b) == pytest.approx(360)
        assert layout.companion(a) == b
