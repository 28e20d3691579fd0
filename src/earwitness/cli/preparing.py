"""What a live inspection needs before it begins: its engine, its record, its equipment."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.cli import options
from earwitness.cli.settings import settings_here
from earwitness.cli.show import say
from earwitness.errors import EquipmentError, RecordError

if TYPE_CHECKING:
    from collections.abc import Callable

    from earwitness.engine.layout import EngineLayout
    from earwitness.session.equipment.ears import Equipment
    from earwitness.session.live.inspection import LivePlan
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.messages.catalogue import Catalogue
    from earwitness.session.set_up.naming import Naming
    from earwitness.session.settings import Settings
    from earwitness.session.sheets.sheet import Visit
    from earwitness.speech.vosk_recogniser import VoskModel

STRETCH = 0.24
"""How far a stay of the valve may be from the mean [1]. Chosen: with the default of 44 s and six
cycles it is the 2.6 to 4.2 s of `takes.SHORTEST_S` and `LONGEST_S`."""
HEADSET_FS = 16_000
"""Sample rate of the headset [Hz]. Chosen: wideband speech, what the speech model was made for."""


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


@dataclass(frozen=True, slots=True)
class Prepared:
    """What was asked for, read and found possible."""

    folder: Path
    """The record's."""
    visit: Visit | None
    """None if the engine is yet to be named, or if a record is gone on with."""
    resumed: bool = False


def prepared(wanted: Wanted, told: Settings) -> Prepared:
    """Read what is asked for: what is wrong is told even with nothing plugged in.

    Raises
    ------
    EarwitnessError
        If a sheet, a count or a record cannot be used.
    """
    from earwitness.record.reader import read_record
    from earwitness.session.sheets.sheet import Visit, read_visit

    if wanted.resume is not None:
        read_record(wanted.resume)
        return Prepared(wanted.resume, None, resumed=True)
    folder = wanted.out or told.records / options.record_folder(None, "inspection")
    if wanted.engine is not None:
        return Prepared(folder, _completed(read_visit(wanted.engine), told))
    if wanted.cylinders is not None:
        visit = Visit.model_validate({"engine": {"cylinders": wanted.cylinders}})
        visit.check()
        return Prepared(folder, _completed(visit, told))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordError(
            f"{folder} already holds a record or a file of that name",
            remedy="Choose another folder with --out.",
        )
    return Prepared(folder, None)


def begun(
    prepared: Prepared, told: Settings, name: Callable[[Path], Naming | None]
) -> Keeper | None:
    """Begin or resume the record; None if nobody named the engine.

    Parameters
    ----------
    prepared : Prepared
        From `prepared`.
    told : Settings
        What is set.
    name : callable
        Has the engine named; it gets a folder for the sound of it.
    """
    from earwitness.session.live.keeping import Keeper

    if prepared.resumed:
        keeper, lost = Keeper.resume(prepared.folder, clock=options.clock)
        if lost:
            say(lost)
        return keeper
    if prepared.visit is not None:
        return Keeper.create(prepared.folder, prepared.visit, clock=options.clock)
    with tempfile.TemporaryDirectory() as sounds:
        named = name(Path(sounds))
        return None if named is None else _of_a_named(named, Path(sounds), prepared.folder, told)


def _of_a_named(named: Naming, sounds: Path, folder: Path, told: Settings) -> Keeper:
    """Begin the record of an engine that was named, with the sound of that."""
    from earwitness.session.live.keeping import Keeper
    from earwitness.session.set_up.naming import described
    from earwitness.session.sheets.sheet import Visit

    visit = _completed(Visit.model_validate({"engine": named.engine()}), told)
    keeper = Keeper.create(folder, visit, clock=options.clock)
    keeper.note(named.words.text("name_note", engine=described(named)))
    for sound in sorted(sounds.glob("*.wav")):
        keeper.add(sound)
    return keeper


def _completed(visit: Visit, told: Settings) -> Visit:
    """Fill in from the settings who the shop is, and its limit."""
    from earwitness.session.sheets.sheet import People

    people = visit.people.model_dump()
    people = {**people, "shop": people["shop"] or told.shop}
    people = {**people, "technician": people["technician"] or told.technician}
    return _with_limit(visit.model_copy(update={"people": People(**people)}), told)


def _with_limit(visit: Visit, told: Settings) -> Visit:
    """Give a visit without a limit of its own the limit of the shop's settings."""
    from earwitness.session.sheets.sheet import Limits

    if visit.limits != Limits() or settings_here().sources["limit_percent"] == "default":
        return visit
    limits = Limits(leakage_percent=told.limit_percent, origin="the shop's settings")
    return visit.model_copy(update={"limits": limits})


def equipment_of(told: Settings, wanted: Wanted) -> Equipment:
    """Return the equipment as it is set; raises EquipmentError if it cannot be used together."""
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


def model_of(told: Settings) -> VoskModel:
    """Return the speech model as it is set; raises ModelError."""
    from earwitness.speech.dictation import load_model

    return load_model(told.model)


def plan_of(keeper: Keeper, told: Settings, only: tuple[int, ...], words: Catalogue) -> LivePlan:
    """Return what is to be done, without what an earlier day has done."""
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
        words,
    )
