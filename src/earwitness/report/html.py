"""The report as one page: no script, no network, nothing outside the file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.report.page import page_of
from earwitness.report.setting import set_page

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection


def render_html(
    inspection: Inspection, *, audio: Callable[[str], Recording], playable: bool = True
) -> str:
    """Write the report of an inspection.

    Parameters
    ----------
    inspection : Inspection
        The inspection, as told from its record.
    audio : callable
        Returns the recording of a path that the record names. Where it raises an
        `EarwitnessError`, the page says so in place of the picture and the player.
    playable : bool
        Whether there is to be anything to hear. A page without says the same, word for word, and
        is written in a third of the time: enough for comparing what a page says.

    Returns
    -------
    str
        A complete HTML document; the same text for the same record and the same sound.
    """
    return set_page(page_of(inspection, audio, sounds="playable" if playable else "told"))
