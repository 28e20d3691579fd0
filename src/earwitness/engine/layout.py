"""Describe the engine under test: cylinders, banks, firing order, cooling and tailpipes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Arrangement = Literal["inline", "vee", "flat"]
Cooling = Literal["liquid", "air"]
Fuel = Literal["petrol", "diesel"]


@dataclass(frozen=True, slots=True)
class EngineLayout:
    """A four-stroke piston engine as far as leak finding needs to know it."""

    cylinders: int
    firing_order: tuple[int, ...]
    arrangement: Arrangement = "inline"
    banks: tuple[tuple[int, ...], ...] = ()
    """Cylinder numbers of each bank from front to back; one bank for an in-line engine."""
    bore_mm: float | None = None
    cooling: Cooling = "liquid"
    fuel: Fuel = "petrol"
    tailpipes: int = 1
    label: str = ""
