"""Step 8: whether the report in a bag is the page of the record in it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from earwitness.errors import EarwitnessError
from earwitness.record.claim.check.defects import Defect, defect
from earwitness.record.claim.check.inventory import read_small
from earwitness.record.claim.layout import PAPER, RECORD, REPORT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from earwitness.record.claim.check.log import Log

PAGE_BYTES = 1 << 28
"""Longest report that is read [bytes]. Chosen: ten times one with forty takes."""
MARK = "earwitness-record"
"""Name of the page's mark, whose content is the chain head and the number of entries."""
SHOWN_CHARACTERS = 60
"""How much of two texts is shown where they part [characters]."""

_SET_BY = re.compile(rb"set-by-[0-9a-f]{32}")
_UNDRAWN = (ArithmeticError, AssertionError, LookupError, TypeError, ValueError)
"""What drawing a stranger's values may raise."""
_META = re.compile(r"<meta\s[^<>]{1,400}>", re.IGNORECASE)
_CONTENT = re.compile(r'content="([^"]*)"', re.IGNORECASE)
_TAG = re.compile(r"/?[a-z]|!doctype html>", re.IGNORECASE)
_GAP = re.compile(r"\s{200}")
Blame: TypeAlias = "Callable[[Defect], Defect]"
"""Puts a difference down to another version of the program, where that recorded the inspection."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """How a report is drawn again. The report stands above the record, so it is handed in."""

    draw: Callable[[Path], str]
    """Returns the page of a record folder."""
    words: Callable[[str], str]
    """Returns what a page says, without how it looks."""
    paper: Callable[[Path], bytes] | None = None
    """Returns the PDF of a record folder; None if nobody can draw it."""


def read_page(bag: Path) -> tuple[str | None, list[Defect]]:
    """Read the report of a bag; None, and why, if it cannot be."""
    try:
        return read_small(bag, REPORT, PAGE_BYTES).decode("utf-8"), []
    except OSError as e:
        why = f"it cannot be read: {e.strerror or e}"
    except UnicodeDecodeError as e:
        why = f"it is not UTF-8 text from byte {e.start}"
    return None, [defect("report-missing", REPORT, why)]


def stale(html: str, log: Log) -> Iterator[Defect]:
    """Yield how the mark of a page is not that of the record."""
    marks, expected = marks_of(html), f"{log.head} {log.lines}"
    if len(marks) != 1:
        detail = f"it has {len(marks)} marks of a record, not one"
        yield defect("report-unmarked", REPORT, detail)
    elif marks[0] != expected:
        detail = f"it is the page of {marks[0]!r}, the record is {expected!r}"
        yield defect("report-stale", REPORT, detail)


def other_words(bag: Path, html: str, drawing: Drawing, blame: Blame) -> Iterator[Defect]:
    """Yield how a page says something else than one drawn anew from the record beside it."""
    if not is_plain(html):
        yield defect("report-differs", REPORT, "its markup is not such as a report has")
        return
    try:
        here, anew = drawing.words(html), drawing.words(drawing.draw(bag / RECORD))
    except EarwitnessError as e:
        yield not_compared(e.fault)
        return
    except _UNDRAWN as e:
        yield not_compared(f"the record holds values that cannot be drawn ({e})")
        return
    if here != anew:
        at = next((i for i, (a, b) in enumerate(zip(here, anew, strict=False)) if a != b), None)
        at = max(0, (min(len(here), len(anew)) if at is None else at) - SHOWN_CHARACTERS // 2)
        said, drawn = (repr(text[at : at + SHOWN_CHARACTERS]) for text in (here, anew))
        detail = f"it says {said}, the record gives {drawn}"
        yield blame(defect("report-differs", REPORT, detail))


def other_paper(
    bag: Path, paper: Callable[[Path], bytes], blame: Blame
) -> tuple[list[Defect], str]:
    """Hold the PDF to one drawn anew; return what is wrong, and a sentence on what was compared.

    Nothing of the PDF in the bag is interpreted: its bytes are compared, and where they differ its
    identifier is searched for, which names the libraries that set it.
    """
    try:
        here = read_small(bag, PAPER, PAGE_BYTES)
        anew = paper(bag / RECORD)
    except OSError as e:
        return [], f"The PDF cannot be read, so it was not compared: {e.strerror or e}."
    except (EarwitnessError, *_UNDRAWN) as e:
        why = e.fault if isinstance(e, EarwitnessError) else str(e)
        return [], f"The PDF was not compared: {why}."
    if here == anew:
        return [], "The PDF was drawn anew, and is the same to the last byte."
    mark = _SET_BY.search(anew)
    if mark is None or mark[0] not in here:
        return [], "The PDF was not compared: other versions of its libraries than here set it."
    detail = "the libraries that set it give other bytes from this record"
    return [blame(defect("paper-differs", PAPER, detail))], "The PDF was drawn anew."


def not_compared(why: str) -> Defect:
    """Say that a page could not be held to the record."""
    return defect("report-not-compared", REPORT, why)


def marks_of(html: str) -> list[str]:
    """Return the contents of a page's marks of its record; an honest page has one."""
    marks = [tag[0] for tag in _META.finditer(html) if MARK in tag[0].lower()]
    contents = [_CONTENT.search(mark) for mark in marks]
    return ["" if content is None else content[1] for content in contents]


def is_plain(html: str) -> bool:
    """Return whether the markup of a page is such as a report has: tags that end, and no comments.

    Other markup can keep a reader of HTML busy for days, so it is not read.
    """
    tags = html.split("<")[1:]
    return not _GAP.search(html) and all(">" in tag and _TAG.match(tag) for tag in tags)
