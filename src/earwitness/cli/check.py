"""Say whether the bay is ready for a live inspection."""

from __future__ import annotations

import contextlib
import json
import shutil
import threading
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from earwitness.cli import options
from earwitness.cli.settings import settings_here
from earwitness.cli.show import say
from earwitness.cli.terminal import wrapped
from earwitness.errors import EXIT_DEFECT, EarwitnessError, EquipmentError

if TYPE_CHECKING:
    from earwitness.session.equipment.ready import Item, Judge
    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.settings import Settings
    from earwitness.speech.vosk_recogniser import VoskModel

SCHEMA = "earwitness.check/1"


def check(probe: str | None, seconds: float, *, as_json: bool) -> None:
    """Print whether this bay is ready; exit with 1 if it is not."""
    from earwitness.session.equipment import ready
    from earwitness.session.messages import catalogue

    told = settings_here(probe=probe).values
    model = _model(told)
    words = (
        catalogue.english() if isinstance(model, EarwitnessError) else catalogue.beside(model.path)
    )
    judge = ready.Judge(words)
    items = [
        *_of_the_probe(told, seconds, judge, words),
        _speaker(told, words),
        _of_the_speech(model, judge),
        judge.of_the_disk(_free_bytes(told.records)),
        judge.of_the_clock(options.clock(), _newest_file()),
    ]
    _print_items(items, words, as_json=as_json)
    if not all(item.ready for item in items):
        raise typer.Exit(EXIT_DEFECT)


def _model(told: Settings) -> VoskModel | EarwitnessError:
    """Return the speech model, or what is wrong with it."""
    from earwitness.speech.dictation import load_model

    try:
        return load_model(told.model)
    except EarwitnessError as e:
        return e


def _of_the_probe(told: Settings, seconds: float, judge: Judge, words: Catalogue) -> list[Item]:
    """Record a trial take and judge it; a microphone that refuses is one more thing not ready."""
    from earwitness.session import runner
    from earwitness.session.equipment import ready

    wanted = options.input_of(told.probe, told.sample_rate_hz)
    try:
        source = runner.open_microphone(wanted, wanted.channel + 1)
        with contextlib.closing(source):
            say(words.ready("listening", seconds=f"{seconds:g}"))
            samples = ready.listen(source, wanted.channel, seconds)
    except EquipmentError as e:
        return [_faulty("microphone", e)]
    fs = source.sample_rate_hz
    message = "microphone" if fs == wanted.sample_rate_hz else "microphone_other"
    says = words.ready(message, fs=fs, wanted=wanted.sample_rate_hz)
    return [ready.Item("microphone", True, says), *judge.of_the_sound(samples, fs)]


def _speaker(told: Settings, words: Catalogue) -> Item:
    from earwitness.audio.loudspeaker import Loudspeaker
    from earwitness.session.equipment import ready, voice

    device = options.input_of(told.speaker, told.sample_rate_hz).device
    try:
        speaker = Loudspeaker(device)
    except EquipmentError as e:
        return _faulty("loudspeaker", e)
    talking = voice.Voice(speaker, "earcons", lambda _: None)
    talking.cue(on=True)
    while speaker.playing:
        threading.Event().wait(0.05)
    talking.close()
    speaks = voice.installed_voice() is not None
    says = words.ready("loudspeaker" if speaks else "loudspeaker_tones")
    return ready.Item("loudspeaker", True, says)


def _of_the_speech(model: VoskModel | EarwitnessError, judge: Judge) -> Item:
    if isinstance(model, EarwitnessError):
        return _faulty("speech", model)
    return judge.of_the_model(model.lacking(model.vocabulary.words))


def _faulty(name: str, error: EarwitnessError) -> Item:
    from earwitness.session.equipment import ready

    return ready.Item(name, False, f"{error.fault}.", error.remedy)


def _free_bytes(folder: Path) -> int:
    there = next((p for p in (folder, *folder.absolute().parents) if p.exists()), Path())
    return shutil.disk_usage(there).free


def _newest_file() -> datetime:
    """Return when the newest file of this installation was written: it cannot be earlier now."""
    files = Path(__file__).parents[1].glob("*.py")
    return datetime.fromtimestamp(max(f.stat().st_mtime for f in files), UTC)


def _print_items(items: list[Item], words: Catalogue, *, as_json: bool) -> None:
    bad = [i for i in items if not i.ready]
    if as_json:
        told = {"schema": SCHEMA, "ready": not bad, "items": [asdict(i) for i in items]}
        typer.echo(json.dumps(told))
        return
    states = {True: words.ready("is_ready"), False: words.ready("is_not_ready")}
    for i in items:
        label = f"{words.told(i.name):<12} {states[i.ready]:<10} "
        typer.echo(wrapped(f"{i.says} {i.remedy}".strip(), label))
    names = ", ".join(words.told(i.name) for i in bad)
    typer.echo(words.ready("all_ready") if not bad else words.ready("not_ready", names=names))
