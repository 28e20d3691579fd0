"""The words of a page, as a verifier compares them, and the mark of the record behind it."""

from __future__ import annotations

import doctest
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.audio.recording import read_recording
from earwitness.record import model
from earwitness.record.store import read_record
from earwitness.report import page_words
from earwitness.report.html import render_html
from earwitness.report.page_words import words_of_page

if TYPE_CHECKING:
    from pathlib import Path


def test_the_page_names_head_and_length_of_the_record_behind_it(
    visit_page: str, visit_folder: Path
) -> None:
    record = read_record(visit_folder)
    (mark,) = re.findall(r'<meta name="earwitness-record" content="([^"]*)">', visit_page)
    assert mark == f"{record.head} {len(record.entries)}"
    assert re.fullmatch(r"[0-9a-f]{64} [0-9]+", mark)


def test_a_number_that_was_not_sure_is_shown_as_that(visit_page: str, visit_folder: Path) -> None:
    told = model.inspection(read_record(visit_folder))
    doubted = [
        replace(u, heard=replace(u.heard, rejected=True, doubtful=u.heard.value is not None))
        for u in told.utterances
    ]
    told = replace(told, utterances=tuple(doubted))
    page = render_html(told, audio=lambda path: read_recording(visit_folder / path))
    assert "not sure: it had to be heard once more" not in words_of_page(visit_page)
    assert "number 34.5 % (not sure: it had to be heard once more)" in words_of_page(page)


def test_words_are_the_text_without_pictures_and_style(visit_page: str) -> None:
    words = words_of_page(visit_page)
    assert "Cylinder 3 loses 34.5 % of its test air" in words
    assert "Tailpipe: spectrogram of the take" in words
    assert "base64" not in words
    assert "font-size" not in words
    assert len(words) < 20_000


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("34.5 %", "14.5 %"),
        ("very likely", "unlikely"),
        ("<h2 id", "<p hidden>sealed</p><h2 id"),
        ("spectrogram of the take", "spectrogram of another take"),
        ("clear hiss", "no hiss"),
        ("default-src 'none'", "default-src *"),
        ("style-src 'sha256-", "style-src 'sha256-A"),
    ],
)
def test_any_change_of_what_is_said_changes_the_words(visit_page: str, old: str, new: str) -> None:
    changed = visit_page.replace(old, new)
    assert changed != visit_page
    assert words_of_page(changed) != words_of_page(visit_page)


def test_layout_of_the_source_and_pictures_do_not_matter(visit_page: str) -> None:
    spread = visit_page.replace("<p ", "\n\n  <p ").replace("<p>", "\n<p>\t")
    assert words_of_page(spread) == words_of_page(visit_page)
    bare = re.sub(r'src="data:[^"]*"', 'src="data:,"', visit_page)
    assert words_of_page(bare) == words_of_page(visit_page)


@pytest.mark.slow
def test_the_words_can_be_had_without_the_sounds(visit_folder: Path, visit_page: str) -> None:
    told = model.inspection(read_record(visit_folder))
    mute = render_html(told, audio=lambda path: read_recording(visit_folder / path), playable=False)
    assert words_of_page(mute) == words_of_page(visit_page)
    assert len(mute) < len(visit_page) / 2
    assert "louder than the original" in words_of_page(mute)


@given(st.text())
def test_any_text_has_words(text: str) -> None:
    assert "  " not in words_of_page(text)


def test_examples_in_the_documentation_are_true() -> None:
    result = doctest.testmod(page_words)
    assert (result.attempted, result.failed) == (1, 0)
