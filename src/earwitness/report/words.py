"""Plain words for names, numbers and probabilities, fit for a customer."""

from __future__ import annotations

import math
import re
import unicodedata
from typing import TYPE_CHECKING

from earwitness.diagnosis.hypotheses import IN_WORDS
from earwitness.diagnosis.verdict import percent_sure

if TYPE_CHECKING:
    from earwitness.diagnosis.repair import CostBand

AREA_TITLES = {
    "none": "No leak beyond the limit",
    "bottom-end": "The bottom end: pistons, rings or cylinder walls",
    "cylinder-head": "The cylinder head: valves and their seats",
    "head-gasket": "The head gasket",
    "undetermined": "Not settled yet",
}
"""Title of each engine area."""

COST: dict[CostBand, str] = {
    "none": "Nothing for the cylinders: no repair of theirs follows from this.",
    "middle": "The middle of what a leak can lead to: the head comes off and goes on again with a "
    "new gasket. More if head or block turn out to be cracked or warped.",
    "high": "More than a gasket, less than the pistons: the head comes off, and valves and seats "
    "are worked on.",
    "highest": "The most of what a leak can lead to: the engine comes apart down to its pistons.",
    "unknown": "That cannot be said yet. The next check costs little against any repair.",
}
"""What a cost band means to a customer: one repair against the others, never a price. Common
practice, no source."""

GRADE_WORDS = {
    "none": "no hiss found",
    "faint": "faint hiss",
    "clear": "clear hiss",
    "strong": "strong hiss",
    "undetermined": "not decided",
}
"""What each grade of a finding means."""

GRADE_ARCS = {"none": 0, "faint": 1, "clear": 2, "strong": 3}
"""How many arcs of sound the symbol of a grade has; grades without arcs get a question mark."""

QUANTITIES = {
    "leakage": "Leakage",
    "compression-dry": "Compression, dry",
    "compression-wet": "Compression, wet",
    "supply-pressure": "Supply pressure",
    "cylinder-pressure": "Cylinder pressure",
    "bubbles": "Bubbles at the radiator",
    "supply-under-flow": "Supply with air flowing",
    "zero": "Scale, hose shut",
    "full": "Scale, hose open",
    "top-dead-centre": "Piston checked at top dead centre",
    "adapter-tight": "Adapter tight under soapy water",
    "tester-right": "Tester right on a known orifice",
    "tap-helps": "Leakage fell when the valve stems were tapped",
    "ventilation-quiets": "Throttle body silent with the ventilation pinched",
}
"""What each quantity is called."""

UNITS = {"percent": "%", "kpa": "kPa"}
"""Units that are written otherwise than they are named."""

LIKELIHOODS = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.01, "very unlikely"),
    (0.00, "exceptionally unlikely"),
)
"""Words for a probability above each bound. Likelihood scale of IPCC AR4 (2007), Working Group II,
front matter F, seen on the archive page of the IPCC."""

JOINERS = "\u00ad\u200c\u200d"
"""Marks without a shape that ordinary text needs: soft hyphen, joiner and non-joiner (Unicode 15,
section 23.2)."""


def in_words(probability: float) -> str:
    """Say a probability in words.

    Examples
    --------
    >>> in_words(0.93)
    'very likely'
    """
    return next((words for bound, words in LIKELIHOODS if probability > bound), LIKELIHOODS[-1][1])


def percent(probability: float) -> str:
    """Write a probability as whole percent, never as a certainty.

    Examples
    --------
    >>> percent(0.934), percent(0.9999), percent(0.001)
    ('93 %', 'more than 99 %', 'under 1 %')
    """
    if not math.isfinite(probability):
        return "not known"
    return "under 1 %" if probability < 0.01 else percent_sure(probability)


def decibels(value: float) -> str:
    """Write a level with its unit.

    Examples
    --------
    >>> decibels(3.14), decibels(float("inf"))
    ('+3.1 dB', 'no bound')
    """
    if not math.isfinite(value):
        return "no bound" if math.isinf(value) else "not a number"
    rounded = round(value, 1) + 0.0  # never a negative zero
    return f"{rounded:+.1f} dB".replace("-", "−") if rounded else "0.0 dB"


def interval(low_db: float, high_db: float) -> str:
    """Write a 95 % interval of levels."""
    return f"{decibels(low_db)} to {decibels(high_db)}"


def point_name(point: str) -> str:
    """Write a listening point as a heading.

    Examples
    --------
    >>> point_name("plug-hole-2"), point_name("tailpipe-left")
    ('Plug hole 2', 'Tailpipe left')
    """
    words = point.replace("-", " ").strip()
    return words[:1].upper() + words[1:]


def verdict_name(verdict: str) -> str:
    """Write a verdict, or a mixture of them, in plain words.

    Examples
    --------
    >>> verdict_name("exhaust-valve+head-gasket-coolant")
    'the exhaust valve and the head gasket towards the coolant'
    """
    return " and ".join(IN_WORDS.get(part, part.replace("-", " ")) for part in verdict.split("+"))


def clock_time(seconds: float) -> str:
    """Write a place in a recording.

    Examples
    --------
    >>> clock_time(75.25)
    '1:15.2'
    """
    tenths = int(max(0.0, seconds) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def made_visible(text: str) -> str:
    r"""Replace characters that could hide or reorder other text by their visible code points.

    Line breaks and tabs stay.

    Examples
    --------
    >>> made_visible("safe\u202eevil")
    'safe[U+202E]evil'
    """
    return re.sub(r"[^\n\t -~]", _visible, text)


def _visible(match: re.Match[str]) -> str:
    character = match[0]
    hidden = unicodedata.category(character)[0] == "C" and character not in JOINERS
    return f"[U+{ord(character):04X}]" if hidden else character
