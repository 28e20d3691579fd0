"""In the bay: plan, settings, devices, check, assisted listening, the live inspection."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from earwitness.cli import options


def plan(
    sheet: Annotated[Path | None, typer.Argument(help="Run sheet with the engine in it.")] = None,
    cylinders: Annotated[int, typer.Option(help="Number of cylinders, 1 to 16.")] = 4,
    firing_order: Annotated[str, typer.Option(help="For example 1,3,4,2.")] = "",
    firing_intervals: Annotated[
        str, typer.Option(help="Degrees from firing to firing, where uneven: 315,405.")
    ] = "",
    arrangement: Annotated[str, typer.Option(help="inline, vee or flat.")] = "inline",
    banks: Annotated[str, typer.Option(help="Front to back: 1,3,5/2,4,6.")] = "",
    bore_mm: Annotated[float | None, typer.Option(help="Cylinder bore [mm].")] = None,
    tailpipes: Annotated[int, typer.Option(help="1 or 2.")] = 1,
    strokes: Annotated[int, typer.Option(help="Of one working cycle.")] = 4,
    air_cooled: Annotated[bool, typer.Option("--air-cooled", help="No radiator.")] = False,
    diesel: Annotated[bool, typer.Option("--diesel", help="No spark plugs, no wet test.")] = False,
    first: Annotated[int | None, typer.Option(help="Cylinder to start with.")] = None,
    complaint: Annotated[
        str | None, typer.Option(help="misfire, low-power, oil-use, coolant-loss, no-start, …")
    ] = None,
    known: Annotated[
        list[str] | None, typer.Option(help="What is known, e.g. one-low,cold-only.")
    ] = None,
    maker_limit: Annotated[
        float | None, typer.Option(help="The maker's leakage limit [%].")
    ] = None,
    limit_rule: Annotated[
        str, typer.Option(help="Else: common-practice or ac-43.13-1b.")
    ] = "common-practice",
    altitude_m: Annotated[
        float | None, typer.Option(help="Height of the shop above sea level [m].")
    ] = None,
    printable: Annotated[
        Path | None, typer.Option("--sheet", help="Write a page to print: .html or .pdf.")
    ] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    as_json: options.Json = False,
) -> None:
    """Say which test comes first, how to go round the engine, and where to listen.

    Example: earwitness plan --cylinders 6 --firing-order 1,5,3,6,2,4 --first 5

    Example: earwitness plan van-42.toml --complaint misfire --sheet van-42.pdf
    """
    from earwitness.cli import planning

    words = planning.EngineWords(
        cylinders,
        firing_order,
        firing_intervals,
        arrangement,
        banks,
        bore_mm,
        tailpipes,
        strokes,
        air_cooled=air_cooled,
        diesel=diesel,
    )
    case = planning.Case(complaint, tuple(known or ()), maker_limit, limit_rule, altitude_m)
    made = planning.make_plan(sheet, words, case, first=first)
    if printable is not None:
        planning.write_sheet(made, printable, paper)
    planning.print_plan(made, as_json=as_json, written=printable)


def settings(
    new: Annotated[
        bool, typer.Option("--new", help="Write a settings file that explains every key.")
    ] = False,
    as_json: options.Json = False,
) -> None:
    """Show what is in force, and from where: default, settings file, or environment.

    Example: earwitness settings --new
    """
    from earwitness.cli import settings as cli_settings

    if new:
        cli_settings.write_new()
    else:
        cli_settings.show(as_json=as_json)


def monitor(
    point: Annotated[str | None, typer.Option(help="Listening point, e.g. throttle-body.")] = None,
    subtract: Annotated[
        bool, typer.Option("--subtract", help="Turn down what is there with the air off.")
    ] = False,
    ticks: Annotated[
        bool, typer.Option("--ticks", help="Tick the faster, the clearer the hiss.")
    ] = False,
    gain_db: Annotated[float | None, typer.Option(help="Louder by so much, at most 20.")] = None,
    full_scale_db: Annotated[
        float | None, typer.Option(help="Loudness of a full-scale sine at the ear, if measured.")
    ] = None,
    microphone: Annotated[str | None, typer.Option(help="Probe: number or part of name.")] = None,
    headphones: Annotated[str | None, typer.Option(help="Likewise, for the sound.")] = None,
    file: Annotated[Path | None, typer.Option(help="Listen to this recording instead.")] = None,
    air_on: Annotated[str, typer.Option(help="When its air was on [s]: 2.0-6.0,10.0-14.0")] = "",
    out: Annotated[Path | None, typer.Option(help="WAV file with what is heard of it.")] = None,
    as_json: options.Json = False,
) -> None:
    """Make faint hiss audible on headphones, with a meter against air off. Starts muted.

    Example: earwitness monitor --point throttle-body --subtract --ticks

    Example: earwitness monitor --file take.wav --air-on 2.0-6.0,10.0-14.0 --out heard.wav
    """
    from earwitness.cli import monitor as listening

    listening.need_out(file, out)
    choice = listening.choice_of(
        point, subtract=subtract, ticks=ticks, gain_db=gain_db, full_scale_db=full_scale_db
    )
    if file is None or out is None:
        listening.live(choice, microphone, headphones, as_json=as_json)
    else:
        times = options.times(air_on) if air_on else ()
        listening.to_file(file, out, choice, times, as_json=as_json)


def inspect(
    engine: Annotated[
        Path | None, typer.Argument(help="Run sheet (TOML) with the engine, without cylinders.")
    ] = None,
    cylinders: Annotated[
        int | None, typer.Option(help="Their number, where there is no sheet; else it is asked.")
    ] = None,
    only: Annotated[str, typer.Option(help="Test these cylinders only: 3,4.")] = "",
    out: options.Out = None,
    resume: Annotated[
        Path | None, typer.Option(help="Go on with the inspection in this record folder.")
    ] = None,
    page: Annotated[bool, typer.Option(help="Show the bay page on this machine.")] = True,
    lan: Annotated[bool, typer.Option("--lan", help="Let a tablet in the network see it.")] = False,
    mute: Annotated[bool, typer.Option("--mute", help="Say nothing, sound no cue.")] = False,
    typed: Annotated[bool, typer.Option("--typed", help="No dictation: keys and page.")] = False,
    probe: Annotated[str | None, typer.Option(help="Probe: number or part of name.")] = None,
    headset: Annotated[str | None, typer.Option(help="Headset, likewise.")] = None,
    as_json: options.Json = False,
) -> None:
    """Lead through an inspection, hands-free: takes, dictation, verdict. Ctrl-C saves.

    Example: earwitness inspect van-42-engine.toml

    Example: earwitness inspect --resume inspection-2026-03-02-0915
    """
    from earwitness.cli import live, preparing

    wanted = preparing.Wanted(
        engine=engine,
        cylinders=cylinders,
        only=options.numbers(only, "--only"),
        out=out,
        resume=resume,
        page=page,
        lan=lan,
        mute=mute,
        typed=typed,
        probe=probe,
        headset=headset,
    )
    live.inspect(wanted, as_json=as_json)


def check(
    probe: Annotated[str | None, typer.Option(help="Probe: number or part of name.")] = None,
    seconds: Annotated[float, typer.Option(min=15, max=180, help="How long to listen [s].")] = 26,
    as_json: options.Json = False,
) -> None:
    """Say whether this bay is ready: microphone, noise, voice, disk, clock. Exit 1 if it is not.

    Example: earwitness check --probe contact
    """
    from earwitness.cli.check import check as check_bay

    check_bay(probe, seconds, as_json=as_json)


def devices(as_json: options.Json = False) -> None:
    """List the microphones of this machine, for choosing one and for bug reports.

    Example: earwitness devices --json
    """
    from earwitness.cli import show
    from earwitness.session.runner import audio_system

    show.devices(audio_system(), as_json=as_json)
