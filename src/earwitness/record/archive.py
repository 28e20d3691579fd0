"""Find every record and claim bag below a folder, and sort them by the engine they speak of.

Nothing that cannot be trusted is used: a record that cannot be read and a bag that fails its check
are left out by name. A record and the bag packed from it are one visit, and so is a copy of either.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from earwitness.engine.vin import check_vin, vin_warning
from earwitness.errors import EarwitnessError, RecordError
from earwitness.record.claim.check.verify import verify
from earwitness.record.claim.layout import CLAIM, DECLARATION, PAYLOAD, RECORD
from earwitness.record.model import Inspection, evidence, inspection
from earwitness.record.reader import LOG, read_record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from earwitness.record.claim.check.defects import Verification
    from earwitness.record.reader import Record

Kind = Literal["record", "claim bag"]
KnownBy = Literal["vin", "engine-id", "label"]


@dataclass(frozen=True, slots=True)
class Visit:
    """One inspection of one engine, from wherever its most complete copy lies."""

    place: str
    """Where it lies, relative to the folder that was searched."""
    kind: Kind
    day: date
    """As the run sheet states it, else the day on which the record was made."""
    told: Inspection
    vin: str | None = None
    engine_id: str | None = None
    fingerprint: str | None = None
    """Of the key that signed the bag; None for a record, which nobody signed."""
    copies: tuple[str, ...] = ()
    """Other places where the same visit, or an earlier state of it, lies."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that is there but not used."""

    place: str
    why: str


@dataclass(frozen=True, slots=True)
class Engine:
    """All visits to one engine, oldest first."""

    known_by: KnownBy
    name: str
    """The VIN, the shop's own id, or the label."""
    visits: tuple[Visit, ...]
    remarks: tuple[str, ...] = ()

    @property
    def weak(self) -> bool:
        """Whether nothing but a label ties the visits together."""
        return self.known_by == "label"


@dataclass(frozen=True, slots=True)
class Archive:
    """What lies below a folder."""

    engines: tuple[Engine, ...]
    """By name; surest kind of name first."""
    left_out: tuple[LeftOut, ...]


def read_archive(folder: Path, *, tell: Callable[[str], None] = lambda _: None) -> Archive:
    """Read every record and check every claim bag below a folder; links are not followed.

    Parameters
    ----------
    folder : Path
        Any folder; a record or a bag itself will do too.
    tell : callable
        Called with each place before it is read.

    Raises
    ------
    RecordError
        If it is no folder, or nothing is found that can be used.
    """
    if not folder.is_dir():
        raise RecordError(f"{folder} is not a folder", remedy="Give the folder of an archive.")
    found: list[tuple[Record, Visit]] = []
    left_out: list[LeftOut] = []
    for place, kind in _places(folder, left_out):
        name = _name(place, folder)
        tell(name)
        try:
            found.append(_visit(place, name, kind))
        except EarwitnessError as e:
            left_out.append(LeftOut(name, e.fault))
    if not found:
        raise RecordError(
            f"There is no record and no claim bag below {folder} that can be used"
            + "".join(f"; {one.place}: {one.why}" for one in left_out[:1]),
            remedy="Give the folder that holds records or claim bags; `earwitness replay` and "
            "`earwitness pack` make them.",
        )
    visits = [v for group in _same_visit(found) for v in _merged(group, left_out)]
    return Archive(tuple(sort_by_engine(visits)), tuple(left_out))


def sort_by_engine(visits: Iterable[Visit]) -> list[Engine]:
    """Sort visits by engine: by VIN where one is disclosed, else by shop's id, else by label.

    A visit that discloses the shop's id alone joins the VIN that the same shop's id has at other
    visits, if it is only one. A different number of cylinders is a different engine.
    """
    visits = list(visits)
    vins: dict[tuple[str, str], set[str]] = {}
    for v in visits:
        if v.vin and v.engine_id:
            vins.setdefault(_id_of(v), set()).add(v.vin)
    groups: dict[tuple[str, ...], list[Visit]] = {}
    for v in visits:
        groups.setdefault(_key(v, vins), []).append(v)
    return [_engine(key, groups[key], groups) for key in sorted(groups, key=_order)]


_RANK: dict[str, int] = {"vin": 0, "engine-id": 1, "label": 2}


def _order(key: tuple[str, ...]) -> tuple[int, tuple[str, ...]]:
    return _RANK[key[0]], key


def _key(visit: Visit, vins: dict[tuple[str, str], set[str]]) -> tuple[str, ...]:
    cylinders = f"{visit.told.layout.cylinders:02d}"
    of_id = vins.get(_id_of(visit), set())
    if visit.vin or (visit.engine_id and len(of_id) == 1):
        return "vin", visit.vin or next(iter(of_id)), cylinders
    if visit.engine_id:
        return "engine-id", *_id_of(visit), cylinders
    order = "-".join(map(str, visit.told.layout.firing_order))
    return "label", _plain(visit.told.opened.label), visit.told.layout.arrangement, order, cylinders


def _id_of(visit: Visit) -> tuple[str, str]:
    """Return the shop's id together with the shop: other shops may use the same."""
    return _plain(visit.engine_id or ""), _plain(visit.told.identity.get("shop") or "")


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _engine(
    key: tuple[str, ...], visits: list[Visit], groups: dict[tuple[str, ...], list[Visit]]
) -> Engine:
    known_by: KnownBy = key[0]  # type: ignore[assignment]  # _key gives no other
    visits = sorted(visits, key=lambda v: (v.day, v.told.opened_at))
    last = visits[-1]
    name = {"vin": key[1], "engine-id": last.engine_id or "", "label": last.told.opened.label}
    return Engine(
        known_by, name[known_by] or "without a name", tuple(visits), tuple(_remarks(key, groups))
    )


def _remarks(key: tuple[str, ...], groups: dict[tuple[str, ...], list[Visit]]) -> Iterator[str]:
    if key[0] == "label":
        yield (
            "Only the label and the layout tie these visits together: no VIN and no id of the "
            "shop is disclosed. They may be different engines."
        )
    if key[0] == "vin" and (warning := vin_warning(key[1])):
        yield warning
    if key[0] != "label" and any(k[:-1] == key[:-1] and k != key for k in groups):
        yield (
            "Under the same name there are visits with another number of cylinders: a typing "
            "error, or another engine was put in. They are not compared with these."
        )


def _places(top: Path, left_out: list[LeftOut]) -> Iterator[tuple[Path, Kind]]:
    """Yield every record and bag in the order of their names; a record inside a bag is no other."""

    def unreadable(error: OSError) -> None:
        place = Path(os.fsdecode(error.filename))
        left_out.append(LeftOut(_name(place, top), f"it cannot be read ({error.strerror})"))

    for folder, inner, files in os.walk(top, onerror=unreadable):
        inner.sort()
        if DECLARATION in files or {CLAIM, PAYLOAD} <= set(inner):
            inner.clear()
            yield Path(folder), "claim bag"
        elif LOG in files:
            inner.clear()
            yield Path(folder), "record"


def _name(place: Path, top: Path) -> str:
    return place.relative_to(top).as_posix() if place != top else place.resolve().name


def _visit(place: Path, name: str, kind: Kind) -> tuple[Record, Visit]:
    checked = verify(place) if kind == "claim bag" else None
    if checked and not (checked.sound or checked.unconfirmed):
        raise _defective(checked)
    record = read_record(place / RECORD if checked else place)
    told = inspection(record)
    evidence(told)  # what cannot be judged cannot be followed either
    remarks: list[str] = []
    if checked and not checked.sound:
        remarks.append(
            f"{told.opened.program} judged this visit, and this program judges it otherwise; its "
            "readings and takes are as they were signed."
        )
    vin = _vin(told, remarks)
    if told.lost:
        remarks.append(told.lost)
    if not told.closed:
        remarks.append("The record was not closed: the inspection may have gone on.")
    visit = Visit(
        place=name,
        kind=kind,
        day=_day(told),
        told=told,
        vin=vin,
        engine_id=told.identity.get("engine_id"),
        fingerprint=checked.fingerprint if checked else None,
        remarks=tuple(remarks),
    )
    return record, visit


def _defective(checked: Verification) -> RecordError:
    first, *others = checked.defects
    more = f", and {len(others)} more" if others else ""
    return RecordError(f"the claim bag is defective: {first.kind}, {first.detail}{more}")


def _vin(told: Inspection, remarks: list[str]) -> str | None:
    text = told.identity.get("vin")
    try:
        return check_vin(text) if text else None
    except EarwitnessError as e:
        remarks.append(f"Not used to know the engine by: {e.fault}.")
        return None


def _day(told: Inspection) -> date:
    try:
        return date.fromisoformat(told.opened.date)
    except ValueError:
        return told.opened_at.date()


def _same_visit(found: list[tuple[Record, Visit]]) -> list[list[tuple[Record, Visit]]]:
    """Gather copies: the first line of a log is the same in every copy of it, and in no other."""
    groups: dict[str, list[tuple[Record, Visit]]] = {}
    for record, visit in found:
        links = [*(e.prev for e in record.entries[1:2]), record.head]
        groups.setdefault(links[0], []).append((record, visit))
    return list(groups.values())


def _merged(group: list[tuple[Record, Visit]], left_out: list[LeftOut]) -> Iterator[Visit]:
    """Yield the longest copy that agrees with the signed one, with what other copies disclose."""
    group = sorted(group, key=lambda rv: (rv[1].kind == "record", -rv[0].entries[-1].seq))
    anchor = group[0][0].head
    best, visit = max(
        (rv for rv in group if anchor in _passed(rv[0])), key=lambda rv: rv[0].entries[-1].seq
    )
    others = [v for r, v in group if v is not visit and r.head in _passed(best)]
    for record, other in group:
        if record.head not in _passed(best):
            why = f"it begins as {visit.place} and goes on otherwise: one of the two was altered"
            left_out.append(LeftOut(other.place, why))
    yield replace(
        visit,
        vin=visit.vin or next((v.vin for v in others if v.vin), None),
        engine_id=visit.engine_id or next((v.engine_id for v in others if v.engine_id), None),
        copies=tuple(v.place for v in others),
    )


def _passed(record: Record) -> set[str]:
    """Return every chain head that a record has had."""
    return {*(e.prev for e in record.entries[1:]), record.head}
