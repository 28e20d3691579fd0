"""Steps 6 and 7: findings from the sound and the verdict from the findings, reached once more.

What was recorded and what comes out now are compared field by field: numbers within `SAME_WITHIN`,
everything else exactly. A defect names the fields and says by how much they differ.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from earwitness.diagnosis.judge import judge_engine
from earwitness.errors import EarwitnessError
from earwitness.record import bodies, model
from earwitness.record.canonical import canonical_bytes, value_of
from earwitness.record.claim.check.defects import BY_ANOTHER_VERSION, Defect, defect
from earwitness.record.claim.check.inventory import LOG_PATH
from earwitness.record.claim.layout import RECORD
from earwitness.record.reader import SCHEMA, Record, audio_file
from earwitness.record.sound_files import score_files

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from collections.abc import Set as AbstractSet
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.record.chain import Body, Entry
    from earwitness.record.claim.check.log import Log
    from earwitness.record.identity import Salted

MOST_SHOWN = 3
"""Fields that a defect names before it counts the rest [1]."""

_HOSTILE = (EarwitnessError, ArithmeticError, LookupError, TypeError, ValueError, RecursionError)
"""What computing with a stranger's values may raise; nothing of it may stop the checking."""

SAME_WITHIN = 1e-9
"""Numbers that differ by less, relatively or absolutely, are the same [1]. Linear algebra sums in
another order on another processor or with another number of threads: 2e-13 was seen between one
thread and two. A level that is off by a billionth of a decibel changes no claim."""

_WORDING = re.compile(r"\b(summary|next_check|reasons|cautions|repair)\b")
"""Fields of a verdict that put it into words, and may be put better by another version."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that is recorded otherwise than it comes out."""

    field: str
    """For example `floors.on_db[3]`."""
    recorded: Any
    recomputed: Any

    @property
    def relative(self) -> float:
        """Difference relative to the larger of the two numbers [1]; infinite for other values."""
        a, b = self.recorded, self.recomputed
        if _is_number(a) and _is_number(b):
            return float(abs(a - b) / max(abs(a), abs(b)))
        return math.inf


def differences(recorded: Any, recomputed: Any, field: str = "") -> Iterator[Difference]:
    """Yield every field of a JSON value that differs from that of another one.

    Numbers with a fraction are the same within `SAME_WITHIN`, everything else exactly.

    Examples
    --------
    >>> [d.field for d in differences({"a": [1.0, 2.5]}, {"a": [1.0, 2.25], "b": None})]
    ['a[1]', 'b']
    """
    if isinstance(recorded, dict) and isinstance(recomputed, dict):
        for key in sorted(recorded.keys() | recomputed.keys()):
            inner = f"{field}.{key}".lstrip(".")
            yield from differences(recorded.get(key, _ABSENT), recomputed.get(key, _ABSENT), inner)
    elif isinstance(recorded, list) and isinstance(recomputed, list):
        if len(recorded) != len(recomputed):
            yield Difference(f"length of {field}", len(recorded), len(recomputed))
        for i, (a, b) in enumerate(zip(recorded, recomputed, strict=False)):
            yield from differences(a, b, f"{field}[{i}]")
    elif not _is_same(recorded, recomputed):
        yield Difference(field, recorded, recomputed)


def _is_same(a: Any, b: Any) -> bool:
    if _is_number(a) and _is_number(b) and float in (type(a), type(b)):
        return math.isclose(a, b, rel_tol=SAME_WITHIN, abs_tol=SAME_WITHIN)
    return bool(a == b) and isinstance(a, bool) == isinstance(b, bool)


def score_again(folder: Path, take: model.Take) -> Finding:
    """Score a take from the sound in a record folder, the way it was scored when it was taken.

    Raises
    ------
    EarwitnessError
        If a recording cannot be read, or the times do not fit it.
    ValueError
        If the take does not name the recordings that its kind needs.
    """
    wanted = (1, 2) if take.air_on_s else (2,)
    if len(take.audio) not in wanted:
        raise ValueError(f"it names {len(take.audio)} recordings")
    files = [audio_file(folder, path) for path in take.audio]
    return score_files(files, take.point, take.air_on_s)


def other_findings(
    bag: Path, log: Log, told: model.Inspection | None, intact: AbstractSet[str]
) -> Iterator[Defect]:
    """Step 6: score every take again, retracted ones too, and yield what comes out otherwise.

    Parameters
    ----------
    bag : Path
    log : Log
        Entries as they stand, so that not a digit is lost in reading them.
    told : Inspection or None
        The same as the record tells it; None if it cannot be understood.
    intact : set of str
        Sound that is what its entry says; a take that rests on other sound proves nothing.
    """
    if told is None:
        yield defect("finding-not-recomputed", LOG_PATH, "the record cannot be understood")
        return
    if not told.takes:
        yield defect("takes-none", None, "the record holds no take")
    for take in told.takes:
        for found in _other_finding(
            bag / RECORD, take, _findings_of(log.entries, take.seq), intact
        ):
            yield of_its_version(found, told)


def understood(
    bag: Path, log: Log, identity: Mapping[str, Salted]
) -> tuple[model.Inspection | None, list[Defect]]:
    """Tell the inspection from a log whose every line is an entry; None, and why, if it fails."""
    if not log.whole or log.entries[0].body.get("schema") != SCHEMA:
        why = "the log cannot be read from its first to its last line"
        return None, [defect("verdict-not-recomputed", LOG_PATH, why)]
    try:
        return _told(bag, log.entries, log.head, identity), []
    except _HOSTILE as e:
        return None, [defect("record-not-understood", LOG_PATH, _reason(e))]


def other_verdicts(bag: Path, log: Log, told: model.Inspection) -> Iterator[Defect]:
    """Step 7: judge again and yield what comes out otherwise.

    The last verdict must follow from the whole record, an earlier one from what was there then.
    Its words must be the same too, unless another version of the program chose them.
    """
    if not told.tested:
        yield defect("evidence-none", LOG_PATH, "no reading and no take is there to judge by")
    verdicts = [(i, e) for i, e in enumerate(log.entries) if e.kind == "verdict"]
    if not verdicts:
        yield defect("verdict-missing", LOG_PATH, "no verdict was recorded")
    for i, entry in verdicts:
        last = (i, entry) == verdicts[-1]
        yield from _other_verdict(bag, log, entry, log.entries if last else log.entries[:i])


def _other_verdict(bag: Path, log: Log, entry: Entry, entries: Sequence[Entry]) -> Iterator[Defect]:
    where = f"entry {entry.seq}"
    try:
        told = _told(bag, entries, log.head)
        body = bodies.verdict_body(judge_engine(told.layout, model.evidence(told)))
        found = [d for d in differences(entry.body, _as_read(body)) if _counts(d, told)]
    except _HOSTILE as e:
        yield defect("verdict-not-recomputed", LOG_PATH, f"{where}: {_reason(e)}")
        return
    if found:
        detail = f"the verdict of {where} {_in_words(found)}"
        yield of_its_version(defect("verdict-differs", LOG_PATH, detail), told)


def _other_finding(
    folder: Path, take: model.Take, recorded: Sequence[Entry], intact: AbstractSet[str]
) -> Iterator[Defect]:
    where = f"take {take.seq}"
    if not recorded:
        yield defect("finding-missing", LOG_PATH, f"{where} was never scored")
    if not set(take.audio) <= intact:
        why = f"{where} cannot be scored again: its sound is not what was recorded"
        yield defect("finding-not-recomputed", LOG_PATH, why)
        return
    try:
        finding = score_again(folder, take)
    except _HOSTILE as e:
        detail = f"{where} cannot be scored again: {_reason(e)}"
        yield defect("finding-not-recomputed", LOG_PATH, detail)
        return
    for entry in recorded:
        found = list(differences(entry.body, _body_again(finding, entry.body)))
        if found:
            detail = f"the finding of entry {entry.seq} on {where} {_in_words(found)}"
            yield defect("finding-differs", LOG_PATH, detail)


def _body_again(finding: Finding, recorded: Body) -> object:
    """Write the recomputed finding as an entry; a usable take may still be refused by hand."""
    refused = not finding.usable or recorded["refused"]
    return _as_read(bodies.finding_body(finding, recorded["take"], refused=refused))


def _as_read(body: Body) -> object:
    """Return a body as it would come back from the log."""
    return value_of(canonical_bytes(body))


def _findings_of(entries: Sequence[Entry], take: int) -> list[Entry]:
    return [e for e in entries if e.kind == "finding" and e.body.get("take") == take]


def _told(
    bag: Path, entries: Sequence[Entry], head: str, identity: Mapping[str, Salted] | None = None
) -> model.Inspection:
    return model.inspection(Record(bag / RECORD, tuple(entries), head, None, identity or {}))


def _in_words(found: list[Difference]) -> str:
    shown = ", ".join(
        f"{d.field} (recorded {_short(d.recorded)}, recomputed {_short(d.recomputed)})"
        for d in found[:MOST_SHOWN]
    )
    more = f" and {len(found) - MOST_SHOWN} fields more" if len(found) > MOST_SHOWN else ""
    largest = max(d.relative for d in found)
    by = "" if math.isinf(largest) else f"; largest relative difference {largest:.2g}"
    return f"differs in {shown}{more}{by}"


def _counts(difference: Difference, told: model.Inspection) -> bool:
    return told.opened.program == _program() or not _WORDING.search(difference.field)


def _program() -> str:
    return f"earwitness {version('earwitness')}"


def of_its_version(found: Defect, told: model.Inspection | None) -> Defect:
    """Blame a difference on the version where another one than this recorded the inspection."""
    kind = found.kind.replace("-differs", "-by-another-version")
    now, then = _program(), told.opened.program if told else ""
    if then in ("", now) or kind not in BY_ANOTHER_VERSION:
        return found
    detail = f"{found.detail}. Recorded by {then}, computed anew by {now}: check it with {then}"
    return defect(kind, found.path, detail)


def _short(value: Any) -> str:
    text = "nothing" if value is _ABSENT else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _reason(e: Exception) -> str:
    return e.fault if isinstance(e, EarwitnessError) else f"it holds impossible values ({e})"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


_ABSENT = object()
"""Stands for a field that is not there."""
