"""Pictures of a take: what it sounded like over time, and its floor with the air off and on.

Nothing from outside is written into a picture: only numbers and our own words.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from earwitness.acoustics.finding import Finding
    from earwitness.audio.recording import Recording
    from earwitness.units import Floats, Samples

SIZE_INCH = (9.2, 3.3)
DOTS_PER_INCH = 110
POINT = 8.5
"""Size of the lettering [pt]. Chosen: 7 pt on A4 paper."""
COLUMNS = 320
"""Most columns of a spectrogram. Chosen: steady noise looks steady, a knock stays visible."""
ROWS = 80
"""Rows of a spectrogram. Chosen: a quarter of a kilohertz each."""
TOP_HZ = 20_000.0
"""Highest frequency drawn [Hz]: the end of hearing."""
STEP_DB = 2.0
"""Levels are drawn in steps of this [dB]: less than the eye tells apart, and half the size."""
LEAST_SPAN_DB = 12.0
"""Least height of the floor picture [dB]. Chosen: twice the rise that is called strong, so that
nothing looks like something."""
FRAME_S = 0.021
"""Length of a short-time spectrum [s]: about 1024 samples at 48 kHz."""
PAUSE_S = 0.4
"""Blank between the two recordings of a pair [s]."""

INK = "#1d2428"
OFF_COLOUR = "#5b6468"
ON_COLOUR = "#0b4f6c"
FOUND_COLOUR = "#7a3b00"


@dataclass(frozen=True, slots=True)
class Part:
    """One recording of a take as drawn."""

    samples: Samples
    """One channel, shape (frames,)."""
    sample_rate_hz: int
    air_on_s: tuple[tuple[float, float], ...]
    """When the air was on, counted from the start of this recording [s]."""


def parts_of(
    recordings: Sequence[Recording], air_on_s: tuple[tuple[float, float], ...], *, pair: bool
) -> tuple[Part, ...]:
    """Lay out the recordings of a take: a baseline and a pressurised one, or one cycled one."""
    first = recordings[0]
    if not pair:
        return (Part(first.mono(), first.sample_rate_hz, air_on_s),)
    baseline = Part(first.mono(), first.sample_rate_hz, ())
    pressurised = (Part(r.mono(), r.sample_rate_hz, ((0.0, r.seconds),)) for r in recordings[1:2])
    return (baseline, *pressurised)


def take_picture(parts: Sequence[Part], finding: Finding | None) -> bytes:
    """Draw a take.

    Parameters
    ----------
    parts : sequence of Part
        The recordings, in the order they are drawn.
    finding : Finding or None
        What the take shows; its band floors are drawn if it has any.

    Returns
    -------
    bytes
        PNG, the same bytes for the same input.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_INCH, dpi=DOTS_PER_INCH, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    left = figure.add_axes((0.062, 0.15, 0.49, 0.66))
    _draw_sound(figure, left, parts)
    right = figure.add_axes((0.705, 0.15, 0.285, 0.66))
    _draw_floors(right, finding)
    png = io.BytesIO()
    canvas.print_png(png, metadata={"Software": None}, pil_kwargs={"compress_level": 4})  # type: ignore[no-untyped-call]
    return png.getvalue()


def spectrogram_db(samples: Samples, sample_rate_hz: int, columns: int) -> Floats:
    """Return short-time levels, averaged into a fixed grid.

    Returns
    -------
    ndarray, shape (ROWS, columns or fewer)
        Power per FFT bin up to `TOP_HZ`, lowest row first [dB re full-scale power]: white noise
        of standard deviation s has 20 lg s in every bin, as in the floors of a finding.
    """
    import scipy.fft

    size = max(64, 2 ** round(math.log2(FRAME_S * sample_rate_hz)))
    sound = np.nan_to_num(samples)
    sound = np.pad(np.clip(sound, -1, 1), (0, max(0, size - len(sound))))
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // 2]
    window = np.hanning(size).astype(np.float32)
    power = np.abs(scipy.fft.rfft(frames * window, axis=1)) ** 2 / np.sum(window**2)
    top = int(np.searchsorted(scipy.fft.rfftfreq(size, 1 / sample_rate_hz), TOP_HZ, side="right"))
    power = _pooled(_pooled(power[:, 1:top], columns, axis=0), ROWS, axis=1)
    return np.asarray(10 * np.log10(power.T + 1e-20))


def _pooled(power: Floats, most: int, axis: int) -> Floats:
    """Average neighbours along an axis so that at most `most` are left."""
    length = power.shape[axis]
    count = min(most, length)
    edges = (np.arange(count) * length) // count
    sizes = np.diff([*edges, length])
    shape = [1, 1]
    shape[axis] = count
    return np.asarray(np.add.reduceat(power, edges, axis=axis) / sizes.reshape(shape))


def _draw_sound(figure: Figure, axes: Axes, parts: Sequence[Part]) -> None:
    seconds = [len(p.samples) / p.sample_rate_hz for p in parts]
    total = sum(seconds)
    grids = [
        spectrogram_db(p.samples, p.sample_rate_hz, max(8, int(COLUMNS * s / total)))
        for p, s in zip(parts, seconds, strict=True)
    ]
    low, high = _range_db(grids)
    begin = 0.0
    for part, length, grid in zip(parts, seconds, grids, strict=True):
        top_khz = min(TOP_HZ, part.sample_rate_hz / 2) / 1000
        image = axes.imshow(
            np.round(grid / STEP_DB) * STEP_DB,
            extent=(begin, begin + length, 0, top_khz),
            origin="lower",
            aspect="auto",
            interpolation="nearest",
            cmap="cividis",
            vmin=low,
            vmax=high,
        )
        _mark_air(axes, part, begin, length, total)
        begin += length + PAUSE_S
    axes.set_xlim(0, begin - PAUSE_S)
    axes.set_ylim(0, max(min(TOP_HZ, p.sample_rate_hz / 2) for p in parts) / 1000)
    axes.locator_params(axis="y", nbins=5)
    _label(axes, "time (s)", "frequency (kHz)", "What the microphone heard")
    bar = figure.colorbar(image, cax=figure.add_axes((0.565, 0.15, 0.012, 0.66)))
    bar.ax.locator_params(axis="y", nbins=6)
    bar.ax.tick_params(labelsize=POINT - 1, colors=INK)
    bar.set_label("dB re full scale, per bin", fontsize=POINT - 1, color=INK)


def _range_db(grids: Sequence[Floats]) -> tuple[float, float]:
    values = np.concatenate([g.ravel() for g in grids])
    low, high = np.quantile(values, [0.02, 0.995])
    return float(low), float(max(high, low + 20))


def _mark_air(axes: Axes, part: Part, begin: float, length: float, total: float) -> None:
    """Draw a bar with a word above the sound while the air is on."""
    from matplotlib.patches import Rectangle

    place = axes.get_xaxis_transform()
    for start, end in part.air_on_s:
        width = max(0.0, min(end, length) - start)
        bar = Rectangle(
            (begin + start, 1.02), width, 0.075, transform=place, clip_on=False,
            facecolor=INK, edgecolor=INK, linewidth=0.8,
        )  # fmt: skip
        axes.add_patch(bar)
        word = "air on" if width > 0.09 * total else "on"
        _word(axes, begin + start + width / 2, word, "white")
    if not part.air_on_s:
        _word(axes, begin + length / 2, "air off", INK)


def _word(axes: Axes, x: float, word: str, colour: str) -> None:
    axes.text(
        x, 1.054, word, transform=axes.get_xaxis_transform(), ha="center", va="center",
        fontsize=POINT - 0.5, color=colour,
    )  # fmt: skip


def _draw_floors(axes: Axes, finding: Finding | None) -> None:
    _label(axes, "frequency (kHz)", "floor (dB re full scale, per bin)", "Steady floor by band")
    if finding is None or finding.floors is None or not finding.floors.centre_hz:
        axes.set_xticks([])
        axes.set_yticks([])
        axes.text(
            0.5, 0.5, "No floor was measured\nin this take.",
            transform=axes.transAxes, ha="center", va="center", fontsize=POINT, color=INK,
        )  # fmt: skip
        return
    khz = np.asarray(finding.floors.centre_hz) / 1000
    off, on = np.asarray(finding.floors.off_db), np.asarray(finding.floors.on_db)
    axes.fill_between(khz, off, on, color=ON_COLOUR, alpha=0.15, linewidth=0)
    axes.plot(khz, off, color=OFF_COLOUR, linestyle="--", marker="o", markersize=3, label="air off")
    axes.plot(khz, on, color=ON_COLOUR, linestyle="-", marker="s", markersize=3, label="air on")
    if finding.detectable_db is not None and math.isfinite(finding.detectable_db):
        axes.plot(
            khz, off + finding.detectable_db, color=FOUND_COLOUR, linestyle=":", linewidth=1.4,
            label="would have been found",
        )  # fmt: skip
    _band_axis(axes, khz)
    low, high = axes.get_ylim()
    spare = max(0.0, LEAST_SPAN_DB - (high - low)) / 2
    axes.set_ylim(low - spare, high + spare)
    axes.legend(
        fontsize=POINT - 1, loc="lower center", bbox_to_anchor=(0.4, 0.995), ncols=3,
        frameon=False, handlelength=2.2, columnspacing=0.9, handletextpad=0.4, borderpad=0,
    )  # fmt: skip


def _band_axis(axes: Axes, khz: Floats) -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    axes.set_xscale("log", base=2)
    ticks = [t for t in (0.125, 0.25, 0.5, 1, 2, 4, 8, 16) if khz.min() <= t <= khz.max() * 1.05]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{t:g}" for t in ticks])
    axes.grid(visible=True, color="#d5d9da", linewidth=0.6)
    axes.set_axisbelow(True)


def _label(axes: Axes, x: str, y: str, title: str) -> None:
    axes.set_xlabel(x, fontsize=POINT, color=INK, labelpad=2)
    axes.set_ylabel(y, fontsize=POINT, color=INK, labelpad=2)
    axes.set_title(
        title, fontsize=POINT + 1, color=INK, y=1.0, pad=19, loc="left", fontweight="bold"
    )
    axes.tick_params(labelsize=POINT - 0.5, colors=INK, length=3)
    for side in axes.spines.values():
        side.set_color("#8a9296")
