"""Run the command line with `python -m earwitness`."""

from earwitness.cli.main import app

app(prog_name="earwitness")
