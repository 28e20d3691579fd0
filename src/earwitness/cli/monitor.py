"""Assisted listening in the terminal: its keys and its meter."""

from __future__ import annotations

import json
import sys
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import typer

from earwitness.acoustics.assist.chain import DOWN_HZ, Choice, Meter, mode_for
from earwitness.cli.settings import settings_here
from earwitness.engine.listening_points import require_listening_point
from earwitness.errors import EarwitnessError
from earwitness.session.monitor import Monitor, listen_to_file, monitor

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from earwitness.cli.options import Times
    from earwitness.session.monitor import Order

SCHEMA = "earwitness.monitor/1"
KEYS: dict[str, Order] = {" ": "mute", "a": "air", "m": "moved", "q": "stop", "\x03": "stop"}
HELP = "space: sound on or off · a: air turned on or off · m: probe moved · q: end"
WARNING = (
    "These headphones are not calibrated: the dose counts them as loud (120 dB at full scale). "
    "Measure them and give --full-scale-db. Turn the volume down before you press the space bar."
)
CAUTION = "Headphones hide the shop: stay clear of belts, fans and a crank that may turn."
METER_RANGE_DB = (-3.0, 9.0)
"""Ends of the terminal's meter [dB over air off]. Chosen: as on the bay page, without its tail."""
METER_WIDTH = 24


def choice_of(
    point: str | None,
    *,
    subtract: bool,
    ticks: bool,
    gain_db: float | None,
    full_scale_db: float | None,
) -> Choice:
    """Return what to make audible at a listening point.

    Raises
    ------
    EarwitnessError
        If there is no such point, or a level is out of range.
    """
    if point is not None:
        require_listening_point(point)
    settings = settings_here(gain_db=gain_db).values
    return Choice(
        mode=mode_for(point or ""),
        subtract=subtract,
        ticks=ticks,
        gain_db=settings.gain_db,
        ceiling_db=settings.ceiling_db,
        full_scale_db=full_scale_db,
    )


def to_file(source: Path, out: Path, choice: Choice, air_on_s: Times, *, as_json: bool) -> None:
    """Write what would have been heard, and say what was done."""
    done = listen_to_file(source, out, choice, air_on_s)
    if as_json:
        told = {"schema": SCHEMA, "out": str(done.out), "seconds": round(done.seconds, 3)}
        typer.echo(json.dumps({**told, "mode": choice.mode, **_plain(done.meter)}))
        return
    moved = f", moved down by {DOWN_HZ / 1000:g} kHz" if choice.mode == "shift" else ""
    typer.echo(f"Written: {done.out} ({done.seconds:.1f} s{moved})")
    typer.echo(f"At its end: {in_words(done.meter)}")


def live(choice: Choice, microphone: str | None, headphones: str | None, *, as_json: bool) -> None:
    """Listen at the probe until `q` or Ctrl-C."""
    settings = settings_here(probe=microphone, speaker=headphones).values
    listening, duplex = monitor(
        choice,
        microphone=_device(settings.probe),
        headphones=_device(settings.speaker),
        sample_rate_hz=settings.sample_rate_hz,
    )
    typer.echo(CAUTION, err=True)
    if choice.full_scale_db is None:
        typer.echo(WARNING, err=True)
    typer.echo(f"Muted, air off. {HELP}", err=True)
    show = _Shown(listening, as_json=as_json)
    with suppress(KeyboardInterrupt), duplex, _keys(listening):
        listening.run(show)
    show.end(lost=duplex.lost, starved=duplex.starved)


def in_words(meter: Meter) -> str:
    """Say a meter in one line.

    Examples
    --------
    >>> in_words(Meter(-60.0, -62.0, 3.1, True, 0.004))
    'level -60.0 dB, +2.0 dB over air off, evidence 3.1, dose 0.40 % of a week'
    """
    if meter.level_db is None:
        return "no sound yet"
    parts = [f"level {meter.level_db:.1f} dB"]
    if meter.baseline_db is None:
        parts.append("learning air off")
    else:
        parts.append(f"{meter.level_db - meter.baseline_db:+.1f} dB over air off")
    if meter.scatters is not None:
        parts.append(f"evidence {meter.scatters:.1f}")
    return ", ".join([*parts, f"dose {100 * meter.share_of_week:.2f} % of a week"])


def drawn(meter: Meter) -> str:
    """Draw the rise over air off, zero marked.

    Examples
    --------
    >>> drawn(Meter(-60.0, -62.0, 3.1, True, 0.0))
    '[      |====              ]'
    """
    low, high = METER_RANGE_DB
    zero = round(METER_WIDTH * -low / (high - low))
    rise = 0.0
    if meter.level_db is not None and meter.baseline_db is not None:
        rise = meter.level_db - meter.baseline_db
    end = round(METER_WIDTH * (min(max(rise, low), high) - low) / (high - low))
    cells = ["=" if min(zero, end) <= i < max(zero, end) else " " for i in range(METER_WIDTH)]
    return f"[{''.join(cells[:zero])}|{''.join(cells[zero:])}]"


class _Shown:
    """The line in the terminal, or a JSON line a second."""

    def __init__(self, listening: Monitor, *, as_json: bool) -> None:
        self._listening, self._as_json = listening, as_json
        self._told_s = time.monotonic()

    def __call__(self, meter: Meter) -> None:
        air = "air on " if self._listening.air_on else "air off"
        sound = "muted" if self._listening.muted else "sound"
        if not self._as_json:
            typer.echo(f"\r{air} {sound} {drawn(meter)} {in_words(meter)}\033[K", nl=False)
        elif time.monotonic() - self._told_s >= 1.0:
            self._told_s = time.monotonic()
            state = {"air_on": self._listening.air_on, "muted": self._listening.muted}
            typer.echo(json.dumps({"schema": SCHEMA, **state, **_plain(meter)}))

    def end(self, *, lost: int, starved: int) -> None:
        if not self._as_json:
            typer.echo()
        if lost or starved > 8:  # a few blocks are silent until the first one is made
            typer.echo(f"The machine was late: {lost} blocks left out, {starved} silent.", err=True)


def _plain(meter: Meter) -> dict[str, float | bool | None]:
    def short(value: float | None) -> float | None:
        return None if value is None else round(value, 3)

    return {
        "level_db": short(meter.level_db),
        "baseline_db": short(meter.baseline_db),
        "evidence": short(meter.scatters),
        "ticking": meter.ticking,
        "dose_of_week": round(meter.share_of_week, 6),
    }


def _device(name: str) -> int | str | None:
    """Read a device of the settings: its number, a part of its name, or the system's choice."""
    return int(name) if name.isdigit() else name or None


@contextmanager
def _keys(listening: Monitor) -> Iterator[None]:
    """Hand single keys to the monitor while the context lasts, where there is a keyboard."""
    if not sys.stdin.isatty():
        threading.Thread(target=_read, args=(listening,), daemon=True).start()
        yield
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        threading.Thread(target=_read, args=(listening,), daemon=True).start()
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def _read(listening: Monitor) -> None:
    while key := sys.stdin.read(1):
        if key in KEYS:
            listening.orders.put(KEYS[key])


def need_out(source: Path | None, out: Path | None) -> None:
    """Check that a recording to listen to comes with a file to write.

    Raises
    ------
    EarwitnessError
        If one is given without the other.
    """
    if (source is None) != (out is None):
        raise EarwitnessError(
            "--file and --out belong together",
            remedy="Give both to listen to a recording, or none to listen at the probe.",
        )
