"""What a shop sets once: names, devices, rhythm of the air, limits of loudness.

A value comes, the last named winning, from this file's defaults, from the settings file, from the
environment (`EARWITNESS_` and the key in capitals), or from an option of the command.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from earwitness.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pydantic_core import ErrorDetails

PREFIX = "EARWITNESS_"
"""Before the key in capitals: the environment variable that sets it."""
FILE_VARIABLE = "EARWITNESS_SETTINGS"
"""Environment variable that names another settings file."""
MAX_FILE_BYTES = 100_000
"""Largest settings file that is read [bytes]. Chosen: a hundred times one with every key."""
DEFAULT = "default"

Name = Annotated[str, Field(max_length=200)]


class Settings(BaseModel):
    """Every setting, with its default. The description of a field is its documentation."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    shop: Name = Field("", description="name of the shop, for record and report")
    technician: Name = Field("", description="name of the technician, for record and report")
    records: Path = Field(Path(), description="folder in which a new record gets its own folder")
    probe: Name = Field(
        "",
        description="probe microphone: a part of its name in `earwitness devices`, or its number",
    )
    headset: Name = Field(
        "", description="microphone for dictation, likewise; empty: the machine's own choice"
    )
    reference: Name = Field("", description="ambient microphone, likewise; empty: none")
    speaker: Name = Field("", description="loudspeaker or headphones for what is read back")
    sample_rate_hz: int = Field(
        48_000, ge=16_000, le=192_000, description="samples a second of the probe [Hz]"
    )
    cycles: int = Field(
        6, ge=5, le=10, description="how often the air goes on in a take; 5 are needed for a proof"
    )
    take_s: float = Field(44.0, ge=22, le=180, description="length of a take [s]")
    limit_percent: float = Field(
        20.0, gt=0, le=100, description="leakage limit where the maker gives none [%]"
    )
    model: Path | None = Field(None, description="folder of another speech model")
    voice: bool = Field(True, description="read back aloud where the machine has a voice")
    voice_words_per_minute: int = Field(165, ge=80, le=400, description="speed of that voice")
    say_air: bool = Field(
        True, description='say "air on" and "air off" behind the tones, where there is a voice'
    )
    page_port: int = Field(
        0, ge=0, le=65_535, description="port of the bay's page on this machine; 0: any free one"
    )
    gain_db: float = Field(
        0.0, ge=-40, le=20, description="amplification of assisted listening [dB]"
    )
    ceiling_db: float = Field(
        -12.0,
        ge=-60,
        le=0,
        description="peak that assisted listening never exceeds [dB full scale]",
    )


@dataclass(frozen=True, slots=True)
class InForce:
    """The settings that count now, and where each of them is from."""

    values: Settings
    sources: Mapping[str, str]
    """By key: `default`, the path of the settings file, a variable's name, or an option."""
    file: Path
    """The settings file that was read, or would have been."""

    def rows(self) -> Iterator[tuple[str, Any, str, str]]:
        """Yield key, value, source and description of each setting, in their order."""
        for key, field in Settings.model_fields.items():
            yield key, getattr(self.values, key), self.sources[key], field.description or ""


def in_force(
    environment: Mapping[str, str], home: Path, options: Mapping[str, object] | None = None
) -> InForce:
    """Gather the settings that count.

    Parameters
    ----------
    environment : mapping
        Environment variables.
    home : Path
        Folder in which `settings.toml` is looked for, unless a variable names another file.
    options : mapping, optional
        Options of the command by key; those that are None were not given.

    Raises
    ------
    SettingsError
        If a file or variable sets something that is no setting, or to an impossible value.
    """
    file = settings_file(environment, home)
    layers: dict[str, Mapping[str, object]] = {
        str(file): _in_file(file, must_exist=bool(environment.get(FILE_VARIABLE))),
        PREFIX: {
            key: environment[_variable(key)]
            for key in Settings.model_fields
            if environment.get(_variable(key), "") != ""
        },
        "--": {k: v for k, v in (options or {}).items() if v is not None},
    }
    values: dict[str, object] = {}
    sources = dict.fromkeys(Settings.model_fields, DEFAULT)
    for name, layer in layers.items():
        _check(layer, name)
        values.update(layer)
        sources.update({key: _source(name, key) for key in layer})
    return InForce(Settings.model_validate(values), sources, file)


def settings_file(environment: Mapping[str, str], home: Path) -> Path:
    """Return where the settings file lies, or would lie."""
    named = environment.get(FILE_VARIABLE, "")
    return Path(named) if named else home / "settings.toml"


def template() -> str:
    """Return a settings file that sets nothing and explains every key."""
    lines = ["# Settings of earwitness. Take the # away from a line to set it.", ""]
    for key, field in Settings.model_fields.items():
        lines += [f"# {field.description}", f"# {key} = {_toml(field.default)}", ""]
    return "\n".join(lines)


def _in_file(file: Path, *, must_exist: bool) -> dict[str, object]:
    if not must_exist and not file.exists():
        return {}
    try:
        if file.stat().st_size > MAX_FILE_BYTES:
            raise SettingsError(f"{file} is too large for a settings file")
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as e:
        raise SettingsError(f"{file} cannot be read ({e.strerror})") from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
        raise SettingsError(f"{file} is not a TOML file ({e})") from e


def _check(layer: Mapping[str, object], name: str) -> None:
    """Find fault with one layer alone, so that the fault is told of its own source."""
    try:
        Settings.model_validate(layer)
    except ValidationError as e:
        fault, *_ = e.errors()
        key = str(fault["loc"][0])
        raise SettingsError(f"{_source(name, key)}: {key} {_in_words(fault)}") from e


def _in_words(fault: ErrorDetails) -> str:
    if fault["type"] == "extra_forbidden":
        return f"is no setting; there are {', '.join(Settings.model_fields)}"
    said = fault["msg"].removeprefix("Input ").removeprefix("Value error, ")
    return f"= {fault['input']!r}: it {said}"


def _source(name: str, key: str) -> str:
    if name == PREFIX:
        return _variable(key)
    return f"--{key.replace('_', '-')}" if name == "--" else name


def _variable(key: str) -> str:
    return f"{PREFIX}{key.upper()}"


def _toml(value: object) -> str:
    if value is None or isinstance(value, str | Path):
        return f'"{value or ""}"'
    return str(value).lower() if isinstance(value, bool) else str(value)
