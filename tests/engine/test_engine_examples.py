"""The examples in the docstrings of this room are true."""

import doctest
from importlib import import_module

import pytest


@pytest.mark.parametrize(
    "name",
    [
        "cautions",
        "choosing",
        "coverage",
        "firing",
        "gauge_set_up",
        "layout",
        "listening_points",
        "tdc",
        "test_plan",
        "test_rules",
    ],
)
def test_docstring_examples(name):
    module = import_module(f"earwitness.engine.{name}")
    assert doctest.testmod(module).failed == 0
