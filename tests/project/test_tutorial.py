"""The tutorial does what it says: its commands are run as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from earwitness.cli.main import app

ROOT = Path(__file__).parents[2]
LONG = ("demo", "judge", "pack", "verify")
"""Commands that the tests of the demonstration run."""
PAGE = (ROOT / "docs/tutorial.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)
COMMANDS = [
    shlex.split(line)
    for block in BLOCKS
    for line in block.replace("\\\n", " ").splitlines()
    if line.strip()
]
SAID = {
    "c2-tailpipe-off": "screening-only",
    "c3-tailpipe.flac": "UNDETERMINED",
    "c3-tailpipe-retake.flac --point": "would have been found in this take",
    "--out heard.wav": "heard.wav",
    "c3-said": "leakage 42 percent",
}
"""What the page says of some commands, by a part of them."""


def test_every_command_exists() -> None:
    names = {c.name or c.callback.__name__ for c in app.registered_commands if c.callback}
    assert {words[0] for words in COMMANDS} == {"earwitness"}
    assert {words[1] for words in COMMANDS} <= names
    assert len(COMMANDS) == 9


@pytest.mark.slow
@pytest.mark.parametrize("words", [c for c in COMMANDS if c[1] not in LONG], ids=" ".join)
def test_the_short_ones_do_what_is_said(words, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo_audio").symlink_to(ROOT / "demo_audio")
    done = CliRunner().invoke(app, words[1:])
    assert done.exit_code == 0, done.output
    told = next(text for part, text in reversed(SAID.items()) if part in " ".join(words))
    assert told in done.output
