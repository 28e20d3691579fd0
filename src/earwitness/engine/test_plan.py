"""Plan the leak test of an engine: which cylinder next, how far to turn, where to listen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from earwitness.engine.cautions import Caution, cautions
from earwitness.engine.firing import degrees_to_turn, firing_interval_deg
from earwitness.engine.gauge_set_up import AC, PRACTICE, Advice, GaugeSetUp, gauge_set_up
from earwitness.engine.layout import CYCLE_DEG
from earwitness.engine.listening_points import ListeningPoint, listening_points
from earwitness.engine.tdc import TdcSign, tdc_hint, tdc_signs
from earwitness.engine.test_rules import WET_TEST_ON_DIESEL
from earwitness.errors import LayoutError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.engine.layout import EngineLayout

COLD_MANUAL = "US Army TM 5-3895-359-14&P"
DIESEL_MANUAL = "US Army TM 5-2420-230-24-2"


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
    angle_deg: float = 0.0
    """Crank rotation from the first cylinder of the plan, in running direction [degrees]."""


@dataclass(frozen=True, slots=True)
class TestPlan:
    """Everything to know before the air goes on."""

    __test__ = False
    """Keeps test collectors from mistaking the plan for a test case."""

    layout: EngineLayout
    interval_deg: float
    """Mean crank rotation between consecutive firings [degrees]."""
    gauge: GaugeSetUp
    steps: tuple[PlanStep, ...]
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    back_to_first_deg: float = CYCLE_DEG
    """Crank rotation from the last cylinder on to the first again [degrees]."""
    temperature: tuple[Advice, ...] = ()
    """Warm or cold, and why."""
    signs: tuple[TdcSign, ...] = ()
    """How compression top dead centre of the first cylinder differs from overlap."""
    notes: tuple[Advice, ...] = ()
    """What is special about this kind of engine."""


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
    steps = tuple(
        _step(layout, cylinder, before, order[0])
        for cylinder, before in zip(order, (order[0], *order[:-1]), strict=True)
    )
    return TestPlan(
        layout=layout,
        interval_deg=firing_interval_deg(layout.cylinders),
        gauge=gauge_set_up(layout.bore_mm),
        steps=steps,
        cautions=cautions("plan", layout),
        assumptions=_assumptions(layout),
        back_to_first_deg=CYCLE_DEG - steps[-1].angle_deg,
        temperature=_temperature(layout),
        signs=tdc_signs(layout, steps[0].companion),
        notes=_notes(layout),
    )


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


def _step(layout: EngineLayout, cylinder: int, before: int, first: int) -> PlanStep:
    return PlanStep(
        cylinder=cylinder,
        turn_deg=degrees_to_turn(layout, before, cylinder),
        companion=layout.companion(cylinder),
        find_tdc=tdc_hint(layout, cylinder),
        points=listening_points(layout, cylinder),
        angle_deg=degrees_to_turn(layout, first, cylinder),
    )


def _temperature(layout: EngineLayout) -> tuple[Advice, ...]:
    """Say how warm the engine should be."""
    advice = [
        Advice(
            "Warm, soon after it was shut down: rings and walls are still oiled, and clearances "
            "are those of running.",
            f"{AC}(a)",
            "Warm, soon after it was shut down.",
        ),
        Advice(
            "Cold, before the first start of the day, where the complaint shows on a cold engine "
            "only.",
            PRACTICE,
            "Cold, where the complaint shows cold only.",
        ),
    ]
    if layout.cooling == "liquid":
        advice.append(
            Advice(
                "The radiator is opened on a cold engine only: leave that point for last, when "
                "the engine has cooled.",
                COLD_MANUAL,
                "Radiator last, on a cold engine only.",
            )
        )
    return tuple(advice)


def _notes(layout: EngineLayout) -> tuple[Advice, ...]:
    """Say what is special about this kind of engine."""
    notes: list[Advice] = []
    if layout.fuel == "diesel":
        notes += _diesel_notes()
    if layout.cooling == "air":
        notes.append(
            Advice(
                "Air-cooled: no radiator to listen at. A leaking head joint blows to the outside: "
                "listen along it, or wet it with soapy water.",
                PRACTICE,
                "Air-cooled: listen along the head joint too.",
            )
        )
    if len(layout.banks) > 1:
        banks = "; ".join(" ".join(map(str, bank)) for bank in layout.banks)
        notes.append(
            Advice(
                f"Banks, front to back: {banks}. Only cylinders of one bank share a gasket.",
                "as given",
                f"Banks, front to back: {banks}.",
            )
        )
    if not layout.fires_evenly:
        turns = " - ".join(f"{angle:g}" for angle in layout.intervals_deg)
        uneven = "Fires unevenly: turn by the angles above."
        notes.append(
            Advice(f"Fires unevenly: {turns} degrees, in firing order.", "as given", uneven)
        )
    return tuple(notes)


def _diesel_notes() -> tuple[Advice, ...]:
    return (
        Advice(
            "Diesel: the adapter goes into the glow plug or injector hole; shut the fuel off as "
            "the maker says, and let no pipe under pressure be opened.",
            PRACTICE,
            "Diesel: adapter in the glow plug or injector hole, fuel shut off.",
        ),
        Advice(
            "Its compression is far above a petrol engine's: a gauge to 7000 kPa. One manual gives "
            "2413 kPa new and 2068 kPa used, and all cylinders within 690 kPa of each other.",
            DIESEL_MANUAL,
            "Gauge to 7000 kPa; cylinders within 690 kPa.",
        ),
        Advice(WET_TEST_ON_DIESEL, PRACTICE, "No wet test on a diesel."),
    )


def _assumptions(layout: EngineLayout) -> tuple[str, ...]:
    even = (
        f"The angles hold for an evenly firing engine: 720 degrees / {layout.cylinders}. "
        "The maker's timing marks decide."
    )
    uneven = "The angles are the firing intervals as given. The maker's timing marks decide."
    numbering = (
        "Cylinder numbers and banks are as given: makers number differently, so check which "
        "cylinder is number 1."
    )
    angles = even if layout.fires_evenly else uneven
    return (angles,) if layout.arrangement == "inline" else (angles, numbering)
