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

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from earwitness.acoustics.bubbles.ringing import fit_ring, onsets, whitened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from earwitness.acoustics.bubbles.ringing import Onset, Ring
    from earwitness.units import Floats

    Indices = NDArray[np.int_]
    Truths = NDArray[np.bool_]

MINNAERT_M_HZ = 3.286
"""Radius times frequency of an air bubble [m Hz]. sqrt(3 gamma p / rho) / (2 pi) at one atmosphere
with gamma = 1.4 and water of 998.2 kg/m3; half glycol gives 3.18 to 3.25, an open neck needs no
correction for depth."""
SHORTEST_S = 0.2
"""Nothing is looked for in a shorter recording [s]: the noise could not be measured."""
PIECE_S = 8.0
"""Length of the pieces in which a recording is listened to [s]. Chosen: long enough to tell noise
from bubbles at five of them a second, short enough for memory and for a shop that changes."""
MARGIN_S = 0.5
"""Sound on either side of a piece that is listened to with it [s]: ten of the longest ring."""
MOMENT_S = 0.003
"""Onsets this near each other are one [s]: three steps of the filter bank."""


@dataclass(frozen=True, slots=True)
class BubbleSettings:
    """What passes for a bubble; thresholds were chosen in decisions 0015 and 0146."""

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
    least_fit: float = 0.7
    """Share of the energy that one damped tone explains [1]."""
    damping: tuple[float, float] = (0.5, 5.5)
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
    tail_db: float = 1.0
    """What follows near the same frequency and is weaker by this is the bubble's own tail [dB]."""
    echo_s: float = 0.05
    """What follows a louder bubble of the same frequency this soon is its echo [s]."""
    voice: tuple[float, float, int] = (0.05, 6.0, 2)
    """Within this time [s], and by no more than this weaker [dB], a voice repeats its pitch at
    least so many times [1]: the longest period of speech is 20 ms."""
    train: tuple[float, float, int] = (0.3, 6.0, 3)
    """The same of a ratchet, which clicks ten times a second, each time as loud [s, dB either way,
    1]: equal bubbles that follow each other faster than that are not counted either."""
    crowd: tuple[float, float, int] = (0.5, 12.0, 6)
    """Most sounds that are no bubbles within this time [s], and by no more than this weaker [dB],
    among which a bubble is believed unless bubbles outnumber them [1]: five bubbles a second stay
    below in 99 of 100 cases."""
    voice_octaves: float = 0.14
    """Sounds of a voice, and a bubble and its echo, differ by less than this [octaves]."""
    train_octaves: float = 0.07
    """Clicks of a ratchet differ by less than this [octaves]."""


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
    stream = BubbleStream(fs, settings)
    stream.feed(samples)
    return stream.finish()


class BubbleStream:
    """Bubbles of a recording that comes in blocks; their size changes nothing.

    Pieces of `PIECE_S` are listened to as soon as one and a half more of them are there, so that
    the last piece is never a scrap; what is kept of them is a few numbers a sound.

    Parameters
    ----------
    fs : float
        Sample rate, at least `settings.rate_hz` [Hz].
    settings : BubbleSettings
        What passes for a bubble.

    Raises
    ------
    ValueError
        If the sample rate is too low for the band.
    """

    def __init__(self, fs: float, settings: BubbleSettings = BUBBLES) -> None:
        if fs < settings.rate_hz:
            raise ValueError(f"fs={fs} is below {settings.rate_hz} Hz")
        self.fs, self.settings = fs, settings
        self._held: list[Floats] = []
        self._first, self._count, self._next = 0, 0, 0
        self._heard: list[Onset] = []
        self._rings: list[Ring | None] = []

    def feed(self, samples: Floats) -> None:
        """Take the next block of the probe's channel, shape (frames,) [1]."""
        piece = round(PIECE_S * self.fs)
        for begin in range(0, len(samples), piece):
            block = samples[begin : begin + piece]
            self._held.append(np.array(block))
            self._count += len(block)
            while self._count - self._next >= 2.5 * piece:
                self._listen(self._next + piece)

    def finish(self) -> Listened:
        """Return what was heard; nothing may be fed afterwards."""
        piece = round(PIECE_S * self.fs)
        if self._count - self._next >= 1.5 * piece:
            self._listen(self._next + piece)
        self._listen(self._count)
        return sorted_out(self._heard, self._rings, self.settings)

    def _listen(self, end: int) -> None:
        """Hear the sounds that begin before a sample, with what is around them."""
        margin = round(MARGIN_S * self.fs)
        first = max(self._next - margin, 0)
        held = np.concatenate(self._held) if self._held else np.zeros(0)
        sound = held[first - self._first : end + margin - self._first].astype(np.float64)
        lasts_s, begin_s = (end - self._next) / self.fs, (self._next - first) / self.fs
        self._forget(end - margin)
        self._next = end
        if len(sound) < SHORTEST_S * self.fs or not np.isfinite(sound).all():
            return
        heard, rings = _sounds(sound, self.fs, self.settings, (begin_s, begin_s + lasts_s))
        self._heard += [replace(o, at_s=o.at_s + first / self.fs) for o in heard]
        self._rings += [r and replace(r, at_s=r.at_s + first / self.fs) for r in rings]

    def _forget(self, frame: int) -> None:
        while self._held and self._first + len(self._held[0]) <= frame:
            self._first += len(self._held.pop(0))


def _sounds(
    samples: Floats, fs: float, settings: BubbleSettings, between_s: tuple[float, float]
) -> tuple[list[Onset], list[Ring | None]]:
    """Return the sounds that begin between two times of a piece, and the tones fitted to them."""
    band = (settings.lowest_hz, settings.highest_hz)
    sound = whitened(samples, fs, band, settings.rate_hz)
    heard = onsets(sound, _bank(settings), settings.found_db)
    begin, end = between_s
    heard = [o for o in heard if begin <= o.at_s < end]
    return heard, [fit_ring(sound, o) if o.share >= settings.least_share else None for o in heard]


def _bank(settings: BubbleSettings) -> Floats:
    """Frequencies of the filter bank, shape (filters,) [Hz]."""
    octaves = np.log2(settings.highest_hz / settings.lowest_hz)
    steps = np.arange(round(octaves * settings.per_octave) + 1)
    return np.asarray(settings.lowest_hz * 2 ** (steps / settings.per_octave))


def sorted_out(heard: list[Onset], rings: list[Ring | None], settings: BubbleSettings) -> Listened:
    """Tell bubbles from other sounds by what each onset is and by what is around it.

    Parameters
    ----------
    heard : list of Onset
        All sounds of a recording.
    rings : list of Ring or None
        The tone fitted to each, None where none was.
    settings : BubbleSettings
        What passes for a bubble.
    """
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
        self.other = ~self.single
        for i in np.flatnonzero(self.single):
            self.other &= ~self._echoes(int(i))

    def stands_alone(self, i: int) -> bool:
        """Tell whether an onset is the strongest of its moment, undisturbed and not repeated."""
        limits, apart_s = self.settings, np.abs(self.at_s - self.at_s[i])
        below_db = self.level_db[i] - self.level_db
        moment = apart_s < limits.apart_s
        near = self._octaves(i) < limits.near_octaves
        if np.any(moment & (near | self.other) & (below_db < 0)):
            return False
        if np.any(self.other & ~moment & (apart_s < limits.guard_s) & (below_db < 0)):
            return False
        again = self._is_voice(i) or self._is_train(i) or self._is_crowd(i)
        return not (again or self._is_echo(i))

    def _echoes(self, i: int) -> Truths:
        """Return which onsets a stronger damped tone explains: of its moment, or of its tail."""
        limits, later_s = self.settings, self.at_s - self.at_s[i]
        below_db = self.level_db[i] - self.level_db
        moment = (np.abs(later_s) < limits.apart_s) & (below_db > 0)
        near = self._octaves(i) < limits.near_octaves
        soon = (later_s > 0) & (later_s < limits.guard_s)
        return np.asarray(moment | (near & soon & (below_db > limits.tail_db)))

    def _is_echo(self, i: int) -> bool:
        before_s = self.at_s[i] - self.at_s
        soon = (before_s > 0) & (before_s < self.settings.echo_s)
        louder = self.single & (self.level_db > self.level_db[i])
        return bool(np.any(soon & louder & (self._octaves(i) < self.settings.voice_octaves)))

    def _is_voice(self, i: int) -> bool:
        around = self._around(i, self.settings.voice, MOMENT_S)
        again = around & (self._octaves(i) < self.settings.voice_octaves)
        return self._number(again) >= self.settings.voice[2]

    def _is_train(self, i: int) -> bool:
        within_s, db, times = self.settings.train
        around = self._around(i, (within_s, db, times), self.settings.apart_s)
        alike = self.level_db - self.level_db[i] < db
        again = around & alike & (self._octaves(i) < self.settings.train_octaves)
        return self._number(again) >= times

    def _is_crowd(self, i: int) -> bool:
        around = self._around(i, self.settings.crowd, self.settings.apart_s)
        others = self._number(around & self.other)
        return others > max(self.settings.crowd[2], self._number(around & self.single))

    def _around(self, i: int, rule: tuple[float, float, int], least_s: float) -> Truths:
        """Return the onsets near one in time that are as loud or but little weaker."""
        within_s, db, _ = rule
        apart_s = np.abs(self.at_s - self.at_s[i])
        loud = self.level_db[i] - self.level_db < db
        return np.asarray((apart_s > least_s) & (apart_s < within_s) & loud)

    def _octaves(self, i: int) -> Floats:
        return np.asarray(np.abs(np.log2(self.frequency_hz / self.frequency_hz[i])))

    @staticmethod
    def _number(which: Truths) -> int:
        return int(np.count_nonzero(which))

    def deaf_s(self, counted: Indices) -> tuple[tuple[float, float], ...]:
        """Return the stretches about other sounds as strong as the bubbles that were counted."""
        if len(self.at_s) == 0:
            return ()
        limits = self.settings
        usual = float(np.median(self.level_db[counted])) if len(counted) else limits.found_db
        other = self.other & (self.level_db > usual)
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
