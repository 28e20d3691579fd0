"""Set text for the terminal: lists that wrap, tables that line up."""

from __future__ import annotations

import shutil
import textwrap
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

WIDEST_LINE = 100
"""Longest line that is still read easily [characters]. Chosen: the width of this program's code."""


def print_list(title: str, lines: Sequence[str]) -> None:
    """Print a titled list, wrapped to the terminal; nothing if it is empty."""
    if lines:
        typer.echo(f"\n{title}:")
    for line in lines:
        typer.echo(wrapped(line, "  - "))


def wrapped(line: str, lead: str) -> str:
    """Wrap a line to the terminal; what follows its first line stands below the text."""
    width = min(shutil.get_terminal_size().columns, WIDEST_LINE)
    below = " " * len(lead)
    return textwrap.fill(line, width, initial_indent=lead, subsequent_indent=below)


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows in columns as wide as their widest cell."""
    widths = [max(len(r[i]) for r in [head, *rows]) for i in range(len(head))]
    for row in [head, ["-" * w for w in widths], *rows]:
        typer.echo("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip())
