"""The board between a running inspection and its pages."""

from __future__ import annotations

import threading

import pytest

from earwitness.session.snapshot import (
    MOST_COLUMNS,
    Board,
    Column,
    Press,
    Snapshot,
    press,
)


def test_before_the_first_snapshot_there_is_none():
    assert Board().latest() == (0, None)
    assert Board().wait_newer(0, timeout_s=0.0) == (0, None)


def test_a_reader_gets_the_newest_and_misses_what_is_old():
    board = Board()
    for text in ("one", "two", "three"):
        board.publish(Snapshot(text, "move"))
    number, shown = board.wait_newer(0, timeout_s=1.0)
    assert (number, shown and shown.instruction) == (3, "three")


def test_waiting_ends_when_another_thread_publishes():
    board, seen = Board(), []
    reader = threading.Thread(target=lambda: seen.append(board.wait_newer(0, timeout_s=20.0)))
    reader.start()
    board.publish(Snapshot("now", "move"))
    reader.join(timeout=20.0)
    assert [(n, s and s.instruction) for n, s in seen] == [(1, "now")]


def test_the_board_keeps_a_bounded_spectrogram():
    board = Board()
    board.publish(Snapshot("x", "air-on", spectrogram=tuple(Column(i, b"\0") for i in range(9999))))
    _, shown = board.latest()
    assert shown is not None
    assert len(shown.spectrogram) == MOST_COLUMNS
    assert shown.spectrogram[-1].number == 9998


def test_what_a_page_may_ask():
    assert press("confirm") == Press("confirm")
    assert press("point", "oil-filler") == Press("point", "oil-filler")


@pytest.mark.parametrize(
    ("action", "value"),
    [
        ("format-disk", ""),
        ("", ""),
        ("confirm", "yes"),
        ("cylinder", ""),
        ("reading", "x" * 65),
        ("point", "oil\nfiller"),
        ("point", "oil\x00filler"),
    ],
)
def test_what_it_may_not(action, value):
    with pytest.raises(ValueError, match=r"action|value"):
        press(action, value)
