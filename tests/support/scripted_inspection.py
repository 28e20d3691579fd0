"""A whole inspection as a page sees it: snapshots of a made-up engine, one after another.

The words and figures are invented; only the sound is made from noise, so that the spectrogram shows
what it would.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from earwitness.engine.cautions import cautions
from earwitness.engine.layout import engine_layout
from earwitness.session.columns import Columns
from earwitness.session.snapshot import (
    MOST_COLUMNS,
    Board,
    Candidate,
    Engine,
    Meter,
    PlanStep,
    Snapshot,
    Verdict,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

FS = 48_000
ENGINE = Engine("Inline four, 2.0 litre petrol", ((1, 2, 3, 4),))
POINTS = ("oil-filler", "tailpipe", "throttle-body", "radiator", "plug-hole-2", "plug-hole-4")
CAUTION = "The crank can turn: tools off the crank bolt, hands clear."
VERDICT = Verdict(
    3,
    "exhaust valve leaks",
    (
        Candidate("exhaust valve", 0.947, "94 %"),
        Candidate("exhaust and intake valve", 0.031, "3 %"),
        Candidate("rings or piston", 0.014, "1 %"),
        Candidate("head gasket to coolant", 0.008, "under 1 %"),
    ),
    "Turn the engine over and test again at low pressure",
)


def plan(at: int, spoiled: int | None = None) -> tuple[PlanStep, ...]:
    """The plan of cylinder 3 with the places before `at` done."""
    names = ("gauge", *POINTS)
    states = ["done" if i < at else "now" if i == at else "to-do" for i in range(len(names))]
    if spoiled is not None:
        states[spoiled] = "spoiled"
    results = {"gauge": "34 %", "oil-filler": "no hiss", "tailpipe": "clear hiss"}
    return tuple(
        PlanStep(3, n, s, results.get(n, "no hiss") if s == "done" else "")
        for n, s in zip(names, states, strict=True)
    )


def listening(level: float, second: float, columns: tuple, *, rise: float | None) -> Snapshot:
    """A moment of the take at the tailpipe; the air is on from 3 to 7 s and from 10 to 14 s."""
    on = 3 <= second < 7 or 10 <= second < 14
    return Snapshot(
        "Open the air valve" if on else "Close the air valve",
        "air-on" if on else "air-off",
        "Hold the probe still",
        ENGINE,
        3,
        "tailpipe",
        "exhaust valve or its seat",
        seconds_left=2.4,
        cycle=(2, 6),
        meter=Meter(level, -62.0, rise, 0.4),
        spectrogram=columns,
        heard="start",
        said="Open the air valve",
        plan=plan(2),
        cautions=(CAUTION,),
        actions=("again", "pause", "finish"),
    )


def take(rng: np.random.Generator) -> Iterator[Snapshot]:
    """The snapshots of one take, ten a second."""
    columns, kept = Columns(FS), []
    for tenth in range(160):
        second = tenth / 10
        on = 3 <= second < 7 or 10 <= second < 14
        noise = rng.standard_normal(FS // 10) * 0.003
        hiss = np.diff(rng.standard_normal(FS // 10 + 1)) * (0.006 if on else 0.0)
        kept += columns.feed(noise + hiss)
        level = -62.0 + (4.1 if on else 0.0) + rng.standard_normal() * 0.2
        yield listening(
            level, second, tuple(kept[-MOST_COLUMNS:]), rise=3.9 if tenth > 70 else None
        )


def inspection() -> dict[str, Snapshot]:
    """One snapshot for each kind of moment, in the order of an inspection."""
    frames = list(take(np.random.default_rng(7)))
    off, on = frames[20], frames[130]
    at_rest = replace(on, seconds_left=None, cycle=None, meter=Meter(None, None), heard="", said="")
    return {
        "set-up": Snapshot(
            "Name the engine",
            "set-up",
            "Say the number of cylinders",
            cautions=("Ignition, fuel and remote start off.",),
            said="How many cylinders?",
            actions=("cylinder", "finish"),
            cylinders=tuple(range(1, 17)),
        ),
        "cautions": replace(
            at_rest,
            instruction="Read this first",
            phase="cautions",
            detail="Then say understood, or press",
            point=None,
            point_seal="",
            cautions=tuple(c.text for c in cautions("inspect", engine_layout(4))),
            actions=("understood", "finish"),
        ),
        "move": replace(
            at_rest,
            instruction="Probe to the tailpipe",
            phase="move",
            detail="Hold it just inside the opening, out of the stream of air",
            said="Go to the tailpipe",
            actions=("start", "skip", "next", "pause", "finish", "cylinder", "point"),
            cylinders=(1, 2, 3, 4),
            points=("gauge", *POINTS, "adapter", "control"),
        ),
        "air-off": off,
        "air-on": on,
        "spoiled": replace(
            on,
            instruction="Take it again",
            phase="get-ready",
            detail="",
            seconds_left=None,
            warnings=("Too loud: the microphone is overdriven. Turn the gain down by 10 dB.",),
            plan=plan(2, spoiled=2),
            actions=("again", "skip", "pause"),
        ),
        "gauge": replace(
            at_rest,
            instruction="Read the gauge",
            phase="gauge",
            detail="Say: leakage, and the number",
            plan=plan(0),
            point=None,
            point_seal="",
            actions=("reading", "pause"),
        ),
        "read-back": replace(
            at_rest,
            instruction="34 percent, right?",
            phase="read-back",
            detail="Say confirm, or no",
            heard="leakage thirty four percent",
            said="Cylinder 3, leakage thirty four percent. Say confirm.",
            plan=plan(0),
            point=None,
            point_seal="",
            actions=("confirm", "no", "repeat"),
        ),
        "paused": replace(
            at_rest,
            instruction="Paused",
            phase="paused",
            detail="Everything so far is kept. Shut the air off.",
            actions=("resume", "finish"),
        ),
        "done": replace(
            at_rest,
            instruction="Exhaust valve leaks",
            phase="done",
            detail="Cylinder 3. Report and recordings are stored.",
            plan=plan(7),
            point=None,
            point_seal="",
            verdicts=(VERDICT,),
            cautions=(),
            actions=("finish",),
        ),
    }


def board_with(snapshot: Snapshot) -> Board:
    """A board that shows this."""
    board = Board()
    board.publish(snapshot)
    return board
