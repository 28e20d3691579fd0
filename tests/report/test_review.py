"""The reviewer's part: every take in one table, and nothing claimed that was not measured."""

from __future__ import annotations

import doctest
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from earwitness.record import model
from earwitness.record.store import read_record
from earwitness.report.page_words import words_of_page
from earwitness.report.sections import review
from earwitness.report.sections.review import review_of

if TYPE_CHECKING:
    from pathlib import Path

    from earwitness.record.model import Inspection


@pytest.fixture(scope="module")
def told(visit_folder: Path) -> Inspection:
    return model.inspection(read_record(visit_folder))


def test_every_take_is_in_the_table_once_with_its_detectable_level(told: Inspection) -> None:
    rows = review_of(told).takes
    assert [r.seq for r in rows] == [t.seq for t in told.takes]
    assert [r.result for r in rows] == [
        "no hiss found", "refused", "clear hiss", "faint hiss", "no hiss found",
    ]  # fmt: skip
    assert [r.detectable for r in rows] == ["+0.7 dB", "–", "+0.7 dB", "–", "+0.7 dB"]
    assert [r.chance for r in rows] == ["0.4211", "–", "0.0031", "–", "0.4211"]
    assert rows[2].rise == "+4.2 dB (+3.4 to +5.1)"
    assert rows[1].rise == "–"
    assert [r.flags for r in rows] == ["none", "clipped", "upper-bound", "screening-only", "none"]


def test_a_retracted_take_stays_in_the_table(told: Inspection) -> None:
    first, *others = told.takes
    rows = review_of(replace(told, takes=(replace(first, retracted="wrong hole"), *others))).takes
    assert len(rows) == 5
    assert rows[0].result == "retracted"


def test_levels_are_called_relative_and_nothing_is_called_calibrated(visit_page: str) -> None:
    words = words_of_page(visit_page)
    assert "Relative level, not calibrated." in words
    assert words.count("calibrated") == 1
    assert "dB SPL" not in words
    assert "dB(A)" not in words


def test_what_was_recorded_is_added_up(told: Inspection) -> None:
    assert review_of(told).sound.startswith("7 recordings, ")
    assert "PCM_24, 48000 Hz, 1 channel (" in review_of(told).sound
    seconds = sum(a.frames / a.sample_rate_hz for a in told.audio)
    assert f"{seconds / 60:.1f} minutes" in review_of(told).sound
    assert review_of(replace(told, audio=())).sound == "No sound was recorded."


def test_the_page_says_how_to_verify_and_invents_no_key(visit_page: str) -> None:
    words = words_of_page(visit_page)
    for said in (
        "earwitness verify BAG",
        "sha256sum -c manifest-sha256.txt",
        "python verify_bag.py BAG",
        "so it cannot name the key",
    ):
        assert said in words


def test_the_chain_head_can_be_reached_by_hand(visit_page: str, visit_folder: Path) -> None:
    """The command that the page prints, run by a shell, gives the head that the page prints."""
    import html
    import re
    import subprocess

    (command,) = re.findall(r"<code>(\(printf .*?)</code>", visit_page)
    done = subprocess.run(
        ["sh", "-c", html.unescape(command)], cwd=visit_folder, capture_output=True, check=True
    )
    head = done.stdout.split()[0].decode()
    assert head == read_record(visit_folder).head
    assert f"<code>{head}</code>" in visit_page


def test_examples_in_the_documentation_are_true() -> None:
    result = doctest.testmod(review)
    assert (result.attempted, result.failed) == (1, 0)
