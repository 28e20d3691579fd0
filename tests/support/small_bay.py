"""A small engine bay for the tests of the command line: noise, hiss, and a run sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import signal

if TYPE_CHECKING:
    from click.testing import Result

FS = 48_000
AIR_ON_S = [[3.1, 6.3], [9.4, 12.9], [16.0, 18.9], [22.1, 25.6], [28.4, 31.3], [34.6, 37.9]]
SHEET = """
[people]
shop = "Quayside Engine Works"
customer = "Tarn & Söhne <Boats>"
[engine]
vin = "1M8GDM9AXKP042788"
cylinders = 4
firing_order = [1, 3, 4, 2]
[[cylinder]]
number = 3
leakage_percent = 44
bubbles = "none"
[[cylinder.take]]
point = "tailpipe"
baseline = "off.wav"
pressurised = "on.wav"
"""


def noise(seconds: float, seed: int) -> np.ndarray:
    """Quiet fan-like noise: first-order low-passed plus a white floor."""
    white = np.random.default_rng(seed).normal(0, 1, (2, int(seconds * FS)))
    fan = signal.lfilter([0.05], [1, -0.95], white[0])
    return 0.01 * (fan + 0.1 * white[1])


def hiss(seconds: float, seed: int) -> np.ndarray:
    """White hiss about 6 dB over the fan's high end."""
    return 0.002 * np.random.default_rng(seed).normal(0, 1, int(seconds * FS))


def refusal(result: Result) -> str:
    """The one plain sentence of a refused command."""
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    said = [line for line in lines if line.startswith("earwitness: ")]
    assert len(said) == 1, result.stderr
    assert lines[-1] == said[0]
    assert "Traceback" not in result.stderr
    return said[0]
