"""The table of weights: it adds up, and a reader can redo it."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from earwitness.audio.recording import read_recording
from earwitness.cli.main import app
from earwitness.diagnosis.judge import judge_engine
from earwitness.diagnosis.repair import REPAIRS
from earwitness.diagnosis.verdict import CylinderVerdict
from earwitness.record import bodies, model
from earwitness.record.store import read_record
from earwitness.report.html import render_html
from earwitness.report.page import verdict_title
from earwitness.report.page_words import words_of_page
from earwitness.report.sections.weighing import BY_HAND, odds, probability_of, signed, weighing
from earwitness.report.words import COST
from years_of_engines import VAN, Cylinder, write_visit, write_years

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> list[CylinderVerdict]:
    """Verdicts of two visits, as records keep them: decibans with two digits."""
    folder = write_years(tmp_path_factory.mktemp("years"))
    verdicts = []
    for day in list(VAN)[-2:]:
        told = model.inspection(read_record(folder / f"van-{day}"))
        anew = judge_engine(told.layout, model.evidence(told))
        verdicts += bodies.verdict_from(bodies.verdict_body(anew)).cylinders
    return verdicts


def shown(number: str) -> float:
    return float(number.replace("−", "-"))


def test_the_table_adds_up_to_the_probability_stated(judged: list[CylinderVerdict]) -> None:
    assert len(judged) == 8
    assert len({v.verdict for v in judged}) >= 2
    for verdict in judged:
        table = weighing(verdict)
        assert table is not None
        by_hand = math.fsum(shown(row.decibans) for row in table.rows)
        assert by_hand == pytest.approx(shown(table.total), abs=0.05 * len(table.rows) + 0.051)
        exact = math.fsum(w.decibans for w in verdict.weights)
        assert 1 / (1 + 10 ** (-exact / 10)) == pytest.approx(verdict.probability, abs=0.003)
        assert table.rows[0].evidence.startswith("Before")
        assert shown(table.rows[-1].so_far) == shown(table.total)


def test_the_last_visit_is_weighed_for_the_exhaust_valve(judged: list[CylinderVerdict]) -> None:
    last = next(v for v in reversed(judged) if v.cylinder == 3)
    table = weighing(last)
    assert table is not None
    assert table.about == "the exhaust valve"
    assert any("tailpipe" in row.evidence and shown(row.decibans) > 0 for row in table.rows)


@pytest.mark.slow
def test_page_and_terminal_show_the_same_table(tmp_path: Path) -> None:
    quiet = {"tailpipe": 0.0, "oil-filler": 0.1, "throttle-body": 0.0}
    burnt = {"oil-filler": 0.2, "tailpipe": 7.5, "throttle-body": 0.1, "radiator": 0.0}
    said = {1: Cylinder((8.0,), 1100, quiet), 3: Cylinder((34.0,), 900, burnt)}
    folder = write_visit(tmp_path / "visit", date(2026, 3, 4), said, judged=True)
    told = model.inspection(read_record(folder))
    page = render_html(told, audio=lambda p: read_recording(folder / p), playable=False)
    words = words_of_page(page)
    terminal = " ".join(CliRunner().invoke(app, ["judge", str(folder)]).stdout.split())
    assert told.verdict is not None
    for verdict in told.verdict.cylinders:
        table = weighing(verdict)
        assert table is not None
        for row in table.rows:
            assert f"{row.evidence} {row.speaks_for} {row.decibans} {row.so_far}" in words
            assert f"{row.decibans} {row.evidence}" in terminal
            assert f"{row.evidence}: " not in words  # said once, in the table
        assert f"Together, for {table.about} odds {table.odds} {table.total}" in words
        assert f"{table.total} together: odds {table.odds}, {table.probability}" in terminal
    for said_by_both in (BY_HAND, COST["high"], "Confirm before the head comes off"):
        assert said_by_both in words
        assert said_by_both in terminal


def test_a_record_without_weights_has_no_table() -> None:
    assert weighing(CylinderVerdict(1, None, None, "sealed", 0.9, (), None, ("Why.",), ())) is None


def test_a_second_seal_that_stays_open_is_said() -> None:
    judged = CylinderVerdict(
        1, None, None, "exhaust-valve", 0.9, (), None, (), (), open_part="rings-or-piston"
    )
    assert verdict_title(judged) == (
        "the exhaust valve; the piston rings, the cylinder wall or the piston may leak as well"
    )


def test_every_cost_band_has_words_without_a_price() -> None:
    assert set(COST) == {repair.cost_band for repair in REPAIRS.values()}
    assert not any(sign in text for text in COST.values() for sign in "$€£")


@pytest.mark.parametrize(
    ("decibans", "said"),
    [
        (10 * math.log10(4), "4 to 1"),
        (-10 * math.log10(4), "1 to 4"),
        (20.0, "100 to 1"),
        (0.0, "1 to 1"),
    ],
)
def test_odds_are_powers_of_ten(decibans: float, said: str) -> None:
    """I. J. Good's deciban: ten times the decimal logarithm of the odds; from memory."""
    assert odds(decibans) == said


@given(st.floats(0.001, 0.999))
def test_decibans_and_probability_are_one(p: float) -> None:
    assert probability_of(10 * math.log10(p / (1 - p))) == pytest.approx(p)


def test_signs_are_written_out() -> None:
    assert [signed(x) for x in (12.34, -7.06, 0.04, -0.04)] == ["+12.3", "−7.1", "0.0", "0.0"]
