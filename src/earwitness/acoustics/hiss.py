"""Score one take: say whether a hiss comes with the air, how loud it is, and how surely.

`score_cycled` proves, `score_pair` screens. Both return a `Finding` for any sound whatever; sound
that cannot be trusted gives a finding that is not usable and says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import BandPowers, band_powers
from earwitness.acoustics.bubble_rate import count_bubbles
from earwitness.acoustics.bubbles import BUBBLES
from earwitness.acoustics.cycles import Periods, Proof, least_p, periods_from, prove
from earwitness.acoustics.finding import Finding, Floors, Grade
from earwitness.acoustics.floor import Floor, band_floor
from earwitness.acoustics.pair import grade_of_rise, screen, screening_grade
from earwitness.acoustics.quality import is_finite, is_silent, ordered, recording_flags, refuses
from earwitness.acoustics.rise import Rise, hiss_level_db, rise_db, rise_of_one, rise_over_cycles
from earwitness.acoustics.settings import DEFAULTS, HissSettings
from earwitness.acoustics.templates import expected_spectrum
from earwitness.engine.listening_points import RADIATOR
from earwitness.errors import SheetError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from earwitness.acoustics.finding import Basis
    from earwitness.units import Floats

    Sound = NDArray[Any]

__all__ = ["DEFAULTS", "HissSettings", "score_cycled", "score_pair"]


def score_cycled(
    samples: Sound,
    fs: int,
    air_on_s: Sequence[tuple[float, float]],
    *,
    point: str | None = None,
    reference: Sound | None = None,
    settings: HissSettings = DEFAULTS,
) -> Finding:
    """Return what an air-cycled take shows.

    Parameters
    ----------
    samples : ndarray, shape (frames,) or (frames, channels)
        The take, probe in the first channel, relative to full scale [1].
    fs : int
        Sample rate [Hz].
    air_on_s : sequence of (float, float)
        Start and end of each period with the air on, in order [s].
    point : str, optional
        Listening point by its trade name.
    reference : ndarray, optional
        An ambient microphone recorded together with the take, same form and sample rate.
    settings : HissSettings
        How to look for hiss.

    Returns
    -------
    Finding
        With basis `cycles`. At most 1.5 % of takes without a leak have `p_value` <= 0.01; it is
        None, and flags say why, where too few cycles make that impossible to promise.

    Raises
    ------
    SheetError
        If `air_on_s` is empty, out of order, overlapping, or outside the take.
    ValueError
        If `samples` has more than two dimensions or `fs` is not positive.
    """
    _check_order(air_on_s)
    probe = _probe(samples, fs)
    blank = _Blank("cycles", point, fs)
    flags = recording_flags(probe, fs, settings)
    if refuses(flags):
        return blank.refused(flags)
    _check_inside(air_on_s, len(probe) / fs)
    stretches = _stretches(air_on_s, len(probe) / fs, settings)
    if not stretches:
        return blank.refused({"too-short"})
    ambient = _ambient(reference, probe, fs)
    if reference is not None and ambient is None:
        flags.add("reference-ignored")
    found = _score_stretches(blank, probe, ambient, stretches, flags, settings)
    if point != RADIATOR or fs < BUBBLES.rate_hz:
        return found
    guard_s = settings.guard_after_s
    return replace(found, bubbles=count_bubbles(probe, fs, air_on_s, guard_s=guard_s))


def score_pair(
    baseline: Sound,
    baseline_fs: int,
    pressurised: Sound,
    pressurised_fs: int,
    *,
    point: str | None = None,
    settings: HissSettings = DEFAULTS,
) -> Finding:
    """Return what two recordings show, one with the air off and one with it on: a screening.

    Parameters
    ----------
    baseline, pressurised : ndarray, shape (frames,) or (frames, channels)
        The recordings, probe in the first channel, relative to full scale [1].
    baseline_fs, pressurised_fs : int
        Their sample rates [Hz].
    point : str, optional
        Listening point by its trade name.
    settings : HissSettings
        How to look for hiss.

    Returns
    -------
    Finding
        With basis `pair`, flag `screening-only`, and no p-value.

    Raises
    ------
    ValueError
        If an array has more than two dimensions or a sample rate is not positive.
    """
    off, on = _probe(baseline, baseline_fs), _probe(pressurised, pressurised_fs)
    blank = _Blank("pair", point, pressurised_fs)
    flags = {"screening-only"} | _mismatch(baseline, baseline_fs, pressurised, pressurised_fs)
    flags |= recording_flags(off, baseline_fs, settings)
    flags |= recording_flags(on, pressurised_fs, settings)
    if refuses(flags):
        return blank.refused(flags)
    shift = _binary_exponent(off, on)
    powers = [band_powers(np.ldexp(x, -shift), baseline_fs) for x in (off, on)]
    floors = [band_floor(p.power, p.bands, settings) for p in powers]
    rise, periods, grade = screen(floors[0], floors[1], powers[0].bands, settings)
    flags |= _quietness(floors, settings)
    seconds = (len(off) / baseline_fs, len(on) / pressurised_fs)
    scored = _Scored(seconds, rise, _floors(periods, powers[0], shift), flags)
    return blank.finding(scored, grade)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A period of one air state, guards taken off."""

    start_s: float
    end_s: float
    on: bool


@dataclass(frozen=True, slots=True)
class _Scored:
    """What every usable take has."""

    seconds: tuple[float, float]
    rise: Rise
    floors: Floors
    flags: set[str]


@dataclass(frozen=True, slots=True)
class _Blank:
    """A finding whose take has not been looked at."""

    basis: Basis
    point: str | None
    sample_rate_hz: int

    def refused(self, flags: set[str]) -> Finding:
        """Return a finding that concludes nothing; levels are zero because none was measured."""
        return Finding(
            basis=self.basis,
            point=self.point,
            sample_rate_hz=self.sample_rate_hz,
            baseline_s=0.0,
            take_s=0.0,
            excess_db=0.0,
            interval_db=(0.0, 0.0),
            p_value=None,
            detectable_db=None,
            grade="undetermined",
            usable=False,
            flags=ordered(flags),
        )

    def finding(
        self,
        scored: _Scored,
        grade: Grade,
        *,
        p_value: float | None = None,
        detectable_db: float | None = None,
    ) -> Finding:
        """Return the finding of a usable take; the leak's own level only if there is a leak."""
        hiss_db, bound = hiss_level_db(scored.rise.excess_db)
        found = grade in ("faint", "clear", "strong")
        flags = scored.flags | ({"upper-bound"} if found and bound else set())
        return Finding(
            basis=self.basis,
            point=self.point,
            sample_rate_hz=self.sample_rate_hz,
            baseline_s=scored.seconds[0],
            take_s=scored.seconds[1],
            excess_db=scored.rise.excess_db,
            interval_db=scored.rise.interval_db,
            p_value=p_value,
            detectable_db=detectable_db,
            grade=grade,
            usable=True,
            flags=ordered(flags),
            floors=scored.floors,
            cycles_db=scored.rise.cycles_db,
            hiss_db=hiss_db if found else None,
        )


def _score_stretches(
    blank: _Blank,
    probe: Floats,
    ambient: Floats | None,
    stretches: list[_Stretch],
    flags: set[str],
    settings: HissSettings,
) -> Finding:
    """Score a take that can be trusted."""
    shift = _binary_exponent(probe)
    powers = band_powers(np.ldexp(probe, -shift), blank.sample_rate_hz)
    floors = _stretch_floors(powers, stretches, settings)
    others = None
    if ambient is not None:
        ambient_powers = band_powers(np.ldexp(ambient, -shift), blank.sample_rate_hz)
        others = _stretch_floors(ambient_powers, stretches, settings)
    on = [s.on for s in stretches]
    middle = [(s.start_s + s.end_s) / 2 for s in stretches]
    periods = periods_from(floors, on, middle, powers.bands, settings, others)
    single = sum(on) == 1
    rise = (rise_of_one if single else rise_over_cycles)(periods, powers.bands, settings)
    seconds = (_total(stretches, on=False), _total(stretches, on=True))
    flags = flags | _quietness(floors, settings)
    scored = _Scored(seconds, rise, _floors(periods, powers, shift), flags)
    if least_p(periods.on, settings) > settings.found_p:
        scored.flags.update({"too-few-cycles", "screening-only"})
        return blank.finding(scored, screening_grade(rise, settings))
    return _proven(blank, scored, periods, powers, settings)


def _proven(
    blank: _Blank, scored: _Scored, periods: Periods, powers: BandPowers, settings: HissSettings
) -> Finding:
    expected = expected_spectrum(blank.point, powers.bands)
    proof = prove(periods, expected, powers.bands, settings)
    steady = is_steady(proof, scored.rise)
    if proof.p_value <= settings.found_p and not steady:
        scored.flags.add("unsteady")
    leak = proof.leak_power
    return blank.finding(
        scored,
        _proven_grade(proof.p_value, scored.rise.excess_db, steady=steady, settings=settings),
        p_value=proof.p_value,
        detectable_db=None if leak is None else rise_db(leak, scored.rise.off_power),
    )


def is_steady(proof: Proof, rise: Rise) -> bool:
    """Return whether the sound rose with the air in all on-periods but one, and on the whole."""
    return bool((proof.cycles > 0).sum() >= len(proof.cycles) - 1 and rise.excess_db > 0)


def _proven_grade(
    p_value: float, excess_db: float, *, steady: bool, settings: HissSettings
) -> Grade:
    if p_value > settings.none_p:
        return "none"
    if p_value <= settings.found_p and steady:
        return grade_of_rise(excess_db, settings)
    return "undetermined"


def _check_order(air_on_s: Sequence[tuple[float, float]]) -> None:
    if not air_on_s:
        raise SheetError("air_on_s is empty: nothing says when the air was on")
    last = 0.0
    for i, (start, end) in enumerate(air_on_s, start=1):
        if not (np.isfinite(start) and np.isfinite(end)) or start < 0 or end <= start:
            raise SheetError(f"air_on_s period {i} runs from {start} s to {end} s")
        if start < last:
            raise SheetError(f"air_on_s period {i} starts at {start} s, before {last} s")
        last = end


def _check_inside(air_on_s: Sequence[tuple[float, float]], seconds: float) -> None:
    start, end = air_on_s[-1]
    if end > seconds:
        raise SheetError(
            f"air_on_s period {len(air_on_s)} ({start} s to {end} s) ends after the take, "
            f"which is {seconds:.2f} s long"
        )


def _probe(samples: Sound, fs: int) -> Floats:
    """First channel in double precision, shape (frames,)."""
    if fs <= 0:
        raise ValueError(f"fs={fs} must be positive")
    if samples.ndim not in (1, 2):
        raise ValueError(f"samples must have one or two dimensions, not {samples.ndim}")
    x = samples if samples.ndim == 1 else samples[:, :1].reshape(-1)
    return np.ascontiguousarray(x, dtype=np.float64)


def _mismatch(a: Sound, a_fs: int, b: Sound, b_fs: int) -> set[str]:
    channels = [x.shape[1] if x.ndim == 2 else 1 for x in (a, b)]
    flags = {"rates-differ"} if a_fs != b_fs else set()
    return flags | ({"channels-differ"} if channels[0] != channels[1] else set())


def _ambient(reference: Sound | None, probe: Floats, fs: int) -> Floats | None:
    """Return the ambient microphone's sound if it can serve."""
    if reference is None:
        return None
    x = _probe(reference, fs)
    fits = len(x) == len(probe) and is_finite(x) and not is_silent(x)
    return x if fits else None


def _stretches(
    air_on_s: Sequence[tuple[float, float]], seconds: float, settings: HissSettings
) -> list[_Stretch]:
    """Alternating periods of the take; empty if one is too short or there is no air-off."""
    edges = [0.0, *(t for period in air_on_s for t in period), seconds]
    found = [
        _Stretch(a + settings.guard_after_s, b - settings.guard_before_s, bool(i % 2))
        for i, (a, b) in enumerate(pairwise(edges))
    ]
    long = [s.end_s - s.start_s >= settings.shortest_period_s for s in found]
    first, last = (0 if long[0] else 1), (len(found) if long[-1] else len(found) - 1)
    used = found[first:last]
    enough = all(long[first:last]) and not all(s.on for s in used)
    return used if enough else []


def _stretch_floors(
    powers: BandPowers, stretches: list[_Stretch], settings: HissSettings
) -> list[Floor]:
    cuts = [powers.frames_between(s.start_s, s.end_s) for s in stretches]
    return [band_floor(powers.power[cut], powers.bands, settings) for cut in cuts]


def _quietness(floors: list[Floor], settings: HissSettings) -> set[str]:
    few = min(f.kept for f in floors) < settings.quiet_share
    return {"few-quiet-frames"} if few else set()


def _total(stretches: list[_Stretch], *, on: bool) -> float:
    return sum(s.end_s - s.start_s for s in stretches if s.on is on)


def _floors(periods: Periods, powers: BandPowers, shift: int) -> Floors:
    """Median floors over periods in decibels of the original scale, for the picture."""
    power = np.exp(periods.log_power - powers.bands.log_bias)
    on = np.array(periods.on)
    gain_db = 20 * np.log10(2.0) * shift
    off_db, on_db = (10 * np.log10(np.median(power[k], axis=0)) + gain_db for k in (~on, on))
    return Floors(_numbers(powers.bands.centre_hz), _numbers(off_db), _numbers(on_db))


def _numbers(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def _binary_exponent(*sounds: Floats) -> int:
    """Power of two that brings the peak to between a half and one, so gain changes no bit."""
    peak = max(float(np.abs(x).max()) for x in sounds)
    return int(np.frexp(peak)[1])
