"""What pip installs is complete: it runs the demonstration without the source tree."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the built wheel unpacked, as pip would lay it out."""
    folder = tmp_path_factory.mktemp("wheel")
    build = ["pip", "wheel", "--no-build-isolation", "--no-deps", "--wheel-dir", folder, ROOT]
    subprocess.run([sys.executable, "-m", *build], check=True, capture_output=True)
    (wheel,) = folder.glob("earwitness-*.whl")
    zipfile.ZipFile(wheel).extractall(folder / "site")
    return folder / "site"


@pytest.mark.slow
def test_model_recordings_and_templates_travel_in_the_wheel(site: Path) -> None:
    package = site / "earwitness"
    assert (package / "models/en-trade-3/am/final.mdl").is_file()
    assert (package / "models/en-trade-3/README.md").is_file()
    assert (package / "demo_audio/inspection.toml").is_file()
    assert (package / "display/page/index.html").is_file()
    shipped, written = package / "display/page", ROOT / "src/earwitness/display/page"
    assert {p.name for p in shipped.iterdir()} == {p.name for p in written.iterdir()}
    assert (package / "session/messages/en.toml").is_file()
    assert (package / "py.typed").is_file()


@pytest.mark.slow
def test_the_demonstration_runs_from_the_wheel(site: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "earwitness", "demo", "--json"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    made = json.loads(done.stdout)
    assert made["engine"]["area"] == "cylinder-head"
    where = "import earwitness; print(earwitness.__file__)"
    used = subprocess.run(
        [sys.executable, "-c", where],
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert used.stdout.startswith(str(site))
