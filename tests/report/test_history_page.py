"""The history as a page, a table and an object: complete, safe with any text, true to records."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from chromium import chromium
from earwitness.engine.layout import engine_layout
from earwitness.record.archive import LeftOut, read_archive
from earwitness.record.history import engine_history
from earwitness.report.history.page import render_history
from earwitness.report.history.tables import COLUMNS, SCHEMA, to_csv, to_json
from earwitness.report.history.words import summary
from page_reader import Reader
from years_of_engines import Cylinder, write_visit, write_years

if TYPE_CHECKING:
    from earwitness.record.history import EngineHistory

HOSTILE = '=cmd()<script>alert(1)</script>"\u202e&'
LEFT_OUT = (LeftOut("old/claim", "the claim bag is defective: digest-differs"),)


@pytest.fixture(scope="session")
def years(tmp_path_factory: pytest.TempPathFactory) -> tuple[EngineHistory, ...]:
    folder = write_years(tmp_path_factory.mktemp("years"))
    return tuple(engine_history(e) for e in read_archive(folder).engines)


@pytest.fixture(scope="session")
def page(years: tuple[EngineHistory, ...]) -> str:
    return render_history(years, LEFT_OUT)


@pytest.fixture
def hostile(tmp_path: Path) -> EngineHistory:
    """Visits whose every text from outside is hostile."""
    for day in (date(2024, 1, 2), date(2025, 1, 2)):
        write_visit(
            tmp_path / f"=v{day}<b>", day, {1: Cylinder((9.0,))}, label=HOSTILE,
            identity={"engine_id": HOSTILE, "shop": HOSTILE},
            layout=engine_layout(4, label=HOSTILE),
        )  # fmt: skip
    return engine_history(read_archive(tmp_path).engines[0])


def test_the_page_is_well_formed_and_needs_nothing(page: str) -> None:
    read = Reader(page)
    ids = [a["id"] for _, a in read.elements if "id" in a]
    labels = [a["aria-labelledby"] for _, a in read.elements if "aria-labelledby" in a]
    assert len(ids) == len(set(ids))
    assert set(labels) <= set(ids)
    assert not {tag for tag, _ in read.elements} & {"script", "link", "img", "iframe", "audio"}
    assert not re.findall(r"(?:src|href)=", page)


def test_every_value_stands_on_the_page(page: str, years: tuple[EngineHistory, ...]) -> None:
    words = Reader(page).text
    for history in years:
        assert history.engine.name in words
        for sentence in summary(history):
            assert sentence in words
    assert "old/claim: the claim bag is defective" in words
    assert "Known to be one engine by: VIN." in words
    assert words.count("What this does not tell you") == 1


def test_a_panel_a_cylinder_says_its_values(page: str) -> None:
    panels = [a for tag, a in Reader(page).elements if tag == "svg"]
    assert len(panels) == 4 + 4 + 6  # leakage and compression of the van, leakage of the launch
    assert all(a["role"] == "img" for a in panels)
    third = next(
        str(a["aria-label"]) for a in panels if "Cylinder 3, Leakage" in str(a["aria-label"])
    )
    assert "2026-03-04 33.5" in third


def test_a_missing_visit_is_a_gap(page: str) -> None:
    """Cylinder 2 of the van has four values of five: two pieces of line, four marks."""
    svg = next(
        s for s in re.findall(r"<svg.*?</svg>", page, re.DOTALL) if "Cylinder 2, Leakage" in s
    )
    assert svg.count("<circle") == 4
    assert svg.count('stroke-width="1.6"') == 2


def test_a_change_is_told_without_colour(page: str) -> None:
    svg = next(
        s for s in re.findall(r"<svg.*?</svg>", page, re.DOTALL) if "Cylinder 3, Leakage" in s
    )
    assert ">more +9<" in svg
    assert svg.count("<rect") == 2  # the frame and the square mark
    assert svg.count("<circle") == 4
    assert page.count("MORE +9 (±") == 1


def test_the_style_uses_the_tables_colours_alone() -> None:
    style = (files("earwitness.report") / "templates" / "history.css").read_text()
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl|opacity", style)


def test_hostile_text_stays_text(hostile: EngineHistory) -> None:
    page = render_history([hostile], [LeftOut(HOSTILE, HOSTILE)])
    read = Reader(page)
    assert "script" not in {tag for tag, _ in read.elements}
    assert "\u202e" not in page
    assert "[U+202E]" in read.text
    assert HOSTILE.replace("\u202e", "[U+202E]") in read.text


def test_the_table_is_safe_in_a_spreadsheet(hostile: EngineHistory) -> None:
    rows = list(csv.DictReader(io.StringIO(to_csv([hostile]))))
    assert len(rows) == 2
    assert {r["engine"][:2] for r in rows} == {"'="}
    assert all("\u202e" not in cell for r in rows for cell in r.values())


def test_a_row_a_value(years: tuple[EngineHistory, ...]) -> None:
    rows = list(csv.DictReader(io.StringIO(to_csv(years))))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == sum(len(s.values) for h in years for s in h.series)
    last = next(r for r in rows if r["day"] == "2026-03-04" and r["cylinder"] == "3")
    assert (last["value"], last["change_since_visit_before"], last["called"]) == (
        "33.5",
        "9.0",
        "True",
    )
    first = next(r for r in rows if r["day"] == "2024-09-02" and r["cylinder"] == "3")
    assert first["as_read"] == "3.0"
    assert float(first["value"]) > 10


def test_the_object_is_json_with_every_comparison(years: tuple[EngineHistory, ...]) -> None:
    body = json.loads(json.dumps(to_json("shop", years, LEFT_OUT), allow_nan=False))
    assert body["schema"] == SCHEMA
    van, launch = body["engines"]
    assert (van["known_by"], launch["known_by"]) == ("vin", "engine-id")
    assert len(van["visits"]) == 5
    assert (
        sum(len(s["changes"]) for s in van["series"]) == van["comparisons"] == len(years[0].changes)
    )
    called = [c["sentence"] for s in launch["series"] for c in s["changes"] if c["called"]]
    assert any(s.startswith("Cylinder 4 leaks more than on 2025-09-08: 16 → 27 %") for s in called)
    assert re.search(r"The 15 steps .* on this engine show \d\.\d times that\.", van["scatter"][0])
    assert body["left_out"] == [{"place": "old/claim", "why": LEFT_OUT[0].why}]


def test_every_key_of_the_object_is_documented(years: tuple[EngineHistory, ...]) -> None:
    page = (Path(__file__).parents[2] / "docs/json.md").read_text(encoding="utf-8")
    paragraph = next(p for p in page.split("\n\n") if p.startswith("`history`"))
    body = json.loads(json.dumps(to_json("shop", years, LEFT_OUT)))
    assert keys_of(body) - set(re.findall(r"`(\w+)`", paragraph)) == set()


def keys_of(body: object) -> set[str]:
    if isinstance(body, list):
        return set().union(*map(keys_of, body))
    return set(body).union(*map(keys_of, body.values())) if isinstance(body, dict) else set()


def test_no_change_says_what_would_have_been_seen(tmp_path: Path) -> None:
    for day in (date(2024, 1, 2), date(2025, 1, 2)):
        write_visit(tmp_path / f"v{day}", day, {1: Cylinder((9.0,))})
    history = engine_history(read_archive(tmp_path).engines[0])
    (said,) = summary(history)
    assert said == "No change that this test could see. It would have seen: leakage 7.6 points."


def test_one_visit_compares_nothing(tmp_path: Path) -> None:
    write_visit(tmp_path / "v", date(2024, 1, 2), {1: Cylinder((9.0,))})
    history = engine_history(read_archive(tmp_path).engines[0])
    assert "Nothing can be compared yet" in render_history([history], [])


@pytest.mark.slow
def test_the_browser_has_nothing_to_complain_about(page: str, tmp_path: Path) -> None:
    (tmp_path / "history.html").write_text(page, encoding="utf-8")
    said: list[str] = []
    with chromium() as browser:
        tab = browser.new_page(viewport={"width": 1000, "height": 900})
        tab.on("console", lambda message: said.append(message.text))
        tab.goto((tmp_path / "history.html").as_uri())
        wide = tab.evaluate("document.documentElement.scrollWidth > window.innerWidth")
        panel = tab.evaluate("document.querySelector('.panel').getBoundingClientRect().width")
    assert said == []
    assert not wide
    assert panel > 150
