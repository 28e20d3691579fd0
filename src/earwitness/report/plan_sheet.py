"""The test plan on one sheet of paper, with room to write the readings down.

Landscape, A4 (ISO 216) or Letter (ANSI/ASME Y14.1 size A), for 1 to 16 cylinders.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from earwitness.engine.layout import CYCLE_DEG
from earwitness.engine.listening_points import PLUG_HOLE_PREFIX, TAILPIPES
from earwitness.report.pdf import printed
from earwitness.report.pictures.drawing import line, text
from earwitness.report.setting import set_plan_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from earwitness.engine.choosing import TestChoice
    from earwitness.engine.listening_points import ListeningPoint
    from earwitness.engine.test_plan import PlanStep, TestPlan
    from earwitness.gauges.leakage import LeakageLimit

Paper = Literal["a4", "letter"]

INK = "#1d2428"
DEEP = "#0b4f6c"
SOFT = "#4d575c"
"""Colours of the report [sRGB]."""
RULER_WIDTH = 1000.0
"""Width of the ruler's picture [its units]."""
RULER_INSET = 30.0
"""Room at either end of it [its units]."""
FEW, SOME, MANY = 4, 8, 12
"""Cylinders up to which rows are high, middling and low [1]. Chosen: with these, sixteen fit on one
sheet (tests/report/test_plan_sheet.py)."""
POINT_HEADS = {
    "oil-filler": "Oil filler",
    "tailpipe": "Tail pipe",
    "tailpipe-left": "Tail pipe L",
    "tailpipe-right": "Tail pipe R",
    "throttle-body": "Throttle body",
    "radiator": "Radiator, bubbles",
    "adapter": "Adapter",
    "control": "Control",
}
"""Heads of the columns to tick."""


@dataclass(frozen=True, slots=True)
class Row:
    """One cylinder on the sheet."""

    step: int
    cylinder: int
    turn: str
    angle: str
    companion: str
    neighbours: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SheetView:
    """Everything the template prints."""

    paper_style: str
    """File that sets the size of the paper."""
    density: Literal["few", "some", "many", "most"]
    label: str
    engine: str
    plan: TestPlan
    rows: tuple[Row, ...]
    heads: tuple[str, ...]
    """Heads of the columns to tick, plug holes left out."""
    points: tuple[ListeningPoint, ...]
    """What to open where; of two tailpipes the left one stands for both."""
    orifice: str
    limit: str
    ruler: str
    """Picture of two turns of the crank."""
    tests: tuple[TestChoice, ...]
    wet: bool
    """Whether there is room for a wet test: none on a diesel."""


def plan_sheet_html(
    plan: TestPlan,
    *,
    limit: LeakageLimit,
    paper: Paper = "a4",
    tests: Sequence[TestChoice] = (),
) -> str:
    """Write the test sheet as one HTML page that prints on one sheet.

    Parameters
    ----------
    plan : TestPlan
        What to do, in order.
    limit : LeakageLimit
        The leakage limit that applies.
    paper : {"a4", "letter"}
        Size of the paper, landscape.
    tests : sequence of TestChoice, optional
        Which test comes first for the complaint.
    """
    return set_plan_sheet(_view(plan, limit, paper, tests))


def plan_sheet_pdf(
    plan: TestPlan,
    *,
    limit: LeakageLimit,
    paper: Paper = "a4",
    tests: Sequence[TestChoice] = (),
) -> bytes:
    """Write the test sheet as PDF/A; parameters as for `plan_sheet_html`.

    Raises
    ------
    EquipmentError
        If the library that sets type is not there.
    """
    view = _view(plan, limit, paper, tests)
    return printed(lambda unprintable: set_plan_sheet(view, unprintable=unprintable))


def _view(
    plan: TestPlan, limit: LeakageLimit, paper: Paper, tests: Sequence[TestChoice]
) -> SheetView:
    points = {p.name: p for step in plan.steps for p in step.points}
    beside = [p for name, p in points.items() if name.startswith(PLUG_HOLE_PREFIX)]
    named = [p for p in points.values() if p not in beside]
    both = [p for p in named if p.name != TAILPIPES[1]]
    orifice = plan.gauge.orifice_mm
    return SheetView(
        paper_style=f"plan_{paper}.css",
        density=_density(len(plan.steps)),
        label=plan.layout.label,
        engine=_engine(plan),
        plan=plan,
        rows=tuple(_row(i, step, plan) for i, step in enumerate(plan.steps, 1)),
        heads=tuple(POINT_HEADS[p.name] for p in named),
        points=tuple(both),
        orifice="______ mm" if orifice is None else f"{orifice:.2f} mm",
        limit=f"{limit.leakage_percent:g} % ({limit.origin})",
        ruler=_ruler(plan),
        tests=tuple(tests),
        wet=plan.layout.fuel != "diesel",
    )


def _density(count: int) -> Literal["few", "some", "many", "most"]:
    if count <= FEW:
        return "few"
    if count <= SOME:
        return "some"
    return "many" if count <= MANY else "most"


def _engine(plan: TestPlan) -> str:
    """Say what is under test in one line."""
    layout = plan.layout
    shape = {"inline": "in line", "vee": "vee", "flat": "flat"}[layout.arrangement]
    bore = [] if layout.bore_mm is None else [f"bore {layout.bore_mm:g} mm"]
    said = [
        f"{layout.cylinders} {shape}",
        "diesel" if layout.fuel == "diesel" else "petrol",
        f"{layout.cooling}-cooled",
        *bore,
        f"fires {'-'.join(map(str, layout.firing_order))}",
    ]
    return ", ".join(said)


def _row(place: int, step: PlanStep, plan: TestPlan) -> Row:
    return Row(
        step=place,
        cylinder=step.cylinder,
        turn="start" if place == 1 else f"+{step.turn_deg:.4g}°",
        angle=f"{step.angle_deg:.4g}°",
        companion="–" if step.companion is None else str(step.companion),
        neighbours=plan.layout.neighbours(step.cylinder),
    )


def _ruler(plan: TestPlan) -> str:
    """Draw two turns of the crank with each cylinder's compression top dead centre on them."""
    width = RULER_WIDTH - 2 * RULER_INSET

    def across(deg: float) -> float:
        return RULER_INSET + width * deg / CYCLE_DEG

    drawn = [line([(across(0), 30), (across(CYCLE_DEG), 30)], INK, 1.5)]
    for deg in range(0, int(CYCLE_DEG) + 1, 30):
        long = deg % 360 == 0
        drawn.append(line([(across(deg), 30), (across(deg), 36 if long else 33)], INK, 1))
    for turn, deg in ((1, 180), (2, 540)):
        words = f"turn {turn} of the crank"
        drawn.append(text(across(deg), 58, words, anchor="middle", size=10, colour=SOFT))
    for step in plan.steps:
        drawn += _mark(across(step.angle_deg), step)
    drawn.append(text(across(CYCLE_DEG), 47, "again", anchor="middle", size=10, colour=SOFT))
    return "".join(drawn)


def _mark(x: float, step: PlanStep) -> list[str]:
    """Draw one cylinder on the ruler: its number above, its angle below."""
    return [
        f'<circle cx="{x:.1f}" cy="14" r="11" fill="{DEEP}"/>',
        text(x, 18.5, str(step.cylinder), anchor="middle", size=13, colour="#ffffff", bold=True),
        line([(x, 25), (x, 35)], DEEP, 2.5),
        text(x, 47, f"{step.angle_deg:.4g}°", anchor="middle", size=10, colour=INK),
    ]
