"""The cautions that belong beside the work, in one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from earwitness.engine.layout import EngineLayout

Place = Literal["plan", "inspect", "report"]


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard, what to do about it, and where it must be shown."""

    name: str
    text: str
    places: tuple[Place, ...]
    brief: str = ""
    """The same in a few words, for a printed sheet."""
    liquid_cooled_only: bool = False


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "no-start",
        "Disable ignition, fuel and remote start before anything else, and keep the key away "
        "from the car.",
        ("plan", "inspect"),
        "Ignition, fuel and remote start off; key away from the car.",
    ),
    Caution(
        "crank-turns",
        "Compressed air can turn the crank with great force when the piston is not exactly at "
        "top dead centre: take every tool off the crank bolt, keep hands, hair and sleeves "
        "clear, and begin at low pressure.",
        ("plan", "inspect"),
        "Air can turn the crank: no tool on it, hands and hair clear, low pressure first.",
    ),
    Caution(
        "gear",
        "Do not hold the engine with a gear or a tool while the air is on; leave the gearbox in "
        "neutral and the wheels chocked unless the maker's procedure says otherwise.",
        ("plan", "inspect"),
        "Neutral, wheels chocked; hold the engine with no gear or tool.",
    ),
    Caution(
        "air",
        "Never point compressed air at skin or eyes; bleed the hose before you undo it.",
        ("plan", "inspect"),
        "Never point air at skin or eyes; bleed the hose before undoing it.",
    ),
    Caution(
        "hot-coolant",
        "Never open a hot cooling system: steam and coolant scald. Let the engine cool first.",
        ("plan", "inspect", "report"),
        "Never open a hot cooling system.",
        liquid_cooled_only=True,
    ),
    Caution(
        "eyes-and-ears",
        "Wear eye and hearing protection; keep headphone levels low.",
        ("plan", "inspect"),
        "Eye and hearing protection on; headphones low.",
    ),
    Caution(
        "fumes",
        "Ventilate: fuel vapour and exhaust gas come out of open plug holes. No flames, no sparks.",
        ("plan", "inspect"),
        "Ventilate. No flames, no sparks at open plug holes.",
    ),
    Caution(
        "high-voltage",
        "On a hybrid, have the high-voltage system isolated by a qualified person before work "
        "begins: the engine may start by itself.",
        ("plan", "inspect", "report"),
        "Hybrid: high voltage isolated by a qualified person first.",
    ),
    Caution(
        "maker-first",
        "The maker's procedure and limits, local rules and licensed practice come first.",
        ("plan", "inspect", "report"),
        "The maker's procedure and limits and local rules come first.",
    ),
    Caution(
        "evidence-only",
        "A verdict is evidence for a decision, not the decision: confirm it before a teardown.",
        ("report",),
    ),
)
"""Shown where work can hurt. Crank turning under air: caution of FAA AC 43.13-1B paragraph
8-14b(5)(f). Hot coolant: US Army TM 5-3895-359-14&P. Air at skin: 29 CFR 1917.154. Starter and
ignition locked out: the principle of 29 CFR 1910.147, from memory. The rest: common practice,
no source."""


def cautions(place: Place, layout: EngineLayout | None = None) -> tuple[Caution, ...]:
    """Return the cautions to show at `place`, without the coolant one on an air-cooled engine."""
    air_cooled = layout is not None and layout.cooling == "air"
    return tuple(
        caution
        for caution in CAUTIONS
        if place in caution.places and not (caution.liquid_cooled_only and air_cooled)
    )
