"""The examples in the docstrings of this room are true, and so is its population script."""

import doctest
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "verdict_population.py"


FORWARD = [f"forward.{name}" for name in ("clues", "leak", "lookup", "takes")]


@pytest.mark.parametrize("name", ["hypotheses", "repair", "verdict", *FORWARD])
def test_docstring_examples(name):
    module = import_module(f"earwitness.diagnosis.{name}")
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.slow
def test_a_fresh_simulated_population_is_judged_as_the_page_says():
    """Engines the table was not set on, of a seed of their own; a sample of those in
    docs/verdict.md, with the room that a sample of this size needs."""
    command = [sys.executable, SCRIPT, "--engines", "60", "--seed", "90210", "--only", "main"]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    condemned, sound = map(int, re.search(r"condemned: (\d+) of (\d+)", run.stdout).groups())
    lines = {
        name: [float(x) for x in re.search(rf"^{name} +\d+ +(.*)$", run.stdout, re.M)[1].split()]
        for name in ("faulty, complete takes", "all")
    }
    commits, right, chart, _ = lines["faulty, complete takes"]
    assert sound > 130
    assert condemned / sound <= 0.015
    assert commits >= 0.70
    assert right >= 0.88
    assert right > chart + 0.2
    assert lines["all"][1] >= 0.95
    for share in re.findall(r"^.{48} +([01]\.\d+)", run.stdout.split("contradictory")[1], re.M):
        assert float(share) >= 0.95
