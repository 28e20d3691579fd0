"""Decibel arithmetic against published tables and worked examples."""

import math

import pytest

from earwitness.acoustics.levels import (
    ISO_3744,
    ISO_3746,
    background_correction,
    decibels,
    energy_mean_db,
    energy_sum_db,
    power_ratio,
)

BARRON_TABLE_3_4 = [
    (1, 6.9),
    (1.5, 5.3),
    (2, 4.3),
    (2.5, 3.6),
    (3, 3.0),
    (3.5, 2.6),
    (4, 2.2),
    (4.5, 1.9),
    (5, 1.7),
    (5.5, 1.4),
    (6, 1.3),
    (6.5, 1.1),
    (7, 1.0),
    (7.5, 0.9),
    (8, 0.7),
    (9, 0.6),
    (10, 0.5),
    (12, 0.3),
    (14, 0.2),
    (16, 0.1),
    (18, 0.1),
    (20, 0.0),
]
"""Rise and correction [dB]. Barron, Industrial Noise Control and Acoustics (2003), table 3-4, p. 72
(seen in a secondary copy)."""

EXACT_K1 = [(6, 1.2563), (7, 0.9665), (8, 0.7494), (9, 0.5844), (10, 0.4576), (12, 0.2830)]
"""-10 lg(1 - 10^(-0.1 rise)), calculated independently."""


@pytest.mark.parametrize(("rise", "printed"), BARRON_TABLE_3_4)
def test_correction_law_agrees_with_the_printed_table(rise, printed):
    """To the rounding of 0.1 dB, and at 5.5 dB (law: 1.437) the digit that was printed."""
    exact = -decibels(1 - power_ratio(-rise))
    assert exact == pytest.approx(printed, abs=0.061)


@pytest.mark.parametrize(("rise", "k1"), EXACT_K1)
def test_engineering_correction_between_its_limits(rise, k1):
    """ISO 3744:2010, 8.2.3 (seen in a secondary copy)."""
    correction = background_correction(rise)
    assert correction.k1_db == pytest.approx(k1, abs=5e-5)
    assert not correction.upper_bound


@pytest.mark.parametrize(
    ("rise", "limits", "k1", "bound"),
    [
        (15.0, ISO_3744, 0.1396, False),
        (15.001, ISO_3744, 0.0, False),
        (6.0, ISO_3744, 1.2563, False),
        (5.999, ISO_3744, 1.2563, True),
        (-2.0, ISO_3744, 1.2563, True),
        (10.0, ISO_3746, 0.4576, False),
        (10.1, ISO_3746, 0.0, False),
        (3.0, ISO_3746, 3.0206, False),
        (2.999, ISO_3746, 3.0206, True),
    ],
)
def test_boundaries_of_the_two_standards(rise, limits, k1, bound):
    """ISO 3744:2010, 8.2.3 and ISO 3746:2010, 8.3.3: limits inclusive, held below, none above
    (seen in a secondary copy).
    """
    correction = background_correction(rise, limits)
    assert correction.k1_db == pytest.approx(k1, abs=5e-5)
    assert correction.upper_bound is bound


@pytest.mark.parametrize(
    ("on", "off", "corrected"),
    [(83.0, 77.0, 81.7), (90.0, 80.0, 89.5), (86.6, 80.0, 85.5), (79.0, 70.0, 78.4)],
)
def test_textbook_examples(on, off, corrected):
    """Barron (2003), example 3-6; Hansen, Noise Control (2005), example 3.25, twice; ISO 11201:2010
    worked example, K1 0.6 (all seen in secondary copies).
    """
    assert on - background_correction(on - off).k1_db == pytest.approx(corrected, abs=0.05)


def test_energy_mean_of_the_standard():
    """ISO 11200:2014, table B.2 (seen in a secondary copy)."""
    assert energy_mean_db([77.5, 76.0, 77.2, 77.7, 75.9]) == pytest.approx(76.9, abs=0.05)


def test_energy_mean_weighted_by_duration():
    """80 dB for 10 s and 90 dB for 1 s: 82.6 dB (ISO 11201 guide, seen in a secondary copy)."""
    assert energy_mean_db([80.0, 90.0], [10.0, 1.0]) == pytest.approx(82.6, abs=0.05)


def test_two_equal_sources_are_three_decibels_louder():
    """10 lg 2, derived."""
    assert energy_sum_db([70.0, 70.0]) == pytest.approx(70 + 10 * math.log10(2), abs=1e-12)


def test_silence_and_nonsense():
    assert decibels(0.0) == -math.inf
    with pytest.raises(ValueError, match="negative"):
        decibels(-1.0)
    with pytest.raises(ValueError, match="at least one"):
        energy_mean_db([])
