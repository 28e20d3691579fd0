"""Score one take: say whether a hiss comes with the air, how loud it is, and how surely.

`score_cycled` proves, `score_pair` screens. Both return a `Finding` for any sound whatever; sound
that cannot be trusted gives a finding that is not usable and says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bands import bands_for
from earwitness.acoustics.bubbles.events import BUBBLES, BubbleStream
from earwitness.acoustics.bubbles.rate import rate_of
from earwitness.acoustics.finding import Finding, Floors, Grade
from earwitness.acoustics.proof.cycles import Periods, Proof, periods_from, prove
from earwitness.acoustics.proof.pair import grade_of_rise, screen, screening_grade
from earwitness.acoustics.proof.rhythms import least_p
from earwitness.acoustics.proof.rise import (
    Rise,
    hiss_level_db,
    rise_by_shape,
    rise_db,
    rise_of_one,
    rise_over_cycles,
)
from earwitness.acoustics.proof.templates import expected_spectrum
from earwitness.acoustics.quality.flags import ordered, refuses
from earwitness.acoustics.settings import DEFAULTS, HissSettings
from earwitness.acoustics.stream import TakeStream
from earwitness.engine.listening_points import RADIATOR
from earwitness.errors import SheetError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from earwitness.acoustics.bands import Bands
    from earwitness.acoustics.finding import Basis
    from earwitness.acoustics.floor import Floor
    from earwitness.acoustics.stream import Heard, Stretch
    from earwitness.units import Floats

    Sound = NDArray[Any]

__all__ = ["DEFAULTS", "HissSettings", "score_blocks", "score_cycled", "score_pair"]


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
    ambient = None if reference is None else [reference]
    return score_blocks([samples], fs, air_on_s, point=point, reference=ambient, settings=settings)


def score_blocks(
    blocks: Iterable[Sound],
    fs: int,
    air_on_s: Sequence[tuple[float, float]],
    *,
    point: str | None = None,
    reference: Iterable[Sound] | None = None,
    settings: HissSettings = DEFAULTS,
) -> Finding:
    """Return what an air-cycled take shows that comes in blocks, in memory that does not grow.

    Parameters
    ----------
    blocks, reference : iterable of ndarray
        The take and an ambient microphone, each block as `score_cycled` takes the whole; the size
        of the blocks changes no bit.
    fs, air_on_s, point, settings
        As for `score_cycled`.

    Raises
    ------
    SheetError, ValueError
        As `score_cycled`.
    """
    _check_order(air_on_s)
    blank = _Blank("cycles", point, fs)
    wet = point == RADIATOR and fs >= BUBBLES.rate_hz
    bubbles = BubbleStream(fs) if wet else None
    heard = _heard(blocks, fs, air_on_s, settings, bubbles)
    flags = heard.flags
    if refuses(flags):
        return blank.refused(flags)
    _check_inside(air_on_s, heard.seconds)
    if not heard.stretches:
        return blank.refused({"too-short"})
    ambient = None
    if reference is not None:
        ambient = _ambient(reference, heard, fs, air_on_s, settings)
        flags |= {"reference-ignored"} if ambient is None else set()
    found = _score_stretches(blank, heard, ambient, settings)
    if bubbles is None:
        return found
    guard_s = settings.guard_after_s
    count = rate_of(bubbles.finish(), heard.seconds, air_on_s, guard_s=guard_s)
    return replace(found, bubbles=count)


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
    blank = _Blank("pair", point, pressurised_fs)
    flags = {"screening-only"} | _mismatch(baseline, baseline_fs, pressurised, pressurised_fs)
    whole = replace(settings, guard_after_s=0.0, guard_before_s=0.0)
    takes = ((baseline, baseline_fs), (pressurised, pressurised_fs))
    heard = [_heard([x], fs, (), whole) for x, fs in takes]
    flags = flags.union(*(h.flags for h in heard))
    if refuses(flags):
        return blank.refused(flags)
    floors = [h.floors[0] for h in heard]
    bands = bands_for(baseline_fs)
    rise, periods, grade = screen(floors[0], floors[1], bands, settings)
    flags |= _quietness(floors, settings)
    seconds = (heard[0].seconds, heard[1].seconds)
    scored = _Scored(seconds, rise, _floors(periods, bands), flags)
    return blank.finding(scored, grade)


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
    blank: _Blank, heard: Heard, ambient: list[Floor] | None, settings: HissSettings
) -> Finding:
    """Score a take that can be trusted."""
    bands, stretches = bands_for(blank.sample_rate_hz), heard.stretches
    on = [s.on for s in stretches]
    middle = [(s.start_s + s.end_s) / 2 for s in stretches]
    periods = periods_from(heard.floors, on, middle, bands, settings, ambient)
    single = sum(on) == 1
    rise = (rise_of_one if single else rise_over_cycles)(periods, bands, settings)
    seconds = (_total(stretches, on=False), _total(stretches, on=True))
    flags = heard.flags | _quietness(heard.floors, settings)
    scored = _Scored(seconds, rise, _floors(periods, bands), flags)
    if least_p(periods.on, settings) > settings.found_p:
        scored.flags.update({"too-few-cycles", "screening-only"})
        return blank.finding(scored, screening_grade(rise, settings))
    return _proven(blank, scored, periods, bands, settings)


def _proven(
    blank: _Blank, scored: _Scored, periods: Periods, bands: Bands, settings: HissSettings
) -> Finding:
    expected = expected_spectrum(blank.point, bands)
    proof = prove(periods, expected, bands, settings)
    if proof.p_value <= settings.found_p:
        scored = replace(scored, rise=rise_by_shape(scored.rise, proof))
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


def _probe(samples: Sound, fs: int) -> Sound:
    """First channel in single precision, shape (frames,)."""
    if fs <= 0:
        raise ValueError(f"fs={fs} must be positive")
    if samples.ndim not in (1, 2):
        raise ValueError(f"samples must have one or two dimensions, not {samples.ndim}")
    x = samples if samples.ndim == 1 else samples[:, :1].reshape(-1)
    with np.errstate(over="ignore"):  # what is beyond any sound is found as not finite
        return np.ascontiguousarray(x, dtype=np.float32)


def _mismatch(a: Sound, a_fs: int, b: Sound, b_fs: int) -> set[str]:
    channels = [x.shape[1] if x.ndim == 2 else 1 for x in (a, b)]
    flags = {"rates-differ"} if a_fs != b_fs else set()
    return flags | ({"channels-differ"} if channels[0] != channels[1] else set())


def _heard(
    blocks: Iterable[Sound],
    fs: int,
    air_on_s: Sequence[tuple[float, float]],
    settings: HissSettings,
    bubbles: BubbleStream | None = None,
) -> Heard:
    stream = TakeStream(fs, settings, [turn for period in air_on_s for turn in period])
    for block in blocks:
        probe = _probe(block, fs)
        stream.feed(probe)
        if bubbles is not None:
            bubbles.feed(probe)
    return stream.finish()


def _ambient(
    reference: Iterable[Sound],
    heard: Heard,
    fs: int,
    air_on_s: Sequence[tuple[float, float]],
    settings: HissSettings,
) -> list[Floor] | None:
    """Return the floors of the ambient microphone's sound if it can serve."""
    other = _heard(reference, fs, air_on_s, settings)
    if other.seconds != heard.seconds or other.flags & {"not-finite", "silent"}:
        return None
    return other.floors


def _quietness(floors: list[Floor], settings: HissSettings) -> set[str]:
    """Say whether shop noise covered most of the take; one loud period counts as one."""
    kept = sum(f.kept for f in floors) / len(floors)
    return {"few-quiet-frames"} if kept < settings.quiet_share else set()


def _total(stretches: list[Stretch], *, on: bool) -> float:
    return sum(s.end_s - s.start_s for s in stretches if s.on is on)


def _floors(periods: Periods, bands: Bands) -> Floors:
    """Median floors over periods, for the picture."""
    power = np.exp(periods.log_power - bands.log_bias)
    on = np.array(periods.on)
    off_db, on_db = (10 * np.log10(np.median(power[k], axis=0)) for k in (~on, on))
    return Floors(_numbers(bands.centre_hz), _numbers(off_db), _numbers(on_db))


def _numbers(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
