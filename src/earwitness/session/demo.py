"""Where the shipped recordings are."""

from __future__ import annotations

from pathlib import Path

from earwitness.errors import SheetError

DEMO_FOLDER = "demo_audio"
"""Folder of the shipped demonstration, in the installed package or at the top of a checkout."""
DEMO_SHEET = "inspection.toml"
"""Run sheet of the shipped demonstration."""

_PACKAGE = Path(__file__).resolve().parents[1]
_CHECKOUT = _PACKAGE.parents[1]


def demo_sheet() -> Path:
    """Return the run sheet of the shipped demonstration.

    Raises
    ------
    SheetError
        If this installation lacks it.
    """
    homes = (_PACKAGE / DEMO_FOLDER, _CHECKOUT / DEMO_FOLDER)
    for sheet in (home / DEMO_SHEET for home in homes):
        if sheet.is_file():
            return sheet
    raise SheetError(
        f"This installation lacks its {DEMO_FOLDER} folder", remedy="Install earwitness again."
    )
