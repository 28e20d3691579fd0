"""Tell compression top dead centre, where both valves are shut, from overlap, one turn off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from earwitness.engine.layout import EngineLayout

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class TdcSign:
    """A place to look or feel, and what it shows at either top dead centre."""

    sign: str
    compression: str
    """What it shows at compression top dead centre."""
    overlap: str
    """What it shows between exhaust and intake stroke."""
    source: str
    brief: str
    """Where to look, in a few words, for a printed sheet."""
    brief_compression: str
    brief_overlap: str


def tdc_signs(layout: EngineLayout, companion: int | None = None) -> tuple[TdcSign, ...]:
    """Return the signs, the surest first.

    Parameters
    ----------
    layout : EngineLayout
        The engine under test.
    companion : int, optional
        The cylinder that is at the top as well; its sign is left out if there is none.
    """
    beside = () if companion is None else (_companion_sign(companion),)
    return (_OWN_VALVES, *beside, _finger_sign(layout), *_UNDER_PRESSURE, _TIMING_MARK)


def tdc_hint(layout: EngineLayout, cylinder: int) -> str:
    """Say how to bring a cylinder to compression top dead centre, in words.

    References
    ----------
    FAA AC 43.13-1B 8-14b(5)(f) and (g): in running direction; back at least half a turn if passed.
    """
    companion = layout.companion(cylinder)
    hint = (
        f"Turn in running direction onto the compression stroke of cylinder {cylinder} (air pushes "
        "out of the plug hole), and on until the piston stops rising. If you pass the top, go "
        "back half a turn and come up again, so that rings and timing drive are seated."
    )
    if companion is None:
        return f"{hint} One turn off, the valves are open and all the air is lost."
    return (
        f"{hint} Cylinder {companion} is at the top as well: if its plug hole is the one that "
        "pushes air, turn the crank once more."
    )


_OWN_VALVES = TdcSign(
    "Valves of this cylinder, where they can be seen",
    "both shut, rockers or followers with play, cam lobes pointing away",
    "both a little open: exhaust closing, intake opening",
    "US Army TM 5-3805-260-24: at the top of compression the valves are against their "
    "seats; the rest common practice, no source",
    "Own valves",
    "both shut, with play",
    "both a little open",
)
_UNDER_PRESSURE = (
    TdcSign(
        "Feel of the crank under low pressure",
        "a flat spot at the top, a push to one side on either side of it",
        "no push at all",
        "FAA AC 43.13-1B 8-14b(5)(g)",
        "Crank, low pressure",
        "flat spot",
        "no push",
    ),
    TdcSign(
        "Hiss at intake and exhaust under low pressure",
        "at most one of them",
        "both at once, and nearly all the air is lost",
        PRACTICE,
        "Hiss, low pressure",
        "at most one place",
        "intake and exhaust",
    ),
)
_TIMING_MARK = TdcSign(
    "Timing mark of this cylinder on the pulley or flywheel",
    "stands at its mark",
    "stands at the same mark: it finds the top, not which one",
    PRACTICE,
    "Timing mark",
    "at its mark",
    "the same mark",
)


def _finger_sign(layout: EngineLayout) -> TdcSign:
    hole = "glow plug or injector hole" if layout.fuel == "diesel" else "plug hole"
    return TdcSign(
        f"Finger or whistle on the {hole} while the crank is turned by hand",
        "air pushes out as the piston rises, and stops at the top",
        "next to nothing pushes out on the way up",
        PRACTICE,
        "Finger on the hole",
        "air pushes out",
        "hardly any",
    )


def _companion_sign(companion: int) -> TdcSign:
    return TdcSign(
        f"Valves of cylinder {companion}, which is at the top as well",
        "rocking: exhaust closing as the intake opens",
        "both shut",
        "calculated: 360 degrees apart in the firing order",
        "Companion's valves",
        "rocking",
        "both shut",
    )
