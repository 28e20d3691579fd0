"""Whatever is wrong with the input: one plain sentence, exit 2, nothing recorded is lost."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import scipy
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from earwitness.cli.main import app
from small_bay import FS, SHEET, noise, refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Run = Callable[..., Result]

MALFORMED = Path(scipy.__file__).parent / "io/tests/data"


def bad_audio(folder: Path) -> dict[str, Path]:
    """One file for each way a recording can be unreadable, by the words that must name it."""
    files = {name: folder / f"{name}.wav" for name in ("empty", "text", "truncated", "folder")}
    files["empty"].touch()
    files["text"].write_text("Cylinder three hisses at the tailpipe.\n", encoding="utf-8")
    sf.write(files["truncated"], noise(1, 1), FS)
    files["truncated"].write_bytes(files["truncated"].read_bytes()[:-999])
    files["folder"].mkdir()
    files["nan"] = folder / "nan.wav"
    sf.write(files["nan"], np.full(FS, np.nan, np.float32), FS, subtype="FLOAT")
    files["one-sample"] = folder / "one-sample.wav"
    sf.write(files["one-sample"], np.array([0.1], np.float32), FS)
    return files | {"missing": folder / "missing.wav"}


@pytest.mark.parametrize(
    "kind", ["empty", "text", "truncated", "folder", "nan", "one-sample", "missing"]
)
def test_unreadable_audio(earwitness: Run, bay: Path, kind: str) -> None:
    path = bad_audio(bay)[kind]
    for words in (
        ["score", bay / "off.wav", path],
        ["score", "--cycled", path, "--air-on", "1-2"],
        ["dictate", path],
    ):
        assert str(path) in refusal(earwitness(*words))


@pytest.mark.slow
def test_scipy_malformed_set_never_ends_in_a_traceback(earwitness: Run, bay: Path) -> None:
    for path in sorted(MALFORMED.glob("*.wav")):
        assert earwitness("score", path, bay / "on.wav").exit_code in (0, 2)


@pytest.mark.parametrize(
    ("samples", "rate", "flag"),
    [
        (noise(0.2, 7).astype(np.float32), FS, "too-short"),
        (np.zeros(FS * 8, np.float32), FS, "silent"),
        (noise(8, 7).astype(np.float32).repeat(4), 192_000, "rates-differ"),
        (noise(8, 7).astype(np.float32)[::6], 8_000, "rates-differ"),
        (np.stack([noise(8, 7), noise(8, 8)], axis=1).astype(np.float32), FS, "channels-differ"),
    ],
    ids=["short", "silent", "192-khz", "8-khz", "stereo"],
)
def test_unusable_sound_is_a_result_not_an_error(
    earwitness: Run, bay: Path, samples: np.ndarray, rate: int, flag: str
) -> None:
    sf.write(bay / "odd.wav", samples, rate, subtype="FLOAT")
    done = earwitness("score", bay / "odd.wav", bay / "on.wav", "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    assert flag in found["flags"]
    assert not found["usable"]
    assert found["grade"] == "undetermined"
    assert found["p_value"] is None


@pytest.mark.parametrize(
    "words",
    [
        ["score", "off.wav"],
        ["score", "--cycled", "cycled.wav"],
        ["score", "--cycled", "cycled.wav", "--air-on", "soon"],
        ["score", "--cycled", "cycled.wav", "--air-on", "5-3"],
        ["score", "--cycled", "cycled.wav", "--air-on", "100-200"],
        ["score", "--cycled", "cycled.wav", "--air-on", "nan-3"],
        ["score", "off.wav", "on.wav", "--point", "glovebox"],
        ["dictate", "off.wav", "--model", "no-such-model"],
        ["plan", "--cylinders", "4", "--firing-order", "1,2,3,3"],
        ["plan", "--cylinders", "4", "--firing-order", "one"],
        ["plan", "--cylinders", "0"],
        ["plan", "--cylinders", "4", "--first", "9"],
        ["plan", "--arrangement", "star"],
        ["plan", "--tailpipes", "7"],
        ["judge", "no-such-record"],
        ["judge", "."],
        ["report", "no-such-record"],
        ["replay", "no-such-sheet.toml"],
        ["replay", "off.wav"],
    ],
    ids=" ".join,
)
def test_wrong_use(
    earwitness: Run, bay: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    monkeypatch.chdir(bay)
    refusal(earwitness(*words))


@pytest.mark.parametrize(
    "words", [["missing.toml"], ["--cylinders", "99"], ["--resume", "nowhere"]]
)
def test_inspect_is_refused_for_its_words_before_a_microphone_is_looked_for(
    earwitness: Run, words: list[str]
) -> None:
    assert words[-1] in refusal(earwitness("inspect", *words))


def test_a_half_copied_model_is_refused(earwitness: Run, bay: Path) -> None:
    (bay / "model/am").mkdir(parents=True)
    (bay / "model/am/final.mdl").write_bytes(b"\0B")
    assert "model" in refusal(earwitness("dictate", bay / "off.wav", "--model", bay / "model"))


def test_a_damaged_recording_keeps_what_came_before(earwitness: Run, bay: Path) -> None:
    """The second take is cut short: the first one's finding is kept and the folder is named."""
    sf.write(bay / "cut.wav", noise(8, 3), FS, subtype="PCM_16")
    (bay / "cut.wav").write_bytes((bay / "cut.wav").read_bytes()[:-1234])
    more = '[[cylinder.take]]\npoint = "oil-filler"\nbaseline = "cut.wav"\npressurised = "on.wav"\n'
    (bay / "sheet.toml").write_text(SHEET + more, encoding="utf-8")
    said = refusal(earwitness("replay", bay / "sheet.toml", "--out", bay / "record"))
    assert "cut.wav" in said
    assert str(bay / "record") in said
    kinds = [
        json.loads(line)["kind"]
        for line in (bay / "record/record.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert kinds.count("finding") == 1
    assert kinds[-1] == "note"
    assert earwitness("judge", bay / "record").exit_code == 0


@pytest.mark.slow
def test_an_interrupted_record_is_judged_and_says_what_was_lost(earwitness: Run, bay: Path) -> None:
    """What `kill -9` leaves: whole lines, and perhaps the beginning of one more."""
    out = bay / "record"
    whole = json.loads(earwitness("replay", bay / "sheet.toml", "--out", out, "--json").stdout)
    lines = (out / "record.jsonl").read_bytes().splitlines(keepends=True)
    (out / "record.jsonl").write_bytes(b"".join(lines[:-2]) + lines[-2][:100])
    done = earwitness("judge", out, "--json")
    assert done.exit_code == 0
    assert json.loads(done.stdout)["engine"] == whole["engine"]
    assert "The inspection was not finished" in done.stderr
    assert f"Entry {len(lines) - 1} was cut short by an interruption" in done.stderr
    assert earwitness("report", out).exit_code == 0


def test_a_recording_in_which_nobody_speaks_is_said_to_hold_no_speech(
    earwitness: Run, bay: Path
) -> None:
    result = earwitness("dictate", bay / "off.wav")
    assert (result.exit_code, result.stdout) == (0, "No speech was found in this recording.\n")
    assert not earwitness("dictate", bay / "off.wav", "--json").stdout


@pytest.fixture(scope="module")
def small_bay() -> Path:
    """Short recordings, so that a sheet that happens to be valid is replayed quickly."""
    folder = Path(tempfile.mkdtemp())
    for name, seed in (("off.wav", 1), ("on.wav", 2)):
        sf.write(folder / name, noise(0.1, seed), FS, subtype="PCM_16")
    yield folder
    shutil.rmtree(folder)


SCALARS = st.one_of(
    st.integers(-3, 2000).map(str),
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.text(max_size=12).map(json.dumps),
    st.sampled_from(
        ["true", "[]", "{}", "[[1.0, 2.0]]", "1979-05-27", "'../off.wav'", "'/dev/zero'"]
    ),
)
KEYS = st.sampled_from([*(w for w in SHEET.split() if w.isidentifier()), "air_on_s", "x", "take"])


@st.composite
def broken_sheets(draw: st.DrawFn) -> bytes:
    """The good sheet with lines dropped, doubled, given other values, or bytes spoiled."""
    lines = SHEET.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.integers(0, 3)):
            case 0:
                lines.pop(at)
            case 1:
                lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
            case 2:
                lines[at] = f"{draw(KEYS)} = {draw(SCALARS)}"
            case 3:
                lines[at] = f"{lines[at].split('=')[0]}= {draw(SCALARS)}"
        lines = lines or [""]
    spoiled = bytearray("\n".join(lines).encode("utf-8", "surrogatepass"))
    for _ in range(draw(st.integers(0, 2))):
        spoiled[draw(st.integers(0, len(spoiled) - 1)) : 0] = draw(st.binary(max_size=3))
    return bytes(spoiled)


@pytest.mark.slow
@settings(
    max_examples=600,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(sheet=broken_sheets())
def test_broken_sheets_are_refused_in_one_sentence(small_bay: Path, sheet: bytes) -> None:
    (small_bay / "sheet.toml").write_bytes(sheet)
    out = small_bay / "record"
    result = CliRunner().invoke(app, ["replay", str(small_bay / "sheet.toml"), "--out", str(out)])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    if result.exit_code != 0:
        refusal(result)
    shutil.rmtree(out, ignore_errors=True)
