"""How probable all takes of a cylinder together are, given where the air gets out.

Every cause hisses at every point, at the level the table gives it for its flow, give or take its
spread; what is loudest at a point is what the probe hears there. How strong all of it is in this
shop, and how two leaks share the air, is unknown and summed over. So the levels of the points
relative to each other tell a source from what comes across, and a silent take counts by what it
would have heard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from earwitness.diagnosis.forward.lookup import level_db
from earwitness.diagnosis.forward.takes import Take, hiss_level_db
from earwitness.diagnosis.likelihoods import (
    BLOW_BY_APART_DB,
    BLOW_BY_DB,
    BLOW_BY_SPREAD_DB,
    BY_MISTAKE,
    FALSE_HISS,
    FALSE_HISS_PAIR,
    HOSE_HISS,
    HOSE_LEVEL_DB,
    HOSE_LOSS_DB,
    LEAST_FAULT,
    LEVEL_EDGES_DB,
    MISSED_BELOW_DB,
    MISTAKE,
    MISTAKE_PAIR,
    ONE_PIPE,
    SPLIT_DB,
    SPLIT_STEPS_DB,
    STRENGTH_STEPS_DB,
    USUAL_DETECTABLE_DB,
    Spread,
)
from earwitness.engine.listening_points import CONTROL, plug_hole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from earwitness.diagnosis.forward.leak import Leak
    from earwitness.diagnosis.hypotheses import Cause, Way
    from earwitness.units import Floats

HEARD_AS: dict[Cause, tuple[Cause, ...]] = {
    "sealed": (),
    "gauge-wrong": (),
    "off-tdc": ("exhaust-valve", "intake-valve"),
    "off-tdc-exhaust": ("exhaust-valve",),
    "off-tdc-intake": ("intake-valve",),
}
"""What a cause sounds like, where it is not itself a row of the table: nothing but what passes the
rings, or open valves."""


@dataclass(frozen=True, slots=True)
class Joint:
    """All takes under one way: shape (takes, cells), a cell being a strength and a split."""

    log_weight: Floats
    """Logarithm of each cell's prior, shape (cells,)."""
    mean_db: Floats
    """Level of each contribution at each take, shape (contributions, takes, cells) [dB]."""
    deviation_db: Floats
    """Its standard deviation, shape (contributions, takes, 1) [dB]."""
    log_likelihood: Floats
    """Logarithm of the likelihood of each take, shape (takes, cells)."""

    def steps(self) -> tuple[float, ...]:
        """Return the likelihood of each take, given those before it, shape (takes,)."""
        running = np.cumsum(np.vstack([self.log_weight, self.log_likelihood]), axis=0)
        top = running.max(axis=1, keepdims=True)
        totals = top[:, 0] + np.log(np.exp(running - top).sum(axis=1))
        return tuple(float(step) for step in np.exp(np.diff(totals)))

    def cells(self, without: int | None = None) -> Floats:
        """Return the probability of each cell, all takes but one regarded, shape (cells,)."""
        log = self.log_weight + self.log_likelihood.sum(axis=0)
        if without is not None:
            log = log - self.log_likelihood[without]
        weight: Floats = np.exp(log - log.max())
        weight /= weight.sum()
        return weight


def joint(
    way: Way,
    takes: Sequence[Take],
    leak: Leak,
    *,
    hose: bool = False,
    known: Mapping[str, Spread] | None = None,
) -> Joint:
    """Return all takes under one way.

    Parameters
    ----------
    way : Way
    takes : sequence of Take
    leak : Leak
    hose : bool
        The control take hisses: the cells come twice, without and with a hose that does.
    known : mapping of str to Spread, optional
        Level of a gram a second past the rings, where sound cylinders of the engine show it [dB].
    """
    strengths, log_weight, shares = _cells(leak, two=len(_sources(way)) > 1)
    means, deviations = _contributions(way, takes, leak, strengths, shares, known or {})
    if not hose:
        likelihood = _log_likelihood(takes, means, deviations)
        return Joint(log_weight, means, deviations, likelihood)
    return _with_hose(takes, log_weight, means, deviations)


def predicted(
    way: Way, point: str, leak: Leak, seen: Joint, known: Mapping[str, Spread]
) -> tuple[float, ...]:
    """Return the probability of each result of a take not yet made, all takes so far regarded.

    Returns
    -------
    tuple of float
        Of no hiss, and of hiss below, between and above `LEVEL_EDGES_DB`; they add up to 1.
    """
    missed = hiss_level_db(USUAL_DETECTABLE_DB) + MISSED_BELOW_DB[0]
    take = Take(point, None, MISSED_BELOW_DB[1], missed, proof=True, complete=True)
    strengths, _, shares = _cells(leak, two=len(_sources(way)) > 1)
    means, deviations = _contributions(way, (take,), leak, strengths, shares, known)
    mean, deviation = means[:, 0], deviations[:, 0]
    cells = seen.cells().reshape(-1, strengths.size).sum(axis=0)
    silent = float(p_missed(mean, deviation, (missed, take.spread_db)) @ cells)
    above = [float(p_louder(mean, deviation, edge) @ cells) for edge in LEVEL_EDGES_DB]
    sure = (silent, *_found_between(silent, above))
    hisses = BY_MISTAKE[0] / (len(sure) - 1)
    anything = (1.0 - BY_MISTAKE[0], *(hisses for _ in sure[1:]))
    return tuple((1.0 - MISTAKE) * s + MISTAKE * a for s, a in zip(sure, anything, strict=True))


def _found_between(silent: float, above: list[float]) -> tuple[float, ...]:
    """Return how the found hiss spreads over the bins that the edges part."""
    steps = [1.0, *above, 0.0]
    bins = [max(a - b, 0.0) for a, b in pairwise(steps)]
    bins[0] = max(bins[0] - silent, 0.0)
    total = math.fsum(bins)
    if total <= 0.0:
        return (1.0 - silent, *(0.0 for _ in above))
    return tuple((1.0 - silent) * b / total for b in bins)


def below(x: Floats) -> Floats:
    """Return the standard normal distribution function, to 1e-7.

    References
    ----------
    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17 (from memory).
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    series = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    upper = _INV_SQRT_2PI * np.exp(-0.5 * x * x) * series
    found: Floats = np.where(x >= 0, 1.0 - upper, upper)
    return found


def p_missed(mean_db: Floats, deviation_db: Floats, missed: Spread) -> Floats:
    """Return the probability that a take misses everything, shape (..., cells)."""
    centre, gradual = missed
    p: Floats = below((centre - mean_db) / np.hypot(deviation_db, gradual)).prod(axis=0)
    return p


def p_louder(mean_db: Floats, deviation_db: Floats, level: float) -> Floats:
    """Return the probability that the loudest contribution lies above a level, shape (cells,)."""
    p: Floats = 1.0 - below((level - mean_db) / deviation_db).prod(axis=0)
    return p


_INV_SQRT_2PI = 1.0 / math.sqrt(2.0 * math.pi)


@lru_cache(maxsize=8)
def _cells(leak: Leak, *, two: bool) -> tuple[Floats, Floats, Floats]:
    """Return strength, logarithm of the prior, and each source's share, one column a cell.

    Shapes (cells,), (cells,) and (sources, cells); the same for all ways of one or of two sources.
    """
    mean, deviation = leak.strength_db
    steps = np.array(STRENGTH_STEPS_DB, dtype=np.float64)
    log_v = _log_normal_weights(steps, (0.0, deviation))
    if not two:
        return mean + steps, log_v, np.ones((1, steps.size))
    splits = np.array(SPLIT_STEPS_DB)
    first = 1.0 / (1.0 + 10.0 ** (-splits / 10.0))
    log_s = _log_normal_weights(splits, SPLIT_DB) + _log_both_faults(first, leak)
    log_s -= _log_sum(log_s)
    shares = np.stack([np.tile(first, steps.size), np.tile(1.0 - first, steps.size)])
    strengths = mean + np.repeat(steps, splits.size)
    return strengths, (log_v[:, None] + log_s[None, :]).ravel(), shares


def _log_both_faults(first: Floats, leak: Leak) -> Floats:
    """Return the logarithm of how well a split leaves both leaks large enough to be faults."""
    if leak.size is None:
        return np.zeros(first.size)
    area = math.exp(leak.size[0]) * (1.0 - leak.blow_by_share)
    smaller = np.log(np.minimum(first, 1.0 - first) * area)
    least, gradual = LEAST_FAULT
    large_enough: Floats = np.log(np.maximum(below((smaller - least) / gradual), 1e-6))
    return large_enough


def _log_normal_weights(steps: Floats, spread: Spread) -> Floats:
    log: Floats = -0.5 * ((steps - spread[0]) / spread[1]) ** 2
    log -= math.log(float(np.exp(log).sum()))
    return log


def _sources(way: Way) -> tuple[Cause, ...]:
    return tuple(part for cause in way.causes for part in HEARD_AS.get(cause, (cause,)))


def _contributions(
    way: Way,
    takes: Sequence[Take],
    leak: Leak,
    strengths: Floats,
    shares: Floats,
    known: Mapping[str, Spread],
) -> tuple[Floats, Floats]:
    """Return level and spread of every contribution at every take.

    Shapes (contributions, takes, cells) and (contributions, takes, 1); the last contribution is
    what passes sound rings, unless the rings leak.
    """
    sources = _sources(way)
    beside = () if way.neighbour is None else (plug_hole(way.neighbour),)
    rings_leak = "rings-or-piston" in sources
    rest = 1.0 if rings_leak else 1.0 - leak.blow_by_share
    rows = [
        ([level_db(s, t.point, own_neighbour=t.point in beside) for t in takes], rest * share, 0.0)
        for s, share in zip(sources, shares, strict=False)
    ]
    if not rings_leak:
        blow_by = 1.0 if not sources else leak.blow_by_share
        levels = [level_db("rings-or-piston", t.point) for t in takes]
        apart = BLOW_BY_SPREAD_DB if sources or leak.size is None else 0.0
        loss = 10.0 ** (BLOW_BY_DB[0] / 10.0)
        spread = math.hypot(BLOW_BY_DB[1], apart)
        rows.append((levels, np.full(strengths.size, blow_by * loss), spread))
    table = np.array([levels for levels, _, _ in rows], dtype=np.float64)
    table = table.reshape(len(rows), len(takes), 2)
    share = np.array([s for _, s, _ in rows])
    extra = np.array([e for _, _, e in rows])[:, None]
    means = table[:, :, :1] + (strengths + 10.0 * np.log10(share))[:, None, :]
    deviations = np.hypot(table[:, :, 1], extra)[:, :, None]
    if not rings_leak:
        another = (strengths - leak.strength_db[0]) * BLOW_BY_APART_DB / leak.strength_db[1]
        for k, take in enumerate(takes):
            if take.point in known:
                level, spread = known[take.point]
                means[-1, k] = level + leak.flow_db + 10.0 * math.log10(blow_by) + another
                deviations[-1, k] = math.hypot(spread, apart)
    return means, deviations


def _log_likelihood(takes: Sequence[Take], means: Floats, deviations: Floats) -> Floats:
    """Return the logarithm of the likelihood of each take in every cell, shape (takes, cells)."""
    if not takes:
        return np.zeros((0, means.shape[2]))
    found = np.array([t.level_db is not None for t in takes])
    edge = np.array([t.missed_db if t.level_db is None else t.level_db for t in takes])[:, None]
    wide = np.hypot(deviations, np.array([t.spread_db for t in takes])[:, None])
    z = (edge - means) / wide
    under = below(z)
    likelihood = np.empty(means.shape[1:])
    likelihood[~found] = under[:, ~found].prod(axis=0)
    likelihood[found] = _loudest_density(z[:, found], under[:, found], wide[:, found])
    for k, take in enumerate(takes):
        likelihood[k] = _or_by_mistake(take, likelihood[k])
    return np.log(likelihood)


def _loudest_density(z: Floats, under: Floats, wide: Floats) -> Floats:
    """Return the density of the level of the loudest contribution, shape (takes, cells).

    One contribution lies there and all others below.
    """
    density = _INV_SQRT_2PI * np.exp(-0.5 * z * z) / wide
    total = np.zeros(z.shape[1:])
    for i in range(len(z)):
        others = [under[j] for j in range(len(z)) if j != i]
        total += density[i] * np.prod(others, axis=0) if others else density[i]
    return total


def _or_by_mistake(take: Take, likelihood: Floats) -> Floats:
    """Return the likelihood of a take that may also hiss by chance, or be a mistake."""
    false, false_level = FALSE_HISS if take.proof else FALSE_HISS_PAIR
    mistake = MISTAKE if take.proof else MISTAKE_PAIR
    hisses, any_level = BY_MISTAKE
    if take.level_db is None:
        silent = likelihood if take.complete else ONE_PIPE * likelihood + 1.0 - ONE_PIPE
        return (1.0 - mistake) * (1.0 - false) * silent + mistake * (1.0 - hisses)
    by_chance = false * _density(take.level_db, false_level, take.spread_db)
    by_mistake = hisses * _density(take.level_db, any_level, take.spread_db)
    return (1.0 - mistake) * (likelihood + by_chance) + mistake * by_mistake


def _density(x: float, spread: Spread, error: float) -> float:
    wide = math.hypot(spread[1], error)
    return _INV_SQRT_2PI * math.exp(-0.5 * ((x - spread[0]) / wide) ** 2) / wide


def _with_hose(
    takes: Sequence[Take], log_weight: Floats, means: Floats, deviations: Floats
) -> Joint:
    """Return the cells twice: without a hose that hisses, and with one as loud as it was heard."""
    at = next(k for k, t in enumerate(takes) if t.point == CONTROL)
    level, cells = takes[at].level_db, means.shape[2]
    heard_at = level if level is not None else -math.inf
    hose_mean = np.full((1, len(takes), cells), heard_at - HOSE_LOSS_DB[0])
    hose_mean[0, at] = heard_at
    hose_spread = np.full((1, len(takes), 1), HOSE_LOSS_DB[1])
    hose_spread[0, at] = 1.0
    more = np.concatenate([means, hose_mean])
    wider = np.concatenate([deviations, hose_spread])
    with_it = _log_likelihood(takes, more, wider)
    with_it[at] = math.log(_density(heard_at, HOSE_LEVEL_DB, takes[at].spread_db))
    silent = np.concatenate([means, np.full_like(hose_mean, -200.0)])
    return Joint(
        np.concatenate([log_weight + math.log(1.0 - HOSE_HISS), log_weight + math.log(HOSE_HISS)]),
        np.concatenate([silent, more], axis=2),
        wider,
        np.concatenate([_log_likelihood(takes, means, deviations), with_it], axis=1),
    )


def _log_sum(log: Floats) -> float:
    top = float(log.max())
    return top + math.log(float(np.exp(log - top).sum()))
