"""A small engine bay on disk, and the command line called in this process."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf
from typer.testing import CliRunner

from earwitness.cli.main import app
from small_bay import AIR_ON_S, FS, SHEET, hiss, noise

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result


@pytest.fixture(scope="session")
def bay_of_the_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recordings of `bay`, made once."""
    folder = tmp_path_factory.mktemp("bay")
    sf.write(folder / "off.wav", noise(8, 1), FS, subtype="PCM_16")
    sf.write(folder / "on.wav", noise(8, 2) + hiss(8, 3), FS, subtype="PCM_16")
    take = noise(41, 4)
    times = np.arange(take.size) / FS
    air = np.any([(a <= times) & (times < b) for a, b in AIR_ON_S], axis=0)
    sf.write(folder / "cycled.wav", take + hiss(41, 5) * air, FS, subtype="PCM_16")
    (folder / "sheet.toml").write_text(SHEET, encoding="utf-8")
    return folder


@pytest.fixture
def bay(bay_of_the_session: Path, tmp_path: Path) -> Path:
    """A folder with a run sheet, a pair and an air-cycled take at a leaking tailpipe."""
    shutil.copytree(bay_of_the_session, tmp_path, dirs_exist_ok=True)
    return tmp_path


@pytest.fixture
def earwitness() -> Callable[..., Result]:
    """Run a command in this process; whatever happens, it must not end in a traceback."""

    def run(*words: object) -> Result:
        result = CliRunner().invoke(app, [str(w) for w in words])
        assert result.exception is None or isinstance(result.exception, SystemExit), repr(
            result.exception
        )
        return result

    return run


@pytest.fixture
def bag(earwitness: Callable[..., Result], bay: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A claim bag of a small inspection, signed with a key of its own."""
    monkeypatch.setenv("EARWITNESS_KEYS", str(bay / "keys"))
    earwitness("replay", bay / "sheet.toml", "--out", bay / "van 42")
    packed = earwitness("pack", bay / "van 42", "--json")
    assert packed.exit_code == 0, packed.stderr
    return bay / "van 42-claim"
