"""The command `earwitness`: its commands, and how it fails."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from earwitness.cli import options
from earwitness.errors import EarwitnessError


class Commands(TyperGroup):
    """Shows every foreseen failure as one plain sentence and its exit code."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; an EarwitnessError becomes a sentence on stderr."""
        try:
            return super().invoke(ctx)
        except EarwitnessError as e:
            typer.echo(f"earwitness: {e}", err=True)
            ctx.exit(e.exit_code)


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Say which seal of a leaking cylinder lets the air out, how surely, and prove it later.",
    epilog="Start with: earwitness demo",
)


@app.command()
def demo(out: options.Out = None, as_json: options.Json = False) -> None:
    """Run the shipped inspection through the whole path: takes, dictation, verdict, report.

    Example: earwitness demo --out my-first-record
    """
    from earwitness.cli import show
    from earwitness.session.demo import demo_sheet

    folder = options.record_folder(out, "demo")
    show.replayed(demo_sheet(), folder, model=None, as_json=as_json)


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
def judge(record: options.Record, as_json: options.Json = False) -> None:
    """Give the verdict of a record with its reasons.

    Example: earwitness judge inspection-2026-03-02-0915
    """
    from earwitness.cli import show
    from earwitness.session.replay import judge as judge_record

    show.judgement(judge_record(record), as_json=as_json)


@app.command()
def report(record: options.Record, out: options.Out = None, as_json: options.Json = False) -> None:
    """Write a record's report as one HTML page and as PDF.

    Example: earwitness report inspection-2026-03-02-0915 --out report.html
    """
    from earwitness.cli import show
    from earwitness.cli.reporting import write_report

    show.written(write_report(record, out, tell=show.say), as_json=as_json)


@app.command()
def pack(
    record: options.Record,
    out: options.Out = None,
    keys: options.Keys = options.KEY_FOLDER,
    passphrase: options.PassPhrase = None,
    new_key: Annotated[bool, typer.Option("--new-key", help="Exchange the shop's key.")] = False,
    withhold: options.Withhold = "",
    as_json: options.Json = False,
) -> None:
    """Pack a record and its report into a signed claim bag for a third party.

    Example: earwitness pack inspection-2026-03-02-0915

    Example: earwitness pack inspection-2026-03-02-0915 --withhold vin,customer
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import pack_record

    packed = pack_record(
        record,
        out,
        keys=keys,
        passphrase=passphrase,
        new_key=new_key,
        withhold=options.fields(withhold),
        tell=show.say,
    )
    show.packed(packed, as_json=as_json)


@app.command()
def verify(
    bag: Annotated[Path, typer.Argument(help="Claim bag to check.")],
    quick: options.Quick = False,
    recompute: Annotated[
        bool, typer.Option("--recompute", help="Also score every take and judge anew.")
    ] = False,
    key: Annotated[Path | None, typer.Option(help="Key card that the shop handed out.")] = None,
    identity: Annotated[
        Path | None, typer.Option(help="What the bag withholds, as `disclose` wrote it.")
    ] = None,
    authority: options.Authority = None,
    as_json: options.Json = False,
) -> None:
    """Check that nothing in a claim bag was lost or altered. Exit 0 sound, 1 defective.

    Example: earwitness verify inspection-2026-03-02-0915-claim --recompute
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import verify_bag

    depth = options.depth(quick=quick, recompute=recompute)
    found = verify_bag(bag, depth, card=key, identity=identity, authority=authority)
    show.verified(found, as_json=as_json)


@app.command()
def disclose(
    record: options.Record,
    what: Annotated[str, typer.Argument(help="all, people, or names with commas: vin,customer.")],
    out: Annotated[Path, typer.Option(help="File to write.")] = Path("identity.json"),
    as_json: options.Json = False,
) -> None:
    """Write what a claim bag withholds into a file for one reader, who can check it.

    Example: earwitness disclose inspection-2026-03-02-0915 vin --out vin.json

    Example: earwitness verify inspection-2026-03-02-0915-claim --identity vin.json
    """
    from earwitness.cli import evidence, show

    shown = evidence.disclose(record, options.fields(what), out)
    show.disclosed(shown, out, as_json=as_json)


@app.command()
def timestamp(
    bag: Annotated[Path, typer.Argument(help="Claim bag.")],
    request: Annotated[
        Path | None, typer.Option(help="Write the request for an authority.")
    ] = None,
    add: Annotated[Path | None, typer.Option(help="Put an authority's answer in.")] = None,
    authority: options.Authority = None,
    as_json: options.Json = False,
) -> None:
    """Have an authority vouch for the time of a claim bag (RFC 3161).

    Example: earwitness timestamp van-42-claim --request van-42.tsq

    Example: earwitness timestamp van-42-claim --add van-42.tsr --authority authority.pem
    """
    from earwitness.cli import evidence, show

    time = evidence.stamp(bag, request=request, add=add, authority=authority)
    show.stamped(time, request, as_json=as_json)


@app.command()
def audit(
    folder: Annotated[Path, typer.Argument(help="Archive: a folder with claim bags below it.")],
    out: Annotated[
        Path, typer.Option(help="Table to write or to go on with, .csv or .parquet.")
    ] = Path("audit.csv"),
    quick: options.Quick = False,
    shallow: Annotated[
        bool, typer.Option("--no-recompute", help="Digests and signatures, no sound.")
    ] = False,
    jobs: Annotated[int, typer.Option(min=1, help="Bags at a time.")] = 2,
    scheduler: Annotated[str | None, typer.Option(help="Dask scheduler to use instead.")] = None,
    as_json: options.Json = False,
) -> None:
    """Verify and recompute an archive of claim bags. Exit 0 all sound, 1 any defective.

    Example: earwitness audit claims-2026 --out claims-2026.csv
    """
    from earwitness.cli import show
    from earwitness.cli.evidence import audit_archive

    depth = options.depth(quick=quick, recompute=not (quick or shallow))
    done = audit_archive(
        folder, out, depth, jobs=jobs, scheduler=scheduler, tell=show.audit_progress
    )
    show.audited(done, out, as_json=as_json)


@app.command()
def history(
    folder: Annotated[Path, typer.Argument(help="Archive: records and claim bags below it.")],
    csv: Annotated[Path | None, typer.Option(help="Table to write, a row a value.")] = None,
    html: Annotated[Path | None, typer.Option(help="Page with pictures to write.")] = None,
    scatter_percent: Annotated[
        float | None,
        typer.Option(help="Your own standard deviation of a leakage between tests [points]."),
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Say what has changed on an engine over several inspections, and what would have been seen.

    Example: earwitness history inspections --html history.html --csv history.csv
    """
    from earwitness.cli import show
    from earwitness.cli.history import follow
    from earwitness.cli.history import show as show_history

    found = follow(
        folder, scatter_percent=scatter_percent, csv_file=csv, html_file=html, tell=show.say
    )
    show_history(found, as_json=as_json)


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
def devices(as_json: options.Json = False) -> None:
    """List the microphones of this machine, for choosing one and for bug reports.

    Example: earwitness devices --json
    """
    from earwitness.cli import show
    from earwitness.session.runner import audio_system

    show.devices(audio_system(), as_json=as_json)
