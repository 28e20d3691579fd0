"""The command `earwitness`: its commands, and how it fails."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperGroup

from earwitness.cli.commands import bay, claims, recordings
from earwitness.errors import EarwitnessError


class Commands(TyperGroup):
    """Shows every foreseen failure as one plain sentence and its exit code."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; an EarwitnessError becomes a sentence on stderr."""
        try:
            return super().invoke(ctx)
        except EarwitnessError as e:
            typer.echo(f"earwitness: {e}", err=True)
            ctx.exit(e.exit_code)


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Say which seal of a leaking cylinder lets the air out, how surely, and prove it later.",
    epilog="Start with: earwitness demo",
)

COMMANDS = (
    recordings.demo,
    recordings.replay,
    recordings.score,
    recordings.dictate,
    recordings.judge,
    recordings.report,
    claims.pack,
    claims.verify,
    claims.disclose,
    claims.timestamp,
    claims.audit,
    claims.history,
    bay.settings,
    bay.plan,
    bay.monitor,
    bay.inspect,
    bay.check,
    bay.devices,
)
"""In the order in which the help lists them."""
for command in COMMANDS:
    app.command()(command)
