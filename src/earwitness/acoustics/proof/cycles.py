"""Prove from an air-cycled take that the floor follows the valve.

The valve's rhythm is compared with every other rhythm of as many on-periods. Shop noise knows
nothing of the valve, so without a leak the true rhythm is no better than the others, whatever the
noise is: the share of rhythms that fit at least as well is the probability of a false alarm.

References
----------
Phipson and Smyth, Stat. Appl. Genet. Mol. Biol. 9(1):39 (2010): a permutation p-value counts the
true labelling, so it is never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import REFERENCE_HZ, ULTRASOUND_HZ
from earwitness.acoustics.proof.rhythms import labelings
from earwitness.acoustics.proof.spoilt import levelled, step_of, unspoilt_weights
from earwitness.acoustics.proof.templates import tilted
from earwitness.acoustics.proof.wander import wander_covariance

if TYPE_CHECKING:
    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.floor import Floor
    from earwitness.acoustics.settings import HissSettings
    from earwitness.units import Floats

NEPERS_PER_DB = np.log(10) / 10
"""Log power of one decibel [Np of power]."""
SEARCH_DB = (-30.0, 40.0)
"""Detectable levels that are looked for, leak over floor [dB]."""
SEARCH_ROUNDS = 8
"""Halvings of that range [1]: 0.3 dB."""
LEAST_JUDGED = 3
"""Least unspoilt on-periods for the others to be left out [1]: fewer have no median."""
TIE = 1e-9
"""Statistics closer than this are equal [1]: rounding must not decide."""


@dataclass(frozen=True, slots=True, eq=False)
class Periods:
    """Floors of the air-off and air-on periods of a take, in order of time."""

    log_power: Floats
    """Shape (periods, bands) [Np of power]."""
    ambient: Floats
    """What the reference microphone explains of it; zero without one, same shape [Np]."""
    variance: Floats
    """Expected variance of a floor in stationary noise, shape (bands,) [Np squared]."""
    on: tuple[bool, ...]
    """Air state of each period, shape (periods,)."""
    middle_s: Floats
    """Middle of each period, shape (periods,) [s]."""
    weight: Floats
    """Share of quiet frames in each period, over their mean, shape (periods,) [1]."""
    unspoilt: Floats
    """Weight of each period by its distance from the others, shape (periods,) [1]."""
    step: int | None
    """Period from which on the floor is another, if it is."""
    wander: Floats
    """How the floor wanders within a period, shape (bands, bands) [Np squared]."""

    def judged(self, least: float) -> Floats:
        """Return which on-periods can be judged alone, shape (cycles,): the unspoilt ones, or all
        if they are fewer than three.
        """  # noqa: D205
        judged = self.unspoilt[np.array(self.on)] >= least
        return judged if judged.sum() >= LEAST_JUDGED else np.ones_like(judged)


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """Outcome of the label-permutation test."""

    p_value: float
    """Share of labelings that fit at least as well as the true one, itself included."""
    statistic: float
    """Contrast of the true labelling over its spread [1]."""
    cycles: Floats
    """Weighted contrast of each unspoilt on-period with its neighbours, shape (cycles,) [1]."""
    leak_power: float | None
    """Power per bin over 1-16 kHz of a leak that would be found; None beyond the search."""
    ratio: float = 0.0
    """Leak over floor, both 1-16 kHz, if the leak has the spectrum that fits best [1]."""


def periods_from(
    floors: list[Floor],
    on: list[bool],
    middle_s: list[float],
    bands: Bands,
    settings: HissSettings,
    ambient: list[Floor] | None = None,
) -> Periods:
    """Collect the floors of a take's periods, less what an ambient microphone explains."""
    log_power, frames = _stacked(floors)
    share, variance = np.zeros_like(log_power), bands.log_variance * (1 / frames).mean(axis=0)
    if ambient is not None:
        ambient_log, ambient_frames = _stacked(ambient)
        r = settings.reference_share
        share = r * ambient_log
        variance = variance + r**2 * bands.log_variance * (1 / ambient_frames).mean(axis=0)
    kept = np.array([f.kept for f in floors])
    weight = kept / kept.mean()
    step, unspoilt = _unspoilt(log_power - share, variance, bands, settings)
    return Periods(
        log_power,
        share,
        variance,
        tuple(on),
        np.array(middle_s),
        weight,
        unspoilt,
        step,
        wander_covariance(floors, ambient, bands, settings),
    )


def prove(
    periods: Periods,
    expected: Floats,
    bands: Bands,
    settings: HissSettings,
    *,
    deafness: bool = True,
) -> Proof:
    """Return the label-permutation test of a take.

    Parameters
    ----------
    periods : Periods
        Floors of at least four periods.
    expected : ndarray, shape (bands,)
        Spectrum of a leak at this point, mean one over 1-16 kHz.
    bands : Bands
        The bands.
    settings : HissSettings
        Weights and labelings.
    deafness : bool
        False leaves out the search for `leak_power`, the dearest part.
    """
    labels = labelings(periods.on, settings)
    test = _Test(periods, expected, bands, settings, labels)
    t, best = test.statistics(periods.log_power)
    p = float(np.mean(t >= t[0] - TIE * max(1.0, abs(t[0]))))
    level = levelled(periods.log_power - periods.ambient, periods.step)
    rises = neighbour_rises(level, periods.on, periods.unspoilt)
    cycles = best.weights @ rises[periods.judged(settings.spoilt_weight)].T
    ratio = float(np.median(cycles) / (best.weights @ best.shape))
    leak = test.detectable(labels[0]) if deafness else None
    return Proof(p, float(t[0]), cycles, leak, ratio)


def neighbour_rises(values: Floats, on: tuple[bool, ...], weight: Floats) -> Floats:
    """Return each on-period's values less the mean of its neighbours', shape (cycles, bands)."""
    rises = [values[i] - neighbour_mean(values, i, weight) for i, air in enumerate(on) if air]
    return np.array(rises)


def neighbour_mean(values: Floats, i: int, weight: Floats) -> Floats:
    """Return the weighted mean of the periods before and after the i-th, as far as there are."""
    near = [k for k in (i - 1, i + 1) if 0 <= k < len(values)]
    return np.asarray(np.average(values[near], axis=0, weights=weight[near]), dtype=np.float64)


def drift_covariance(bands: Bands, settings: HissSettings) -> Floats:
    """Return how shop noise is expected to drift, shape (bands, bands) [Np squared].

    Gain, tilt about 1 kHz, and a ripple whose correlation falls off over a part of an octave.
    """
    octave = np.log2(bands.centre_hz / REFERENCE_HZ)
    apart = np.abs(octave[:, np.newaxis] - octave)
    c = settings.drift_gain**2 + settings.drift_tilt**2 * np.outer(octave, octave)
    c = c + settings.drift_ripple**2 * np.exp(-apart / settings.drift_octaves)
    return np.asarray(c * NEPERS_PER_DB**2, dtype=np.float64)


def plain_weights(bands: Bands) -> Floats:
    """Return the weights of plain rises over 1-16 kHz, each of its octaves, and ultrasound.

    Returns
    -------
    ndarray, shape (rises, bands)
        Weights by precision in stationary noise, each row summing to one.
    """
    octave = np.floor(np.log2(bands.centre_hz / REFERENCE_HZ))
    inside = bands.hiss > 0
    rows = [inside, *(inside & (octave == k) for k in np.unique(octave[inside]))]
    if (beyond := bands.lower_hz > ULTRASOUND_HZ).any():
        rows.append(beyond)
    w = np.array(rows) / bands.log_variance
    return np.asarray(w / w.sum(axis=1, keepdims=True), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """What of the floors a labelling is held against: weights, and what is left of constants."""

    root: Floats
    """Square root of the weight of each period, shape (periods, 1) [1]."""
    trend: Floats
    """Constant, slope and step over time, orthonormal, shape (periods, 2 or 3)."""
    contrasts: Floats
    """Weighted labelings less the trend, unit length, shape (labelings, periods)."""

    @property
    def dof(self) -> int:
        """Degrees of freedom that a labelling leaves [1]."""
        return int(len(self.trend) - self.trend.shape[1] - 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Best:
    """What the true labelling's statistic rests on; arrays of shape (bands,)."""

    weights: Floats
    shape: Floats
    """Rise of the log floors from a leak as loud as the floor over 1-16 kHz [Np]."""


class _Test:
    """The test statistic of many labelings at once, for floors that may carry an added leak."""

    def __init__(
        self,
        periods: Periods,
        expected: Floats,
        bands: Bands,
        settings: HissSettings,
        labels: Floats,
    ) -> None:
        self.periods, self.expected, self.bands, self.settings = periods, expected, bands, settings
        self.labels = labels
        drift = settings.drift_share * drift_covariance(bands, settings)
        noise = np.diag(settings.estimator_excess * periods.variance)
        wander = settings.wander_share * periods.wander
        self.prior = (1 - settings.data_share) * (noise + drift + wander)
        self.plain = plain_weights(bands)
        self.tilted = tilted(expected, bands, settings.tilts_db)

    def statistics(self, log_power: Floats) -> tuple[Floats, _Best]:
        """Return the statistic of every labelling, and what the true one rests on.

        The statistic is the largest of matched contrasts, which know the expected spectrum, one for
        each tilt of it in noise that drifts and wanders as this take's does and one in noise that
        does not, and of the plain rises of the octaves, which know nothing and so cannot be misled
        by a spectrum that is not as expected.
        """
        log_power = log_power - self.periods.ambient
        design = self._design(log_power)
        E = design.root * log_power
        E = E - design.trend @ (design.trend.T @ E)
        D = design.contrasts @ E
        shapes = self.shapes(log_power, self.tilted)
        s = self.shapes(log_power, self.expected)
        fixed = np.vstack([s / self.periods.variance, self.plain])
        own, weights = self._matched(shapes, E, D, design.dof)
        spread = fixed**2 @ self.periods.variance
        plain = self._studentised(D @ fixed.T, ((E @ fixed.T) ** 2).sum(axis=0), spread, design.dof)
        t = np.column_stack([own, plain])
        best = int(np.argmax(t[0])) - len(shapes)
        found = _Best(fixed[best], s) if best >= 0 else _Best(weights[best], shapes[best])
        return t.max(axis=1), found

    def _design(self, log_power: Floats) -> _Design:
        step, unspoilt = _unspoilt(log_power, self.periods.variance, self.bands, self.settings)
        weight = self.periods.weight * unspoilt
        root = np.sqrt(weight / weight.mean())[:, np.newaxis]
        trend = _trend(root, self.periods.middle_s, step)
        return _Design(root, trend, _contrasts(self.labels, root, trend))

    def _matched(self, shapes: Floats, E: Floats, D: Floats, dof: int) -> tuple[Floats, Floats]:
        """Return the statistic of each labelling for each shape s, shape (labelings, shapes), and
        the weights of the true one, shape (shapes, bands).

        The weights are V^-1 s, V = data_share S + prior with S = (E'E - DD') / dof. S differs
        between labelings by a matrix of rank one, so one inverse serves all (Sherman-Morrison):
        the weights of a labelling are those without it, W, plus a gain times its own row of Z.
        """  # noqa: D205
        c, v = self.settings.data_share / dof, self.periods.variance
        inverse = np.linalg.inv(c * (E.T @ E) + self.prior)
        W, Z = shapes @ inverse, D @ inverse
        own = (D * Z).sum(axis=1, keepdims=True)
        gain = c * (D @ W.T) / (1 - c * own)
        common, each = W @ E.T, Z @ E.T
        total = (common**2).sum(axis=1) + 2 * gain * (each @ common.T)
        total = total + gain**2 * (each**2).sum(axis=1, keepdims=True)
        spread = W**2 @ v + 2 * gain * ((Z * v) @ W.T) + gain**2 * (Z**2 @ v)[:, np.newaxis]
        t = self._studentised(D @ W.T + gain * own, total, spread, dof)
        return t, W + gain[0][:, np.newaxis] * Z[0]

    def _studentised(self, contrast: Floats, total: Floats, spread: Floats, dof: int) -> Floats:
        """Contrast a'D over its standard deviation, measured and expected scatter pooled.

        The measured scatter is what the contrast leaves of the total, the sum of (Ea)^2; the
        expected one is that of stationary noise.
        """
        known = self.settings.theory_dof
        scatter = np.maximum(total - contrast**2, 0.0)
        return np.asarray(contrast / np.sqrt((scatter + known * spread) / (dof + known)))

    def detectable(self, label: Floats) -> float | None:
        """Return the power of a leak that this very take would show, or None.

        The part of the floors that follows the valve is taken out, a leak of the expected
        spectrum is put in, and its level is raised until the test finds it.
        """
        quiet = self._without_rise(label)
        floor = float(np.exp(quiet - self.bands.log_bias).mean(axis=0) @ self.bands.hiss)
        low, high = SEARCH_DB
        if not self._found(quiet, label, floor * 10 ** (high / 10)):
            return None
        for _ in range(SEARCH_ROUNDS):
            middle = (low + high) / 2
            found = self._found(quiet, label, floor * 10 ** (middle / 10))
            low, high = (low, middle) if found else (middle, high)
        return floor * float(10 ** (high / 10)) * self.settings.detection_allowance

    def _found(self, quiet: Floats, label: Floats, leak: float) -> bool:
        """Whether the statistic clears the labelings that decide at `found_p`, with a margin."""
        power = np.exp(quiet - self.bands.log_bias) + leak * np.outer(label, self.expected)
        t, _ = self.statistics(np.log(power) + self.bands.log_bias)
        rank = int(self.settings.found_p * len(t))
        threshold = float(np.sort(t[1:])[-rank])
        return bool(t[0] >= threshold + self.settings.detection_margin)

    def _without_rise(self, label: Floats) -> Floats:
        design = self._design(self.periods.log_power - self.periods.ambient)
        x = design.contrasts[0] * design.root[:, 0]
        rise = (x @ self.periods.log_power) / (x @ label)
        return np.asarray(self.periods.log_power - np.outer(label, rise), dtype=np.float64)

    def shapes(self, log_power: Floats, expected: Floats) -> Floats:
        """Rise of the log floors from faint leaks, expected over floor, same shape as `expected`.

        The floor is the mean over all periods, so that it is the same for every labelling.
        """
        log_power = log_power + self.periods.ambient
        floor = np.exp(log_power - self.bands.log_bias).mean(axis=0)
        floor = np.maximum(floor, np.finfo(np.float64).tiny)
        return np.asarray(expected * (floor @ self.bands.hiss) / floor, dtype=np.float64)


def _unspoilt(
    log_power: Floats, variance: Floats, bands: Bands, settings: HissSettings
) -> tuple[int | None, Floats]:
    step = step_of(log_power, variance, settings)
    return step, unspoilt_weights(log_power, variance, bands, settings, step=step)


def _stacked(floors: list[Floor]) -> tuple[Floats, Floats]:
    return np.array([f.log_power for f in floors]), np.array([f.frames for f in floors])


def _trend(root: Floats, middle_s: Floats, step: int | None) -> Floats:
    """Weighted constant, slope over time and step, orthonormal, shape (periods, 2 or 3)."""
    columns = [np.ones(len(root)), (middle_s - middle_s.mean()) / np.ptp(middle_s)]
    if step is not None:
        columns.append((np.arange(len(root)) >= step).astype(np.float64))
    return np.asarray(np.linalg.qr(root * np.column_stack(columns))[0], dtype=np.float64)


def _contrasts(labels: Floats, root: Floats, trend: Floats) -> Floats:
    """Weighted labelings less the trend, unit length, shape (labelings, periods)."""
    x = labels * root[:, 0]
    x = x - (x @ trend) @ trend.T
    return np.asarray(x / np.sqrt((x**2).sum(axis=1, keepdims=True)), dtype=np.float64)
