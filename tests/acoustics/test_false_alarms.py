"""The promise of the p-value, kept on shop noise that the detector was not made with.

The scenes come from benchmarks/hiss_scenes.py, which imports nothing of the package; the seeds
here are used nowhere else.
"""

import numpy as np
import pytest
import scipy.stats

from earwitness.acoustics.hiss import score_cycled

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

FS = 24_000
SECONDS = 20.0
TAKES = 100
"""Leak-free takes in each of the four scenes."""


@pytest.fixture(scope="module")
def nulls(scenes):
    """p-value, steady grade and naive p of 400 leak-free takes, shape (takes, 3)."""
    rows = []
    for i in range(TAKES * len(scenes.SCENES)):
        rng = np.random.default_rng([88_001, i])
        take = scenes.null_take(rng, scenes.SCENES[i % 4], fs=FS, seconds=SECONDS)
        point = scenes.POINTS[i % 5]
        finding = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
        assert finding.usable, finding.flags
        found = finding.grade in ("faint", "clear", "strong")
        rows.append((finding.p_value, found, scenes.naive_p(take)))
    return np.array(rows, dtype=float)


def too_many(count, n, share):
    """Whether so many would be a surprise (1 %) if the true share were this."""
    return scipy.stats.binom.sf(count - 1, n, share) < 0.01


@pytest.mark.parametrize(("limit", "promise"), [(0.01, 0.015), (0.05, 0.07)])
def test_leak_free_takes_keep_the_promise(nulls, limit, promise):
    """At most 1.5 % at 0.01 and 7 % at 0.05: the count must be no surprise under that."""
    count = int((nulls[:, 0] <= limit).sum())
    assert not too_many(count, len(nulls), promise), count


def test_the_same_rule_convicts_a_plain_comparison_of_power(nulls):
    """The noise is cruel enough to tell: Welch's t-test on the same takes breaks the promise."""
    count = int((nulls[:, 2] <= 0.01).sum())
    assert too_many(count, len(nulls), 0.015)
    assert count > 0.1 * len(nulls)


def test_a_grade_needs_more_than_the_p_value(nulls):
    graded, significant = nulls[:, 1] > 0, nulls[:, 0] <= 0.01
    assert not (graded & ~significant).any()


def test_small_p_values_do_occur_without_a_leak(nulls):
    """A test that never fires would keep any promise: medians of leak-free takes lie near 0.5."""
    assert 0.3 < np.median(nulls[:, 0]) < 0.75
    assert (nulls[:, 0] <= 0.2).mean() > 0.08


@pytest.mark.parametrize("scene", ["steady", "shop"])
def test_a_leak_of_the_stated_level_is_found(scenes, scene):
    """Promise: probability 0.85. Twenty takes, 15 or more found unless it is far off that."""
    hits = 0
    for i in range(20):
        rng = np.random.default_rng([88_002, i])
        take = scenes.null_take(rng, scene, fs=FS, seconds=22.0)
        point = scenes.POINTS[i % 5]
        clean = score_cycled(take.samples, take.fs, take.air_on_s, point=point)
        ratio = 10 ** (clean.detectable_db / 10) - 1
        leaky = scenes.add_leak_power(rng, take, point, ratio * floor_power(clean))
        finding = score_cycled(leaky.samples, leaky.fs, leaky.air_on_s, point=point)
        hits += finding.p_value <= 0.01
    assert scipy.stats.binom.cdf(hits, 20, 0.85) > 0.01, hits


def test_the_interval_of_the_rise_holds_the_true_rise(scenes):
    """95 % by design; 30 takes in steady noise must not contradict 0.90."""
    held = 0
    for i in range(30):
        rng = np.random.default_rng([88_003, i])
        take = scenes.null_take(rng, "steady", fs=FS, seconds=22.0)
        leaky = scenes.add_leak(rng, take, "throttle-body", snr_db=3)
        low, high = score_cycled(leaky.samples, leaky.fs, leaky.air_on_s).interval_db
        held += low <= 10 * np.log10(1 + 10**0.3) <= high
    assert scipy.stats.binom.cdf(held, 30, 0.90) > 0.01, held


def floor_power(finding):
    """Air-off power over the hiss band, from the floors of a finding [full scale squared]."""
    f, off = np.array(finding.floors.centre_hz), np.array(finding.floors.off_db)
    inside = f > 1_000
    mean = np.average(10 ** (off[inside] / 10), weights=f[inside])
    return mean * (f[inside][-1] * 10 ** (1 / 40) - 1_000) / (finding.sample_rate_hz / 2)
