"""The examples in the docstrings of this room are true, and so is its population script."""

import doctest
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "verdict_population.py"


@pytest.mark.parametrize("name", ["clues", "hypotheses", "judge", "likelihoods", "repair"])
def test_docstring_examples(name):
    module = import_module(f"earwitness.diagnosis.{name}")
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.slow
def test_a_fresh_simulated_population_blames_few_sound_cylinders():
    """Engines the table was not set on; the reference figures stand in docs/decisions/0041."""
    run = subprocess.run(
        [sys.executable, SCRIPT, "120", "90210"], capture_output=True, text=True, check=True
    )
    blamed, sound = map(int, re.search(r"blamed: (\d+) of (\d+)", run.stdout).groups())
    right = float(re.search(r"over the limit: .* right ([0-9.]+),", run.stdout).group(1))
    assert sound > 250
    assert blamed / sound <= 0.02
    assert right >= 0.8
