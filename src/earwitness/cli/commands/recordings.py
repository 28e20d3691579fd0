"""From recordings and records: the demonstration, replays, single takes, verdicts, reports."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from earwitness.cli import options


def demo(out: options.Out = None, as_json: options.Json = False) -> None:
    """Run the shipped inspection through the whole path: takes, dictation, verdict, report.

    Example: earwitness demo --out my-first-record
    """
    from earwitness.cli import show
    from earwitness.session.demo import demo_sheet

    folder = options.record_folder(out, "demo")
    show.replayed(demo_sheet(), folder, model=None, as_json=as_json)


def replay(
    sheet: Annotated[Path, typer.Argument(help="Run sheet (TOML) naming the recordings.")],
    out: options.Out = None,
    model: options.Model = None,
    as_json: options.Json = False,
) -> None:
    """Run an inspection from recordings made with any recorder.

    Example: earwitness replay van-42.toml --out van-42-record
    """
    from earwitness.cli import show

    folder = options.record_folder(out, "inspection")
    show.replayed(sheet, folder, model=model, as_json=as_json)


def score(
    recordings: Annotated[
        list[Path] | None, typer.Argument(help="BASELINE and PRESSURISED recording.")
    ] = None,
    cycled: Annotated[Path | None, typer.Option(help="One air-cycled take.")] = None,
    air_on: Annotated[
        str | None, typer.Option(help="When the air was on [s]: 2.0-6.0,10.0-14.0")
    ] = None,
    reference: Annotated[Path | None, typer.Option(help="Ambient microphone's take.")] = None,
    point: Annotated[str | None, typer.Option(help="Listening point, e.g. tailpipe.")] = None,
    as_json: options.Json = False,
) -> None:
    """Score one take: a pair of recordings screens, an air-cycled take proves.

    Example: earwitness score quiet.wav pressurised.wav

    Example: earwitness score --cycled take.wav --air-on 3.1-6.4,9.8-13.0 --point tailpipe
    """
    from earwitness.cli import show
    from earwitness.session.replay import score as score_files

    files, times = options.take(recordings or [], cycled, air_on, reference)
    show.finding(score_files(files, point, times), as_json=as_json)


def dictate(
    audio: Annotated[Path, typer.Argument(help="Recording of what was said.")],
    expect: Annotated[options.Expect, typer.Option(help="What may be said.")] = options.Expect.ANY,
    model: options.Model = None,
    as_json: options.Json = False,
) -> None:
    """Say what was said in a recording, as readings and commands.

    Example: earwitness dictate cylinder-3.wav --expect number
    """
    from earwitness.cli import show
    from earwitness.session.dictation import dictate_file

    heard = dictate_file(audio, model, expect.value, tell=show.say)
    show.heard(heard, as_json=as_json)


def judge(record: options.Record, as_json: options.Json = False) -> None:
    """Give the verdict of a record with its reasons.

    Example: earwitness judge inspection-2026-03-02-0915
    """
    from earwitness.cli import show
    from earwitness.session.replay import judge as judge_record

    show.judgement(judge_record(record), as_json=as_json)


def report(record: options.Record, out: options.Out = None, as_json: options.Json = False) -> None:
    """Write a record's report as one HTML page and as PDF.

    Example: earwitness report inspection-2026-03-02-0915 --out report.html
    """
    from earwitness.cli import show
    from earwitness.cli.reporting import write_report

    show.written(write_report(record, out, tell=show.say), as_json=as_json)
