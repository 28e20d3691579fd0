"""Read a run sheet: the TOML file that replays an inspection from recordings."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from earwitness.engine.layout import EngineLayout, engine_layout
from earwitness.engine.listening_points import listening_points
from earwitness.engine.vin import check_vin
from earwitness.errors import EarwitnessError, SheetError
from earwitness.gauges.compression import check_compression_kpa
from earwitness.gauges.leakage import (
    LeakageLimit,
    check_supply_kpa,
    leakage_limit,
    leakage_percent,
    to_kpa,
)
from earwitness.gauges.orifice import check_orifice_mm
from earwitness.units import KPA_PER_UNIT

if TYPE_CHECKING:
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from earwitness.units import PressureUnit

MAX_PRESSURE_KPA = 10_000.0
"""Highest pressure a sheet may state [kPa]. Chosen: three times a diesel's cranking compression."""
MAX_SHEET_BYTES = 1_000_000
"""Largest run sheet that is read [bytes]. Chosen: a thousand times a four-cylinder sheet."""

Number = Annotated[float, Field(allow_inf_nan=False)]
Pressure = Annotated[float, Field(ge=0, le=MAX_PRESSURE_KPA, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=2000)]


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
    arrangement: Literal["inline", "vee", "flat"] = "inline"
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
    """`[gauge]`: the leakage tester."""

    orifice_mm: Number | None = None
    supply_kpa: Number | None = None

    def check(self) -> None:
        """Check that such a tester can be; raises GaugeError."""
        if self.orifice_mm is not None:
            check_orifice_mm(self.orifice_mm)
        if self.supply_kpa is not None:
            check_supply_kpa(self.supply_kpa)


class Limits(Part):
    """`[limits]`: the leakage limit and where it comes from."""

    leakage_percent: Percent | None = None
    origin: Text = "run sheet"

    def limit(self) -> LeakageLimit:
        """Return the limit that applies; raises GaugeError for one that cannot be."""
        return leakage_limit(sheet_percent=self.leakage_percent, sheet_origin=self.origin)


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
    leakage_percent: Percent | None = None
    supply_kpa: Pressure | None = None
    cylinder_kpa: Pressure | None = None
    supply_psi: Pressure | None = None
    cylinder_psi: Pressure | None = None
    supply_bar: Pressure | None = None
    cylinder_bar: Pressure | None = None
    compression_dry_kpa: Pressure | None = None
    compression_dry_psi: Pressure | None = None
    compression_dry_bar: Pressure | None = None
    compression_wet_kpa: Pressure | None = None
    compression_wet_psi: Pressure | None = None
    compression_wet_bar: Pressure | None = None
    bubbles: Literal["none", "slow", "steady"] | None = None
    dictation: str | None = None
    take: tuple[Take, ...] = ()

    def pressure(self, name: str) -> tuple[float, PressureUnit] | None:
        """Return a pressure with the unit it was given in, or None if it was not given."""
        given = [
            (value, unit)
            for unit in KPA_PER_UNIT
            if (value := getattr(self, f"{name}_{unit}")) is not None
        ]
        if len(given) > 1:
            units = " and in ".join(unit for _, unit in given)
            raise SheetError(f"Cylinder {self.number} gives {name} in {units}")
        return given[0] if given else None

    def leakage(self) -> float | None:
        """Return the leakage from either form of reading, or None [%]."""
        supply, cylinder = self.pressure("supply"), self.pressure("cylinder")
        if supply is None and cylinder is None:
            return self.leakage_percent
        if supply is None or cylinder is None or self.leakage_percent is not None:
            raise SheetError(
                f"Cylinder {self.number} needs either leakage_percent,"
                " or both the supply and the cylinder pressure"
            )
        return leakage_percent(supply_kpa=to_kpa(*supply), cylinder_kpa=to_kpa(*cylinder))

    def check(self) -> None:
        """Check that the readings are possible; raises SheetError or GaugeError."""
        self.leakage()
        for name in ("compression_dry", "compression_wet"):
            given = self.pressure(name)
            if given is not None:
                check_compression_kpa(to_kpa(*given))


class RunSheet(Part):
    """A whole run sheet."""

    inspection: Inspection = Inspection()
    people: People = People()
    engine: Engine
    gauge: Gauge = Gauge()
    limits: Limits = Limits()
    cylinder: Annotated[tuple[Cylinder, ...], Field(min_length=1)]

    def identity(self) -> dict[str, str]:
        """Return who, for whom and which engine, by the names of a record; LayoutError if wrong."""
        vin = check_vin(self.engine.vin) if self.engine.vin else ""
        return {**self.people.model_dump(), "vin": vin, "engine_id": self.engine.id}


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
    sheet = _parsed(path)
    try:
        _check(sheet, path.parent)
    except EarwitnessError as e:
        raise SheetError(f"{path}: {e.fault}", remedy=e.remedy) from e
    return sheet


def _parsed(path: Path) -> RunSheet:
    try:
        with path.open("rb") as f:
            data = f.read(MAX_SHEET_BYTES + 1)
        if len(data) > MAX_SHEET_BYTES:
            raise SheetError(f"{path} is larger than any run sheet", remedy="Is it a TOML file?")
        return RunSheet.model_validate(tomllib.loads(data.decode("utf-8-sig")))
    except FileNotFoundError as e:
        raise SheetError(f"{path} does not exist", remedy="Check the name and the folder.") from e
    except OSError as e:
        raise SheetError(f"{path} cannot be opened ({e.strerror})") from e
    except ValidationError as e:
        raise SheetError(f"{path}: {_sentence(e.errors()[0])}") from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
        raise SheetError(f"{path} is not a TOML file ({_one_line(e)})") from e


def _check(sheet: RunSheet, folder: Path) -> None:
    layout = sheet.engine.layout()
    sheet.identity()
    sheet.limits.limit()
    sheet.gauge.check()
    numbers = [c.number for c in sheet.cylinder]
    for cylinder in sheet.cylinder:
        _check_cylinder(cylinder, layout, folder)
    if len(set(numbers)) < len(numbers):
        raise SheetError("The same cylinder number stands in two [[cylinder]] tables")


def _check_cylinder(cylinder: Cylinder, layout: EngineLayout, folder: Path) -> None:
    if cylinder.number not in range(1, layout.cylinders + 1):
        raise SheetError(
            f"There is no cylinder {cylinder.number} in an engine of {layout.cylinders} cylinders"
        )
    cylinder.check()
    points = [p.name for p in listening_points(layout, cylinder.number)]
    for take in cylinder.take:
        if take.point not in points:
            raise SheetError(
                f"Cylinder {cylinder.number} has no listening point {take.point!r};"
                f" it has {', '.join(points)}"
            )
    named = [name for take in cylinder.take for name in take.files]
    for name in [*named, *([cylinder.dictation] if cylinder.dictation else [])]:
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


def _sentence(error: ErrorDetails) -> str:
    """Say one validation error as 'key ... is wrong because ...'."""
    where = _key(error["loc"])
    if error["type"] == "extra_forbidden":
        return f"the key {where} is not known"
    if error["type"] == "missing":
        return f"the key {where} is missing"
    reason = re.sub(r"^(Value error, |Input )", "", error["msg"])
    given = error["input"]
    if isinstance(given, bool | int | float | str):
        return f"{where} is {_short(given)}; it {reason}"
    return f"{where} {reason}"


def _key(location: tuple[int | str, ...]) -> str:
    """Name a key as a person counts: cylinder[2].take[1].point, first is 1."""
    text = "".join(f"[{p + 1}]" if isinstance(p, int) else f".{p}" for p in location)
    return text.lstrip(".") or "the sheet"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
