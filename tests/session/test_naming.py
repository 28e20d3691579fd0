"""The engine is named in a few answers; a usual one in two, any one with nothing but yes and no."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.engine.layout import engine_layout
from earwitness.session.equipment.ears import Devices, Equipment
from earwitness.session.set_up import naming
from earwitness.session.set_up.asking import COMMANDS, AskEngine
from earwitness.session.set_up.naming import Naming
from earwitness.session.sheets.sheet import Engine
from earwitness.session.snapshot import Board, Press
from earwitness.speech.vocabulary import english

if TYPE_CHECKING:
    from pathlib import Path

YES, NO = ("confirm", None), ("no", None)


def cylinder(number: int) -> tuple[str, int]:
    return "cylinder", number


def answered(*answers: tuple[str, int | None]) -> Naming:
    named = Naming()
    for answer in answers:
        named, _ = naming.step(named, *answer)
    return named


def test_a_usual_engine_takes_two_answers() -> None:
    """1-3-4-2: engineering course tables, as in `DEFAULT_FIRING_ORDERS`."""
    named = answered(cylinder(4), YES)
    assert named.asks is None
    assert Engine.model_validate(named.engine()).layout() == engine_layout(4)
    assert "firing order 1 3 4 2" in naming.described(named)


def test_each_no_offers_the_next_possibility() -> None:
    """A V6 has no usual order: the maker's is said, and its last cylinder is known by itself."""
    order = [cylinder(n) for n in (1, 2, 3, 4, 5)]
    named = answered(cylinder(6), NO, NO, YES, NO, YES, *order, YES, NO, YES, NO, YES, NO, YES, YES)
    assert named.asks is None
    layout = Engine.model_validate(named.engine()).layout()
    assert layout == engine_layout(
        6,
        arrangement="vee",
        banks=((1, 2, 3), (4, 5, 6)),
        firing_order=(1, 2, 3, 4, 5, 6),
        cooling="air",
        tailpipes=2,
        fuel="diesel",
    )


def test_a_wrong_number_of_the_order_is_taken_back() -> None:
    named = answered(cylinder(7), YES, cylinder(1), cylinder(4), ("scratch-that", None))
    assert named.order == (1,)
    assert naming.step(named, *cylinder(1))[1].startswith("not 1")
    assert naming.step(named, *cylinder(8))[1].startswith("not 8")


def test_twelve_and_more_are_asked_for_before_they_are_read_back() -> None:
    named = answered(cylinder(12))
    assert named.asks == "arrangement"
    assert answered(cylinder(1)).asks == "whole"
    assert answered(cylinder(17)).asks == "cylinders"


ANSWERS = st.sampled_from([YES, NO, ("scratch-that", None), ("repeat", None), ("next", None)])
NUMBERS = st.integers(0, 20).map(cylinder)


@given(st.lists(ANSWERS | NUMBERS, max_size=60))
def test_whatever_is_answered_what_is_confirmed_can_exist(answers: list) -> None:
    """And every question says something, and only what may be said is asked for."""
    named = answered(*answers)
    assert naming.question(named)
    assert set(named.numbers) <= set(range(1, 17))
    if named.asks is None:
        Engine.model_validate(named.engine()).layout()


def test_all_that_it_takes_is_in_the_vocabulary() -> None:
    assert set(COMMANDS) <= {e.command for e in english().entries}


def ask(folder: Path, board: Board) -> AskEngine:
    return AskEngine(
        board,
        folder,
        clock=lambda: datetime(2026, 3, 2, tzinfo=UTC),
        equipment=Equipment(voice="off"),
        devices=Devices(lambda *_: pytest.fail("no microphone is wanted"), lambda _: None),
    )


def test_it_is_named_with_keys_and_on_the_page_too(tmp_path: Path) -> None:
    board = Board()
    asking, named = ask(tmp_path, board), []
    runner = threading.Thread(target=lambda: named.append(asking.run()))
    runner.start()
    number, first = board.wait_newer(0, 5.0)
    assert first is not None
    assert first.phase == "set-up"
    assert first.cylinders == tuple(range(1, 17))
    asking.post(Press("reading", "2"))
    while "confirm" not in first.actions or not first.engine:
        number, first = board.wait_newer(number, 5.0)
        assert first is not None
    assert "firing order 1 2" in first.detail
    asking.post(Press("confirm"))
    runner.join(5.0)
    assert named[0].engine()["cylinders"] == 2


def test_whoever_gives_up_has_named_nothing(tmp_path: Path) -> None:
    asking = ask(tmp_path, Board())
    asking.post(Press("finish"))
    assert asking.run() is None
    assert list(tmp_path.iterdir()) == []
