"""An engine that cannot exist is refused in one sentence; one that can tells who stands where."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.engine.layout import (
    MOST_CYLINDERS,
    EngineLayout,
    default_firing_order,
    engine_layout,
)
from earwitness.errors import LayoutError

V8 = engine_layout(8, arrangement="vee", banks=[[1, 3, 5, 7], [2, 4, 6, 8]], tailpipes=2)


@st.composite
def permutations(draw):
    count = draw(st.integers(1, MOST_CYLINDERS))
    return tuple(draw(st.permutations(range(1, count + 1))))


@settings(max_examples=25)
@given(permutations())
def test_every_permutation_is_a_firing_order(order):
    layout = EngineLayout(len(order), order)
    assert layout.firing_order == order
    assert layout.banks == (tuple(range(1, len(order) + 1)),)


@settings(max_examples=25)
@given(permutations(), st.data())
def test_a_firing_order_with_one_wrong_number_is_refused(order, data):
    place = data.draw(st.integers(0, len(order) - 1))
    wrong = data.draw(st.integers(-3, 40).filter(lambda n: n != order[place]))
    broken = (*order[:place], wrong, *order[place + 1 :])
    with pytest.raises(LayoutError, match="firing order"):
        EngineLayout(len(order), broken)


@settings(max_examples=25)
@given(permutations())
def test_a_firing_order_that_is_too_short_or_too_long_is_refused(order):
    for broken in (order[:-1], (*order, order[0])):
        with pytest.raises(LayoutError):
            EngineLayout(len(order), broken)


@settings(max_examples=25)
@given(permutations())
def test_neighbours_and_companions_are_mutual(order):
    layout = EngineLayout(len(order), order)
    for n in order:
        assert all(n in layout.neighbours(m) for m in layout.neighbours(n))
        other = layout.companion(n)
        assert (other is None) == bool(len(order) % 2)
        assert other is None or layout.companion(other) == n


@pytest.mark.parametrize(
    ("order", "said"),
    [
        ((1, 3, 4), "leaves out cylinder 2"),
        ((1, 3, 4, 4), "names cylinder 4 more than once"),
        ((1, 3, 4, 9), "names cylinder 9, which this engine does not have"),
        ((1, 3, 4, 0), "names cylinder 0"),
    ],
)
def test_the_sentence_names_what_is_wrong_with_the_order(order, said):
    with pytest.raises(LayoutError, match=said) as refused:
        EngineLayout(4, order)
    assert "1-3-4" in str(refused.value)


@pytest.mark.parametrize(
    "order", [("1", "3", "4", "2"), (1.0, 3, 4, 2), (True, 3, 4, 2), "1342", 7]
)
def test_an_order_that_is_not_whole_numbers_is_refused(order):
    with pytest.raises(LayoutError, match="not a list of whole numbers"):
        EngineLayout(4, order)


@pytest.mark.parametrize("count", [0, -1, 17, 4.0, "4", True, None])
def test_an_impossible_cylinder_count_is_refused(count):
    with pytest.raises(LayoutError, match="whole number from 1 to 16"):
        EngineLayout(count, (1,))


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("arrangement", "star"),
        ("cooling", "oil"),
        ("fuel", "hay"),
        ("tailpipes", 0),
        ("tailpipes", 3),
        ("tailpipes", True),
        ("bore_mm", 3.4),
        ("bore_mm", float("nan")),
        ("bore_mm", "86"),
        ("label", 7),
        ("cooling", ["air"]),
    ],
)
def test_a_field_outside_its_range_is_refused_by_name(field, value):
    with pytest.raises(LayoutError, match=field):
        EngineLayout(4, (1, 3, 4, 2), **{field: value})


@pytest.mark.parametrize(
    "banks",
    [(), ((1, 2, 3, 4),), ((1, 2), (3,)), ((1, 2), (2, 3, 4)), ((1, 2), ()), ((1, 2), ("3", 4)), 5],
)
def test_a_vee_engine_needs_two_banks_that_share_the_cylinders_out(banks):
    with pytest.raises(LayoutError, match="bank"):
        EngineLayout(4, (1, 3, 4, 2), arrangement="vee", banks=banks)


def test_lists_are_taken_as_tuples_and_one_bank_is_filled_in():
    assert EngineLayout(4, [1, 3, 4, 2]) == engine_layout(4, banks=[[1, 2, 3, 4]])


def test_neighbours_stand_on_the_same_bank():
    assert V8.neighbours(1) == (3,)
    assert V8.neighbours(4) == (2, 6)
    assert [V8.bank_of(n) for n in (1, 2, 7, 8)] == [0, 1, 0, 1]
    assert engine_layout(4).neighbours(3) == (2, 4)
    assert engine_layout(1).neighbours(1) == ()


@pytest.mark.parametrize("cylinder", [0, 5, 9, -1, 1.0, True])
def test_a_cylinder_the_engine_lacks_is_refused(cylinder):
    with pytest.raises(LayoutError, match="does not exist on an engine with 4 cylinders"):
        engine_layout(4).neighbours(cylinder)


def test_usual_firing_orders():
    """Four, six: engineering course tables; V8: seen in a secondary copy; flat four and six:
    FAA-H-8083-32 chapter 1 (secondary copy); three, five, eight in line: from memory."""
    assert default_firing_order(4, "flat") == (1, 3, 2, 4)
    assert default_firing_order(6, "flat") == (1, 4, 5, 2, 3, 6)
    assert default_firing_order(8) == (1, 6, 2, 5, 8, 3, 7, 4)
    assert default_firing_order(4) == (1, 3, 4, 2)
    assert default_firing_order(6) == (1, 5, 3, 6, 2, 4)
    assert default_firing_order(8, "vee") == (1, 8, 4, 3, 6, 5, 7, 2)
    assert default_firing_order(3) == (1, 3, 2)
    assert default_firing_order(5) == (1, 2, 4, 5, 3)


@pytest.mark.parametrize(
    ("count", "arrangement"), [(7, "inline"), (6, "vee"), (12, "vee"), (16, "vee"), (8, "flat")]
)
def test_no_firing_order_is_made_up(count, arrangement):
    with pytest.raises(LayoutError, match="no firing order was given"):
        engine_layout(count, arrangement=arrangement)


@pytest.mark.parametrize("strokes", [2, 6, 0, "4", True])
def test_a_two_stroke_is_refused_with_the_reason(strokes):
    with pytest.raises(LayoutError, match="ports"):
        engine_layout(2, strokes=strokes)


@pytest.mark.parametrize(
    ("arrangement", "why"),
    [("rotary", "apex"), ("Rotary", "apex"), ("radial", "one by one"), ("w", "two banks")],
)
def test_other_arrangements_are_refused_with_the_reason(arrangement, why):
    with pytest.raises(LayoutError, match=why) as refused:
        engine_layout(4, arrangement=arrangement)
    assert "Follow the maker's" in refused.value.remedy
    with pytest.raises(LayoutError, match=why):
        EngineLayout(4, (1, 3, 4, 2), arrangement=arrangement)


@pytest.mark.parametrize(
    ("intervals", "said"),
    [
        ([180, 180, 180], "are 3, not 4"),
        ([180, 180, 180, 90], "add up to 630"),
        ([360, 0, 180, 180], "hold one below 2 degrees"),
        ([-90, 270, 270, 270], "hold one below 2 degrees"),
        ([180, 180, 180, float("nan")], "not a list of angles"),
        (["180", 180, 180, 180], "not a list of angles"),
        ([True, 180, 180, 180], "not a list of angles"),
    ],
)
def test_firing_intervals_that_are_no_cycle_are_refused(intervals, said):
    with pytest.raises(LayoutError, match=said):
        engine_layout(4, firing_intervals_deg=intervals)


def test_equal_intervals_are_even_firing():
    assert engine_layout(4, firing_intervals_deg=[180.0] * 4) == engine_layout(4)
    assert engine_layout(4).fires_evenly
    uneven = engine_layout(4, firing_intervals_deg=[270, 180, 90, 180])
    assert not uneven.fires_evenly
    assert uneven.intervals_deg == (270, 180, 90, 180)


def test_neighbour_pairs_stay_on_their_bank():
    assert engine_layout(4).neighbour_pairs() == ((1, 2), (2, 3), (3, 4))
    assert V8.neighbour_pairs() == ((1, 3), (3, 5), (5, 7), (2, 4), (4, 6), (6, 8))
    assert engine_layout(1).neighbour_pairs() == ()


def test_a_whole_bank_is_known_as_one():
    assert V8.whole_bank([7, 5, 3, 1]) == 0
    assert V8.whole_bank({2, 4, 6, 8}) == 1
    assert V8.whole_bank([1, 3, 5]) is None
    assert V8.whole_bank(range(1, 9)) is None
    assert engine_layout(4).whole_bank([1, 2, 3, 4]) is None
