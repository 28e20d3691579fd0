"""Check a claim bag: a numbered list, of which every step reports every defect it finds."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from earwitness.record.claim.check.defects import (
    DEPTHS,
    Defect,
    Depth,
    Verification,
    defect,
    reaches,
)
from earwitness.record.claim.check.inventory import LOG_PATH, changed, incomplete, look_into
from earwitness.record.claim.check.log import read_log_of
from earwitness.record.claim.check.names import IDENTITY_PATH, Names
from earwitness.record.claim.check.page import (
    Drawing,
    not_compared,
    other_paper,
    other_words,
    read_page,
    stale,
)
from earwitness.record.claim.check.recompute import (
    of_its_version,
    other_findings,
    other_verdicts,
    understood,
)
from earwitness.record.claim.check.signed import Signed, absent
from earwitness.record.claim.check.sounds import Sounds
from earwitness.record.claim.layout import CHECKING, PAPER, RECORD, REPORT
from earwitness.record.claim.statement import fingerprint
from earwitness.record.moment import rfc3339
from earwitness.record.reader import AUDIO

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from earwitness.record.claim.check.inventory import Contents
    from earwitness.record.claim.check.log import Log
    from earwitness.record.claim.check.page import Blame
    from earwitness.record.identity import Salted
    from earwitness.record.model import Inspection


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the caller knows from a source other than the bag."""

    known_key: str | None
    identity: Mapping[str, Salted]
    authority: bytes | None


_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)


def verify(
    bag: Path,
    *,
    depth: Depth = "default",
    known_key: str | None = None,
    render: Drawing | None = None,
    identity: Mapping[str, Salted] | None = None,
    authority: bytes | None = None,
) -> Verification:
    """Check a bag that anybody may have made or changed.

    These must hold, and each that does not is a defect:

    1. The bag is complete: BagIt 1.0, manifests as they were made, every listed file there, no
       other file, no link, no name that leads elsewhere, and as many bytes as stated.
    2. Every file has the digest that the manifests state.
    3. The entries of the record follow from one another, from the first line to the last; what is
       disclosed of people and engine is what was recorded.
    4. The statement is signed by the key enclosed, which is the known one if one is given, and
       states this manifest, this chain head and this number of entries.
    5. Every sound file can be read to its end and is the one its entry names.
    6. The findings recomputed from the sound equal those recorded.
    7. The verdict recomputed from findings and readings equals the one recorded.
    8. The report is that of this record.

    Something that is empty or missing is a defect, never a reason to be content. Nothing is
    written, no link is followed, nothing outside the bag is opened.

    Parameters
    ----------
    bag : Path
        Folder of the bag.
    depth : {"quick", "default", "recompute"}
        Quick: step 1, and whether a signature is there at all; no digest is taken, so a changed
        file of the same size passes. Default: all steps but 6, and of 8 the page's own mark.
        Recompute: all of it.
    known_key : str, optional
        SHA-256 of the shop's raw public key, 64 hexadecimal digits, from a source other than this
        bag; an earlier key of the shop will do if the bag encloses the exchanges since. Without
        one, nobody knows whose signature it is, and `facts` says so.
    render : Drawing, optional
        How to draw the report again, for step 8 of depth `recompute`.
    identity : mapping of str to Salted, optional
        People and engine as somebody disclosed them by another way, to be held to the record.
    authority : bytes, optional
        Certificate in PEM of the authority of an enclosed time stamp.

    Returns
    -------
    Verification
        Sound only if no defect was found; `facts` says what was not looked at.

    Raises
    ------
    ValueError
        If `depth` is none of the three, or `known_key` is no such digest.
    """
    if known_key is not None and not _DIGEST.fullmatch(known_key):
        raise ValueError(f"known_key {known_key!r} is not 64 hexadecimal digits in lower case")
    if depth not in DEPTHS:
        raise ValueError(f"depth {depth!r} is none of {', '.join(DEPTHS)}")
    if not bag.is_dir():
        missing = defect("not-a-bag", None, f"{bag.name} is not a folder")
        return Verification(depth, False, (missing,), None, False, ())
    contents = look_into(bag)
    if depth == "quick":
        found = [*incomplete(contents), *absent(contents)]  # (1) and the presence of (4)
        return _told(depth, found, [_QUICK])
    elsewhere = Elsewhere(known_key, identity or {}, authority)
    return _verified(contents, depth, elsewhere, render)


_QUICK = (
    "Only names, sizes and the presence of a signature were checked: no digest, no signature, "
    "no sound. A change that keeps the size of a file was not looked for."
)
_UNHEARD = (
    "The findings were not recomputed from the sound, nor the report's words from the record."
)


_UNDRAWABLE = "its record or its sound is not what was recorded, so the page is not drawn anew"


def _verified(
    contents: Contents, depth: Depth, elsewhere: Elsewhere, render: Drawing | None
) -> Verification:
    bag = contents.bag
    found = list(incomplete(contents))  # (1)
    digests, differing = changed(contents)  # (2)
    log = read_log_of(bag)  # (3)
    names = Names(contents, log, elsewhere.identity)
    signed = Signed(  # (4)
        contents,
        log,
        shop=names.identity.get("shop"),
        known_key=elsewhere.known_key,
        authority=elsewhere.authority,
    )
    sounds = Sounds(contents, log.entries, digests)  # (5)
    told, misunderstood = understood(bag, log, names.in_bag)
    found += [
        *differing,
        *log.defects,
        *names.defects,
        *signed.defects,
        *sounds.defects,
        *misunderstood,
    ]
    if reaches(depth, "recompute"):
        found += other_findings(bag, log, told, sounds.intact)  # (6)
    if told is not None:
        found += other_verdicts(bag, log, told)  # (7)
    drawable = told is not None and not log.defects and not sounds.defects
    render = render if reaches(depth, "recompute") else None
    blame = partial(of_its_version, told=told)
    found += _page_defects(bag, log, render, blame if drawable else None)  # (8)
    facts = [*_scope(depth, render), *_of_log(log), *_of_record(told), *_of_names(names)]
    facts += _of_stamp(signed, elsewhere)
    if PAPER in contents.files:
        differing, said = _compared_paper(bag, render if drawable else None, blame)
        found += differing
        facts.append(said)
    if others := sorted(p for p in contents.payload.entries if not _is_compared(p)):
        facts.append(f"Signed, but compared with nothing: {', '.join(others)}.")
    return replace(_told(depth, found, facts, signed, elsewhere.known_key), identity=names.known)


def _page_defects(
    bag: Path, log: Log, render: Drawing | None, blame: Blame | None
) -> Iterator[Defect]:
    html, unread = read_page(bag)
    yield from unread
    if html is None:
        return
    yield from stale(html, log)
    if render is not None:
        yield from other_words(bag, html, render, blame) if blame else [not_compared(_UNDRAWABLE)]


def _compared_paper(bag: Path, render: Drawing | None, blame: Blame) -> tuple[list[Defect], str]:
    if render is None or render.paper is None:
        return [], "The PDF is signed, but was not compared with the record."
    return other_paper(bag, render.paper, blame)


def _of_stamp(signed: Signed, elsewhere: Elsewhere) -> list[str]:
    if signed.stamped is None:
        return []
    said = f"A time stamp is enclosed: the statement existed at {rfc3339(signed.stamped)}"
    if elsewhere.authority is None:
        return [f"{said}, if its authority says so: give its certificate to have that checked."]
    return [f"{said}, by the clock of the authority whose certificate you gave."]


def _is_compared(path: str) -> bool:
    return path in {CHECKING, PAPER, REPORT, LOG_PATH, IDENTITY_PATH} or path.startswith(
        f"{RECORD}/{AUDIO}/"
    )


def _told(
    depth: Depth,
    found: Iterable[Defect],
    facts: list[str],
    signed: Signed | None = None,
    known_key: str | None = None,
) -> Verification:
    unique = {(d.step, d.kind, d.path, d.detail): d for d in found}
    defects = tuple(sorted(unique.values(), key=lambda d: d.step))
    if signed is None or signed.key is None:
        return Verification(depth, not defects, defects, None, False, tuple(facts))
    known = known_key is not None and signed.knows(known_key)
    said = _of_key(signed, known_key)
    shown = fingerprint(signed.key)
    return Verification(depth, not defects, defects, shown, known, (*facts, said))


def _of_key(signed: Signed, known_key: str | None) -> str:
    if known_key is None:
        shown = fingerprint(signed.key or "")
        return (
            f"Whose key signed is not known. Compare its fingerprint, {shown}, with the one that "
            "the shop gave you itself: on paper, on its card, or by telephone. Anyone can sign."
        )
    if known_key == signed.key:
        return "The key that signed is the one you gave."
    if signed.knows(known_key):
        return "The key you gave vouches for the one that signed: the shop has exchanged it since."
    return "The key that signed is not the one you gave."


def _scope(depth: Depth, render: Drawing | None) -> list[str]:
    if not reaches(depth, "recompute"):
        return [_UNHEARD]
    if render is None:
        return ["The report's words were not compared with the record: nobody drew it anew."]
    return ["Findings, verdict and report were computed anew."]


def _of_log(log: Log) -> list[str]:
    if not log.cut_off:
        return []
    size = f"its {log.cut_off} bytes do not count"
    return [f"The log ends in an entry that an interruption cut short, unacknowledged; {size}."]


def _of_names(names: Names) -> list[str]:
    said = []
    if names.shown:
        shown = ", ".join(f"{name} {value}" for name, value in names.shown.items())
        said.append(f"Disclosed apart from this bag, and as it was recorded: {shown}.")
    if withheld := [name for name, value in names.known.items() if value is None]:
        said.append(f"Withheld, known only by salted digests: {', '.join(withheld)}.")
    return said


def _of_record(told: Inspection | None) -> list[str]:
    if told is None:
        return []
    retracted = sum(take.retracted is not None for take in told.takes)
    counted = (
        f"{told.entries} entries, {len(told.audio)} sound files, {len(told.takes)} takes "
        f"({retracted} retracted), {len(told.readings)} readings that count, written by "
        f"{told.opened.program}."
    )
    said = [counted]
    if not told.closed:
        said.append("The inspection was not finished: its record was never closed.")
    if told.clock_steps:
        steps = ", ".join(map(str, told.clock_steps))
        said.append(f"The clock stepped back before entries {steps}; their numbers order them.")
    return said
