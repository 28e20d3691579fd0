"""Lead through a live inspection, in the terminal and on the page of the bay."""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import sys
import threading
from typing import TYPE_CHECKING, Any

import typer

from earwitness.cli import options, preparing
from earwitness.cli.settings import settings_here
from earwitness.cli.show import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from earwitness.cli.preparing import Wanted
    from earwitness.display import Page
    from earwitness.session.live.inspection import LiveInspection
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.set_up.asking import AskEngine
    from earwitness.session.set_up.naming import Naming
    from earwitness.session.settings import Settings
    from earwitness.session.snapshot import Board, Press, Snapshot

KEYS = "Enter: next · s start · a again · y/n answer · p pause · q finish · or type a reading"


class Desk:
    """Hands what is pressed to whatever is led now: the naming of the engine, or the inspection."""

    def __init__(self) -> None:
        self._at: AskEngine | LiveInspection | None = None
        self._stopped = False

    def lead(self, at: AskEngine | LiveInspection) -> Any:
        """Run it until its end, or until it is stopped; return what it returns."""
        self._at = at
        if self._stopped:
            at.interrupt()
        return at.run()

    def post(self, press: Press) -> None:
        """Hand over what was pressed or typed; raises queue.Full if too much waits."""
        if self._at is not None:
            self._at.post(press)

    def interrupt(self) -> None:
        """Stop what is led now and what would be led after it."""
        self._stopped = True
        if self._at is not None:
            self._at.interrupt()


def inspect(wanted: Wanted, *, as_json: bool) -> None:
    """Lead through an inspection and print its verdict.

    Raises
    ------
    EarwitnessError
        If something it needs is missing; what was recorded is kept.
    """
    import numpy as np

    from earwitness.session import runner
    from earwitness.session.messages.catalogue import beside, english
    from earwitness.session.snapshot import Board

    told = settings_here(probe=wanted.probe, headset=wanted.headset).values
    prepared = preparing.prepared(wanted, told)
    equipment = preparing.equipment_of(told, wanted)
    runner.open_microphone(equipment.probe, 1).close()  # before a record is made
    model = None if wanted.typed else preparing.model_of(told)
    words = beside(model.path) if model else english()
    board, desk = Board(), Desk()
    made: dict[str, Any] = {"equipment": equipment, "model": model}

    def name(sounds: Path) -> Naming | None:
        asking = runner.ask_engine(board, sounds, clock=options.clock, words=words, **made)
        named: Naming | None = desk.lead(asking)
        return named

    with _shown(desk, board, wanted, told, words), _saving_on_ctrl_c(desk):
        keeper = preparing.begun(prepared, told, name)
        if keeper is None:
            say("No engine was named, so nothing was begun.")
            return
        plan, rng = preparing.plan_of(keeper, told, wanted.only, words), np.random.default_rng()
        verdict = desk.lead(runner.live_inspection(plan, keeper, board, rng=rng, **made))
    _done(keeper, verdict is not None, as_json=as_json)


@contextlib.contextmanager
def _shown(
    desk: Desk, board: Board, wanted: Wanted, told: Settings, words: Catalogue
) -> Iterator[None]:
    """Show the inspection here, and on a page if that is wanted; take in what is typed."""
    with contextlib.ExitStack() as stack:
        if wanted.page:
            from earwitness import display

            page = stack.enter_context(
                display.serve(board, desk.post, port=told.page_port, lan=wanted.lan, words=words)
            )
            _say_where(page)
        say(KEYS)
        ended = threading.Event()
        stack.callback(ended.set)
        threading.Thread(target=_print_changes, args=(board, ended), daemon=True).start()
        threading.Thread(target=_read_keys, args=(desk.post,), daemon=True).start()
        yield


def _say_where(page: Page) -> None:
    """Print where the page is, and how another screen gets at it."""
    say(f"Page: {page.url}")
    if page.pairing_code:
        say(f"Elsewhere: {' or '.join(page.lan_urls)}, pairing code {page.pairing_code}, good once")
        say(page.warning)


@contextlib.contextmanager
def _saving_on_ctrl_c(desk: Desk) -> Iterator[None]:
    """Put the inspection to rest between two entries on the first Ctrl-C; the second one kills."""

    def save(*_: object) -> None:
        signal.signal(signal.SIGINT, before)
        desk.interrupt()

    before = signal.signal(signal.SIGINT, save)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _print_changes(board: Board, ended: threading.Event) -> None:
    """Print each new instruction, sentence and warning once."""
    number = 0
    before: tuple[str, str, str, tuple[str, ...]] = ("", "", "", ())
    while not ended.is_set():
        number, now = board.wait_newer(number, 1.0)
        if now is None:
            continue
        after = (now.instruction, now.said, now.heard, now.warnings)
        for line in _news(now, before):
            say(line)
        before = after


def _news(now: Snapshot, before: tuple[str, str, str, tuple[str, ...]]) -> list[str]:
    instruction, said, heard, warnings = before
    lines = [f"! {w}" for w in now.warnings if w not in warnings]
    lines += [f"< {now.heard}"] if now.heard and now.heard != heard else []
    lines += [f"> {now.said}"] if now.said and now.said != said else []
    if now.instruction not in (instruction, now.said):
        lines.append(now.instruction)
    return lines


def _read_keys(post: Callable[[Press], None]) -> None:
    """Take in what is typed, line by line, until the input ends."""
    from earwitness.session.live.typed import press_from

    for line in sys.stdin:
        press = press_from(line)
        if press is None:
            say(f"That is not known: {line.strip()}. {KEYS}")
            continue
        with contextlib.suppress(queue.Full):
            post(press)


def _done(keeper: Keeper, finished: bool, *, as_json: bool) -> None:
    """Say what there is now."""
    from earwitness.cli import show
    from earwitness.cli.reporting import write_report

    if not finished:
        resume = f"earwitness inspect --resume {keeper.folder}"
        say(f"Everything up to here is kept. Go on with: {resume}")
        if as_json:
            typer.echo(json.dumps({"record": str(keeper.folder), "finished": False}))
        return
    say("Writing the report")
    page = write_report(keeper.folder, pdf=False).html
    show.concluded(keeper.judged(), keeper.folder, page, as_json=as_json)
