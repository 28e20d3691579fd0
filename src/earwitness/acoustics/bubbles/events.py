"""Hear single bubbles that rise in the coolant, and count them with the air on and off.

A bubble that leaves the liquid rings once, as one damped tone: it starts within a fraction of a
millisecond, keeps to one frequency and dies away within a few dozen periods. So a bubble is
looked for by its own wave form, a bank of decaying tones, and everything that is louder in
several places of the spectrum at once, starts slowly, rings long or repeats like a voice is no
bubble. Water that drips makes real bubbles too: only their rate, air on against air off, tells a
leaking gasket from a drip.

References
----------
M. Minnaert, Phil. Mag. 16:235-248 (1933): frequency of a bubble by its radius.
K. van den Doel, ACM Trans. Appl. Percept. 2(4):534-546 (2005): damping and rising pitch of bubbles
near a surface; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bubbles.ringing import fit_ring, onsets, whitened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.acoustics.bubbles.ringing import Onset, Ring
    from earwitness.units import Floats

    Indices = NDArray[np.int_]

MINNAERT_M_HZ = 3.286
"""Radius times frequency of an air bubble [m Hz]. sqrt(3 gamma p / rho) / (2 pi) at one atmosphere
with gamma = 1.4 and water of 998.2 kg/m3; half glycol gives 3.18 to 3.25, an open neck needs no
correction for depth."""
SHORTEST_S = 0.2
"""Nothing is looked for in a shorter recording [s]: the noise could not be measured."""
MOMENT_S = 0.003
"""Onsets this near each other are one [s]: three steps of the filter bank."""


@dataclass(frozen=True, slots=True)
class BubbleSettings:
    """What passes for a bubble; every threshold was chosen in decision 0015."""

    lowest_hz: float = 500.0
    """Lowest frequency looked for [Hz]: a radius of 6.6 mm."""
    highest_hz: float = 5000.0
    """Highest frequency looked for [Hz]: a radius of 0.66 mm."""
    per_octave: int = 16
    """Filters of the bank in an octave [1]. Chosen: two filters within the width of a bubble."""
    rate_hz: float = 11_000.0
    """Recordings are brought down to this sample rate or somewhat more [Hz]: twice the band."""
    found_db: float = 14.0
    """Energy of a ring over that of the noise in its filter from which it is looked at [dB]. Noise
    alone reaches it once in e^25 independent looks."""
    least_rise_db: float = 10.0
    """How far the sound about the frequency rises at the onset [dB]."""
    least_share: float = 0.55
    """Share of the energy of the onset within a third of an octave of the frequency [1]."""
    least_fit: float = 0.8
    """Share of the energy that one damped tone explains [1]."""
    damping: tuple[float, float] = (0.5, 3.5)
    """Time constant over that of a free bubble of this frequency, least and largest [1]."""
    most_click_db: float = 6.0
    """Largest rise above the band at the onset [dB]: metal clicks there, bubbles do not."""
    click_below_db: float = 22.0
    """A loud bubble's own onset reaches above the band this far below its level [dB]."""
    apart_s: float = 0.01
    """The strongest of several onsets within this time stands for all [s]."""
    near_octaves: float = 0.5
    """Two bubbles at one moment are two if they differ by more than this [octaves]."""
    guard_s: float = 0.1
    """Nothing is counted this near a sound that is no bubble and as strong [s]."""
    guard_db: float = 6.0
    """How much weaker such a sound may be [dB]."""
    tail_db: float = 1.0
    """What follows near the same frequency and is weaker by this is the bubble's own tail [dB]."""
    voice_db: float = 3.0
    """How much weaker the repetition of a voice may be [dB]: pitch periods differ little."""
    voice_s: float = 0.02
    """A ring of the same frequency that repeats within this time is a voice [s]: the longest
    period of speech, 50 Hz."""
    voice_share: float = 0.1
    """Frequencies that differ by less than this share are the same [1]."""


BUBBLES = BubbleSettings()
"""The settings in force unless others are named."""


@dataclass(frozen=True, slots=True)
class Bubble:
    """One bubble that was heard."""

    at_s: float
    """When it began to ring [s]."""
    frequency_hz: float
    radius_mm: float
    """By Minnaert's formula, from `frequency_hz` [mm]."""
    ring_db: float
    """Energy of the ring over that of the noise in its filter [dB]."""


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """Bubbles of a recording, and when a bubble could not have been heard."""

    bubbles: tuple[Bubble, ...]
    deaf_s: tuple[tuple[float, float], ...]
    """Stretches around other sounds in which nothing is counted, in order, apart [s]."""


def radius_mm(frequency_hz: float) -> float:
    """Return the radius of the bubble that rings at a frequency [mm].

    References
    ----------
    Minnaert, Phil. Mag. 16:235-248 (1933).

    Examples
    --------
    >>> radius_mm(3286.0)
    1.0
    """
    return MINNAERT_M_HZ / frequency_hz * 1e3


def find_bubbles(samples: Floats, fs: float, settings: BubbleSettings = BUBBLES) -> Listened:
    """Return the bubbles in a recording.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        Sound of one channel [1].
    fs : float
        Sample rate, at least `settings.rate_hz` [Hz].
    settings : BubbleSettings
        What passes for a bubble.

    Raises
    ------
    ValueError
        If the sample rate is too low for the band.
    """
    if fs < settings.rate_hz:
        raise ValueError(f"fs={fs} is below {settings.rate_hz} Hz")
    if len(samples) < SHORTEST_S * fs:
        return Listened((), ())
    band = (settings.lowest_hz, settings.highest_hz)
    sound = whitened(samples, fs, band, settings.rate_hz)
    heard = onsets(sound, _bank(settings), settings.found_db)
    rings = [fit_ring(sound, o) if o.share >= settings.least_share else None for o in heard]
    return _sorted_out(heard, rings, settings)


def _bank(settings: BubbleSettings) -> Floats:
    """Frequencies of the filter bank, shape (filters,) [Hz]."""
    octaves = np.log2(settings.highest_hz / settings.lowest_hz)
    steps = np.arange(round(octaves * settings.per_octave) + 1)
    return np.asarray(settings.lowest_hz * 2 ** (steps / settings.per_octave))


def _sorted_out(heard: list[Onset], rings: list[Ring | None], settings: BubbleSettings) -> Listened:
    """Tell bubbles from other sounds by what each onset is and by what is around it."""
    sounds = _Sounds(heard, rings, settings)
    counted = [i for i in np.flatnonzero(sounds.single) if sounds.stands_alone(int(i))]
    bubbles = [_bubble(r) for i in counted if (r := rings[i]) is not None]
    return Listened(tuple(bubbles), sounds.deaf_s(np.array(counted, dtype=int)))


class _Sounds:
    """All onsets of a recording, as arrays of shape (onsets,)."""

    def __init__(
        self, heard: list[Onset], rings: list[Ring | None], settings: BubbleSettings
    ) -> None:
        self.settings = settings
        self.at_s = np.array([o.at_s for o in heard])
        self.level_db = np.array([o.level_db for o in heard])
        self.frequency_hz = np.array([o.frequency_hz for o in heard])
        pairs = zip(heard, rings, strict=True)
        self.single = np.array([_is_single(o, r, settings) for o, r in pairs], dtype=bool)

    def stands_alone(self, i: int) -> bool:
        """Tell whether an onset is the strongest of its moment, undisturbed and not repeated."""
        limits, apart = self.settings, np.abs(self.at_s - self.at_s[i])
        moment = apart < limits.apart_s
        near = np.abs(np.log2(self.frequency_hz / self.frequency_hz[i])) < limits.near_octaves
        if np.any(moment & (near | ~self.single) & (self.level_db > self.level_db[i])):
            return False
        below_db = self.level_db[i] - self.level_db
        tail = near & (self.at_s > self.at_s[i]) & (below_db > limits.tail_db)
        other = ~self.single & ~moment & ~tail & (apart < limits.guard_s)
        if np.any(other & (below_db < limits.guard_db)):
            return False
        same = np.abs(self.frequency_hz / self.frequency_hz[i] - 1) < limits.voice_share
        repeats = (apart > MOMENT_S) & (apart < limits.voice_s)
        return not np.any(same & repeats & (below_db < limits.voice_db))

    def deaf_s(self, counted: Indices) -> tuple[tuple[float, float], ...]:
        """Return the stretches about other sounds as strong as the bubbles that were counted."""
        if len(self.at_s) == 0:
            return ()
        limits = self.settings
        usual = float(np.median(self.level_db[counted])) if len(counted) else limits.found_db
        other = ~self.single & (self.level_db > usual - limits.guard_db)
        if len(counted):
            apart = np.abs(self.at_s[:, np.newaxis] - self.at_s[counted])
            other &= apart.min(axis=1) >= limits.apart_s
        stretches: list[tuple[float, float]] = []
        for at in self.at_s[other]:
            begin, end = max(float(at) - limits.guard_s, 0.0), float(at) + limits.guard_s
            if stretches and begin <= stretches[-1][1]:
                begin = stretches.pop()[0]
            stretches.append((begin, end))
        return tuple(stretches)


def _is_single(onset: Onset, ring: Ring | None, settings: BubbleSettings) -> bool:
    """Tell whether a sound is one damped tone that sets in at once, as a bubble's is."""
    most_click_db = max(settings.most_click_db, onset.level_db - settings.click_below_db)
    if ring is None or onset.click_db > most_click_db:
        return False
    shortest, longest = settings.damping
    return (
        ring.fit >= settings.least_fit
        and ring.rise_db >= settings.least_rise_db
        and shortest <= ring.damping <= longest
    )


def _bubble(ring: Ring) -> Bubble:
    return Bubble(ring.at_s, ring.frequency_hz, radius_mm(ring.frequency_hz), ring.level_db)
