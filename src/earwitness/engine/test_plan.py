"""Plan the leak test of an engine: which cylinder next, how far to turn, where to listen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.engine.cautions import Caution, cautions
from earwitness.engine.firing import degrees_to_turn, firing_interval_deg
from earwitness.engine.listening_points import ListeningPoint, listening_points
from earwitness.errors import LayoutError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.engine.layout import EngineLayout

MM_PER_INCH = 25.4
"""Millimetres in an inch [mm]. Exact by definition, NIST SP 811 (2008)."""
ORIFICE_SMALL_BORE_MM = 0.040 * MM_PER_INCH
"""Metering orifice below the bore that parts the two [mm]. FAA AC 43.13-1B change 1 (2001):
0.040 in, 0.250 in long, 60 degree approach; seen in a secondary copy."""
ORIFICE_LARGE_BORE_MM = 0.060 * MM_PER_INCH
"""Metering orifice from that bore upwards [mm]. Same place: 0.060 in."""
LARGE_BORE_MM = 5.00 * MM_PER_INCH
"""Bore that parts the two orifices [mm]. Same place: 5.00 in."""
FIRST_PRESSURE_KPA = 138.0
"""Pressure at which the piston is brought to the top [kPa]. FAA AC 43.13-1B 8-14b(5)(e): 20 psi."""
TEST_PRESSURE_KPA = 552.0
"""Pressure at which the leakage is read [kPa]. FAA AC 43.13-1B 8-14b(5)(f): 80 psi."""


@dataclass(frozen=True, slots=True)
class GaugeSetUp:
    """How to set the leakage tester up before the first cylinder."""

    orifice_mm: float | None
    """Metering orifice for this bore [mm]; None if the bore is not known."""
    first_kpa: float
    """Supply pressure while the piston is brought to the top [kPa]."""
    test_kpa: float
    """Supply pressure at which the leakage is read [kPa]."""
    note: str


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One cylinder: how to get there and where to listen."""

    cylinder: int
    turn_deg: float
    """Crank rotation from the step before, in running direction [degrees]; 0 for the first."""
    companion: int | None
    """The cylinder whose piston is at the top as well, one turn off."""
    find_tdc: str
    points: tuple[ListeningPoint, ...]


@dataclass(frozen=True, slots=True)
class TestPlan:
    """Everything to know before the air goes on."""

    __test__ = False
    """Keeps test collectors from mistaking the plan for a test case."""

    layout: EngineLayout
    interval_deg: float
    """Crank rotation between consecutive firings [degrees]."""
    gauge: GaugeSetUp
    steps: tuple[PlanStep, ...]
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]


def test_plan(
    layout: EngineLayout,
    *,
    first: int | None = None,  # noqa: PT028  # a plan, not a test function
    cylinders: Sequence[int] | None = None,  # noqa: PT028
) -> TestPlan:
    """Return the plan: cylinders in firing order, each with its listening points.

    Parameters
    ----------
    layout : EngineLayout
        The engine under test.
    first : int, optional
        Cylinder to begin with; the first of the firing order that is to be tested if left out.
    cylinders : sequence of int, optional
        Test only these; all of them if left out.

    Raises
    ------
    LayoutError
        If a cylinder does not exist, or `first` is not among those to be tested.
    """
    order = _order(layout, first, cylinders)
    return TestPlan(
        layout=layout,
        interval_deg=firing_interval_deg(layout.cylinders),
        gauge=gauge_set_up(layout.bore_mm),
        steps=tuple(
            _step(layout, cylinder, before)
            for cylinder, before in zip(order, (order[0], *order[:-1]), strict=True)
        ),
        cautions=cautions("plan", layout),
        assumptions=_assumptions(layout),
    )


def gauge_set_up(bore_mm: float | None) -> GaugeSetUp:
    """Return pressures and metering orifice for a bore [mm].

    References
    ----------
    FAA AC 43.13-1B paragraph 8-14b(5) and change 1: 0.040 in below 5.00 in bore, 0.060 in from
    there on.
    """
    note = (
        "A percentage means nothing without the orifice it was read through: note its size. "
        "The maker's pressure and orifice win over these figures of FAA AC 43.13-1B."
    )
    return GaugeSetUp(orifice_for_bore(bore_mm), FIRST_PRESSURE_KPA, TEST_PRESSURE_KPA, note)


def orifice_for_bore(bore_mm: float | None) -> float | None:
    """Return the metering orifice that AC 43.13-1B gives for a bore, both [mm]; None if unknown.

    Examples
    --------
    >>> round(orifice_for_bore(86.0), 3), round(orifice_for_bore(127.0), 3)
    (1.016, 1.524)
    """
    if bore_mm is None:
        return None
    return ORIFICE_SMALL_BORE_MM if bore_mm < LARGE_BORE_MM else ORIFICE_LARGE_BORE_MM


def _order(
    layout: EngineLayout, first: int | None, cylinders: Sequence[int] | None
) -> tuple[int, ...]:
    """Return the cylinders to test in firing order, `first` leading."""
    wanted = layout.firing_order if cylinders is None else tuple(cylinders)
    for cylinder in (*wanted, *(() if first is None else (first,))):
        layout.require(cylinder)
    order = tuple(n for n in layout.firing_order if n in wanted)
    if not order:
        raise LayoutError("no cylinder was named to test", remedy="Name at least one cylinder.")
    if first is None:
        return order
    if first not in order:
        raise LayoutError(
            f"cylinder {first} is to come first but is not among those to be tested",
            remedy="Name it among the cylinders, or begin with another one.",
        )
    place = order.index(first)
    return order[place:] + order[:place]


def _step(layout: EngineLayout, cylinder: int, before: int) -> PlanStep:
    companion = layout.companion(cylinder)
    return PlanStep(
        cylinder=cylinder,
        turn_deg=degrees_to_turn(layout, before, cylinder),
        companion=companion,
        find_tdc=_tdc_hint(cylinder, companion),
        points=listening_points(layout, cylinder),
    )


def _tdc_hint(cylinder: int, companion: int | None) -> str:
    """Say how to find compression top dead centre and how to tell it from the other one."""
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


def _assumptions(layout: EngineLayout) -> tuple[str, ...]:
    even = (
        f"The angles hold for an evenly firing engine: 720 degrees / {layout.cylinders}. "
        "The maker's timing marks decide."
    )
    numbering = (
        "Cylinder numbers and banks are as given: makers number differently, so check which "
        "cylinder is number 1."
    )
    return (even,) if layout.arrangement == "inline" else (even, numbering)
