"""The command that plans a test: in words, as JSON, and on paper."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import TYPE_CHECKING

import pytest

from earwitness.engine.test_plan import TestPlan as Plan

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]

V6 = [
    "--cylinders", "6", "--arrangement", "vee", "--banks", "1,3,5/2,4,6",
    "--firing-order", "1,6,5,4,3,2", "--firing-intervals", "150,90,150,90,150,90",
]  # fmt: skip


def test_plan_in_words_and_json(earwitness: Run) -> None:
    """720/4 = 180 degrees between firing strokes: any textbook; 1-3-4-2 in this order."""
    words = ["plan", "--cylinders", "4", "--firing-order", "1,3,4,2", "--first", "3"]
    made = json.loads(earwitness(*words, "--json").stdout)
    assert made["schema"] == "earwitness.plan/1"
    assert [s["angle_deg"] for s in made["steps"]] == [0, 180, 360, 540]
    text = earwitness(*words).stdout
    assert "180 degrees" in text
    assert text.index("\nCylinder 3 ") < text.index("\nCylinder 4 ") < text.index("\nCylinder 2 ")
    assert "crank" in text.lower()


def test_json_has_everything_the_plan_has(earwitness: Run) -> None:
    made = json.loads(earwitness("plan", "--complaint", "misfire", "--json").stdout)
    assert set(made) == {f.name for f in fields(Plan)} | {
        "schema", "tests", "limits", "height", "sheet",
    }  # fmt: skip
    assert made["tests"][0].keys() >= {"test", "title", "why", "origin", "temperature", "condition"}
    assert made["tests"][0]["test"] == "compression"
    assert [r["name"] for r in made["limits"] if r["applies"]] == ["common-practice"]
    assert made["sheet"] is None


def test_plan_takes_the_engine_from_a_sheet(earwitness: Run, bay: Path) -> None:
    sheet = json.loads(earwitness("plan", bay / "sheet.toml", "--json").stdout)
    option = json.loads(earwitness("plan", "--firing-order", "1,3,4,2", "--json").stdout)
    assert sheet == option


def test_an_engine_that_fires_unevenly(earwitness: Run) -> None:
    """Six rods on three pins between banks at 90 degrees: 150 and 90 degrees, by geometry."""
    made = json.loads(earwitness("plan", *V6, "--json").stdout)
    assert [s["turn_deg"] for s in made["steps"]] == [0, 150, 90, 150, 90, 150]
    assert {s["companion"] for s in made["steps"]} == {None}
    text = earwitness("plan", *V6).stdout
    assert "Fires unevenly: 150 - 90" in text
    assert "Banks, front to back: 1 3 5; 2 4 6" in text


def test_which_test_first_is_said_with_its_reason_and_origin(earwitness: Run) -> None:
    told = earwitness("plan", "--complaint", "misfire", "--known", "one-low, wet-rises").stdout
    text = " ".join(told.split())
    assert "Which test first, and why" in text
    assert "1 Cylinder leakage, listening at" in text
    assert "FAA AC 43.13-1B" in text
    assert "Which test first" not in earwitness("plan").stdout


def test_known_facts_without_a_complaint(earwitness: Run) -> None:
    words = ["plan", "--known", "neighbours-low", "--known", "cold-only", "--json"]
    first = json.loads(earwitness(*words).stdout)["tests"][0]
    assert (first["test"], first["temperature"]) == ("leakage", "cold")


@pytest.mark.parametrize(
    ("words", "applies", "percent"),
    [
        (["--limit-rule", "ac-43.13-1b"], "ac-43.13-1b", 25),
        (["--maker-limit", "12"], "maker", 12),
        ([], "common-practice", 20),
    ],
)
def test_limits_are_shown_with_the_one_that_applies(
    earwitness: Run, words: list[str], applies: str, percent: float
) -> None:
    """25 %: FAA AC 43.13-1B. 20 %: common practice, no source."""
    rows = json.loads(earwitness("plan", *words, "--json").stdout)["limits"]
    assert [(r["name"], r["percent"]) for r in rows if r["applies"]] == [(applies, percent)]
    text = earwitness("plan", *words).stdout
    assert f"{applies} (applies)" in text
    assert "common practice, no source" in text
    assert "FAA AC 43.13-1B" in text


def test_a_run_sheet_brings_its_limit(earwitness: Run, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.toml"
    engine = "[engine]\ncylinders = 4\n[[cylinder]]\nnumber = 1\n"
    for limits, applies, percent in (
        ("leakage_percent = 17\norigin = 'shop rule'", "shop", 17),
        ("rule = 'ac-43.13-1b'", "ac-43.13-1b", 25),
    ):
        sheet.write_text(f"[limits]\n{limits}\n{engine}", encoding="utf-8")
        rows = json.loads(earwitness("plan", sheet, "--json").stdout)["limits"]
        assert [(r["name"], r["percent"]) for r in rows if r["applies"]] == [(applies, percent)]


def test_the_height_of_the_shop_is_named_with_its_factor(earwitness: Run) -> None:
    """US Standard Atmosphere 1976 at 5000 ft: pressure 0.8321, density 0.8617."""
    words = ["plan", "--altitude-m", "1524"]
    height = json.loads(earwitness(*words, "--json").stdout)["height"]
    assert height["ambient_kpa"] == pytest.approx(0.8321 * 101.325, abs=0.01)
    assert height["compression"] == pytest.approx({"pressure": 0.8321, "density": 0.8617}, abs=1e-4)
    text = " ".join(earwitness(*words).stdout.split())
    assert "is 832 kPa here by the pressure ratio of ISO 2533:1975" in text
    assert "is 862 kPa here by the density ratio" in text
    assert json.loads(earwitness("plan", "--json").stdout)["height"] is None


def test_words_fit_a_terminal(earwitness: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = earwitness("plan", *V6, "--complaint", "unknown", "--diesel").stdout
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert "plug-hole-N" in text
    assert "\x1b" not in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--strokes", "2"], "ports"),
        (["--arrangement", "rotary"], "apex"),
        (["--arrangement", "vee", "--cylinders", "8"], "bank"),
        (["--banks", "1,2/x"], "--banks 'x' is not a list of numbers"),
        (["--firing-intervals", "90,90"], "are 2, not 4"),
        (["--firing-intervals", "a"], "--firing-intervals 'a' is not a list of numbers"),
        (["--complaint", "knocking"], "complaint 'knocking' is not known"),
        (["--known", "moonlight"], "'moonlight' is no fact"),
        (["--known", "one-low,all-low"], "cannot both be true"),
        (["--limit-rule", "mine"], "'mine' is not known"),
        (["--maker-limit", "120"], "maker"),
        (["--altitude-m", "12000"], "altitude of 12000 m"),
        (["--sheet", "plan.docx"], "ends neither in .html nor in .pdf"),
        (["--sheet", "nowhere/plan.html"], "cannot be written"),
        (["--sheet", "plan.html", "--paper", "napkin"], "--paper 'napkin'"),
    ],
)
def test_what_cannot_be_planned_is_said_in_one_sentence(
    earwitness: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    done = earwitness("plan", *words)
    assert done.exit_code in {2, 3}
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_the_sheet_as_a_page(earwitness: Run, bay: Path) -> None:
    target = bay / "plan.html"
    words = ["--complaint", "misfire", "--maker-limit", "15", "--sheet", target]
    done = earwitness("plan", bay / "sheet.toml", *words)
    assert done.exit_code == 0, done.stderr
    assert done.stdout == f"Sheet: {target}\n"
    page = target.read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "15 % (the maker&#39;s limit)" in page
    assert "Which test first" in page
    told = json.loads(earwitness("plan", bay / "sheet.toml", "--sheet", target, "--json").stdout)
    assert told["sheet"] == str(target)


@pytest.mark.slow
def test_the_sheet_as_pdf(earwitness: Run, tmp_path: Path) -> None:
    done = earwitness("plan", *V6, "--sheet", tmp_path / "plan.pdf", "--paper", "letter")
    assert done.exit_code == 0, done.stderr
    assert (tmp_path / "plan.pdf").read_bytes().startswith(b"%PDF-1.7")
