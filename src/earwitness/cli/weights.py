"""Print what moved a verdict by how much, so that it can be added up at the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from earwitness.cli.terminal import wrapped
from earwitness.report.sections.weighing import weighing

if TYPE_CHECKING:
    from earwitness.diagnosis.verdict import CylinderVerdict

COLUMN = 7
"""Width of the decibans [characters]."""


def print_weights(judged: CylinderVerdict) -> None:
    """Print the weights of one cylinder's verdict, one a line; nothing if it has none."""
    table = weighing(judged)
    if table is None:
        return
    typer.echo(f"\nCylinder {judged.cylinder}, decibans for {table.about}:")
    for row in table.rows:
        typer.echo(wrapped(row.evidence, f"  {row.decibans:>{COLUMN}}  "))
    typer.echo(f"  {'-' * COLUMN}")
    together = f"together: odds {table.odds}, {table.probability}"
    typer.echo(wrapped(together, f"  {table.total:>{COLUMN}}  "))
