"""The disk fills up, may only be read, or is pulled out: a plain sentence, and nothing is lost."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import small_stick

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def _disks() -> list[str]:
    """Real disks where this account may make its own, and what stands in for them everywhere."""
    try:
        made = subprocess.run([*small_stick.PRIVATE, "true"], capture_output=True, check=False)
    except FileNotFoundError:
        return ["stand-in"]
    return ["stand-in", "stick"] if made.returncode == 0 else ["stand-in"]


SENTENCES = {
    "full-log": [r"refused to keep entry \d+ in .*: the disk is full\. Free some space .*"],
    "full-sound": [r"refused to keep take\.wav in .*: the disk is full\. Free some space .*"],
    "read-only": [
        r"refused to go on with the record in .*(read-only|denied).* Allow writing there .*",
        r"refused to make a record in .*(read-only|denied).* Allow writing there .*",
    ],
    "pulled-out": [
        r"refused to keep entry 3 in .*disk is gone .*Plug the disk in again.*entries 1 to 2 .*",
        r"refused to keep take\.wav in .*disk is gone .*Plug the disk in again.*entries 1 to 2 .*",
    ],
    "other-stick": [r"refused to keep entry 2 .*replaced by another file.* entry 1 is kept.*"],
}


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that every account may enter, for the disk."""
    made = Path(tempfile.mkdtemp(prefix="earwitness-"))
    made.chmod(0o755)
    (made / "disk").mkdir()
    yield made / "disk"
    shutil.rmtree(made)


@pytest.mark.slow
@pytest.mark.parametrize("disk", _disks())
@pytest.mark.parametrize("work", small_stick.WORKS)
def test_a_refusing_disk_loses_nothing_that_was_acknowledged(
    place: Path, sound: Callable[..., Path], work: str, disk: str
) -> None:
    private = small_stick.PRIVATE if disk == "stick" else ()
    script = [sys.executable, small_stick.__file__, work, disk, place, sound(subtype="PCM_16")]
    done = subprocess.run([*private, *script], capture_output=True, text=True, check=True)
    told = json.loads(done.stdout)
    assert len(told["refusals"]) == len(SENTENCES[work])
    for sentence, expected in zip(told["refusals"], SENTENCES[work], strict=True):
        assert re.fullmatch(f"The disk {expected}", sentence)
    assert told["found"] == [told["kept"], None]
    assert told.get("after", [told["kept"] + 1, None]) == [told["kept"] + 1, None]
    assert told.get("hidden", []) == []
