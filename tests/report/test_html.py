"""The page: complete, self-contained, honest, and safe with any text."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import TYPE_CHECKING

import pytest

from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError
from earwitness.record import model
from earwitness.record.store import read_record
from earwitness.report.html import render_html
from page_reader import Reader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.record.model import Inspection


@pytest.fixture(scope="session")
def page(visit_page: str) -> Reader:
    return Reader(visit_page)


def test_the_page_is_well_formed(page: Reader) -> None:
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    labels = [a["aria-labelledby"] for _, a in page.elements if "aria-labelledby" in a]
    assert labels
    assert set(labels) <= set(ids)
    assert page.all("html") == [{"lang": "en"}]


def test_nothing_is_fetched_and_nothing_runs(page: Reader, visit_page: str) -> None:
    assert {name for name, _ in page.elements}.isdisjoint(
        {"script", "link", "iframe", "object", "embed", "base", "form", "a"}
    )
    for _, attributes in page.elements:
        assert not any(name.startswith("on") or name == "style" for name in attributes)
        for name in ("src", "href", "srcset", "poster"):
            assert (attributes.get(name) or "data:").startswith("data:")
    markup = re.sub(r'"data:[^"]*"', "", visit_page)
    assert "http:" not in markup.replace("http-equiv", "")
    assert "https:" not in markup
    assert "url(" not in markup
    assert "@import" not in markup


def test_the_policy_forbids_all_but_what_is_inside(page: Reader, visit_page: str) -> None:
    """Content Security Policy Level 3: the style is allowed by the digest of its text."""
    (policy,) = [m["content"] for m in page.all("meta") if m.get("http-equiv")]
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    (style,) = re.findall(r"<style>(.*?)</style>", visit_page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy


@pytest.mark.slow
def test_forty_takes_would_stay_far_below_25_megabytes(ten_takes_page: str) -> None:
    assert ten_takes_page.count("<audio") == 10
    assert 4 * len(ten_takes_page.encode()) < 12_000_000


@pytest.mark.slow
def test_the_same_record_gives_the_same_page(visit_folder: Path, visit_page: str) -> None:
    told = model.inspection(read_record(visit_folder))
    again = render_html(told, audio=lambda path: read_recording(visit_folder / path))
    assert again == visit_page


def test_the_first_thing_said_is_the_conclusion(page: Reader) -> None:
    words = page.words
    order = [
        "Blue estate car, rough idle",
        "The cylinder head: valves and their seats",
        "very likely, 94 %",
        "Cylinder 3 loses 34.5 % of its test air past the exhaust valve",
        "Cylinder 3: tap the valve stem.",
        "More than a gasket, less than the pistons",
        "What this does not tell you",
        "Harbour Lane Motors",
        "Never open a hot cooling system",
        "Cylinder by cylinder",
        "What to check before anything comes apart",
        "What was not tested",
        "Which part inside the leaking seal has failed",
        "Chain head",
    ]
    places = [words.find(said) for said in order]
    assert -1 not in places
    assert places == sorted(places)


def test_every_take_has_picture_sound_numbers_and_originals(
    page: Reader, visit_folder: Path
) -> None:
    told = model.inspection(read_record(visit_folder))
    assert len(told.takes) == 5
    pictures = [p for p in page.all("svg") if p.get("role") == "img"]
    assert len(pictures) == len(page.all("audio")) == 5
    assert all((p["aria-label"] or "").count("spectrogram") == 1 for p in pictures)
    for take in told.takes:
        assert take.finding is not None
        if take.finding.usable:
            silent = (take.finding.p_value or 0.0) > 0.05
            level = take.finding.interval_db[1] if silent else take.finding.excess_db
            said = f"{'at most ' if silent else ''}{level:+.1f} dB".replace("-", "−")
            assert said in page.words
        for path in take.audio:
            stored = told.audio_file(path)
            assert stored is not None
            assert path in page.words
            assert stored.sha256 in page.words
    for said in ("p = 0.0031", "p = 0.4211", "screens only", "+0.7 dB, with probability 0.85"):
        assert said in page.words


def test_a_refused_take_is_shown_as_refused_and_without_numbers(page: Reader) -> None:
    refused = page.words.split("Refused: no conclusion rests on this take.")[1].split("entry")[0]
    assert "clipped The recording was overdriven" in refused
    assert "Rise of the floor" not in refused
    assert "no conclusion" in page.words


def test_grades_are_words_and_symbols(page: Reader) -> None:
    for said in ("no hiss found", "faint hiss", "clear hiss", "no conclusion"):
        assert said in page.words
    assert len([s for s in page.all("svg") if s.get("class") == "arcs"]) == 5


def test_corrections_stay_visible(page: Reader) -> None:
    assert "44 % dictated, confirmed; taken back: scratch that" in page.words
    assert page.all("del") == [{}]
    assert "“leakage forty four percent”" in page.words
    assert "scratch that" in page.words


def test_what_was_not_tested_is_said(page: Reader) -> None:
    assert "Cylinders of which nothing was read or recorded: 2." in page.words
    assert "Cylinder 3, no usable take at: Radiator, Plug hole 2, Plug hole 4." in page.words
    assert "an open question; most likely the piston rings" in page.words


def test_the_record_is_identified(page: Reader, visit_folder: Path) -> None:
    record = read_record(visit_folder)
    assert record.head in page.words
    assert f"{len(record.entries)}, each chained" in page.words
    assert visit_folder.name not in page.words  # a copy of the record may have another name


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "javascript:alert(1)",
    "</title></style><h1>taken over</h1>",
    "{{ 7 * 7 }}{% raw %}",
    "&lt;b&gt; & &amp;",
    "safe\u202egnp.exe",
    "\x00\x1b[31m",
    "]]><!-- --!>",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_stays_text(
    visit_folder: Path,
    page: Reader,
    made_hostile: Callable[[Inspection, str], Inspection],
    text: str,
) -> None:
    """In every place where text from outside is shown, it is shown and does nothing."""
    hostile = made_hostile(model.inspection(read_record(visit_folder)), text)
    seen = Reader(render_html(hostile, audio=_no_sound(text)))
    kinds = {name for name, _ in seen.elements}
    assert kinds <= {name for name, _ in page.elements}
    assert len(seen.all("h1")) == 1
    shown = text
    for mark in "\u202e\x00\x1b":
        shown = shown.replace(mark, f"[U+{ord(mark):04X}]")
    assert seen.text.count(shown) >= 22
    for _, attributes in seen.elements:
        assert not any(name.startswith("on") for name in attributes)
    assert not {"\u202e", "\x00", "\x1b"} & set(seen.text)


def _no_sound(text: str) -> Callable[[str], object]:
    def audio(path: str) -> object:
        raise AudioFileError(f"{text} cannot be read")

    return audio


def test_missing_sound_is_said_and_the_page_is_still_written(visit_folder: Path) -> None:
    told = model.inspection(read_record(visit_folder))
    seen = Reader(render_html(told, audio=_no_sound("audio/0001.wav")))
    assert seen.words.count("No picture and no sound: audio/0001.wav cannot be read.") == 5
    assert not seen.all("audio")
    assert "+4.2 dB" in seen.words


def test_a_visit_without_anything_is_a_page_too(visit_folder: Path) -> None:
    from dataclasses import replace

    told = model.inspection(read_record(visit_folder))
    empty = replace(
        told, readings=(), retracted_readings=(), takes=(), utterances=(), audio=(), notes=(),
        verdict=None, closed=False, clock_steps=(3,), lost="Entry 9 was cut short.",
    )  # fmt: skip
    seen = Reader(render_html(empty, audio=_no_sound("nothing")))
    for said in (
        "No conclusion was reached",
        "No cylinder was tested.",
        "nothing was read or recorded: 1, 2, 3, 4.",
        "Entry 9 was cut short.",
        "The record was not closed",
        "stepped back before entry 3",
    ):
        assert said in seen.words
