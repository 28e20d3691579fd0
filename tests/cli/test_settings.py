"""The command that shows what is in force."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from small_bay import refusal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "new folder" / "settings.toml"
    monkeypatch.setenv("EARWITNESS_SETTINGS", str(place))
    return place


def test_a_new_file_explains_every_key_and_changes_nothing(earwitness: Run, file: Path) -> None:
    assert earwitness("settings", "--new").exit_code == 0
    told = json.loads(earwitness("settings", "--json").stdout)
    assert (told["schema"], told["file"]) == ("earwitness.settings/1", str(file))
    assert {row["from"] for row in told["settings"].values()} == {"default"}
    refusal(earwitness("settings", "--new"))


def test_it_shows_value_and_source(
    earwitness: Run, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file.parent.mkdir()
    file.write_text('shop = "Kettle Creek"\n')
    monkeypatch.setenv("EARWITNESS_CYCLES", "7")
    shown = [line.split("  ") for line in earwitness("settings").stdout.splitlines()]
    rows = {cells[0]: [c.strip() for c in cells if c.strip()] for cells in shown if cells}
    assert rows["shop"][1:3] == ["Kettle Creek", str(file)]
    assert rows["cycles"][1:3] == ["7", "EARWITNESS_CYCLES"]
    file.write_text("shop = 3\n")
    refusal(earwitness("settings"))
