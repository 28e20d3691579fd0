"""Lead through a live inspection, and say whether the bay is ready for one."""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import sys
import threading
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from earwitness.cli import options
from earwitness.cli.settings import settings_here
from earwitness.cli.show import say
from earwitness.errors import EquipmentError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from earwitness.display import Page
    from earwitness.engine.layout import EngineLayout
    from earwitness.session.equipment.ears import Equipment
    from earwitness.session.live.inspection import LiveInspection, LivePlan
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.settings import Settings
    from earwitness.session.sheet import Visit
    from earwitness.session.snapshot import Board, Press, Snapshot
    from earwitness.speech.recogniser import SpeechModel

STRETCH = 0.24
"""How far a stay of the valve may be from the mean [1]. Chosen: with the default of 44 s and six
cycles it is the 2.6 to 4.2 s of `steps.SHORTEST_S` and `LONGEST_S`."""
KEYS = "Enter: next · s start · a again · y/n answer · p pause · q finish · or type a reading"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line asks of a live inspection."""

    engine: Path | None
    """Run sheet without cylinders."""
    cylinders: int | None
    only: tuple[int, ...]
    """Cylinders to test; all if empty."""
    out: Path | None
    resume: Path | None
    page: bool
    lan: bool
    mute: bool
    typed: bool
    """No headset: readings are typed or pressed."""
    probe: str | None
    headset: str | None


def inspect(wanted: Wanted, *, as_json: bool) -> None:
    """Lead through an inspection and print its verdict.

    Raises
    ------
    EarwitnessError
        If something it needs is missing; what was recorded is kept.
    """
    import numpy as np

    from earwitness.session import runner
    from earwitness.session.snapshot import Board

    told = settings_here(probe=wanted.probe, headset=wanted.headset).values
    begin = _prepared(wanted, told)  # what was typed wrong is told even with nothing plugged in
    equipment = _equipment(told, wanted)
    runner.open_microphone(equipment.probe, 1).close()  # before a record is made
    model = None if wanted.typed else _model(told)
    board = Board()
    keeper, lost = begin()
    if lost:
        say(lost)
    live = runner.live_inspection(
        _plan(keeper, told, wanted.only),
        keeper,
        board,
        rng=np.random.default_rng(),
        equipment=equipment,
        model=model,
    )
    with _shown(live, board, wanted, told), _saving_on_ctrl_c(live):
        verdict = live.run()
    _done(keeper, verdict is not None, as_json=as_json)


def _equipment(told: Settings, wanted: Wanted) -> Equipment:
    from earwitness.session.equipment.ears import Equipment

    probe = options.input_of(told.probe, told.sample_rate_hz)
    ambient = options.input_of(told.reference, told.sample_rate_hz) if told.reference else None
    if ambient and ambient.device not in (probe.device, None):
        raise EquipmentError(
            "The ambient microphone must be on the device of the probe, or the two drift apart",
            remedy="Name it in the settings as the probe's device, a colon and its channel.",
        )
    return Equipment(
        probe=probe,
        headset=None if wanted.typed else options.input_of(told.headset, HEADSET_FS),
        ambient_channel=ambient.channel if ambient else None,
        speaker=options.input_of(told.speaker, told.sample_rate_hz).device,
        voice="off" if wanted.mute else "auto" if told.voice else "earcons",
        words_per_minute=told.voice_words_per_minute,
        says_air=told.say_air,
    )


HEADSET_FS = 16_000
"""Sample rate of the headset [Hz]. Chosen: wideband speech, what the speech model was made for."""


def _model(told: Settings) -> SpeechModel:
    from earwitness.speech.dictation import load_model

    return load_model(told.model)


def _prepared(wanted: Wanted, told: Settings) -> Callable[[], tuple[Keeper, str | None]]:
    """Read what is to be inspected, and return what then begins or resumes its record."""
    from earwitness.record.reader import read_record
    from earwitness.session.live.keeping import Keeper

    if wanted.resume is not None:
        read_record(wanted.resume)
        return partial(Keeper.resume, wanted.resume, clock=options.clock)
    visit = _visit(wanted, told)
    folder = wanted.out or told.records / options.record_folder(None, "inspection")
    return lambda: (Keeper.create(folder, visit, clock=options.clock), None)


def _visit(wanted: Wanted, told: Settings) -> Visit:
    from earwitness.session.sheet import People, Visit, read_visit

    if wanted.engine is not None:
        visit = read_visit(wanted.engine)
    else:
        visit = Visit.model_validate({"engine": {"cylinders": wanted.cylinders or 4}})
        visit.check()
    people = visit.people.model_dump()
    people = {**people, "shop": people["shop"] or told.shop}
    people = {**people, "technician": people["technician"] or told.technician}
    return _with_limit(visit.model_copy(update={"people": People(**people)}), told)


def _with_limit(visit: Visit, told: Settings) -> Visit:
    """Give a visit without a limit of its own the limit of the shop's settings."""
    from earwitness.session.sheet import Limits

    if visit.limits != Limits() or settings_here().sources["limit_percent"] == "default":
        return visit
    limits = Limits(leakage_percent=told.limit_percent, origin="the shop's settings")
    return visit.model_copy(update={"limits": limits})


def _plan(keeper: Keeper, told: Settings, only: tuple[int, ...]) -> LivePlan:
    from earwitness.engine.test_plan import test_plan
    from earwitness.session.live.inspection import LivePlan
    from earwitness.session.live.keeping import done_places
    from earwitness.session.live.steps import places_of

    inspection = keeper.told()
    layout: EngineLayout = inspection.layout
    mean_s = told.take_s / (2 * told.cycles + 1)
    return LivePlan(
        layout,
        places_of(test_plan(layout, cylinders=only or None), done_places(inspection)),
        inspection.opened.gauge.supply_kpa,
        told.cycles,
        ((1 - STRETCH) * mean_s, (1 + STRETCH) * mean_s),
    )


@contextlib.contextmanager
def _shown(live: LiveInspection, board: Board, wanted: Wanted, told: Settings) -> Iterator[None]:
    """Show the inspection here, and on a page if that is wanted; take in what is typed."""
    with contextlib.ExitStack() as stack:
        if wanted.page:
            from earwitness import display

            page = stack.enter_context(
                display.serve(board, live.post, port=told.page_port, lan=wanted.lan)
            )
            _say_where(page)
        say(KEYS)
        ended = threading.Event()
        stack.callback(ended.set)
        threading.Thread(target=_print_changes, args=(board, ended), daemon=True).start()
        threading.Thread(target=_read_keys, args=(live.post,), daemon=True).start()
        yield


def _say_where(page: Page) -> None:
    """Print where the page is, and how another screen gets at it."""
    say(f"Page: {page.url}")
    if page.pairing_code:
        say(f"Elsewhere: {' or '.join(page.lan_urls)}, pairing code {page.pairing_code}, good once")
        say(page.warning)


@contextlib.contextmanager
def _saving_on_ctrl_c(live: LiveInspection) -> Iterator[None]:
    """Put the inspection to rest between two entries on the first Ctrl-C; the second one kills."""

    def save(*_: object) -> None:
        signal.signal(signal.SIGINT, before)
        live.interrupt()

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
