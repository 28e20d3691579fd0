"""`earwitness history`: what is printed, what is written, how it refuses."""

from __future__ import annotations

import csv
import json
from datetime import date
from typing import TYPE_CHECKING

import pytest

from small_bay import refusal
from years_of_engines import Cylinder, write_visit, write_years

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]


@pytest.fixture(scope="session")
def years(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive of an invented shop."""
    return write_years(tmp_path_factory.mktemp("years"))


def test_what_changed_comes_first(earwitness: Run, years: Path) -> None:
    done = earwitness("history", years)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    change = (
        "Cylinder 3 leaks more than on 2025-05-22: 24.5 → 33.5 %, more than the test's own scatter"
    )
    assert change in said
    assert said.index(change) < said.index("none (±")
    assert "Dry compression" in said
    assert "L-07 (known by its shop's own id)" in said
    assert "chosen, no source" in said
    assert "Reading van-2022-05-09" in done.stderr


def test_one_object_and_both_files(earwitness: Run, years: Path, tmp_path: Path) -> None:
    table, page = tmp_path / "h.csv", tmp_path / "h.html"
    done = earwitness("history", years, "--csv", table, "--html", page, "--json")
    assert done.exit_code == 0, done.output
    body = json.loads(done.stdout)
    assert body["schema"] == "earwitness.history/1"
    assert [e["known_by"] for e in body["engines"]] == ["vin", "engine-id"]
    values = sum(len(s["values"]) for e in body["engines"] for s in e["series"])
    with table.open(encoding="utf-8", newline="") as f:
        assert len(list(csv.reader(f))) == values + 1
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["h.csv", "h.html"]


def test_the_shops_own_scatter_decides(earwitness: Run, years: Path) -> None:
    wide = json.loads(earwitness("history", years, "--scatter-percent", "6", "--json").stdout)
    called = {
        s["quantity"]
        for e in wide["engines"]
        for s in e["series"]
        for c in s["changes"]
        if c["called"] and c["comparison"] == "since the visit before"
    }
    assert called == set()
    assert "given by the shop" in wide["engines"][0]["scatter"][0]


@pytest.mark.parametrize("points", ["0", "-1", "nan", "80"])
def test_a_scatter_that_is_none(earwitness: Run, years: Path, points: str) -> None:
    said = refusal(earwitness("history", years, "--scatter-percent", points))
    assert "is no standard deviation" in said


def test_nothing_there(earwitness: Run, tmp_path: Path) -> None:
    assert "no record and no claim bag" in refusal(earwitness("history", tmp_path))
    assert "is not a folder" in refusal(earwitness("history", tmp_path / "nowhere"))


def test_a_file_that_cannot_be_written(earwitness: Run, years: Path, tmp_path: Path) -> None:
    done = earwitness("history", years, "--csv", tmp_path / "no" / "h.csv")
    assert done.exit_code == 3
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_what_is_left_out_is_named(earwitness: Run, tmp_path: Path) -> None:
    write_visit(tmp_path / "good", date(2025, 1, 2), {1: Cylinder((9.0,))})
    bad = write_visit(tmp_path / "bad", date(2024, 1, 2), {1: Cylinder((9.0,))}) / "record.jsonl"
    bad.write_bytes(bad.read_bytes().replace(b'"9"', b'"8"'))
    done = earwitness("history", tmp_path)
    assert done.exit_code == 0
    assert "Left out: bad: " in done.stdout
    assert "Left out: bad: " in done.stderr


def test_hostile_labels_cannot_move_the_cursor(earwitness: Run, tmp_path: Path) -> None:
    label = "[red]x[/red]\x1b[2J\u202e:smile:"
    write_visit(tmp_path / "v", date(2025, 1, 2), {1: Cylinder((9.0,))}, label=label)
    said = earwitness("history", tmp_path).stdout
    assert "\x1b" not in said
    assert "\u202e" not in said
    assert "[red]x[/red][U+001B]" in said


@pytest.mark.slow
def test_a_bag_that_withholds_its_vin_is_known_by_the_record_beside_it(
    earwitness: Run, bay: Path
) -> None:
    """What was replayed and packed for a stranger lies beside its record: one visit, signed."""
    archive = bay / "archive"
    assert earwitness("replay", bay / "sheet.toml", "--out", archive / "record").exit_code == 0
    packed = earwitness(
        "pack", archive / "record", "--out", archive / "claim", "--withhold", "vin",
        "--keys", bay / "keys",
    )  # fmt: skip
    assert packed.exit_code == 0, packed.stderr
    body = json.loads(earwitness("history", archive, "--json").stdout)
    (engine,) = body["engines"]
    (visit,) = engine["visits"]
    assert engine["known_by"] == "vin"
    assert (visit["kind"], visit["place"], visit["copies"]) == ("claim bag", "claim", ["record"])
    sound = next((archive / "claim/data/record/audio").iterdir())
    sound.write_bytes(sound.read_bytes()[:-1] + b"x")
    left = json.loads(earwitness("history", archive, "--json").stdout)
    assert left["engines"][0]["visits"][0]["kind"] == "record"
    assert left["left_out"][0]["place"] == "claim"
    assert "digest-differs" in left["left_out"][0]["why"]
