"""Follow engines over their visits: gather, compare, print, write."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import typer

from earwitness.cli.terminal import print_list
from earwitness.diagnosis.trend import SCATTER
from earwitness.errors import EarwitnessError, StorageError
from earwitness.record.archive import read_archive
from earwitness.record.durable import replace_file
from earwitness.record.history import EngineHistory, engine_history
from earwitness.report.history.page import evidence_of, render_history, rows_of, silent_places
from earwitness.report.history.tables import to_csv, to_json
from earwitness.report.history.words import KNOWN_BY, scatter_sentences, summary
from earwitness.report.words import made_visible

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from earwitness.diagnosis.trend import Quantity, Scatter
    from earwitness.record.archive import LeftOut

WIDTH_WITHOUT_TERMINAL = 120
"""Width that the table is set for where the output is no terminal [characters]."""
WIDTH_WITHOUT_VISITS = 84
"""Width of all columns but those of the visits [characters]."""
WIDTH_OF_A_VISIT = 12
"""Width of the column of one visit [characters]: a date and its space."""


@dataclass(frozen=True, slots=True)
class Followed:
    """What lies below a folder, engine by engine."""

    folder: Path
    histories: tuple[EngineHistory, ...]
    left_out: tuple[LeftOut, ...]


def follow(
    folder: Path,
    *,
    scatter_percent: float | None = None,
    csv_file: Path | None = None,
    html_file: Path | None = None,
    tell: Callable[[str], None],
) -> Followed:
    """Read everything below a folder, compare visit with visit, and write the files asked for.

    Parameters
    ----------
    folder : Path
        An archive of records and claim bags.
    scatter_percent : float, optional
        The shop's own standard deviation of a leakage from test to test [points of percent].
    csv_file, html_file : Path, optional
        Files to write; one that exists is replaced when the new one is complete.
    tell : callable
        Called with each place before it is read, and with what is left out.

    Raises
    ------
    RecordError
        If there is nothing that can be used.
    StorageError
        If a file cannot be written.
    EarwitnessError
        If the scatter is none.
    """
    scatter = _scatter(scatter_percent)
    archive = read_archive(folder, tell=lambda place: tell(f"Reading {made_visible(place)}"))
    for one in archive.left_out:
        tell(made_visible(f"Left out: {one.place}: {one.why}"))
    histories = tuple(engine_history(engine, scatter) for engine in archive.engines)
    if csv_file:
        _write(csv_file, to_csv(histories))
    if html_file:
        _write(html_file, render_history(histories, archive.left_out))
    return Followed(folder, histories, archive.left_out)


def show(found: Followed, *, as_json: bool) -> None:
    """Print the history of every engine."""
    if as_json:
        body = to_json(str(found.folder), found.histories, found.left_out)
        typer.echo(json.dumps(body, ensure_ascii=False, allow_nan=False))
        return
    for history in found.histories:
        _print_engine(history)
    for one in found.left_out:
        typer.echo(made_visible(f"\nLeft out: {one.place}: {one.why}"))


def _scatter(points: float | None) -> Mapping[Quantity, Scatter]:
    """Put the shop's own scatter of a leakage in the place of the default."""
    if points is None:
        return SCATTER
    if not math.isfinite(points) or not 0.0 < points <= 50.0:
        raise EarwitnessError(
            f"--scatter-percent {points:g} is no standard deviation of a leakage in percent",
            remedy="Give what the same sound cylinder scatters by from test to test, as 1.5.",
        )
    own = replace(SCATTER["leakage"], set_up=points, reading=0.0, origin="given by the shop")
    return {**SCATTER, "leakage": own}


def _write(target: Path, text: str) -> None:
    try:
        replace_file(target, text.encode("utf-8"))
    except OSError as e:
        raise StorageError(
            f"{target} cannot be written ({e.strerror})",
            remedy="Free some space or choose another file.",
        ) from e


def _print_engine(history: EngineHistory) -> None:
    engine = history.engine
    title = made_visible(f"{engine.name} (known by its {KNOWN_BY[engine.known_by]})")
    print_list(title, summary(history))
    typer.echo("")
    _print_table(history)
    print_list("Nothing was heard at any visit", silent_places(history))
    visits = [
        f"{v.day.isoformat()} {v.place}: {evidence_of(v)}. {' '.join(v.remarks)}".strip()
        for v in engine.visits
    ]
    for title, sentences in (
        ("Visits", visits),
        ("To know", history.remarks),
        ("Scatter that a change has to beat", scatter_sentences(history)),
    ):
        print_list(title, [made_visible(sentence) for sentence in sentences])


def _print_table(history: EngineHistory) -> None:
    """Print every series with as many of its last values as fit, and both comparisons."""
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.table import Table

    width = None if Console().is_terminal else WIDTH_WITHOUT_TERMINAL
    console = Console(markup=False, emoji=False, highlight=False, width=width)
    days = [v.day.isoformat() for v in history.engine.visits]
    shown = max(1, (console.width - WIDTH_WITHOUT_VISITS) // WIDTH_OF_A_VISIT)
    table = Table(box=SIMPLE, pad_edge=False)
    for name in ("Cyl", "What", *days[-shown:], "Since the last", "Over all", "Would see"):
        table.add_column(name, no_wrap=name != "What")
    for row in rows_of(history):
        values = row.values[-shown:]
        cells = (str(row.cylinder) if row.first else "", made_visible(row.name), *values)
        style = "bold" if row.called else None
        table.add_row(*cells, row.step, row.line, row.would_have_seen, style=style)
    console.print(table)
    if len(days) > shown:
        typer.echo(f"Last of {len(days)} visits; --csv and --html give all.")
