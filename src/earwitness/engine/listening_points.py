"""Say where to listen on the engine at hand, and which seal speaks there.

Where the air goes: FAA AC 43.13-1B chapter 8 (seen in part) and the FAA airframe and powerplant
study guide 8.6 (secondary copy); US Army TM 5-3805-260-24 (exhaust opening); AOPA, 25 October 2016.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.errors import LayoutError

if TYPE_CHECKING:
    from earwitness.engine.layout import EngineLayout

OIL_FILLER = "oil-filler"
TAILPIPE = "tailpipe"
TAILPIPES = ("tailpipe-left", "tailpipe-right")
THROTTLE_BODY = "throttle-body"
RADIATOR = "radiator"
PLUG_HOLE_PREFIX = "plug-hole-"
ADAPTER = "adapter"
CONTROL = "control"


@dataclass(frozen=True, slots=True)
class ListeningPoint:
    """A place to hold the probe, and what air heard there means."""

    name: str
    """Name used on run sheets, in records and in findings."""
    seal: str
    """The seal that leaks when air comes out here, in the trade's words."""
    how: str
    """Where to hold the probe."""
    opening: str = ""
    """What to open, close or block before listening here; empty if nothing."""


def listening_points(layout: EngineLayout, cylinder: int) -> tuple[ListeningPoint, ...]:
    """Return the points of `cylinder`, in the order a technician walks round the engine.

    The engine's openings come first, then the set-up checks `adapter` and `control`.

    Raises
    ------
    LayoutError
        If the engine has no such cylinder.

    Examples
    --------
    >>> from earwitness.engine.layout import engine_layout
    >>> [p.name for p in listening_points(engine_layout(2, cooling="air"), 1)]
    ['oil-filler', 'tailpipe', 'throttle-body', 'plug-hole-2', 'adapter', 'control']
    """
    points = [_OIL_FILLER, *_tailpipes(layout), _intake(layout)]
    if layout.cooling == "liquid":
        points.append(_RADIATOR)
    points += [_plug_hole(layout, n) for n in layout.neighbours(cylinder)]
    return (*points, _ADAPTER, _CONTROL)


def require_listening_point(name: str) -> None:
    """Check that a name is that of a listening point of some engine.

    Raises
    ------
    LayoutError
        If it is not.
    """
    fixed = (OIL_FILLER, TAILPIPE, *TAILPIPES, THROTTLE_BODY, RADIATOR, ADAPTER, CONTROL)
    number = name.removeprefix(PLUG_HOLE_PREFIX)
    is_plug_hole = number != name and number.isascii() and number.isdigit() and number[0] != "0"
    if name not in fixed and not is_plug_hole:
        raise LayoutError(
            f"There is no listening point {name!r}",
            remedy=f"The points are {', '.join(fixed)} and {PLUG_HOLE_PREFIX}N.",
        )


def plug_hole(cylinder: int) -> str:
    """Return the name of the listening point at `cylinder`'s own plug hole."""
    return f"{PLUG_HOLE_PREFIX}{cylinder}"


_OIL_FILLER = ListeningPoint(
    OIL_FILLER,
    "piston rings, cylinder wall or piston",
    "Hold the probe just inside the opening. A ventilation hose that stays open lets the intake "
    "hear what the crankcase leaks.",
    "Oil filler cap off, dipstick tube plugged, crankcase ventilation hose pinched.",
)
_RADIATOR = ListeningPoint(
    RADIATOR,
    "head gasket to the coolant, or a cracked head or block",
    "Watch for bubbles and hold the probe above the coolant, not in it.",
    "Cold engine only: radiator or tank cap off, coolant up to the neck.",
)
_ADAPTER = ListeningPoint(
    ADAPTER,
    "none: the hose fitting or its seal in the plug hole",
    "Hold the probe at the thread of the adapter; wet it with soapy water if in doubt.",
)
_CONTROL = ListeningPoint(
    CONTROL,
    "none: the hose, the regulator or the shop",
    "Hold the probe at the hose coupler, or in free air a metre from the engine. "
    "What follows the air valve here is not the engine.",
)


def _tailpipes(layout: EngineLayout) -> tuple[ListeningPoint, ...]:
    names = (TAILPIPE,) if layout.tailpipes == 1 else TAILPIPES
    how = "Hold the probe a hand's breadth inside the outlet."
    if layout.tailpipes == 2:
        how += " Listen at both outlets: a crossover carries air from either bank."
    opening = "Exhaust cold enough to touch; extraction hose off."
    return tuple(ListeningPoint(name, "exhaust valve", how, opening) for name in names)


def _intake(layout: EngineLayout) -> ListeningPoint:
    how = "Hold the probe in its mouth."
    opening = (
        "Intake hose off at the manifold; no plate to hold open, but a flap may stand shut."
        if layout.fuel == "diesel"
        else "Air duct off, throttle plate blocked wide open."
    )
    return ListeningPoint(THROTTLE_BODY, "intake valve", how, opening)


def _plug_hole(layout: EngineLayout, neighbour: int) -> ListeningPoint:
    part = "Glow plug or injector" if layout.fuel == "diesel" else "Spark plug"
    return ListeningPoint(
        plug_hole(neighbour),
        f"head gasket to cylinder {neighbour}, or a crack between the two",
        "Hold the probe at the hole.",
        f"{part} of cylinder {neighbour} out.",
    )
