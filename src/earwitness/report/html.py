"""The report as one page: no script, no network, nothing outside the file."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from earwitness.report.page import moment, page_of
from earwitness.report.words import made_visible, percent

if TYPE_CHECKING:
    from collections.abc import Callable

    from jinja2 import Environment

    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection


def render_html(inspection: Inspection, *, audio: Callable[[str], Recording]) -> str:
    """Write the report of an inspection.

    Parameters
    ----------
    inspection : Inspection
        The inspection, as told from its record.
    audio : callable
        Returns the recording of a path that the record names. Where it raises an
        `EarwitnessError`, the page says so in place of the picture and the player.

    Returns
    -------
    str
        A complete HTML document; the same text for the same record and the same sound.
    """
    environment = _environment()
    style = environment.get_template("style.css").render()
    return environment.get_template("report.html").render(
        page=page_of(inspection, audio), style=_markup(style), style_digest=_digest(style)
    )


def _environment() -> Environment:
    """Return templates that escape all text, and make hidden characters in it visible."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("earwitness.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["moment"] = moment
    environment.filters["percent"] = percent
    return environment


def _shown(value: Any) -> Any:
    """Pass on what a template prints; text that is not our own markup is made visible."""
    if value is None:
        raise ValueError("a template printed a value that is not there")
    return made_visible(value) if type(value) is str else value


def _markup(style: str) -> Any:
    from markupsafe import Markup

    return Markup(style)  # noqa: S704  # our own style sheet, which takes no values


def _digest(style: str) -> str:
    """Return the digest by which the page's policy allows its one style sheet."""
    return base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
