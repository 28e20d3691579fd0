"""What a running inspection shows, what a page may ask of it, and the board between the two.

The runner publishes one frozen `Snapshot` after another on a `Board`; whoever shows it looks at the
newest and never holds the runner up. What a page asks comes back as a `Press`.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

Phase = Literal[
    "set-up",
    "cautions",
    "move",
    "get-ready",
    "air-off",
    "air-on",
    "gauge",
    "read-back",
    "paused",
    "done",
]
"""What the inspection waits for: the engine's description, that someone has understood what can
hurt, the next place, the start of a take, the air valve closed or open, a gauge reading, the answer
to a value read back, going on, nothing."""
StepState = Literal["to-do", "now", "done", "spoiled", "skipped"]
Action = Literal[
    "understood",
    "start",
    "again",
    "next",
    "skip",
    "pause",
    "resume",
    "confirm",
    "no",
    "scratch-that",
    "repeat",
    "finish",
    "cylinder",
    "point",
    "reading",
]
"""What a page may ask: say that the cautions are understood, begin the take, take it again, go to
the next place, leave the place out, pause, go on, say yes or no to the value read back, take back
the last value, say it again, end the inspection; go to a cylinder, go to a listening point, give a
gauge reading."""
ACTIONS: tuple[Action, ...] = get_args(Action)
WITH_VALUE: tuple[Action, ...] = ("cylinder", "point", "reading")
"""Actions that carry a value: `3`, `oil-filler`, `leakage 34 percent`."""
LONGEST_VALUE = 64
"""Most characters of such a value [1]. Chosen: the longest reading in words has 40."""
MOST_COLUMNS = 240
"""Columns of the spectrogram that are kept [1]. Chosen: 24 s at ten a second, two valve cycles."""


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine as far as it is drawn."""

    label: str
    banks: tuple[tuple[int, ...], ...]
    """Cylinder numbers of each bank, front to back."""
    arrangement: Literal["inline", "vee", "flat"] = "inline"


@dataclass(frozen=True, slots=True)
class Meter:
    """The hiss band now, against the same place with the air off."""

    level_db: float | None
    """Level now [dB re full scale]; None before the first block."""
    baseline_db: float | None
    """Median level with the air off at this place [dB re full scale]; None before it is known."""
    rise_db: float | None = None
    """Rise with the air on over the whole take so far [dB]."""
    detectable_db: float | None = None
    """Rise that would have been found with probability 0.85 in the last take [dB]."""


@dataclass(frozen=True, slots=True)
class Column:
    """One moment of the spectrogram."""

    number: int
    """Counts from the start of the inspection, so that a page fetches only what it lacks."""
    levels: bytes
    """One byte a band, low bands first: 0 is -120 dB re full scale or less, 255 is 0 dB."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One place of the plan and how far it is."""

    cylinder: int
    point: str
    """Name of the listening point, or `gauge`."""
    state: StepState
    result: str = ""
    """In a few words, once there is one: `no hiss`, `clear hiss`, `34 %`."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One row of the ranking."""

    name: str
    """The verdict in the trade's words."""
    probability: float
    sure: str = ""
    """The probability as it is told."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one cylinder as it stands."""

    cylinder: int
    text: str
    ranking: tuple[Candidate, ...]
    """Likeliest first."""
    next_check: str | None = None
    sound: bool = False
    """The cylinder does not leak: one line is enough."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that is shown at one moment."""

    instruction: str
    """What to do now, in one short sentence."""
    phase: Phase
    detail: str = ""
    """A second sentence: why, or how."""
    engine: Engine | None = None
    cylinder: int | None = None
    point: str | None = None
    point_seal: str = ""
    """The seal that leaks when air comes out there."""
    seconds_left: float | None = None
    """Until the next instruction, or until the take is enough [s]."""
    cycle: tuple[int, int] | None = None
    """Air cycles done, and how many are wanted."""
    meter: Meter = field(default_factory=lambda: Meter(None, None))
    spectrogram: tuple[Column, ...] = ()
    band_hz: tuple[float, float] = (1000.0, 16000.0)
    """Ends of the spectrogram, its bands evenly spaced in the logarithm [Hz]."""
    heard: str = ""
    """What was understood last."""
    said: str = ""
    """What the tool said last."""
    plan: tuple[PlanStep, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    warnings: tuple[str, ...] = ()
    """What stands in the way now, each with its remedy."""
    cautions: tuple[str, ...] = ()
    """What can hurt someone at this step, and what to do about it."""
    brief_cautions: tuple[str, ...] = ()
    """The same in a few words, the worst first."""
    actions: tuple[Action, ...] = ()
    """What may be asked now; a page offers nothing else."""
    cylinders: tuple[int, ...] = ()
    """Cylinders that may be gone to now; in the set-up, how many cylinders there may be."""
    points: tuple[str, ...] = ()
    """Places of the cylinder at hand that may be gone to now, `gauge` first."""


@dataclass(frozen=True, slots=True)
class Press:
    """What someone asked on a page."""

    action: Action
    value: str = ""


def press(action: str, value: str = "") -> Press:
    """Return a checked request.

    Raises
    ------
    ValueError
        If there is no such action, or its value is missing, too long or not plain text.

    Examples
    --------
    >>> press("cylinder", "3")
    Press(action='cylinder', value='3')
    """
    known = next((a for a in ACTIONS if a == action), None)
    if known is None:
        raise ValueError("no such action")
    if (known in WITH_VALUE) != bool(value):
        raise ValueError(f"{known} {'needs' if known in WITH_VALUE else 'takes no'} value")
    if len(value) > LONGEST_VALUE or not value.isprintable():
        raise ValueError("the value is too long or not plain text")
    return Press(known, value)


class Board:
    """Holds the newest snapshot; any thread may write, any thread may read or wait."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._number = 0
        self._snapshot: Snapshot | None = None

    def publish(self, snapshot: Snapshot) -> int:
        """Put up a snapshot, cut to what may be kept, and return its number.

        Never waits for a reader.
        """
        kept = replace(snapshot, spectrogram=snapshot.spectrogram[-MOST_COLUMNS:])
        with self._changed:
            self._snapshot = kept
            self._number += 1
            self._changed.notify_all()
            return self._number

    def latest(self) -> tuple[int, Snapshot | None]:
        """Return the newest snapshot and its number; 0 and None before the first."""
        with self._changed:
            return self._number, self._snapshot

    def wait_newer(self, number: int, timeout_s: float) -> tuple[int, Snapshot | None]:
        """Return the newest snapshot once there is one after `number`, or what there is in time."""
        with self._changed:
            self._changed.wait_for(lambda: self._number > number, timeout_s)
            return self._number, self._snapshot
