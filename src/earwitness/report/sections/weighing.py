"""What moved the odds of a verdict by how much, so that a reader can add it up by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.report.words import percent, verdict_name

if TYPE_CHECKING:
    from earwitness.diagnosis.verdict import CylinderVerdict, Weight

BY_HAND = (
    "To check it by hand, add up the decibans: a sum of S is odds of 10^(S/10) to 1, and odds of "
    "N to 1 are a probability of N / (N + 1). Zero is even odds, 10 is ten to one, -10 one to ten. "
    "Each weight holds for that evidence after all the rows above it."
)
"""How to recompute a verdict from its table. The unit: I. J. Good, 1950, from memory."""
MOST_ODDS = 1000.0
"""Odds beyond which a number would claim more than anybody knows [1]. Chosen: 30 decibans."""


@dataclass(frozen=True, slots=True)
class WeightRow:
    """One piece of evidence."""

    evidence: str
    speaks_for: str
    decibans: str
    so_far: str
    """Sum of this row and all before it."""


@dataclass(frozen=True, slots=True)
class Weighing:
    """The weights of one cylinder's verdict."""

    about: str
    """The explanation whose odds are added up."""
    rows: tuple[WeightRow, ...]
    total: str
    odds: str
    probability: str


def weighing(judged: CylinderVerdict) -> Weighing | None:
    """Set out the weights of a verdict; None if it was recorded without."""
    if not judged.weights:
        return None
    about = _claim(judged)
    sums = [
        math.fsum(w.decibans for w in judged.weights[: i + 1]) for i in range(len(judged.weights))
    ]
    return Weighing(
        about=verdict_name(about),
        rows=tuple(
            WeightRow(w.evidence, _name(w), signed(w.decibans), signed(so_far))
            for w, so_far in zip(judged.weights, sums, strict=True)
        ),
        total=signed(sums[-1]),
        odds=odds(sums[-1]),
        probability=percent(probability_of(sums[-1])),
    )


def reasons_beside(judged: CylinderVerdict) -> tuple[str, ...]:
    """Return the reasons of a verdict that its table of weights does not say already."""
    said = tuple(f"{w.evidence}: " for w in judged.weights)
    return tuple(r for r in judged.reasons if not (said and r.startswith(said)))


def probability_of(decibans: float) -> float:
    """Return the probability at a sum of decibans [1].

    Examples
    --------
    >>> probability_of(0.0), round(probability_of(10.0), 4)
    (0.5, 0.9091)
    """
    return 1.0 / (1.0 + math.pow(10.0, -decibans / 10.0))


def odds(decibans: float) -> str:
    """Write a sum of decibans as odds.

    Examples
    --------
    >>> odds(15.0), odds(-10.0), odds(45.0), odds(0.0)
    ('32 to 1', '1 to 10', 'more than 1000 to 1', '1 to 1')
    """
    ratio = 10.0 ** (abs(decibans) / 10.0)
    if ratio > MOST_ODDS:
        return (
            f"more than {MOST_ODDS:.0f} to 1" if decibans > 0 else f"less than 1 to {MOST_ODDS:.0f}"
        )
    shown = f"{ratio:.0f}" if ratio >= 9.95 else f"{ratio:.2g}"
    return f"{shown} to 1" if decibans >= 0 else f"1 to {shown}"


def signed(decibans: float) -> str:
    """Write decibans with their sign.

    Examples
    --------
    >>> signed(3.14), signed(-0.02)
    ('+3.1', '0.0')
    """
    rounded = round(decibans, 1)
    return f"{rounded:+.1f}".replace("-", "−") if rounded else "0.0"


def _claim(judged: CylinderVerdict) -> str:
    if judged.verdict == "undetermined" and judged.ranking:
        return judged.ranking[0].verdict
    return judged.verdict


def _name(weight: Weight) -> str:
    return verdict_name(weight.favours)
