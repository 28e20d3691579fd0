"""Where a verdict leads: part of the engine, cost band, what to check next, what stays unknown.

The table is meant to be edited by a shop. It words what to check next, never an order to repair.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from earwitness.diagnosis.hypotheses import SEALED, SET_UP, UNDETERMINED, parts

Area = Literal["none", "bottom-end", "cylinder-head", "head-gasket", "undetermined"]
CostBand = Literal["none", "middle", "high", "highest", "unknown"]

AREAS_BY_DEPTH: tuple[Area, ...] = ("bottom-end", "cylinder-head", "head-gasket")
"""Areas by how much of the engine has to come apart, most first; common practice, no source."""

AREA_OF: dict[str, Area] = {
    SEALED: "none",
    "rings-or-piston": "bottom-end",
    "exhaust-valve": "cylinder-head",
    "intake-valve": "cylinder-head",
    "head-gasket-coolant": "head-gasket",
    "head-gasket-neighbour": "head-gasket",
    SET_UP: "undetermined",
    UNDETERMINED: "undetermined",
}
"""Area of each single verdict. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Repair:
    """What a verdict on an area means for the repair."""

    area: Area
    cost_band: CostBand
    """Cost relative to the other areas; common practice, no source."""
    technician: str
    """What to check next, in a technician's words."""
    customer: str
    """What it means, in a customer's words."""
    does_not_tell: str
    """What stays unknown whatever the probability."""


REPAIRS: dict[Area, Repair] = {
    "none": Repair(
        "none",
        "none",
        "Look for the complaint elsewhere: ignition, fuel, valve timing, sensors.",
        "The cylinders hold their air. The complaint most likely has another cause.",
        "A cold test at rest does not show what a valve or a spring does at speed, nor a leak "
        "that opens only when hot.",
    ),
    "bottom-end": Repair(
        "bottom-end",
        "highest",
        "Confirm before a teardown: wet test, crankcase pressure, borescope for scored walls and "
        "a holed crown; a soak may free stuck rings.",
        "Air gets past the piston into the crankcase. If further checks confirm it, the engine "
        "has to come apart down to the pistons, the dearest of the repairs.",
        "Sound does not tell worn rings from stuck ones, nor from a cracked piston or a scored "
        "wall.",
    ),
    "cylinder-head": Repair(
        "cylinder-head",
        "high",
        "Confirm before the head comes off: valve clearance and timing first, then borescope the "
        "seat and the valve's edge; carbon may be cleaned off in place.",
        "Air gets past a valve. If further checks confirm it, the work is on the cylinder head; "
        "the pistons below need not be touched for this.",
        "Sound does not tell a burnt valve from a tight clearance, a bent stem, carbon on the "
        "seat or a cracked seat.",
    ),
    "head-gasket": Repair(
        "head-gasket",
        "middle",
        "Confirm before the head comes off: combustion-gas test of the coolant, pressure test of "
        "the cold cooling system; then check head and deck for flatness and cracks.",
        "Air gets past the seal between head and block. If further checks confirm it, the gasket "
        "is renewed and both faces are checked.",
        "Sound does not tell a failed gasket from a cracked head or block, or a warped face.",
    ),
    "undetermined": Repair(
        "undetermined",
        "unknown",
        "Do the next check; do not take anything apart on this evidence.",
        "The tests so far do not settle where the air goes. A further check is needed before "
        "anyone can name the repair.",
        "The cause: nothing can be concluded about it yet.",
    ),
}
"""One entry an area. Common practice, no source; a shop may change the wording."""


def areas_of(verdict: str) -> tuple[Area, ...]:
    """Return the area of each part of a verdict, without repeats.

    Examples
    --------
    >>> areas_of("rings-or-piston+exhaust-valve")
    ('bottom-end', 'cylinder-head')
    """
    return tuple(dict.fromkeys(AREA_OF[part] for part in parts(verdict)))


def deepest(areas: tuple[Area, ...]) -> Area:
    """Return the area that takes most of the engine apart; "undetermined" if none does."""
    return next((area for area in AREAS_BY_DEPTH if area in areas), "undetermined")
