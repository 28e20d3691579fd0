"""Print results: data to stdout, talk to stderr."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import typer

from earwitness.cli.terminal import print_list, print_table, wrapped
from earwitness.errors import EXIT_DEFECT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from earwitness.acoustics.finding import Finding
    from earwitness.audio.microphone import AudioSystem
    from earwitness.cli.evidence import Packed
    from earwitness.cli.reporting import Written
    from earwitness.diagnosis.verdict import CylinderVerdict, EngineVerdict
    from earwitness.record.claim.audit import Row, Summary
    from earwitness.record.claim.check.defects import Verification
    from earwitness.session.replay import Judgement, Progress
    from earwitness.speech.dictation import Heard

AUDIT_SCHEMA = "earwitness.audit/1"
DEVICES_SCHEMA = "earwitness.devices/1"
DISCLOSE_SCHEMA = "earwitness.disclose/1"
PACK_SCHEMA = "earwitness.pack/1"
TIMESTAMP_SCHEMA = "earwitness.timestamp/1"
REPORT_SCHEMA = "earwitness.report/1"
SCORE_SCHEMA = "earwitness.score/1"


def replayed(sheet: Path, folder: Path, *, model: Path | None, as_json: bool) -> None:
    """Replay a run sheet into a record folder with its report, and print the verdict."""
    from earwitness.cli.options import clock
    from earwitness.cli.reporting import write_report
    from earwitness.session.replay import Replay
    from earwitness.session.sheets.sheet import read_sheet

    content = read_sheet(sheet)
    run = Replay(content, sheet.parent, folder, clock=clock, speech_model=model, tell=progress)
    outcome = run.run(sheet.name)
    say("Writing the report")
    page = write_report(folder, pdf=False).html
    concluded(outcome.verdict, folder, page, as_json=as_json)


def concluded(reached: EngineVerdict, folder: Path, page: Path, *, as_json: bool) -> None:
    """Print the verdict of an inspection that has just ended, and where its record is."""
    from earwitness.diagnosis.verdict import to_json

    if as_json:
        _json({**to_json(reached), "record": str(folder), "report": str(page)})
        return
    verdict(reached, as_json=False)
    typer.echo(f"\nRecord: {folder}\nReport: {page}")


def progress(step: Progress) -> None:
    """Print one finished step to stderr."""
    say(f"[{step.done:{len(str(step.total))}d}/{step.total}] {step.text}")


def say(text: str) -> None:
    """Talk to the person at the terminal, on stderr."""
    typer.echo(text, err=True)


def finding(result: Finding, *, as_json: bool) -> None:
    """Print one finding."""
    from earwitness.acoustics.quality.flags import meaning

    body = asdict(result)
    seconds = {"baseline": body.pop("baseline_s"), "take": body.pop("take_s")}
    if as_json:
        _json({"schema": SCORE_SCHEMA, **body, "seconds": seconds})
        return
    typer.echo(f"{_where(result)}{result.grade.upper()}")
    if result.usable:
        typer.echo(f"rise with the air on: {_rise(result)}")
    if result.p_value is not None:
        typer.echo(f"chance of this without a leak: {result.p_value:.4f}")
    if result.detectable_db is not None:
        typer.echo(f"a rise of {result.detectable_db:.2f} dB would have been found in this take")
    if result.bubbles is not None:
        typer.echo(f"bubbles: {result.bubbles.in_words}")
    for flag in result.flags:
        typer.echo(f"{flag}: {meaning(flag)}")


def heard(utterances: Sequence[Heard], *, as_json: bool) -> None:
    """Print what was heard, one utterance a line, or that nobody spoke."""
    if not utterances and not as_json:
        typer.echo("No speech was found in this recording.")
    for h in utterances:
        if as_json:
            _json(asdict(h))
            continue
        meant = " ".join(str(x) for x in (h.command, _plain(h.value), h.unit) if x is not None)
        line = f"{h.start_s:7.2f} s  {h.confidence:4.2f}  {_state(h):14}  {h.text!r}"
        typer.echo(f"{line}  {meant}".rstrip())


def _state(h: Heard) -> str:
    if h.doubtful:
        return "say it again"
    return "rejected" if h.rejected else "please confirm" if h.needs_confirmation else "taken"


def judgement(result: Judgement, *, as_json: bool) -> None:
    """Print the verdict of a record; what an interruption cost goes to stderr."""
    for sentence in result.short_of:
        say(sentence)
    verdict(result.verdict, as_json=as_json)


def verdict(result: EngineVerdict, *, as_json: bool) -> None:
    """Print the verdict: one line per cylinder, then the engine's."""
    from earwitness.cli.weights import print_weights
    from earwitness.diagnosis.verdict import percent_sure, to_json
    from earwitness.report.sections.weighing import BY_HAND

    if as_json:
        _json(to_json(result))
        return
    print_table(
        ["Cylinder", "Leakage", "Limit", "Verdict", "Probability"],
        [_row(c) for c in result.cylinders],
    )
    sure = "" if result.area == "undetermined" else f", {percent_sure(result.probability)} sure"
    print_list("Engine", [f"{result.area}{sure}", result.summary, *result.reasons])
    print_list("Next best check", [result.next_check] if result.next_check else [])
    print_list("Where this leads", _leads_to(result.area))
    for cylinder in result.cylinders:
        print_list(f"Cylinder {cylinder.cylinder}, {cylinder.verdict}, because", _why(cylinder))
        print_weights(cylinder)
    print_list("Cautions", _cautions())
    typer.echo("\n" + wrapped(BY_HAND, ""))


def written(report: Written, *, as_json: bool) -> None:
    """Print where a report was written."""
    if as_json:
        pdf = str(report.pdf) if report.pdf else None
        _json({"schema": REPORT_SCHEMA, "report": str(report.html), "pdf": pdf})
        return
    typer.echo(f"Report: {report.html}")
    if report.pdf:
        typer.echo(f"PDF:    {report.pdf}")


def packed(made: Packed, *, as_json: bool) -> None:
    """Print where a claim bag was written, and who signed it."""
    if as_json:
        body = {"bag": str(made.bag), "fingerprint": made.fingerprint, "card": str(made.card)}
        _json({"schema": PACK_SCHEMA, **body, "discloses": list(made.discloses)})
        return
    typer.echo(f"Claim bag: {made.bag}\nSigned by: {made.fingerprint}\nKey card:  {made.card}")


def disclosed(shown: dict[str, str], out: Path, *, as_json: bool) -> None:
    """Print what a file discloses of people and engine."""
    if as_json:
        _json({"schema": DISCLOSE_SCHEMA, "file": str(out), "identity": shown})
        return
    typer.echo(f"Disclosed in {out}: {', '.join(f'{k} {v}' for k, v in shown.items())}")


def stamped(time: datetime | None, request: Path | None, *, as_json: bool) -> None:
    """Print where a request for a time stamp lies, or the time that an answer states."""
    if as_json:
        asked, stated = str(request) if request else None, time.isoformat() if time else None
        _json({"schema": TIMESTAMP_SCHEMA, "request": asked, "time": stated})
    elif time is None:
        typer.echo(f"Request: {request}\nSend it to a time stamp authority; then --add its answer.")
    else:
        typer.echo(f"Time stamp: {time.isoformat()}")


def verified(result: Verification, *, as_json: bool) -> None:
    """Print what is wrong with a claim bag; exit 1 if anything is."""
    if as_json:
        _json(result.to_json())
    else:
        typer.echo("SOUND" if result.sound else _fault_of(result))
        print_list(
            "Defects", [f"step {d.step}, {d.kind}: {_at(d.path)}{d.detail}" for d in result.defects]
        )
        print_list("To know", result.facts)
    if not result.sound:
        raise typer.Exit(EXIT_DEFECT)


def _fault_of(result: Verification) -> str:
    if not result.unconfirmed:
        return "DEFECTIVE"
    return "NOT CONFIRMED: nothing is wrong but that another version of earwitness recorded it"


def audit_progress(row: Row, count: int) -> None:
    """Print one audited bag to stderr."""
    other = all(kind.endswith("-by-another-version") for kind in row.kinds.split())
    fault = f"{'NOT CONFIRMED' if other else 'DEFECTIVE'}, {row.kinds}"
    say(f"[{count}] {row.bag}: {'sound' if row.sound else fault}")


def audited(done: Summary, out: Path, *, as_json: bool) -> None:
    """Print what an audit came to; exit 1 if any bag is defective."""
    if as_json:
        _json({"schema": AUDIT_SCHEMA, **asdict(done), "table": str(out)})
    else:
        typer.echo(f"{done.bags} bags, {done.unsound} defective, {done.resumed} done before: {out}")
    if done.unsound:
        raise typer.Exit(EXIT_DEFECT)


def devices(system: AudioSystem, *, as_json: bool) -> None:
    """Print the microphones."""
    if as_json:
        _json({"schema": DEVICES_SCHEMA, **asdict(system)})
        return
    typer.echo(system.library)
    if not system.inputs:
        typer.echo("No microphone was found. Plug one in and run this command again.")
        return
    print_table(
        ["Number", "Name", "Host", "Channels", "Rate"],
        [
            [
                f"{d.index}{' (default)' if d.is_default else ''}",
                d.name,
                d.host,
                str(d.channels),
                f"{d.default_rate_hz:g} Hz",
            ]
            for d in system.inputs
        ],
    )


def _why(cylinder: CylinderVerdict) -> list[str]:
    """Reasons beside the weights, flags and the next check of one cylinder, as lines."""
    from earwitness.report.sections.weighing import reasons_beside

    flags = [f"flags: {', '.join(cylinder.flags)}"] if cylinder.flags else []
    following = [f"next: {cylinder.next_check}"] if cylinder.next_check else []
    return [*reasons_beside(cylinder), *flags, *following]


def _leads_to(area: str) -> list[str]:
    """Return what to check before anything comes apart, what it may cost, what stays unknown."""
    from earwitness.diagnosis.repair import REPAIRS
    from earwitness.report.words import COST

    repair = next((r for name, r in REPAIRS.items() if name == area), REPAIRS["undetermined"])
    cost = f"What it may cost: {COST[repair.cost_band]}"
    return [repair.technician, cost, f"What this does not tell you: {repair.does_not_tell}"]


def _row(c: CylinderVerdict) -> list[str]:
    from earwitness.diagnosis.verdict import percent_sure

    leakage = "not read" if c.leakage_percent is None else f"{c.leakage_percent:.3g} %"
    within = {None: "-", True: "within", False: "OVER"}[c.within_limit]
    return [str(c.cylinder), leakage, within, c.verdict, percent_sure(c.probability)]


def _cautions() -> Sequence[str]:
    from earwitness.engine.cautions import cautions

    return [c.text for c in cautions("report")]


def _rise(result: Finding) -> str:
    """Say the rise; where it is not significant only what it is at most."""
    low, high = result.interval_db
    if result.grade == "none" and result.p_value is not None:
        return f"not significant, at most {high:+.2f} dB"
    return f"{result.excess_db:+.2f} dB ({low:+.2f} to {high:+.2f})"


def _where(result: Finding) -> str:
    return f"{result.point}: " if result.point else ""


def _at(path: str | None) -> str:
    return f"{path}: " if path else ""


def _plain(value: float | None) -> str | None:
    return None if value is None else f"{value:g}"


def _json(body: dict[str, Any]) -> None:
    typer.echo(json.dumps(body, ensure_ascii=False, allow_nan=False))
