"""Write the run sheet that replays a live inspection from the recordings in its record."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from earwitness.record.model import Inspection, Take
    from earwitness.record.readings import Reading

SHEET = "replay.toml"
"""Name of the run sheet in the record folder."""
DICTATED = "dictated, confirmed"
BY_VOICE = "scratch that"
"""Why a reading was taken back that was taken back in the recording."""
_KEYS = {
    "supply-pressure": "supply",
    "cylinder-pressure": "cylinder",
    "supply-under-flow": "supply_under_flow",
    "compression-dry": "compression_dry",
    "compression-wet": "compression_wet",
}


def sheet_text(told: Inspection) -> str:
    """Return the run sheet of an inspection, its file names relative to the record folder.

    A cylinder whose readings were all said and confirmed by voice is replayed from the recordings
    of it; one with readings that were typed or pressed gives them as values. Takes that were
    broken off and takes that were taken back are left out.

    Parameters
    ----------
    told : Inspection
        From `record.model.inspection`.

    Returns
    -------
    str
        TOML; empty if there is nothing to replay.
    """
    cylinders = sorted({*told.tested, *(u.cylinder for u in told.utterances if u.cylinder)})
    if not cylinders:
        return ""
    parts = [_head(told)]
    parts += [_cylinder(told, number) for number in cylinders]
    return "\n".join(parts)


def _head(told: Inspection) -> str:
    opened, people = told.opened, dict(told.identity.values)
    engine = opened.engine
    vehicle = {"vin": people.pop("vin", ""), "id": people.pop("engine_id", "")}
    tables: dict[str, dict[str, Any]] = {
        "inspection": {"label": opened.label, "date": opened.date},
        "people": people,
        "engine": {
            "label": engine.label,
            **vehicle,
            "cylinders": engine.cylinders,
            "firing_order": engine.firing_order,
            "firing_intervals_deg": engine.firing_intervals_deg,
            "arrangement": engine.arrangement,
            "banks": engine.banks if engine.arrangement != "inline" else (),
            "bore_mm": engine.bore_mm,
            "cooling": engine.cooling,
            "fuel": engine.fuel,
            "tailpipes": engine.tailpipes,
        },
        "gauge": {
            "orifice_mm": opened.gauge.orifice_mm,
            "supply_kpa": opened.gauge.supply_kpa,
            "zero_percent": opened.gauge.zero_percent,
            "full_percent": opened.gauge.full_percent,
            "altitude_m": opened.gauge.altitude_m,
        },
        "limits": {"leakage_percent": opened.limit.leakage_percent, "origin": opened.limit.origin},
    }
    begun = f"{told.opened_at:%Y-%m-%d %H:%M} UTC"
    lines = [f"# Run sheet of the live inspection that began {begun}."]
    for name, fields in tables.items():
        lines += ["", f"[{name}]", *_lines(fields)]
    return "\n".join(lines) + "\n"


def _cylinder(told: Inspection, number: int) -> str:
    lines = ["[[cylinder]]", f"number = {number}"]
    if _is_all_said(told, number):
        said = [a.path for a in told.audio if is_said_of(a.path, number)]
        lines += _lines({"dictation": said, "dictation_marked": True if said else None})
    else:
        lines += _lines(_values(told.readings_of(number)))
    takes = [t for t in told.takes if t.cylinder == number and not t.retracted]
    return "\n".join([*lines, *(_take(t) for t in takes)]) + "\n"


def is_said_of(path: str, cylinder: int) -> bool:
    """Tell whether a sound file of the record is what was said of a cylinder."""
    return path.rpartition(".")[0].endswith(f"-c{cylinder}-said")


def _is_all_said(told: Inspection, number: int) -> bool:
    every = [r for r in (*told.readings, *told.retracted_readings) if r.cylinder == number]
    return all(r.origin == DICTATED and r.retracted in (None, BY_VOICE) for r in every)


def _values(readings: tuple[Reading, ...]) -> dict[str, Any]:
    """Return the last value of each quantity under its key; two gauges only together."""
    last = {r.quantity: r for r in readings}
    if "leakage" in last or not {"supply-pressure", "cylinder-pressure"} <= set(last):
        last.pop("supply-pressure", None)
        last.pop("cylinder-pressure", None)
    found: dict[str, Any] = {}
    for quantity, r in last.items():
        if quantity == "bubbles":
            found["bubbles"] = r.value
        elif quantity in _KEYS:
            found[f"{_KEYS[quantity]}_{r.unit.lower()}"] = float(r.value)
        elif r.unit == "percent":
            found[f"{quantity}_percent"] = float(r.value)
    return found


def _take(take: Take) -> str:
    cycled, *reference = take.audio
    fields = {
        "point": take.point,
        "cycled": cycled,
        "air_on_s": take.air_on_s,
        "reference": reference[0] if reference else None,
    }
    return "\n".join(["", "[[cylinder.take]]", *_lines(fields)])


def _lines(fields: dict[str, Any]) -> list[str]:
    """Write keys with their values; those that say nothing are left out.

    Text, numbers, truths and lists of them are written in TOML as in JSON.
    """
    return [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in fields.items()
        if value not in (None, "", (), [])
    ]
