"""The documentation names what exists, and decisions have their headings."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from earwitness.session.sheets.sheet import Engine, Gauge, Limits, Take, read_sheet

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("*/*.md")])
DECISIONS = sorted(ROOT.glob("docs/decisions/*.md"))


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    links = re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8"))
    broken = [x for x in links if "://" not in x and not (page.parent / x).exists()]
    assert broken == []


@pytest.mark.parametrize("page", DECISIONS, ids=lambda p: p.stem)
def test_a_decision_has_its_four_headings(page: Path) -> None:
    headings = re.findall(r"^##? (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert headings[1:] == ["Status", "Context", "Decision", "Consequences"]


def test_decisions_are_numbered_apart() -> None:
    numbers = [page.name[:4] for page in DECISIONS]
    assert len(DECISIONS) >= 10
    assert len(set(numbers)) == len(numbers)


def test_files_that_the_guide_names_are_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`(?:python )?((?:benchmarks|docs|src|tests)/[\w/.-]+\.\w+)`", guide)
    assert len(named) >= 4
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_the_run_sheet_of_the_readme_is_a_good_one(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (sheet,) = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    for name in re.findall(r'"([\w-]+\.wav)"', sheet):
        (tmp_path / name).touch()
    (tmp_path / "sheet.toml").write_text(sheet, encoding="utf-8")
    cylinder = read_sheet(tmp_path / "sheet.toml").cylinder[0]
    assert [take.point for take in cylinder.take] == ["tailpipe", "oil-filler"]


def test_every_key_of_the_run_sheet_is_documented() -> None:
    page = (ROOT / "docs/run-sheet.md").read_text(encoding="utf-8")
    for table, part in (("engine", Engine), ("gauge", Gauge), ("limits", Limits), ("", Take)):
        missing = [key for key in part.model_fields if f".{key}`" not in page]
        assert missing == [], table
