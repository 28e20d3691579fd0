"""The examples in the docstrings of this room are true."""

import doctest
from importlib import import_module

import pytest


@pytest.mark.parametrize(
    "name",
    [
        "altitude",
        "compression",
        "correction",
        "leakage",
        "limits",
        "orifice",
        "readout",
        "repeated",
    ],
)
def test_docstring_examples(name):
    module = import_module(f"earwitness.gauges.{name}")
    assert doctest.testmod(module).failed == 0
