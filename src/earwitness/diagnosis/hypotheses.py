"""What may be wrong with a cylinder: the verdicts, and the ways each can come about."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from earwitness.diagnosis.evidence import neighbour_at

Cause = Literal[
    "sealed",
    "rings-or-piston",
    "exhaust-valve",
    "intake-valve",
    "head-gasket-coolant",
    "head-gasket-neighbour",
    "off-tdc",
    "off-tdc-exhaust",
    "off-tdc-intake",
    "adapter-leak",
    "gauge-wrong",
]
"""What can let air out, or make the gauge say so: the row names of the likelihood tables."""

SEALED = "sealed"
SET_UP = "set-up"
UNDETERMINED = "undetermined"
SEALS: tuple[Cause, ...] = (
    "rings-or-piston",
    "exhaust-valve",
    "intake-valve",
    "head-gasket-coolant",
    "head-gasket-neighbour",
)
"""Seals of the engine, in the order in which a mixture names them."""
SET_UP_CAUSES: tuple[Cause, ...] = (
    "off-tdc",
    "off-tdc-exhaust",
    "off-tdc-intake",
    "adapter-leak",
    "gauge-wrong",
)
"""Ways in which the test itself goes wrong; one verdict, `set-up`. Off top dead centre both valves
stand open (on overlap), or one of them (before or after)."""

NEIGHBOUR: Cause = "head-gasket-neighbour"
OWN_POINT: dict[Cause, list[str]] = {
    "rings-or-piston": ["oil-filler"],
    "exhaust-valve": ["tailpipe"],
    "intake-valve": ["throttle-body"],
    "head-gasket-coolant": ["radiator"],
    "off-tdc": ["tailpipe", "throttle-body"],
    "off-tdc-exhaust": ["tailpipe"],
    "off-tdc-intake": ["throttle-body"],
    "adapter-leak": ["adapter"],
}
"""Where the air of each cause comes out; that of the gasket to a neighbour at its plug hole.
FAA AC 43.13-1B chapter 8 and US Army TM 5-3805-260-24, seen in secondary copies."""

IN_WORDS = {
    "sealed": "a sound cylinder",
    "rings-or-piston": "the piston rings, the cylinder wall or the piston",
    "exhaust-valve": "the exhaust valve",
    "intake-valve": "the intake valve",
    "head-gasket-coolant": "the head gasket towards the coolant",
    "head-gasket-neighbour": "the head gasket towards the next cylinder",
    "set-up": "the test set-up",
    "undetermined": "an open question",
}
"""Each verdict in plain words, fit after "air gets past" or "speaks for"."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way a verdict can come about: what lets the air out, and towards where."""

    verdict: str
    causes: tuple[Cause, ...]
    neighbour: int | None = None
    """Cylinder that takes the air, for the cause `head-gasket-neighbour`."""
    share: float = 1.0
    """Part of the verdict's prior that this way has; the shares of a verdict add up to 1."""


def ways(points: tuple[str, ...], set_up_shares: dict[Cause, float]) -> tuple[Way, ...]:
    """Return every way that the listening points of a cylinder leave possible.

    Without a radiator the coolant cannot take the air, without a neighbour's plug hole neither
    can the next cylinder.

    Parameters
    ----------
    points : tuple of str
        Listening points of the cylinder.
    set_up_shares : dict
        Share of each cause within the verdict `set-up`.
    """
    beside = [n for n in map(neighbour_at, points) if n is not None]
    seals = [s for s in SEALS if s != "head-gasket-coolant" or "radiator" in points]
    seals = [s for s in seals if s != "head-gasket-neighbour" or beside]
    found = [Way(SEALED, ("sealed",))]
    for size in (1, 2):
        for causes in combinations(seals, size):
            found += _ways_of(causes, beside)
    return (*found, *(Way(SET_UP, (c,), share=set_up_shares[c]) for c in SET_UP_CAUSES))


def own_points(way: Way) -> tuple[str, ...]:
    """Return the listening points at which a way's air comes out first-hand."""
    found = []
    for cause in way.causes:
        found += [f"plug-hole-{way.neighbour}"] if cause == NEIGHBOUR else OWN_POINT.get(cause, [])
    return tuple(found)


def own_points_of(seal: str) -> tuple[str, ...]:
    """Return where the air of a seal comes out; nothing for the gasket to a neighbour."""
    return tuple(next((points for cause, points in OWN_POINT.items() if cause == seal), ()))


def parts(verdict: str) -> tuple[str, ...]:
    """Return the seals a verdict names: two for a mixture.

    Examples
    --------
    >>> parts("rings-or-piston+exhaust-valve")
    ('rings-or-piston', 'exhaust-valve')
    """
    return tuple(verdict.split("+"))


def is_leak(verdict: str) -> bool:
    """Tell whether a verdict blames a seal of the engine."""
    return verdict not in (SEALED, SET_UP, UNDETERMINED)


def in_words(verdict: str) -> str:
    """Return a verdict in plain words.

    Examples
    --------
    >>> in_words("exhaust-valve+intake-valve")
    'the exhaust valve and the intake valve'
    """
    return " and ".join(IN_WORDS[part] for part in parts(verdict))


def _ways_of(causes: tuple[Cause, ...], beside: list[int]) -> list[Way]:
    """Return one way, or one for each neighbour that may take the air."""
    verdict = "+".join(causes)
    if "head-gasket-neighbour" not in causes:
        return [Way(verdict, causes)]
    return [Way(verdict, causes, n, 1.0 / len(beside)) for n in beside]
