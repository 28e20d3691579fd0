"""What one take shows against its baseline: the result type of this room."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["pair", "cycles"]
"""A pair of recordings screens; an air-cycled take proves."""
Grade = Literal["none", "faint", "clear", "strong", "undetermined"]


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
