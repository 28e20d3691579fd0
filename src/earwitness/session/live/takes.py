"""The take at hand: begun, ended, kept, and scored in a thread of its own."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.acoustics.quality.flags import FLAGS
from earwitness.errors import EarwitnessError
from earwitness.session.equipment.taking import TakeOrder
from earwitness.session.live import events
from earwitness.session.live.steps import CYCLES

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

    from earwitness.acoustics.finding import Finding
    from earwitness.record.model import Take
    from earwitness.session.equipment.probe import Probe
    from earwitness.session.equipment.taking import Recorded
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.messages.catalogue import Catalogue


SHORTEST_S, LONGEST_S = 2.6, 4.2
"""Shortest and longest stay of the valve [s]. Chosen: 13 of them last 44 s on average, for which
the detector's sensitivity is stated; decision 0110."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a take shows, or why nobody can tell."""

    take: Take
    finding: Finding | None
    error: EarwitnessError | None = None


class Takes:
    """Makes one take after another.

    Parameters
    ----------
    keeper : Keeper
        The record.
    probe : Probe
        The microphone.
    rng : numpy.random.Generator
        Draws the rhythm of the valve.
    ambient : bool
        Whether an ambient microphone is recorded beside the probe.
    post : callable
        Takes a `Found` once a take is scored; called from another thread.
    words : Catalogue
        The language in which it is told what a take shows.
    now : callable
        The clock [s].
    """

    def __init__(
        self,
        keeper: Keeper,
        probe: Probe,
        rng: np.random.Generator,
        *,
        ambient: bool,
        post: Callable[[object], None],
        words: Catalogue,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._keeper, self._probe, self._rng = keeper, probe, rng
        self._ambient, self._post, self._now, self._words = ambient, post, now, words
        self._taking: tuple[int, str] | None = None
        self._rhythm_s: tuple[float, ...] = ()
        self._begun_s: float | None = None
        self._scoring: threading.Thread | None = None

    @property
    def busy(self) -> bool:
        """Whether a take is being made."""
        return self._taking is not None

    def begin(
        self, cylinder: int, point: str, *, cycles: int, stays_s: tuple[float, float]
    ) -> None:
        """Begin to record, in a rhythm that nobody knows beforehand."""
        fs, name = self._probe.sample_rate_hz, f"c{cylinder}-{point}"
        ambient = [self._keeper.place(f"{name}-ambient")] * self._ambient
        files = (self._keeper.place(name), *ambient)
        self._rhythm_s = rhythm(self._rng, cycles, *stays_s)
        bext = self._keeper.bext(f"Cylinder {cylinder} at {point}", fs, "FLOAT", 1)
        self._taking, self._begun_s = (cylinder, point), None
        self._probe.begin(TakeOrder(files, bext, self._rhythm_s))

    def begun(self) -> None:
        """Note that its first sample is on disk."""
        self._begun_s = self._now()

    def end(self, why: str) -> None:
        """Stop recording; `why` if it is broken off."""
        if self._taking is not None:
            self._probe.end(why)

    def seconds_left(self, turns: int) -> float | None:
        """Return the time until the next turn of the valve, or the end of the take [s]."""
        if self._begun_s is None or turns >= len(self._rhythm_s):
            return None
        return max(0.0, self._begun_s + self._rhythm_s[turns] - self._now())

    def recorded(self, recorded: Recorded) -> None:
        """Keep a take that is over, and have it scored."""
        if self._taking is None:
            return
        (cylinder, point), self._taking = self._taking, None
        take = self._keeper.take(recorded, cylinder, point)
        if take is not None:
            self._scoring = threading.Thread(target=self._score, args=(take,), daemon=True)
            self._scoring.start()

    def found(self, found: Found) -> events.Scored:
        """Keep what a take shows; return what is to be said of it."""
        finding, error = found.finding, found.error
        if finding is None or error is not None:
            fault, remedy = (error.fault, error.remedy) if error else ("", "")
            self._keeper.withdraw(found.take, fault)
            return events.Scored(usable=False, result="", why=fault, remedy=remedy)
        self._keeper.finding(finding, found.take)
        bad = next((f for f in FLAGS if f.refuses and f.name in finding.flags), None)
        told = self._words.told
        why, what_to_do = (told(bad.meaning), told(bad.remedy)) if bad else ("", "")
        result = in_short(finding, self._words) if finding.usable else ""
        return events.Scored(finding.usable, result, why, what_to_do)

    def settle(self) -> None:
        """Wait until the last take is scored, so that a replay finds no more than there is."""
        if self._scoring is not None:
            self._scoring.join()

    def _score(self, take: Take) -> None:
        try:
            self._post(Found(take, self._keeper.score(take)))
        except EarwitnessError as e:
            self._post(Found(take, None, e))


def in_short(finding: Finding, words: Catalogue) -> str:
    """Say what a usable take shows in a few words, to be heard and to be read from afar."""
    grade = words.text(f"grade_{finding.grade}")
    if finding.grade in ("none", "undetermined"):
        return grade
    return words.text("found", grade=grade, rise=f"{finding.excess_db:+.1f}")


def rhythm(
    rng: np.random.Generator,
    cycles: int = CYCLES,
    shortest_s: float = SHORTEST_S,
    longest_s: float = LONGEST_S,
) -> tuple[float, ...]:
    """Draw when the valve is turned, on first, and when the take ends.

    Parameters
    ----------
    rng : numpy.random.Generator
        Chance.
    cycles : int, optional
        How often the air is switched on.
    shortest_s, longest_s : float, optional
        Bounds of each stay, drawn evenly between them [s].

    Returns
    -------
    tuple of float
        2 `cycles` turns and the end, rising [s].
    """
    stays = rng.uniform(shortest_s, longest_s, 2 * cycles + 1)
    return tuple(round(float(at), 3) for at in stays.cumsum())
