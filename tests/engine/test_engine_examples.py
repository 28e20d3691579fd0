"""The examples in the docstrings of this room are true."""

import doctest
from importlib import import_module

import pytest


@pytest.mark.parametrize("name", ["firing", "layout", "listening_points", "test_plan", "cautions"])
def test_docstring_examples(name):
    module = import_module(f"earwitness.engine.{name}")
    assert doctest.testmod(module).failed == 0
