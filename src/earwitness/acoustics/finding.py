"""What one take shows against its baseline: the result type of this room."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["pair", "cycles"]
"""A pair of recordings screens; an air-cycled take proves."""
Grade = Literal["none", "faint", "clear", "strong", "undetermined"]

FOUND_P = 0.01
"""Bubbles follow the air at or below this probability [1]. Chosen: as for hiss."""


@dataclass(frozen=True, slots=True)
class BubbleCount:
    """Bubbles with the air on against bubbles with the air off."""

    on: int
    off: int
    on_s: float
    """Time listened with the air on, without stretches deafened by other sounds [s]."""
    off_s: float
    ratio: float | None
    """Rate with the air on over that with it off [1]; None if none came with it off."""
    ratio_interval: tuple[float, float | None]
    """95 % interval of `ratio` [1]; None for no upper bound."""
    p_value: float
    """Probability of so many or more air-on bubbles if the air made no difference."""
    radius_mm: float | None
    """Median radius of the bubbles with the air on [mm]."""

    @property
    def in_words(self) -> str:
        """The count in one sentence without a full stop."""
        times = f"{self.on} in {self.on_s:.0f} s with the air on, {self.off} in {self.off_s:.0f} s"
        driven = "the air drives them" if self.follows_air else "they do not follow the air"
        chance = f"p = {self.p_value:.4f}" if self.p_value >= 1e-4 else "p below 0.0001"
        return f"{times} with it off; {driven} ({chance})" if self.on + self.off else "none heard"

    @property
    def follows_air(self) -> bool:
        """True if the air drives the bubbles, at a level of 1 %."""
        return self.p_value <= FOUND_P

    @property
    def per_minute(self) -> float:
        """Rate with the air on [1/min]; a lower bound, bubbles that overlap count once."""
        return self.on / self.on_s * 60 if self.on_s > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Floors:
    """Noise floor per band with the air off and on, for the picture and for comparison.

    All three have shape (bands,).
    """

    centre_hz: tuple[float, ...]
    """Geometric centre of each band [Hz]."""
    off_db: tuple[float, ...]
    """Floor with the air off [dB re full-scale power per FFT bin]."""
    on_db: tuple[float, ...]
    """Floor with the air on, same reference [dB]."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Excess level, significance, grade and quality of one take."""

    basis: Basis
    point: str | None
    """Listening point by its trade name, or None if it was not said."""
    sample_rate_hz: int
    baseline_s: float
    """Air-off sound that was used [s]."""
    take_s: float
    """Air-on sound that was used [s]."""
    excess_db: float
    """Rise of the floor with the air on, 10 lg(on/off) over 1-16 kHz [dB]."""
    interval_db: tuple[float, float]
    """95 % interval of `excess_db` [dB]."""
    p_value: float | None
    """Probability of a rise like this without a leak; None where it cannot be promised."""
    detectable_db: float | None
    """Rise that would have been found with probability 0.85 in this very take [dB]."""
    grade: Grade
    usable: bool
    """False if a quality flag forbids any conclusion."""
    flags: tuple[str, ...]
    """Quality flags, by name, in the order of the flag table."""
    floors: Floors | None = None
    cycles_db: tuple[float, ...] = ()
    """Rise of each air-on period over its two neighbours, shape (cycles,) [dB]."""
    hiss_db: float | None = None
    """Leak over floor, corrected for background noise (ISO 3744) [dB]; None if none was found."""
    bubbles: BubbleCount | None = None
    """Bubbles with the air on and off, where an air-cycled take was made at the radiator."""
