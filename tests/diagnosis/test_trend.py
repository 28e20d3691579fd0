"""Changes between visits, held to scipy's and numpy's own statistics and to sums by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from earwitness.diagnosis.trend import (
    FALSE_CHANGE,
    SCATTER,
    Series,
    Value,
    compare,
    own_scatter,
    pooled_scatter,
    student_quantile,
    widening,
)


def leakage(values: list[Value], freedom: float = math.inf) -> Series:
    return Series(3, "leakage", None, "%", tuple(values), freedom)


def at(visit: int, value: float, *, set_up: float = 1.5, reading: float = 1.0, **more) -> Value:
    return Value(visit, 365.25 * visit, value, set_up, reading, **more)


def test_two_visits_of_repeats_are_students_two_sample_test() -> None:
    """With scatter from the repeats alone: scipy.stats.ttest_ind with equal variances."""
    first, second = [17.0, 19.0, 18.5], [21.0, 20.0, 23.0, 22.5]
    spread, freedom = pooled_scatter([(float(np.std(x, ddof=1)), len(x)) for x in (first, second)])
    assert freedom == 5
    series = leakage(
        [
            at(i, float(np.mean(x)), set_up=0.0, reading=spread / math.sqrt(len(x)))
            for i, x in enumerate((first, second))
        ],
        freedom,
    )
    (change,) = compare([series])
    outside = stats.ttest_ind(second, first, equal_var=True)
    assert change.p_value == pytest.approx(outside.pvalue, rel=1e-12)
    low, high = outside.confidence_interval(1 - FALSE_CHANGE)
    assert change.interval == pytest.approx((low, high), rel=1e-9)
    assert change.called == (outside.pvalue < FALSE_CHANGE)


def test_the_line_is_weighted_least_squares() -> None:
    """numpy.polyfit with weights 1/sigma and its unscaled covariance."""
    days = np.array([0.0, 200.0, 410.0, 800.0])
    percent = np.array([12.0, 14.5, 13.0, 19.0])
    sigma = np.array([1.5, 2.5, 1.0, 3.0])
    series = leakage(
        [
            Value(i, d, y, s, 0.0)
            for i, (d, y, s) in enumerate(zip(days, percent, sigma, strict=True))
        ]
    )
    line = compare([series])[1]
    (slope, start), covariance = np.polyfit(days, percent, 1, w=1 / sigma, cov="unscaled")
    assert line.comparison == "over all visits"
    assert line.change == pytest.approx(slope * 800.0)
    assert (line.from_value, line.to_value) == pytest.approx((start, start + 800.0 * slope))
    z = slope / math.sqrt(covariance[0, 0])
    assert line.p_value == pytest.approx(2 * stats.norm.sf(abs(z)))
    assert line.years == pytest.approx(800 / 365.25)


def test_a_step_by_hand() -> None:
    """18 to 31 % at 1.5 and 1.0 points: s = sqrt(2 (1.5^2 + 1)) = 2.55; 1.960 s = 5.0."""
    (step,) = compare([leakage([at(0, 18.0), at(1, 31.0)])])
    error = math.sqrt(2 * (1.5**2 + 1.0**2))
    assert step.change == 13.0
    assert step.scatter == pytest.approx(1.959964 * error, rel=1e-6)
    assert step.detectable == pytest.approx((1.959964 + 1.036433) * error, rel=1e-6)
    assert step.called
    assert (step.from_value, step.to_value) == (18.0, 31.0)


def test_every_comparison_has_its_equal_share() -> None:
    """Bonferroni: 20 comparisons at 5 % are 0.25 % each, 3.0233 standard errors two-sided."""
    twenty = [leakage([at(0, 10.0), at(1, 12.0)])] * 20
    error = math.sqrt(2 * 3.25)
    assert compare(twenty)[0].scatter == pytest.approx(stats.norm.isf(0.00125) * error)
    assert stats.norm.isf(0.00125) == pytest.approx(3.0233, abs=1e-4)


def test_effective_freedom_is_welch_and_satterthwaites() -> None:
    """JCGM 100:2008 (G.2b), from memory: u^4 / (u_read^4 / freedom), the set-up known exactly."""
    values = [at(0, 10.0, set_up=2.0, reading=1.0), at(1, 18.0, set_up=2.0, reading=1.0)]
    (step,) = compare([leakage(values, freedom=6.0)])
    effective = 10.0**2 / (2.0**2 / 6.0)  # 10 = 2 (4 + 1), 2 = 2 x 1
    assert effective == pytest.approx(150.0)
    assert step.p_value == pytest.approx(2 * stats.t.sf(8.0 / math.sqrt(10.0), effective))


@pytest.mark.parametrize("freedom", [1.0, 4.0, 30.0, math.inf])
def test_quantiles_are_students(freedom: float) -> None:
    expected = stats.norm.ppf(0.975) if math.isinf(freedom) else stats.t.ppf(0.975, freedom)
    assert student_quantile(0.975, freedom) == pytest.approx(float(expected))


def test_pooled_scatter_by_hand() -> None:
    """(9, 11) and (20, 23, 26): squares 2 and 18 over 1 + 2 degrees of freedom."""
    spread, freedom = pooled_scatter([(math.sqrt(2), 2), (3.0, 3)])
    assert (spread, freedom) == (pytest.approx(math.sqrt(20 / 3)), 3)
    spread, freedom = pooled_scatter([])
    assert math.isnan(spread)
    assert freedom == 0


def test_hiss_from_nothing_is_measured_from_the_most_it_can_have_been() -> None:
    heard = Value(1, 365.25, 5.0, 3.0, 0.5)
    silent = Value(0, 0.0, -9.0, 3.0, 0.0, bound=True)
    series = Series(3, "hiss", "tailpipe", "dB", (silent, heard))
    (louder,) = compare([series])
    assert louder.change == 14.0
    assert louder.p_value == pytest.approx(2 * stats.norm.sf(14 / math.sqrt(18.25)))
    assert louder.called


def test_a_high_bound_proves_no_change() -> None:
    faint, masked = Value(0, 0.0, -4.0, 3.0, 0.5), Value(1, 9.0, 12.0, 3.0, 0.0, bound=True)
    (step,) = compare([Series(3, "hiss", "tailpipe", "dB", (faint, masked))])
    assert step.change == 0.0
    assert not step.called
    (step,) = compare([Series(3, "hiss", "tailpipe", "dB", (masked, faint))])
    assert not step.called


def test_two_bounds_and_lone_values_are_not_compared() -> None:
    bounds = tuple(Value(i, float(i), -8.0, 3.0, 0.0, bound=True) for i in range(2))
    assert compare([Series(1, "hiss", "tailpipe", "dB", bounds)]) == ()
    assert compare([leakage([at(0, 8.0)])]) == ()
    assert compare([]) == ()


def test_visits_of_one_day_get_no_line() -> None:
    same = [Value(i, 0.0, 10.0, 1.5, 1.0) for i in range(4)]
    assert [c.comparison for c in compare([leakage(same)])] == ["since the visit before"]


@given(st.lists(st.floats(0, 60), min_size=2, max_size=4), st.floats(-20, 20))
def test_a_shift_of_everything_changes_no_comparison(percents: list[float], shift: float) -> None:
    one, other = (
        compare([leakage([at(i, p + s) for i, p in enumerate(percents)])]) for s in (0.0, shift)
    )
    assert [c.change for c in one] == pytest.approx([c.change for c in other], abs=1e-9)
    assert [c.scatter for c in one] == pytest.approx([c.scatter for c in other])


def steps(sizes: list[float]) -> list[Series]:
    """One series a step, in standard errors."""
    error = math.sqrt(6.5)
    return [leakage([at(0, 20.0), at(1, 20.0 + size * error)]) for size in sizes]


def test_steps_that_contradict_the_scatter_widen_it() -> None:
    """Eight steps: the fourth square is Beta(4, 5) on the scale of probability."""
    middle = stats.norm.ppf((1 + stats.beta.ppf(0.5, 4, 5)) / 2) ** 2
    usual = [0.1, -0.3, 0.5, -0.9, 1.1, 1.2, -1.4, 9.0]
    assert widening(steps(usual), "leakage") == 1.0
    wide = [1.8, -1.9, 2.0, -2.1, 2.2, -2.3, 2.4, 12.0]
    assert widening(steps(wide), "leakage") == pytest.approx(2.1 / math.sqrt(middle))
    assert own_scatter(steps(wide), "leakage") == (widening(steps(wide), "leakage"), 8)
    assert own_scatter(steps(usual), "leakage")[0] == pytest.approx(0.9 / math.sqrt(middle))
    assert widening(steps(wide), "hiss") == 1.0
    changes = compare(steps(wide))
    assert [c.called for c in changes] == [False] * 7 + [True]
    assert {c.widened for c in changes} == {widening(steps(wide), "leakage")}


def test_the_scatter_is_widened_by_chance_as_seldom_as_said() -> None:
    """2000 engines of eight steps at the stated scatter: 2 %, ±0.6 at 95 % (binomial)."""
    drawn = np.random.default_rng(31).normal(size=(2000, 8))
    often = np.mean([widening(steps(list(row)), "leakage") > 1.0 for row in drawn])
    assert 0.012 <= often <= 0.028


def test_few_steps_widen_nothing() -> None:
    assert widening(steps([9.0] * 7), "leakage") == 1.0
    assert widening([], "leakage") == 1.0


def test_every_quantity_has_a_scatter_with_its_origin() -> None:
    assert set(SCATTER) == {"leakage", "compression-dry", "compression-wet", "hiss"}
    assert all(s.origin and s.set_up > 0 for s in SCATTER.values())
