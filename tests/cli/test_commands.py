"""The commands, as a technician calls them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.main import get_command

from earwitness.cli.main import app

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Run = Callable[..., Result]

COMMANDS = sorted(get_command(app).commands)  # type: ignore[attr-defined]
AIR_ON = "3.1-6.3,9.4-12.9,16.0-18.9,22.1-25.6,28.4-31.3,34.6-37.9"
SCORE_KEYS = {
    "schema", "basis", "point", "sample_rate_hz", "seconds", "excess_db", "interval_db",
    "p_value", "detectable_db", "grade", "usable", "flags",
}  # fmt: skip
HEAVY = {
    "jinja2", "librosa", "matplotlib", "numba", "numpy", "pydantic", "scipy", "sounddevice",
    "soundfile", "vosk",
}  # fmt: skip


def test_the_commands_are_the_documented_ones() -> None:
    assert COMMANDS == [
        "audit", "check", "demo", "devices", "dictate", "disclose", "history", "inspect", "judge",
        "monitor", "pack", "plan", "replay", "report", "score", "settings", "timestamp", "verify",
    ]  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example_and_json(earwitness: Run, command: str) -> None:
    shown = earwitness(command, "--help")
    assert shown.exit_code == 0
    assert f"Example: earwitness {command}" in " ".join(shown.stdout.split())
    assert "--json" in shown.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert f"earwitness {command}" in readme


def test_help_imports_nothing_heavy() -> None:
    """Asked in a fresh interpreter, since this one has imported everything already."""
    script = (
        "import sys; from typer.testing import CliRunner; from earwitness.cli.main import app;"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0;"
        f"print(sorted({HEAVY!r} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.slow
def test_shell_completion_is_offered() -> None:
    """Click's own protocol: the shell asks with an environment variable."""
    done = subprocess.run(
        [sys.executable, "-m", "earwitness"],
        env={
            "_EARWITNESS_COMPLETE": "complete_bash",
            "COMP_WORDS": "earwitness de",
            "COMP_CWORD": "1",
        }
        | {"PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert {"demo", "devices"} <= set(done.stdout.split()), done.stderr


def test_score_of_a_pair_screens(earwitness: Run, bay: Path) -> None:
    done = earwitness("score", bay / "off.wav", bay / "on.wav", "--json")
    found = json.loads(done.stdout)
    assert done.exit_code == 0
    assert set(found) >= SCORE_KEYS
    assert (found["schema"], found["basis"]) == ("earwitness.score/1", "pair")
    assert found["p_value"] is None
    assert "screening-only" in found["flags"]
    assert found["usable"]
    assert found["excess_db"] > 3


def test_score_of_an_air_cycled_take_proves(earwitness: Run, bay: Path) -> None:
    words = ["--cycled", bay / "cycled.wav", "--air-on", AIR_ON, "--point", "tailpipe"]
    found = json.loads(earwitness("score", *words, "--json").stdout)
    assert set(found) >= SCORE_KEYS
    assert (found["basis"], found["point"]) == ("cycles", "tailpipe")
    assert found["p_value"] <= 0.01
    assert found["grade"] in {"faint", "clear", "strong"}
    low, high = found["interval_db"]
    assert low <= found["excess_db"] <= high
    assert found["detectable_db"] < found["excess_db"]


def test_too_few_cycles_is_said(earwitness: Run, bay: Path) -> None:
    words = ["--cycled", bay / "cycled.wav", "--air-on", "3.1-6.3,9.4-12.9,16.0-18.9", "--json"]
    found = json.loads(earwitness("score", *words).stdout)
    assert found["p_value"] is None
    assert {"too-few-cycles", "screening-only"} <= set(found["flags"])


def test_score_in_words(earwitness: Run, bay: Path) -> None:
    done = earwitness("score", bay / "off.wav", bay / "on.wav", "--point", "tailpipe")
    assert done.stdout.startswith("tailpipe: ")
    assert "rise with the air on: +" in done.stdout


@pytest.mark.slow
def test_replay_judge_and_report_agree(earwitness: Run, bay: Path) -> None:
    out = bay / "record"
    done = earwitness("replay", bay / "sheet.toml", "--out", out, "--json")
    assert done.exit_code == 0, done.stderr
    verdict = json.loads(done.stdout)
    assert verdict["schema"] == "earwitness.verdict/1"
    assert verdict["record"] == str(out)
    assert (out / "report.html").read_text(encoding="utf-8").startswith("<!")
    again = json.loads(earwitness("judge", out, "--json").stdout)
    assert again == {k: v for k, v in verdict.items() if k not in {"record", "report"}}
    (cylinder,) = verdict["cylinders"]
    assert (cylinder["cylinder"], cylinder["leakage_percent"]) == (3, 44)
    assert cylinder["within_limit"] is False
    ranked = [r["probability"] for r in cylinder["ranking"]]  # each to six decimals
    assert sum(ranked) == pytest.approx(1, abs=len(ranked) * 0.5e-6)
    page = earwitness("report", out, "--out", bay / "other.html", "--json")
    told = json.loads(page.stdout)
    assert told["report"] == str(bay / "other.html")
    assert (bay / "other.pdf").read_bytes().startswith(b"%PDF") == (told["pdf"] is not None)


@pytest.mark.slow
def test_replaying_twice_gives_the_same_findings(earwitness: Run, bay: Path) -> None:
    findings = []
    for name in ("first", "second"):
        earwitness("replay", bay / "sheet.toml", "--out", bay / name)
        lines = (bay / name / "record.jsonl").read_text(encoding="utf-8").splitlines()
        entries = [json.loads(line) for line in lines]
        findings.append([e["body"] for e in entries if e["kind"] in {"finding", "verdict"}])
    assert findings[0] == findings[1]
    assert len(findings[0]) == 2


@pytest.mark.slow
def test_replay_never_writes_over_a_record(earwitness: Run, bay: Path) -> None:
    earwitness("replay", bay / "sheet.toml", "--out", bay / "record")
    before = (bay / "record/record.jsonl").read_bytes()
    assert earwitness("replay", bay / "sheet.toml", "--out", bay / "record").exit_code == 2
    assert (bay / "record/record.jsonl").read_bytes() == before


@pytest.mark.slow
def test_replay_makes_a_dated_folder(
    earwitness: Run, bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bay)
    assert earwitness("replay", "sheet.toml").exit_code == 0
    assert earwitness("replay", "sheet.toml").exit_code == 0
    assert len(list(bay.glob("inspection-20*/record.jsonl"))) == 2


def test_devices_answers_in_json(earwitness: Run) -> None:
    done = earwitness("devices", "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["schema"] == "earwitness.devices/1"


@pytest.mark.slow
def test_devices_without_portaudio_is_an_equipment_failure(tmp_path: Path) -> None:
    """The sounddevice package raises OSError at import where the PortAudio library is missing."""
    stub = 'raise OSError("PortAudio library not found")'
    (tmp_path / "sounddevice.py").write_text(stub, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "earwitness", "devices"],
        env={"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3
    assert done.stderr.count("\n") == 1
    assert "apt install libportaudio2" in done.stderr
