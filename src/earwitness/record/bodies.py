"""What entries say: the one place where bodies are built, and where they are read back.

Every number that people read back to each other is kept as the decimal text they said; measured
numbers are JSON numbers, and come back to the last bit. A measured number that is not finite is
kept as the text NaN, Infinity or -Infinity, because JSON has no other way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from earwitness.acoustics.finding import Finding
from earwitness.diagnosis.verdict import SCHEMA as VERDICT_SCHEMA
from earwitness.diagnosis.verdict import EngineVerdict, to_json
from earwitness.engine.layout import EngineLayout  # noqa: TC001  # read at run time by pydantic
from earwitness.errors import RecordError
from earwitness.gauges.leakage import LeakageLimit  # noqa: TC001  # likewise
from earwitness.record.identity import digests_of
from earwitness.record.reader import SCHEMA
from earwitness.speech.dictation import Heard

if TYPE_CHECKING:
    from pydantic import TypeAdapter

    from earwitness.record.chain import Body
    from earwitness.record.identity import Salted

Quantity = Literal[
    "leakage",
    "compression-dry",
    "compression-wet",
    "supply-pressure",
    "supply-under-flow",
    "cylinder-pressure",
    "zero",
    "full",
    "bubbles",
    "top-dead-centre",
    "adapter-tight",
    "tester-right",
    "tap-helps",
    "ventilation-quiets",
]
"""What is read; leakage in percent, pressures in any unit a gauge has, bubbles in a word. `zero`
and `full` are what the percent scale shows with the hose shut and open; `supply-under-flow` is the
supply while the percentage was read. The last five are checks, answered yes or no."""
Origin = Literal["dictated, confirmed", "run sheet", "typed"]
Basis = Literal["pair", "cycles"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Gauge:
    """The leakage tester."""

    orifice_mm: float | None = None
    supply_kpa: float | None = None
    zero_percent: tuple[float, ...] = ()
    """What its scale shows with the hose shut: once, or before and after the test [%]."""
    full_percent: tuple[float, ...] = ()
    """Likewise with the hose open to the air [%]."""
    altitude_m: float | None = None
    """Height of the shop above sea level [m]."""


@dataclass(frozen=True, slots=True)
class Opened:
    """Body of an `opened` entry: what is inspected, for whom, with what."""

    label: str
    engine: EngineLayout
    gauge: Gauge
    limit: LeakageLimit
    source: str
    """The run sheet, or how the inspection was made."""
    program: str
    date: str = ""
    """Day of the inspection in words, where the run sheet gives one."""
    identity: dict[str, str] = field(default_factory=dict)
    """Salted digest of each value that `identity.json` holds or held; see `record.identity`."""
    schema: str = SCHEMA


@dataclass(frozen=True, slots=True)
class AudioFile:
    """Body of an `audio` entry: one sound file, stored as it was received."""

    path: str
    sha256: str
    bytes: int
    original_name: str
    sample_rate_hz: int
    channels: int
    frames: int
    subtype: str


@dataclass(frozen=True, slots=True)
class Said:
    """Body of an `utterance` entry: what was understood, where, about which cylinder."""

    cylinder: int | None
    audio: str
    heard: Heard


@dataclass(frozen=True, slots=True)
class Read:
    """Body of a `reading` entry: one gauge value."""

    cylinder: int
    quantity: Quantity
    value: str
    """As it was said or written, for example "34" or "none"."""
    unit: str
    origin: Origin
    utterance: int | None = None
    """Entry of the utterance it was taken from."""
    repeats: int | None = None
    """Entry of the first reading that this one repeats: they are averaged. None for a reading that
    stands for itself, and replaces what was read before."""


@dataclass(frozen=True, slots=True)
class Retraction:
    """Body of a `retraction` entry: which entry no longer counts."""

    retracts: int
    why: str


@dataclass(frozen=True, slots=True)
class Taken:
    """Body of a `take` entry: recordings at one listening point of one cylinder."""

    cylinder: int
    point: str
    basis: Basis
    audio: tuple[str, ...]
    """Paths: baseline and pressurised, or cycled and perhaps a reference."""
    air_on_s: tuple[tuple[float, float], ...] | None = None
    """When the air was on [s]."""


@dataclass(frozen=True, slots=True)
class Found:
    """Body of a `finding` entry: what a take shows."""

    take: int
    refused: bool
    finding: Finding


def opened_body(
    layout: EngineLayout,
    *,
    limit: LeakageLimit,
    gauge: Mapping[str, Any] | None = None,
    identity: Mapping[str, Salted] | None = None,
    date: str = "",
    source: str = "",
    label: str = "",
) -> Body:
    """Build the body of an `opened` entry.

    Parameters
    ----------
    layout : EngineLayout
        The engine.
    limit : LeakageLimit
        Leakage limit with its origin.
    gauge : mapping, optional
        Fields of `Gauge`.
    identity : mapping of str to Salted, optional
        People and engine; only their digests go into the body.
    date : str, optional
        Day of the inspection in words.
    source : str, optional
        Name of the run sheet, or how the inspection was made.
    label : str, optional
        What the inspection is called; the engine's label if left out.
    """
    opened = Opened(
        label=label or layout.label,
        engine=layout,
        gauge=Gauge(**(gauge or {})),
        limit=limit,
        source=source,
        program=f"earwitness {version('earwitness')}",
        date=date,
        identity=digests_of(identity or {}),
    )
    return _body(asdict(opened))


def utterance_body(heard: Heard, *, cylinder: int | None, audio: str) -> Body:
    """Build the body of an `utterance` entry; `audio` is the path of its sound file."""
    return _body({"cylinder": cylinder, "audio": audio, **asdict(heard)})


def reading_body(
    cylinder: int,
    quantity: Quantity,
    value: str,
    unit: str,
    *,
    origin: Origin,
    utterance: int | None = None,
    repeats: int | None = None,
) -> Body:
    """Build the body of a `reading` entry; see `Read`."""
    return _body(asdict(Read(cylinder, quantity, value, unit, origin, utterance, repeats)))


def retraction_body(retracts: int, why: str) -> Body:
    """Build the body of a `retraction` entry: entry `retracts` no longer counts."""
    return asdict(Retraction(retracts, why))


def take_body(
    *,
    cylinder: int,
    point: str,
    basis: Basis,
    audio: Sequence[str],
    air_on_s: Sequence[tuple[float, float]] | None = None,
) -> Body:
    """Build the body of a `take` entry; see `Taken`."""
    on = None if air_on_s is None else tuple((float(a), float(b)) for a, b in air_on_s)
    return _body(asdict(Taken(cylinder, point, basis, tuple(audio), on)))


def finding_body(finding: Finding, take: int, *, refused: bool) -> Body:
    """Build the body of a `finding` entry for the take in entry `take`."""
    return _body({"take": take, "refused": refused, **asdict(finding)})


def verdict_body(verdict: EngineVerdict) -> Body:
    """Build the body of a `verdict` entry: the verdict as `earwitness judge` prints it."""
    return to_json(verdict)


def note_body(text: str) -> Body:
    """Build the body of a `note` entry."""
    return {"text": text}


def finding_from(body: Body) -> Finding:
    """Read a finding back, equal to the last bit to the one that was kept."""
    return read_body(Finding, body)


def found_from(body: Body) -> Found:
    """Read the body of a `finding` entry."""
    outer = read_body(_FindingOf, body)
    return Found(outer.take, outer.refused, finding_from(body))


def said_from(body: Body) -> Said:
    """Read the body of an `utterance` entry."""
    outer = read_body(_HeardAt, body)
    return Said(outer.cylinder, outer.audio, read_body(Heard, body))


def verdict_from(body: Body) -> EngineVerdict:
    """Read the body of a `verdict` entry; its probabilities have the digits that JSON keeps."""
    outer = read_body(_VerdictBody, body)
    if outer.schema != VERDICT_SCHEMA:
        raise RecordError(f"a verdict of schema {outer.schema!r} is not known to this program")
    return read_body(EngineVerdict, {**outer.engine, "cylinders": outer.cylinders})


def read_body(kind: type[T], body: Body) -> T:
    """Read a body as the dataclass that describes it; keys it does not name are left alone.

    Raises
    ------
    RecordError
        Naming the field that is missing or wrong.
    """
    from pydantic import ValidationError

    try:
        read: T = _reader(kind).validate_python(body)
    except ValidationError as e:
        first = e.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the body"
        raise RecordError(f"{where}: {first['msg']}") from e
    return read


@dataclass(frozen=True, slots=True)
class _FindingOf:
    take: int
    refused: bool


@dataclass(frozen=True, slots=True)
class _HeardAt:
    audio: str
    cylinder: int | None = None


@dataclass(frozen=True, slots=True)
class _VerdictBody:
    schema: str
    engine: dict[str, Any]
    cylinders: list[dict[str, Any]]


_READERS: dict[type[Any], TypeAdapter[Any]] = {}
"""Compiled on first use; the same for every record, so safe to keep."""


def _reader(kind: type[Any]) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter

    if kind not in _READERS:
        _READERS[kind] = TypeAdapter(kind)
    return _READERS[kind]


def _body(fields: Mapping[str, Any]) -> Body:
    return {key: _plain(value) for key, value in fields.items()}


def _plain(value: Any) -> Any:
    """Turn tuples into lists and non-finite numbers into text, all the way down."""
    if isinstance(value, Mapping):
        return _body(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"
    return value
