"""The command `plan`: which test first, how to go round the engine, and the sheet to print."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import typer

from earwitness.cli.terminal import WIDEST_LINE, print_list
from earwitness.engine.choosing import choose_tests
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.engine.listening_points import PLUG_HOLE_PREFIX
from earwitness.engine.test_plan import test_plan
from earwitness.errors import EarwitnessError, StorageError
from earwitness.gauges.altitude import BASIS_IN_WORDS, altitude_factor, ambient_kpa
from earwitness.gauges.leakage import LeakageLimit
from earwitness.gauges.limits import limit_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from rich.console import Console

    from earwitness.engine.choosing import TestChoice
    from earwitness.engine.gauge_set_up import GaugeSetUp
    from earwitness.engine.test_plan import TestPlan
    from earwitness.gauges.limits import LimitRow
    from earwitness.session.sheets.sheet import Limits, RunSheet

T = TypeVar("T", int, float)

PLAN_SCHEMA = "earwitness.plan/1"


@dataclass(frozen=True, slots=True)
class EngineWords:
    """The engine as it is described on the command line."""

    cylinders: int = 4
    firing_order: str = ""
    firing_intervals: str = ""
    arrangement: str = "inline"
    banks: str = ""
    bore_mm: float | None = None
    tailpipes: int = 1
    strokes: int = 4
    air_cooled: bool = False
    diesel: bool = False

    def layout(self) -> EngineLayout:
        """Build the layout; raises EarwitnessError in words of the command line."""
        return engine_layout(
            self.cylinders,
            firing_order=_listed(self.firing_order, int, "--firing-order") or None,
            firing_intervals_deg=_listed(self.firing_intervals, float, "--firing-intervals"),
            arrangement=self.arrangement,  # type: ignore[arg-type]  # checked there, in words
            banks=[_listed(bank, int, "--banks") for bank in self.banks.split("/") if bank],
            bore_mm=self.bore_mm,
            tailpipes=self.tailpipes,
            strokes=self.strokes,
            cooling="air" if self.air_cooled else "liquid",
            fuel="diesel" if self.diesel else "petrol",
        )


@dataclass(frozen=True, slots=True)
class Case:
    """What is known beside the engine."""

    complaint: str | None = None
    known: tuple[str, ...] = ()
    """Names of facts, several in one text with commas."""
    maker_limit: float | None = None
    """[%]"""
    limit_rule: str = "common-practice"
    altitude_m: float | None = None


@dataclass(frozen=True, slots=True)
class Height:
    """What the height of the shop does to gauges."""

    altitude_m: float
    ambient_kpa: float
    compression: dict[str, float]
    """Compression here over that at sea level [1], by basis."""

    def in_words(self) -> list[str]:
        """Say it, naming which factor is which."""
        air = f"The air outside presses with {self.ambient_kpa:.1f} kPa; leak sizes allow for it."
        return [air] + [
            f"A compression of 1000 kPa at sea level is {1000 * factor:.0f} kPa here by the "
            f"{BASIS_IN_WORDS[basis]}."
            for basis, factor in zip(BASIS_IN_WORDS, self.compression.values(), strict=True)
        ]


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what belongs to it."""

    plan: TestPlan
    tests: tuple[TestChoice, ...]
    """Empty if no complaint was named."""
    limits: tuple[LimitRow, ...]
    height: Height | None = None
    """None if the altitude is not known."""

    @property
    def limit(self) -> LeakageLimit:
        """The leakage limit that applies."""
        row = next(row for row in self.limits if row.applies)
        return LeakageLimit(row.percent or 0.0, row.origin)


def make_plan(
    sheet: Path | None, words: EngineWords, case: Case, *, first: int | None = None
) -> Planned:
    """Plan the test of an engine from a run sheet, or from the words of the command line.

    Raises
    ------
    EarwitnessError
        If such an engine cannot exist or be tested, or the sheet cannot be read.
    """
    told = None if sheet is None else _read(sheet)
    layout = words.layout() if told is None else told.engine.layout()
    limits = _limits_of(case, None if told is None else told.limits)
    altitude = case.altitude_m
    if altitude is None and told is not None:
        altitude = told.gauge.altitude_m
    height = None if altitude is None else _height(altitude)
    return Planned(test_plan(layout, first=first), _tests(case, layout), limits, height)


def print_plan(planned: Planned, *, as_json: bool, written: Path | None = None) -> None:
    """Print a plan, or only where its sheet was written."""
    if as_json:
        body = {
            "schema": PLAN_SCHEMA,
            **asdict(planned.plan),
            "tests": [asdict(choice) for choice in planned.tests],
            "limits": [asdict(row) for row in planned.limits],
            "height": None if planned.height is None else asdict(planned.height),
            "sheet": None if written is None else str(written),
        }
        typer.echo(json.dumps(body, ensure_ascii=False, allow_nan=False))
    elif written is not None:
        typer.echo(f"Sheet: {written}")
    else:
        _print_words(planned)


def write_sheet(planned: Planned, target: Path, paper: str) -> Path:
    """Write the printable sheet as HTML or PDF, by the ending of the name.

    Raises
    ------
    EarwitnessError
        If the ending or the paper is neither.
    StorageError, EquipmentError
        If it cannot be written, or no PDF can be made on this machine.
    """
    from earwitness.report.plan_sheet import plan_sheet_html, plan_sheet_pdf

    size = _paper(paper)
    kind = target.suffix.lower()
    if kind not in (".html", ".htm", ".pdf"):
        raise EarwitnessError(
            f"{target} ends neither in .html nor in .pdf",
            remedy="Name the sheet with one of these endings.",
        )
    if kind == ".pdf":
        data = plan_sheet_pdf(planned.plan, limit=planned.limit, paper=size, tests=planned.tests)
    else:
        page = plan_sheet_html(planned.plan, limit=planned.limit, paper=size, tests=planned.tests)
        data = page.encode("utf-8")
    try:
        target.write_bytes(data)
    except OSError as e:
        raise StorageError(f"The sheet cannot be written to {target} ({e.strerror})") from e
    return target


def _tests(case: Case, layout: EngineLayout) -> tuple[TestChoice, ...]:
    """Choose tests where a complaint or a fact was named."""
    if case.complaint is None and not case.known:
        return ()
    complaint: Any = case.complaint or "unknown"  # checked there, in words
    known = [fact.strip() for text in case.known for fact in text.split(",") if fact.strip()]
    return choose_tests(complaint, known, layout=layout)


def _print_words(planned: Planned) -> None:
    from rich.console import Console

    plan = planned.plan
    console = Console(highlight=False, markup=False, emoji=False)
    console.width = min(console.width, WIDEST_LINE)
    if planned.tests:
        _print_tests(console, planned.tests)
    print_list("Before the air goes on", [c.text for c in plan.cautions])
    print_list("Setting up the tester", _set_up(plan.gauge))
    _print_table(console, "Leakage limit", ["Rule", "Limit", "From"], _limits(planned.limits))
    if planned.height is not None:
        print_list(f"At {planned.height.altitude_m:g} m", planned.height.in_words())
    print_list("Warm or cold", [f"{a.text} ({a.source})" for a in plan.temperature])
    heads = ["Order", "Turn the crank", "Angle", "At the top too", "Plug holes beside"]
    _print_table(console, "Round the engine", heads, _order(plan))
    signs = [[s.sign, s.compression, s.overlap, s.source] for s in plan.signs]
    heads = ["Look or feel", "Compression", "Overlap", "From"]
    _print_table(console, "Which top dead centre it is", heads, signs)
    print_list("Getting there", [plan.steps[0].find_tdc])
    heads = ["Listen at", "Open", "Probe", "Air here means"]
    _print_table(console, "At each point", heads, _points(plan))
    print_list("This engine", [f"{n.text} ({n.source})" for n in plan.notes])
    print_list("Taken for granted", plan.assumptions)


def _print_tests(console: Console, tests: Sequence[TestChoice]) -> None:
    rows = [
        [
            str(place),
            f"{choice.title}{f', {choice.condition}' if choice.condition else ''}",
            choice.temperature,
            f"{choice.why} ({choice.origin})",
        ]
        for place, choice in enumerate(tests, 1)
    ]
    _print_table(console, "Which test first, and why", ["", "Test", "Engine", "Why"], rows)


def _set_up(gauge: GaugeSetUp) -> list[str]:
    orifice = "give the bore for it" if gauge.orifice_mm is None else f"{gauge.orifice_mm:.2f} mm"
    steps = [f"{i}. {step.text} ({step.source})" for i, step in enumerate(gauge.steps, 1)]
    return [f"Metering orifice: {orifice}. {gauge.note}", *steps]


def _limits(rows: Sequence[LimitRow]) -> list[list[str]]:
    return [
        [
            f"{row.name}{' (applies)' if row.applies else ''}",
            "not given" if row.percent is None else f"{row.percent:g} %",
            row.origin,
        ]
        for row in rows
        if row.percent is not None or row.name == "maker"
    ]


def _order(plan: TestPlan) -> list[list[str]]:
    rows = [
        [
            f"Cylinder {step.cylinder}",
            f"{step.turn_deg:.4g} degrees" if place else "start here",
            f"{step.angle_deg:.4g}",
            f"cylinder {step.companion}" if step.companion else "-",
            " ".join(map(str, plan.layout.neighbours(step.cylinder))) or "-",
        ]
        for place, step in enumerate(plan.steps)
    ]
    return [*rows, ["and back", f"{plan.back_to_first_deg:.4g} degrees", "720", "", ""]]


def _points(plan: TestPlan) -> list[list[str]]:
    """Say what to do at each point; the neighbours' plug holes once, as those of cylinder N."""
    rows = {
        re.sub(r"\d+$", "N", point.name): [
            re.sub(r"\b\d+\b", "N", words) if point.name.startswith(PLUG_HOLE_PREFIX) else words
            for words in (point.name, point.opening or "-", point.how, point.seal)
        ]
        for step in plan.steps
        for point in step.points
    }
    return list(rows.values())


def _print_table(
    console: Console, title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]
) -> None:
    """Print a table whose lines begin with their first cell."""
    from rich.table import Table
    from rich.text import Text

    console.print(Text(f"\n{title}:"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="underline")
    for head in heads:
        table.add_column(Text(head))
    for row in rows:
        table.add_row(*map(Text, row))
    console.print(table)


def _read(sheet: Path) -> RunSheet:
    from earwitness.session.sheets.sheet import read_sheet

    return read_sheet(sheet)


def _height(altitude_m: float) -> Height:
    factors = {str(basis): altitude_factor(altitude_m, basis=basis) for basis in BASIS_IN_WORDS}
    return Height(altitude_m, ambient_kpa(altitude_m), factors)


def _limits_of(case: Case, limits: Limits | None) -> tuple[LimitRow, ...]:
    """Return the table of limits; those of a run sheet give way to the maker's named here."""
    if limits is None:
        rule: Any = case.limit_rule  # checked there, in words
        return limit_table(maker_percent=case.maker_limit, rule=rule)
    return limit_table(
        maker_percent=case.maker_limit,
        sheet_percent=limits.leakage_percent,
        sheet_origin=limits.origin,
        rule=limits.rule,
    )


def _paper(paper: str) -> Literal["a4", "letter"]:
    match paper.lower():
        case "a4":
            return "a4"
        case "letter":
            return "letter"
    raise EarwitnessError(f"--paper {paper!r} is not known", remedy="Use a4 or letter.")


def _listed(text: str, kind: Callable[[str], T], option: str) -> tuple[T, ...]:
    """Read numbers with commas between them."""
    try:
        return tuple(kind(part) for part in text.split(",")) if text else ()
    except ValueError as e:
        raise EarwitnessError(
            f"{option} {text!r} is not a list of numbers",
            remedy="Write them with commas, for example 1,3,4,2.",
        ) from e
