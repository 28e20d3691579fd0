"""Sets the page in the templates: the same for a screen and for paper."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from earwitness.record.moment import rfc3339
from earwitness.report.page import moment
from earwitness.report.words import made_visible, percent

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from jinja2 import Environment

    from earwitness.report.history.page import HistoryView
    from earwitness.report.page import Page
    from earwitness.report.plan_sheet import SheetView


def set_page(page: Page, *, paper: bool = False, unprintable: Collection[str] = ()) -> str:
    """Write the page as HTML.

    Parameters
    ----------
    page : Page
        What it says.
    paper : bool
        Whether it goes to paper, in the typefaces of the PDF.
    unprintable : collection of str
        Characters that no typeface here has; they are printed as code points.

    Returns
    -------
    str
        A complete HTML document.
    """
    sheets = ["style.css", *(["paper.css"] if paper else [])]
    return _written("report.html", sheets, unprintable, page=page)


def set_history(view: HistoryView) -> str:
    """Write the page of the history of engines as HTML."""
    return _written("history.html", ["style.css", "history.css"], (), view=view)


def set_plan_sheet(view: SheetView, *, unprintable: Collection[str] = ()) -> str:
    """Write the test sheet as HTML, for paper of one size."""
    return _written("plan_sheet.html", ["plan_sheet.css", view.paper_style], unprintable, view=view)


def _written(
    template: str, sheets: Sequence[str], unprintable: Collection[str], **values: Any
) -> str:
    environment = _environment(unprintable)
    style = "".join(environment.get_template(sheet).render() for sheet in sheets)
    return environment.get_template(template).render(
        **values, style=_markup(style), style_digest=_digest(style)
    )


def _environment(unprintable: Collection[str]) -> Environment:
    """Return templates that escape all text, and make hidden characters in it visible."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    hidden = {ord(c): f"[U+{ord(c):04X}]" for c in unprintable}

    def shown(value: Any) -> Any:
        if value is None:
            raise ValueError("a template printed a value that is not there")
        return made_visible(value).translate(hidden) if type(value) is str else value

    environment = Environment(
        loader=PackageLoader("earwitness.report"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["drawn"] = _markup
    environment.filters["moment"] = moment
    environment.filters["percent"] = percent
    environment.filters["rfc3339"] = rfc3339
    return environment


def _markup(ours: str) -> Any:
    from markupsafe import Markup

    return Markup(ours)  # noqa: S704  # our own style sheet or drawing, which takes no text


def _digest(style: str) -> str:
    """Return the digest by which the page's policy allows its one style sheet."""
    return base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
