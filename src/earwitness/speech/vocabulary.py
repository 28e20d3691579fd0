"""The one table of what may be said in the bay, what it means, and how it is said back."""

from __future__ import annotations

from dataclasses import dataclass

UNIT_WORDS: dict[str, str] = {
    "percent": "percent",
    "psi": "psi",
    "kilopascal": "kPa",
    "bar": "bar",
}
"""Spoken unit to the unit written in a reading."""
MAX_CYLINDERS = 16
"""Highest cylinder number that is spoken. Chosen: no common engine of the trade has more."""


@dataclass(frozen=True, slots=True)
class NumberField:
    """The number that follows a phrase.

    The limits shape what is listed for the recogniser and enumerated by tests; a number outside
    them is still understood, so that it can be asked about instead of being lost.
    """

    low: float
    high: float
    whole: bool = False
    """Only whole numbers make sense."""
    units: tuple[str, ...] = ()
    """Spoken units that may follow; none need follow."""
    default_unit: str | None = None
    """The unit meant when none is spoken; None where it must be asked."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One meaning of the table."""

    command: str
    """The stable name of the meaning; for a numbered place the number is appended."""
    say: str
    """How the meaning is said back."""
    hear: tuple[str, ...]
    """The phrases that mean it."""
    gist: str
    """What happens, for help pages."""
    number: NumberField | None = None
    strings: bool = False
    """It may share one breath with others: "cylinder three leakage forty two percent"."""


PERCENT = NumberField(0, 100, units=("percent",), default_unit="percent")
"""A leakage reading [percent]."""
PRESSURE = NumberField(0, 999, units=("psi", "kilopascal", "bar"))
"""A gauge pressure [psi, kPa or bar, as spoken]."""
CYLINDER = NumberField(1, MAX_CYLINDERS, whole=True)
"""A cylinder number."""
BARE_NUMBER = NumberField(0, 999.9, units=tuple(UNIT_WORDS))
"""A number that answers a question."""


def _control(command: str, gist: str, *hear: str) -> Entry:
    phrases = hear or (command.replace("-", " "),)
    return Entry(command, phrases[0], phrases, gist)


def _reading(command: str, gist: str, number: NumberField, *hear: str) -> Entry:
    return Entry(command, hear[0], hear, gist, number, strings=True)


def _point(name: str, gist: str, *hear: str, number: NumberField | None = None) -> Entry:
    return Entry(f"point:{name}", hear[0], hear, gist, number, strings=True)


def _bubbles(amount: str, gist: str, *hear: str) -> Entry:
    return Entry(f"bubbles:{amount}", hear[0], hear, gist, strings=True)


CONTROLS = (
    _control("wake", "start listening to commands"),
    _control("sleep", "be deaf to commands until woken"),
    _control("confirm", "keep what was read back"),
    _control("scratch-that", "take back the last thing", "scratch that", "undo", "cancel"),
    _control("repeat", "say the last thing again"),
    _control("next", "go to the next step", "next", "next cylinder"),
    _control("done", "this step is finished", "done", "finish"),
    _control("status", "say where the inspection stands"),
    _control("mark", "mark this moment in the recording"),
    _control("note", "keep the next words as a spoken note", "note", "save note"),
    _control("pause", "stop the clock of the inspection"),
    _control("resume", "go on after a pause"),
    _control("retest", "do this cylinder again"),
    _control("skip", "leave this step out and say so in the report"),
    _control("help", "say what may be said now"),
    _control("yes", "agree with the question"),
    _control("no", "disagree with the question"),
)
"""Words that steer the inspection; each stands alone in its breath."""

READINGS = (
    _reading("cylinder", "which cylinder the next words are about", CYLINDER, "cylinder"),
    _reading("leakage", "leakage of the cylinder", PERCENT, "leakage"),
    _reading(
        "compression-dry",
        "cranking compression without oil",
        PRESSURE,
        "compression dry",
        "dry compression",
    ),
    _reading(
        "compression-wet",
        "cranking compression after a spoonful of oil",
        PRESSURE,
        "compression wet",
        "wet compression",
    ),
    _reading(
        "supply-pressure",
        "air pressure ahead of the orifice",
        PRESSURE,
        "supply pressure",
        "supply",
    ),
    _reading("gauge-reading", "air pressure in the cylinder", PRESSURE, "gauge reading", "gauge"),
    _bubbles("none", "no bubbles in the coolant", "bubbles none", "no bubbles"),
    _bubbles("slow", "a bubble now and then", "bubbles slow", "slow bubbles"),
    _bubbles("steady", "bubbles without a break", "bubbles steady", "steady bubbles"),
)
"""What is read off a gauge or seen with the eye."""

POINTS = (
    _point("oil-filler", "probe at the oil filler", "oil filler"),
    _point("tailpipe", "probe at the tailpipe", "tailpipe"),
    _point("tailpipe-left", "probe at the left tailpipe", "left tailpipe", "tailpipe left"),
    _point("tailpipe-right", "probe at the right tailpipe", "right tailpipe", "tailpipe right"),
    _point("throttle-body", "probe at the throttle body", "throttle body"),
    _point("radiator", "probe at the radiator neck, engine cold", "radiator"),
    _point("plug-hole", "probe at a neighbour's plug hole", "plug hole", number=CYLINDER),
    _point("adapter", "probe at the hose fitting", "adapter"),
    _point("control", "probe in free air at the hose coupler", "external"),
)
"""Where the probe is held; the names are those of the engine room."""

TABLE: tuple[Entry, ...] = CONTROLS + READINGS + POINTS
"""Everything that may be said, other than a bare number."""


def words_of(entries: tuple[Entry, ...] = TABLE) -> frozenset[str]:
    """Return every word of the entries, their units included, but not the number words.

    Parameters
    ----------
    entries : tuple of Entry, optional
        Part of the table; all of it if left out.

    Returns
    -------
    frozenset of str
        Single words.
    """
    phrases = [h for e in entries for h in (e.say, *e.hear)]
    units = [u for e in entries if e.number for u in e.number.units]
    return frozenset(w for p in phrases + units for w in p.split())
