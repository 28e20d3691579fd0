"""Show which settings are in force, and where each is from."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from earwitness.cli.terminal import print_table
from earwitness.errors import SettingsError, StorageError
from earwitness.session.settings import in_force, settings_file, template

if TYPE_CHECKING:
    from earwitness.session.settings import InForce

SCHEMA = "earwitness.settings/1"
HOME = Path(typer.get_app_dir("earwitness"))
"""Where the settings file lies unless a variable names another."""


def settings_here(**options: object) -> InForce:
    """Return what is in force for a command with these options; None stands for not given.

    Raises
    ------
    SettingsError
        If a setting does not exist or has an impossible value.
    """
    return in_force(os.environ, HOME, options)


def show(*, as_json: bool) -> None:
    """Print every setting, its value and its source."""
    found = settings_here()
    rows = list(found.rows())
    if as_json:
        told = {key: {"value": _plain(value), "from": source} for key, value, source, _ in rows}
        typer.echo(json.dumps({"schema": SCHEMA, "file": str(found.file), "settings": told}))
        return
    print_table(
        ("Setting", "Value", "From", "What it is"),
        [(key, _shown(value), source, what) for key, value, source, what in rows],
    )
    exists = "read" if found.file.exists() else "not there; `earwitness settings --new` makes it"
    typer.echo(f"\nSettings file: {found.file} ({exists})")


def write_new() -> None:
    """Write a settings file that explains every key and sets none.

    Raises
    ------
    SettingsError
        If there is one already.
    StorageError
        If it cannot be written.
    """
    file = settings_file(os.environ, HOME)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("x", encoding="utf-8") as f:
            f.write(template())
    except FileExistsError as e:
        raise SettingsError(f"{file} is there already", remedy="Edit it, or move it away.") from e
    except OSError as e:
        raise StorageError(f"{file} cannot be written ({e.strerror})") from e
    typer.echo(f"Settings file: {file}")


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, Path) else value


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "-" if value in (None, "") else str(value)
