"""The whole way from the probe to the headphones, block by block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from earwitness.acoustics.assist.filters import Shift, band_pass, low_pass
from earwitness.acoustics.assist.hearing import Dose, Limiter, Ramp
from earwitness.acoustics.assist.subtract import Subtraction
from earwitness.acoustics.assist.ticks import Evidence, Ticks

if TYPE_CHECKING:
    from earwitness.units import Floats

Mode = Literal["band", "shift"]
BAND_HZ: dict[Mode, tuple[float, float]] = {"band": (1000.0, 8000.0), "shift": (8000.0, 19_000.0)}
"""What is listened to [Hz]. Band: hiss that a hose or a pipe lets out. Shift: a throttle body and
a plug hole hiss above what worn ears hear. Chosen: decision 0121."""
DOWN_HZ = 7000
"""How far the upper band is moved down [Hz]. Chosen: 8-19 kHz come out at 1-12 kHz."""
SHIFTED_TOP_HZ = 6000.0
"""What comes out of the shift ends here [Hz]. Chosen: above it worn ears hear little."""
MOST_GAIN_DB = 20.0
"""Largest gain that may be asked for [dB]. Chosen: the limiter holds the peaks, the dose counts."""
CEILING_DB = -12.0
"""Largest magnitude that goes to the headphones unless chosen otherwise [dB re full scale]."""
SHIFTED_POINTS = ("throttle-body", "plug-hole-")
"""Listening points whose hiss is moved down."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What to make audible, and how."""

    mode: Mode = "band"
    subtract: bool = False
    ticks: bool = False
    gain_db: float = 0.0
    ceiling_db: float = CEILING_DB
    """Largest magnitude that goes to the headphones [dB re full scale]."""
    full_scale_db: float | None = None
    """Sound pressure level at the ear of a full-scale sine, if it was measured [dB]."""

    def __post_init__(self) -> None:
        if not -60.0 <= self.gain_db <= MOST_GAIN_DB:
            raise ValueError(f"gain_db={self.gain_db:g} must be from -60 to {MOST_GAIN_DB:g}")
        if not -60.0 <= self.ceiling_db <= 0.0:
            raise ValueError(f"ceiling_db={self.ceiling_db:g} must be from -60 to 0")


@dataclass(frozen=True, slots=True)
class Meter:
    """What the monitor shows."""

    level_db: float | None
    """Level of the listened band in the last quarter second [dB re full scale]."""
    baseline_db: float | None
    """Its mean with the air off [dB re full scale]."""
    scatters: float | None
    """Rise of the last second over the baseline [scatters of the baseline]."""
    ticking: bool
    share_of_week: float
    """Part of a week's sound allowance used so far, at most [1]."""


def mode_for(point: str) -> Mode:
    """Return how a listening point is best heard.

    >>> mode_for("plug-hole-2"), mode_for("tailpipe")
    ('shift', 'band')
    """
    return "shift" if point.startswith(SHIFTED_POINTS) else "band"


class Chain:
    """Assisted listening; starts muted.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate [Hz].
    choice : Choice
        What to make audible, and how.

    Raises
    ------
    ValueError
        If the sample rate cannot carry the band.
    """

    def __init__(self, sample_rate_hz: int, choice: Choice) -> None:
        low, high = BAND_HZ[choice.mode]
        self._choice = choice
        self._pass = band_pass(sample_rate_hz, low, high)
        self._bank = Subtraction(sample_rate_hz, low, high) if choice.subtract else None
        shifted = choice.mode == "shift"
        self._shift = Shift(sample_rate_hz, DOWN_HZ) if shifted else None
        self._top = low_pass(sample_rate_hz, SHIFTED_TOP_HZ) if shifted else None
        self._evidence, self._ticks = Evidence(sample_rate_hz), Ticks(sample_rate_hz)
        self._gain = 10 ** (choice.gain_db / 20)
        self._ramp = Ramp(sample_rate_hz)
        self._limiter = Limiter(sample_rate_hz, 10 ** (choice.ceiling_db / 20))
        self._dose = Dose(sample_rate_hz, choice.full_scale_db)
        self.learning = False
        """Set while the air is off and the baseline may grow."""

    @property
    def meter(self) -> Meter:
        """What to show now."""
        e = self._evidence
        used = self._dose.share_of_week
        return Meter(e.level_db, e.baseline_db, e.scatters, self._ticks.ticking, used)

    @property
    def muted(self) -> bool:
        """Whether nothing is to be heard; changes take `RAMP_S`."""
        return self._ramp.muted

    @muted.setter
    def muted(self, value: bool) -> None:
        self._ramp.muted = value

    def forget(self) -> None:
        """Drop the baseline: the probe has moved."""
        self._evidence.forget()
        if self._bank is not None:
            self._bank.forget()

    def feed(self, samples: Floats) -> Floats:
        """Return what goes to the headphones for a block of the probe, shape (frames,).

        What is not finite comes out as silence.
        """
        sound = np.nan_to_num(np.asarray(samples, dtype=np.float64), posinf=0.0, neginf=0.0)
        sound = self._pass.feed(np.clip(sound, -1.0, 1.0))
        self._evidence.feed(sound, learning=self.learning)
        if self._bank is not None:
            sound = self._bank.feed(sound, learning=self.learning)
        if self._shift is not None and self._top is not None:
            sound = self._top.feed(self._shift.feed(sound))
        out = sound * self._gain
        if self._choice.ticks:
            out = out + self._ticks.feed(len(out), self._evidence.scatters)
        out = self._limiter.feed(self._ramp.feed(out))
        self._dose.feed(out)
        return out
