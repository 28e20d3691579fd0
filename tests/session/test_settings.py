"""Where a setting is from, and what cannot be set."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING

import pytest

from earwitness.errors import SettingsError
from earwitness.session.settings import Settings, in_force, template

if TYPE_CHECKING:
    from pathlib import Path


def test_the_last_named_source_wins(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text('shop = "Kettle Creek"\ncycles = 7\ntake_s = 60\n')
    found = in_force(
        {"EARWITNESS_CYCLES": "8", "EARWITNESS_TAKE_S": "50"}, tmp_path, {"take_s": 30}
    )
    assert (found.values.shop, found.values.cycles, found.values.take_s) == ("Kettle Creek", 8, 30)
    assert found.values.probe == ""
    assert [found.sources[key] for key in ("shop", "cycles", "take_s", "probe")] == [
        str(tmp_path / "settings.toml"), "EARWITNESS_CYCLES", "--take-s", "default",
    ]  # fmt: skip


def test_options_that_were_not_given_and_empty_variables_set_nothing(tmp_path: Path) -> None:
    found = in_force({"EARWITNESS_PROBE": ""}, tmp_path, {"cycles": None})
    assert found.values == Settings()
    assert set(found.sources.values()) == {"default"}


def test_another_file_can_be_named_and_must_then_be_there(tmp_path: Path) -> None:
    other = tmp_path / "bay-2.toml"
    with pytest.raises(SettingsError, match=r"bay-2\.toml cannot be read"):
        in_force({"EARWITNESS_SETTINGS": str(other)}, tmp_path)
    other.write_text("voice = false\n")
    assert in_force({"EARWITNESS_SETTINGS": str(other)}, tmp_path).values.voice is False


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cycles = 4", "greater than or equal to 5"),
        ("take_s = nan", "finite"),
        ("colour = 1", "colour is no setting; there are shop, technician"),
        ('sample_rate_hz = "fast"', "integer"),
        ("[probe]", "string"),
        ("probe = ", "not a TOML file"),
        ("x = " + "[" * 2000, "not a TOML file"),
        ("#" * 200_000, "too large"),
    ],
)
def test_what_cannot_be_set_is_named_with_its_file(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "settings.toml").write_text(text)
    with pytest.raises(SettingsError, match=f"settings.toml.*{re.escape(said)}"):
        in_force({}, tmp_path)


def test_a_fault_in_the_environment_names_the_variable(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="EARWITNESS_PAGE_PORT: page_port = '70000'"):
        in_force({"EARWITNESS_PAGE_PORT": "70000"}, tmp_path)


def test_the_template_sets_nothing_and_with_the_marks_taken_away_the_defaults() -> None:
    assert tomllib.loads(template()) == {}
    lines = [line.removeprefix("# ") for line in template().splitlines() if " = " in line]
    assert {line.split(" = ")[0] for line in lines} == set(Settings.model_fields)
    told = tomllib.loads("\n".join(line for line in lines if not line.startswith("model")))
    assert Settings.model_validate(told) == Settings()
