"""Write the report of a record folder."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from earwitness.audio.recording import read_recording
from earwitness.errors import StorageError
from earwitness.record import model
from earwitness.record.reader import read_record
from earwitness.report.html import render_html

if TYPE_CHECKING:
    from pathlib import Path

REPORT_NAME = "report.html"


def draw_report(record: Path) -> str:
    """Return the report of a record folder; raises as `write_report`."""
    told = model.inspection(read_record(record))
    return render_html(told, audio=lambda name: read_recording(record / name))


def write_report(record: Path, out: Path | None = None) -> Path:
    """Write the report as one self-contained HTML page.

    Parameters
    ----------
    record : Path
        Record folder.
    out : Path, optional
        File or existing folder to write to; by default `report.html` in the record folder.

    Returns
    -------
    Path
        The file that was written; an older one is replaced only when the new one is complete.

    Raises
    ------
    RecordError, AudioFileError
        If the record or its sound cannot be read.
    StorageError
        If the file cannot be written.
    """
    page = draw_report(record)
    target = out or record
    target = target / REPORT_NAME if target.is_dir() else target
    _replace(target, page)
    return target


def _replace(target: Path, text: str) -> None:
    draft = target.with_name(f".{target.name}.part")
    try:
        with draft.open("w", encoding="utf-8") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        draft.replace(target)
    except OSError as e:
        draft.unlink(missing_ok=True)
        raise StorageError(f"The report cannot be written to {target} ({e.strerror})") from e
