"""One catalogue: every sentence in it is used, and every sentence that is used is in it."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

import earwitness
from earwitness.engine import test_plan as plans
from earwitness.engine.layout import engine_layout
from earwitness.errors import ModelError
from earwitness.session.live import events, steps
from earwitness.session.live.shown import View, shown
from earwitness.session.live.takes import in_short
from earwitness.session.messages.catalogue import (
    MESSAGES_FILE,
    beside,
    english,
    load_catalogue,
    sentences,
)
from earwitness.session.snapshot import Engine, Press
from invented_words import ENGLISH, LEFT, RIGHT, as_toml, invented

SOURCE = Path(earwitness.__file__).parent
PYTHON = [
    *(SOURCE / "session").rglob("*.py"),
    SOURCE / "cli" / "check.py",
    SOURCE / "display/app.py",
]
PAGE = sorted((SOURCE / "display" / "page").glob("*.js"))


def texts() -> tuple[set[str], list[re.Pattern[str]]]:
    """Every text in the program, and patterns of those that are put together from two parts.

    One part must be a word, or the pattern would fit anything.
    """
    whole, parts = set(), []
    for node in (n for f in PYTHON for n in ast.walk(ast.parse(f.read_text(encoding="utf-8")))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            whole.add(node.value)
        elif isinstance(node, ast.JoinedStr) and len(node.values) == 2:
            said = "".join(v.value for v in node.values if isinstance(v, ast.Constant))
            pattern = "".join(
                re.escape(v.value) if isinstance(v, ast.Constant) else "[a-z0-9_-]+"
                for v in node.values
            )
            parts += [re.compile(pattern)] if said.strip("_").isalpha() else []
    return whole, parts


def test_every_message_is_used() -> None:
    whole, parts = texts()
    for table in (english().messages, english().refusals, english().check):
        put_together = [key for key in table if key not in whole]
        assert [key for key in put_together if not any(p.fullmatch(key) for p in parts)] == []


def test_every_message_that_is_used_exists() -> None:
    """Names that are put together are tried in the tests of what is shown."""
    calls = re.compile(r"\b(?:text|ready|_refuse)\((?:\d+, )?\"([a-z_]+)\"")
    known = {*english().messages, *english().refusals, *english().check}
    used = {key for f in PYTHON for key in calls.findall(f.read_text(encoding="utf-8"))}
    assert used - known == set()
    assert len(used) > 40


def test_every_word_of_the_page_is_used_and_exists() -> None:
    code = "".join(f.read_text(encoding="utf-8") for f in PAGE)
    told = {k for k, v in english().page.items() if isinstance(v, str)}
    quoted = set(re.findall(r"\"([a-z_]+)\"", code))
    assert told - quoted == set()
    called = set(re.findall(r"\b(?:say|told)\(\"([a-z_]+)\"", code))
    assert called - told == set()
    assert {k for k in english().page if k not in told} == {"states", "actions", "quantities"}


def test_letters_of_the_buttons_differ() -> None:
    letters = [letter for _, letter in english().page["actions"].values()]
    assert len(set(letters)) == len(letters)


def test_nothing_else_holds_a_sentence() -> None:
    """The page's scripts and its frame have words by name only."""
    frame = (SOURCE / "display/page/index.html").read_text(encoding="utf-8")
    assert re.findall(r">\s*([A-Za-z][^<]*)<", frame) == ["Bay page", "This page needs JavaScript."]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / MESSAGES_FILE).write_text(as_toml(invented()), encoding="utf-8")
    return tmp_path


def test_a_model_brings_its_language(folder: Path, tmp_path: Path) -> None:
    assert beside(folder).language == "xx"
    assert beside(tmp_path / "none") is english()


def test_an_inspection_speaks_another_language(folder: Path) -> None:
    """What is said, shown and warned of stands between the marks of the invented tongue."""
    words = beside(folder)
    layout = engine_layout(4)
    state, effects = steps.begin(layout, steps.places_of(plans.test_plan(layout)), words=words)
    presses = ["understood", "next", "start", "skip", "pause", "resume", "again"]
    for event in [Press(p) for p in presses] + [Press("cylinder", "9"), Press("point", "moon")]:  # type: ignore[arg-type]
        state, more = steps.step(state, event)
        effects += more
    said = [e.text for e in effects if isinstance(e, events.Say | events.Note)]
    assert len(said) > 7
    for place in range(len(state.places)):
        for phase in ("cautions", "gauge", "move", "get-ready", "air-on", "paused", "done"):
            told = shown(
                steps.replace(state, at=place, phase=phase),  # type: ignore[arg-type]
                View(Engine("", layout.banks)),
                None,
            )
            said += [told.instruction, told.detail, told.point_seal]
            said += [*told.cautions, *told.brief_cautions]
    assert [s for s in said if s and not (s.startswith(LEFT) and s.endswith(RIGHT))] == []


@pytest.mark.parametrize(
    ("grade", "told"),
    [("none", "no hiss"), ("faint", "faint hiss, +2.5 dB"), ("strong", "strong hiss, +2.5 dB"),
     ("undetermined", "nothing can be told")],
)  # fmt: skip
def test_a_finding_is_told_in_a_few_words(grade, told) -> None:
    finding = SimpleNamespace(grade=grade, excess_db=2.5)
    assert in_short(finding, english()) == told  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda t: t["messages"].pop("gauge"), "messages lacks gauge"),
        (lambda t: t["messages"].update(guage="x"), "messages has guage, which nothing uses"),
        (lambda t: t["messages"].update(gauge="x"), "the slots of gauge must be n"),
        (lambda t: t["page"]["actions"].pop("no"), "page lacks actions.no"),
        (lambda t: t.pop("check"), "lack 'check'"),
        (lambda t: t.update(points=["x"]), "are not as expected|points lacks"),
        (lambda t: t["messages"].update(gauge="{"), "are not as expected"),
    ],
)
def test_a_faulty_language_is_refused_in_a_sentence(change, fault, tmp_path: Path) -> None:
    told = invented()
    change(told)
    file = tmp_path / MESSAGES_FILE
    file.write_text(as_toml(told), encoding="utf-8")
    with pytest.raises(ModelError, match=fault):
        load_catalogue(file)


@pytest.mark.parametrize("content", [b"language = ", b"\xff"])
def test_what_is_no_toml_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / MESSAGES_FILE).write_bytes(content)
    with pytest.raises(ModelError, match="cannot be read"):
        load_catalogue(tmp_path / MESSAGES_FILE)


def test_the_catalogue_is_a_language_like_any_other() -> None:
    assert load_catalogue(ENGLISH) == english()
    assert all(text.strip() == text or text == " and " for _, text in sentences(english().messages))
