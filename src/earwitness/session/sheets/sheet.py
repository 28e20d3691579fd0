"""Read a run sheet: the TOML file that replays an inspection from recordings."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Annotated, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from earwitness.diagnosis.evidence import CheckName  # noqa: TC001  # read at run time
from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.engine.vin import check_vin
from earwitness.errors import EarwitnessError, SheetError
from earwitness.gauges.altitude import check_altitude_m
from earwitness.gauges.compression import check_compression_kpa
from earwitness.gauges.correction import ScaleCheck
from earwitness.gauges.leakage import (
    LeakageLimit,
    LimitRule,
    check_supply_kpa,
    leakage_limit,
    to_kpa,
)
from earwitness.gauges.orifice import check_orifice_mm
from earwitness.gauges.readout import read_percent, read_two_gauges
from earwitness.session.sheets.faults import in_a_sentence, on_one_line
from earwitness.units import KPA_PER_UNIT

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.units import PressureUnit

MAX_PRESSURE_KPA = 10_000.0
"""Highest pressure a sheet may state [kPa]. Chosen: three times a diesel's cranking compression."""
MAX_SHEET_BYTES = 1_000_000
"""Largest run sheet that is read [bytes]. Chosen: a thousand times a four-cylinder sheet."""

MOST_REPEATS = 20
"""Most repeats of one reading [1]. Chosen: more than anyone takes."""

Number = Annotated[float, Field(allow_inf_nan=False)]
Pressure = Annotated[float, Field(ge=0, le=MAX_PRESSURE_KPA, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=2000)]


V = TypeVar("V", bound="Visit")


def _as_list(value: object) -> object:
    """Take a single reading for a list of one."""
    return value if isinstance(value, list | tuple) else (value,)


_Repeats = Field(min_length=1, max_length=MOST_REPEATS)
Numbers = Annotated[tuple[Number, ...], BeforeValidator(_as_list), _Repeats]
Percents = Annotated[tuple[Percent, ...], BeforeValidator(_as_list), _Repeats]
Pressures = Annotated[tuple[Pressure, ...], BeforeValidator(_as_list), _Repeats]
"""One reading, or several in the order they were taken."""


class Part(BaseModel):
    """A table of the sheet; unknown keys are refused so that a typing slip is not lost."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Inspection(Part):
    """`[inspection]`: what it is called, and when it was."""

    label: Text = ""
    date: Annotated[Text, BeforeValidator(str)] = ""
    """Day of the inspection, as a TOML date or in words."""


class People(Part):
    """`[people]`: who, for whom and why."""

    shop: Text = ""
    technician: Text = ""
    customer: Text = ""
    complaint: Text = ""


class Engine(Part):
    """`[engine]`: the engine under test."""

    label: Text = ""
    vin: Text = ""
    id: Text = ""
    """The shop's own name for this very engine."""
    cylinders: int
    firing_order: tuple[int, ...] = ()
    firing_intervals_deg: tuple[Number, ...] = ()
    """Crank rotation from each firing to the next [degrees]; empty for an evenly firing engine."""
    strokes: int = 4
    arrangement: Text = "inline"
    banks: tuple[tuple[int, ...], ...] = ()
    bore_mm: Number | None = None
    cooling: Literal["liquid", "air"] = "liquid"
    fuel: Literal["petrol", "diesel"] = "petrol"
    tailpipes: int = 1

    def layout(self) -> EngineLayout:
        """Build the layout; raises LayoutError for an engine that cannot exist."""
        fields = self.model_dump(exclude={"vin", "id"})
        return engine_layout(**{**fields, "firing_order": self.firing_order or None})


class Gauge(Part):
    """`[gauge]`: the leakage tester, and how high the shop lies."""

    orifice_mm: Number | None = None
    supply_kpa: Number | None = None
    zero_percent: Numbers = ()
    full_percent: Numbers = ()
    altitude_m: Number | None = None

    def check(self) -> None:
        """Check that such a tester can be; raises GaugeError."""
        if self.orifice_mm is not None:
            check_orifice_mm(self.orifice_mm)
        if self.supply_kpa is not None:
            check_supply_kpa(self.supply_kpa)
        if self.altitude_m is not None:
            check_altitude_m(self.altitude_m)
        ScaleCheck(self.zero_percent, self.full_percent)


class Limits(Part):
    """`[limits]`: the leakage limit and where it comes from."""

    leakage_percent: Percent | None = None
    origin: Text = "run sheet"
    rule: LimitRule = "common-practice"
    """What to fall back on where no figure is given."""

    def limit(self) -> LeakageLimit:
        """Return the limit that applies; raises GaugeError for one that cannot be."""
        return leakage_limit(
            sheet_percent=self.leakage_percent, sheet_origin=self.origin, rule=self.rule
        )


class Take(Part):
    """`[[cylinder.take]]`: recordings made at one listening point."""

    point: str
    baseline: str | None = None
    pressurised: str | None = None
    cycled: str | None = None
    air_on_s: tuple[tuple[Number, Number], ...] = ()
    reference: str | None = None

    @model_validator(mode="after")
    def _is_pair_or_cycled(self) -> Take:
        pair = (self.baseline is not None, self.pressurised is not None)
        if self.cycled is not None and not any(pair):
            if not self.air_on_s:
                raise ValueError("needs air_on_s, the times at which the air was on")
        elif self.cycled is not None or not all(pair):
            raise ValueError("needs either baseline and pressurised, or cycled with air_on_s")
        elif self.air_on_s or self.reference:
            raise ValueError("has air_on_s or reference, which go with cycled only")
        return self

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the recordings, in the order they are stored."""
        named = (self.baseline, self.pressurised, self.cycled, self.reference)
        return tuple(name for name in named if name is not None)


class Cylinder(Part):
    """`[[cylinder]]`: what is known of one cylinder."""

    number: int
    leakage_percent: Percents = ()
    zero_percent: Numbers = ()
    full_percent: Numbers = ()
    supply_kpa: Pressures = ()
    supply_psi: Pressures = ()
    supply_bar: Pressures = ()
    supply_under_flow_kpa: Pressures = ()
    supply_under_flow_psi: Pressures = ()
    supply_under_flow_bar: Pressures = ()
    cylinder_kpa: Pressures = ()
    cylinder_psi: Pressures = ()
    cylinder_bar: Pressures = ()
    compression_dry_kpa: Pressures = ()
    compression_dry_psi: Pressures = ()
    compression_dry_bar: Pressures = ()
    compression_wet_kpa: Pressures = ()
    compression_wet_psi: Pressures = ()
    compression_wet_bar: Pressures = ()
    bubbles: Literal["none", "slow", "steady"] | None = None
    checked: dict[CheckName, bool] = {}  # pydantic copies it for every cylinder
    dictation: Annotated[tuple[str, ...], BeforeValidator(_as_list)] = ()
    """Recordings of what was said about it, in order."""
    dictation_marked: bool = False
    """The second channel of these recordings is not zero where the tool itself talked."""
    take: tuple[Take, ...] = ()

    def pressures(self, name: str) -> tuple[tuple[float, ...], PressureUnit] | None:
        """Return the readings of a pressure with their unit, or None if it was not read."""
        found = [(values, unit) for unit in KPA_PER_UNIT if (values := self._in(name, unit))]
        if len(found) > 1:
            units = " and in ".join(unit for _, unit in found)
            raise SheetError(f"Cylinder {self.number} gives {name} in {units}")
        return found[0] if found else None

    def pairs(self) -> list[tuple[float, float]]:
        """Return supply and cylinder pressures as they belong together [kPa]; empty if not read."""
        supply, cylinder = self._kpa("supply"), self._kpa("cylinder")
        if not supply and not cylinder:
            return []
        if not supply or not cylinder or self.leakage_percent:
            raise SheetError(
                f"Cylinder {self.number} needs either leakage_percent,"
                " or both the supply and the cylinder pressure"
            )
        if len(supply) not in (1, len(cylinder)):
            raise SheetError(
                f"Cylinder {self.number} gives {len(supply)} supply pressures for "
                f"{len(cylinder)} cylinder pressures",
                remedy="Give as many of the one as of the other, or one supply for all.",
            )
        return list(zip(supply * (len(cylinder) if len(supply) == 1 else 1), cylinder, strict=True))

    def check(self, gauge: Gauge) -> None:
        """Check that the readings are possible; raises SheetError or GaugeError."""
        self._check_leakage(gauge)
        for name in ("compression_dry", "compression_wet"):
            for value in self._kpa(name):
                check_compression_kpa(value)

    def _check_leakage(self, gauge: Gauge) -> None:
        """Read the leakage as a record of this sheet would."""
        if pairs := self.pairs():
            read_two_gauges(pairs)
        flowing = self._kpa("supply_under_flow")
        if flowing and not (self.leakage_percent and gauge.supply_kpa):
            raise SheetError(
                f"Cylinder {self.number} gives the supply under flow without leakage_percent, or "
                "without gauge.supply_kpa to compare it with"
            )
        check = ScaleCheck(self.zero_percent, self.full_percent)
        if self.leakage_percent:
            read_percent(
                self.leakage_percent,
                check=ScaleCheck(
                    check.shut_percent or gauge.zero_percent,
                    check.open_percent or gauge.full_percent,
                ),
                supply_kpa=gauge.supply_kpa,
                under_flow_kpa=flowing[-1] if flowing else None,
            )

    def _in(self, name: str, unit: str) -> tuple[float, ...]:
        values: tuple[float, ...] = getattr(self, f"{name}_{unit}")
        return values

    def _kpa(self, name: str) -> tuple[float, ...]:
        found = self.pressures(name)
        return () if found is None else tuple(to_kpa(value, found[1]) for value in found[0])


class Visit(Part):
    """What is known before anything is heard."""

    inspection: Inspection = Inspection()
    people: People = People()
    engine: Engine
    gauge: Gauge = Gauge()
    limits: Limits = Limits()

    def check(self) -> None:
        """Check that such an engine and such a tester can be; raises an EarwitnessError."""
        self.engine.layout()
        self.identity()
        self.limits.limit()
        self.gauge.check()

    def identity(self) -> dict[str, str]:
        """Return who, for whom and which engine, by the names of a record; LayoutError if wrong."""
        vin = check_vin(self.engine.vin) if self.engine.vin else ""
        return {**self.people.model_dump(), "vin": vin, "engine_id": self.engine.id}


class RunSheet(Visit):
    """A whole run sheet."""

    cylinder: Annotated[tuple[Cylinder, ...], Field(min_length=1)]


def read_visit(path: Path) -> Visit:
    """Read and check a run sheet without cylinders: the engine of a live inspection.

    Parameters
    ----------
    path : Path
        The TOML file.

    Raises
    ------
    SheetError
        As `read_sheet`.
    """
    visit = _parsed(path, Visit)
    try:
        visit.check()
    except EarwitnessError as e:
        raise SheetError(f"{path}: {e.fault}", remedy=e.remedy) from e
    return visit


def read_sheet(path: Path) -> RunSheet:
    """Read and check a run sheet, and that the recordings it names are there.

    Parameters
    ----------
    path : Path
        The TOML file; names in it are relative to its folder.

    Raises
    ------
    SheetError
        With the file, the key, what is wrong and what to do.
    """
    sheet = _parsed(path, RunSheet)
    try:
        _check(sheet, path.parent)
    except EarwitnessError as e:
        raise SheetError(f"{path}: {e.fault}", remedy=e.remedy) from e
    return sheet


def _parsed(path: Path, kind: type[V]) -> V:
    try:
        with path.open("rb") as f:
            data = f.read(MAX_SHEET_BYTES + 1)
        if len(data) > MAX_SHEET_BYTES:
            raise SheetError(f"{path} is larger than any run sheet", remedy="Is it a TOML file?")
        return kind.model_validate(tomllib.loads(data.decode("utf-8-sig")))
    except FileNotFoundError as e:
        raise SheetError(f"{path} does not exist", remedy="Check the name and the folder.") from e
    except OSError as e:
        raise SheetError(f"{path} cannot be opened ({e.strerror})") from e
    except ValidationError as e:
        raise SheetError(f"{path}: {in_a_sentence(e.errors()[0])}") from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
        raise SheetError(f"{path} is not a TOML file ({on_one_line(e)})") from e


def _check(sheet: RunSheet, folder: Path) -> None:
    sheet.check()
    layout = sheet.engine.layout()
    numbers = [c.number for c in sheet.cylinder]
    for cylinder in sheet.cylinder:
        _check_cylinder(cylinder, sheet.gauge, layout, folder)
    if len(set(numbers)) < len(numbers):
        raise SheetError("The same cylinder number stands in two [[cylinder]] tables")


def _check_cylinder(cylinder: Cylinder, gauge: Gauge, layout: EngineLayout, folder: Path) -> None:
    if cylinder.number not in range(1, layout.cylinders + 1):
        raise SheetError(
            f"There is no cylinder {cylinder.number} in an engine of {layout.cylinders} cylinders"
        )
    cylinder.check(gauge)
    points = [p.name for p in listening_points(layout, cylinder.number)]
    for take in cylinder.take:
        if take.point not in points:
            raise SheetError(
                f"Cylinder {cylinder.number} has no listening point {take.point!r};"
                f" it has {', '.join(points)}"
            )
    named = [name for take in cylinder.take for name in take.files]
    for name in [*named, *cylinder.dictation]:
        _check_exists(folder, name, cylinder.number)


def _check_exists(folder: Path, name: str, cylinder: int) -> None:
    try:
        found = (folder / name).is_file()
    except (OSError, ValueError):
        found = False
    if not found:
        raise SheetError(
            f"Cylinder {cylinder} names the recording {name!r}, which is not there",
            remedy=f"Put it into {folder} or correct the name.",
        )
