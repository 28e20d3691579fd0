"""Write the report of a record folder."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from earwitness.audio.recording import read_recording
from earwitness.errors import EquipmentError, StorageError
from earwitness.record import model
from earwitness.record.identity import without
from earwitness.record.reader import read_record
from earwitness.report.html import render_html
from earwitness.report.pdf import render_pdf

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection

REPORT_NAME = "report.html"


@dataclass(frozen=True, slots=True)
class Written:
    """The files of a report."""

    html: Path
    pdf: Path | None
    """None where it was not asked for, or where the library that sets type is not installed."""


def draw_report(record: Path, withhold: Collection[str] = ()) -> str:
    """Return the report of a record folder as HTML; arguments and errors as `write_report`."""
    return render_html(_told(record, withhold), audio=_sounds(record))


def draw_silent_report(record: Path) -> str:
    """Return the same page without its listening copies: the same words, drawn quicker."""
    return render_html(_told(record), audio=_sounds(record), playable=False)


def draw_paper(record: Path) -> bytes:
    """Return the report of a record folder as PDF; raises as `render_pdf`."""
    return render_pdf(_told(record), audio=_sounds(record))


def write_report(
    record: Path,
    out: Path | None = None,
    *,
    pdf: bool = True,
    withhold: Collection[str] = (),
    tell: Callable[[str], None] = lambda _: None,
) -> Written:
    """Write the report as one self-contained HTML page, and as PDF.

    Parameters
    ----------
    record : Path
        Record folder.
    out : Path, optional
        HTML file or existing folder to write to; by default `report.html` in the record folder.
        The PDF goes beside it under the same name.
    pdf : bool
        Write the PDF too.
    withhold : collection of str
        Fields of people and engine that the report does not disclose.
    tell : callable
        Called with a sentence if no PDF can be written on this machine.

    Returns
    -------
    Written
        The files; an older one is replaced only when the new one is complete.

    Raises
    ------
    RecordError, AudioFileError
        If the record or its sound cannot be read.
    StorageError
        If a file cannot be written.
    """
    target = out or record
    html = target / REPORT_NAME if target.is_dir() else target
    _replace(html, draw_report(record, withhold).encode("utf-8"))
    if not pdf:
        return Written(html, None)
    try:
        paper = render_pdf(_told(record, withhold), audio=_sounds(record))
    except EquipmentError as e:
        tell(str(e))
        return Written(html, None)
    _replace(html.with_suffix(".pdf"), paper)
    return Written(html, html.with_suffix(".pdf"))


def _told(record: Path, withhold: Collection[str] = ()) -> Inspection:
    read = read_record(record)
    return model.inspection(replace(read, identity=without(read.identity, withhold)))


def _sounds(record: Path) -> Callable[[str], Recording]:
    return lambda name: read_recording(record / name)


def _replace(target: Path, data: bytes) -> None:
    draft = target.with_name(f".{target.name}.part")
    try:
        with draft.open("wb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        draft.replace(target)
    except OSError as e:
        draft.unlink(missing_ok=True)
        raise StorageError(f"The report cannot be written to {target} ({e.strerror})") from e
