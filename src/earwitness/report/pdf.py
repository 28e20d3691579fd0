"""The report on paper: the same page as a PDF/A file.

PDF/A-2u, ISO 19005-2:2011 (from memory): every typeface embedded, every letter with its Unicode
value, nothing that runs, colours tied to sRGB, the claim stated in XMP metadata. It is tagged, so
that it can be read aloud, but level "a" is not claimed: nobody has checked the order of reading.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.errors import EquipmentError
from earwitness.report.page import page_of
from earwitness.report.setting import set_page

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection

VARIANT = "pdf/a-2u"
SET_BY = "set-by-"
"""Begins the identifier in the file, which tells whose work it is: libraries and typefaces."""
TYPEFACES = (
    ("Report Sans", "normal", "DejaVuSans.ttf"),
    ("Report Sans", "bold", "DejaVuSans-Bold.ttf"),
    ("Report Serif", "normal", "DejaVuSerif.ttf"),
    ("Report Serif", "bold", "DejaVuSerif-Bold.ttf"),
    ("Report Fixed", "normal", "DejaVuSansMono.ttf"),
    ("Report Fixed", "bold", "DejaVuSansMono-Bold.ttf"),
)
"""Family, weight and file of every typeface. DejaVu, which matplotlib brings along: the file then
does not depend on what is installed. Letters it lacks come from the machine."""


def render_pdf(inspection: Inspection, *, audio: Callable[[str], Recording]) -> bytes:
    """Write the report of an inspection as PDF/A.

    Parameters
    ----------
    inspection : Inspection
        The inspection, as told from its record.
    audio : callable
        Returns the recording of a path that the record names, or raises an `EarwitnessError`.

    Returns
    -------
    bytes
        The file; the same bytes for the same record, the same sound and the same versions of the
        libraries. Sounds are named by path, length and digest.

    Raises
    ------
    EquipmentError
        If the library that sets type is not there.
    """
    page = page_of(inspection, audio, sounds="none")
    return printed(lambda unprintable: set_page(page, paper=True, unprintable=unprintable))


def printed(html: Callable[[Collection[str]], str]) -> bytes:
    """Lay HTML out on paper as PDF/A.

    Parameters
    ----------
    html : callable
        Returns the document; called with the characters that no typeface here has, so that it can
        write them as code points.

    Raises
    ------
    EquipmentError
        If the library that sets type is not there.
    """
    weasyprint = _typesetter()
    written, missing = _written(weasyprint, html(frozenset()))
    return _written(weasyprint, html(missing))[0] if missing else written


def _typesetter() -> Any:
    """Import WeasyPrint, which talks to Pango as it is imported."""
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            import weasyprint  # type: ignore[import-untyped,unused-ignore]
    except (ImportError, OSError) as e:
        raise EquipmentError(
            f"No PDF can be written: WeasyPrint or its library Pango is missing ({_first(e)})",
            remedy="Install WeasyPrint and Pango (Debian: apt-get install libpango-1.0-0 "
            "libpangoft2-1.0-0 libharfbuzz-subset0), or use the HTML report.",
        ) from e
    return weasyprint


def _first(error: Exception) -> str:
    return (str(error).strip().splitlines() or ["no reason given"])[0].rstrip(".")


def _written(weasyprint: Any, html: str) -> tuple[bytes, frozenset[str]]:
    """Write a page as PDF; return it with the characters that no typeface here has."""
    document = _set(weasyprint, html)
    with warnings.catch_warnings():
        # WeasyPrint 70 leaves its colour profile open until it is collected.
        warnings.simplefilter("ignore", ResourceWarning)
        written: bytes = document.write_pdf(
            pdf_variant=VARIANT, pdf_tags=True, pdf_identifier=_set_by(weasyprint)
        )
    missing = (chr(point) for font in document.fonts.values() for point in font.missing)
    return written, frozenset(missing)


def _set_by(weasyprint: Any) -> bytes:
    """Name what sets the page: files of one name and one record are the same to the last byte."""
    import matplotlib

    pango = weasyprint.text.ffi.pango.pango_version()
    versions = f"WeasyPrint {weasyprint.__version__}, Pango {pango}, {matplotlib.__version__}"
    return f"{SET_BY}{hashlib.sha256(versions.encode()).hexdigest()[:32]}".encode()


def _set(weasyprint: Any, html: str) -> Any:
    """Lay a page out; nothing is fetched but what is inside it and its typefaces."""
    from weasyprint.text.fonts import (  # type: ignore[import-untyped,unused-ignore]
        FontConfiguration,
    )

    faces, allowed = _faces()

    class Inside(weasyprint.urls.URLFetcher):  # type: ignore[misc]  # WeasyPrint has no types
        """Fetches `data:` addresses and the report's typefaces."""

        def fetch(self, url: str, headers: Any = None) -> Any:
            if not url.startswith("data:") and url not in allowed:
                raise ValueError(f"{url} is outside the page")
            return super().fetch(url, headers)

    fonts, fetcher = FontConfiguration(), Inside()
    sheet = weasyprint.CSS(string=faces, font_config=fonts, url_fetcher=fetcher)
    source = weasyprint.HTML(string=html, url_fetcher=fetcher)
    return source.render(stylesheets=[sheet], font_config=fonts, presentational_hints=False)


def _faces() -> tuple[str, frozenset[str]]:
    """Return the rules that name the typefaces, and their addresses."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    faces = [(family, weight, (folder / file).as_uri()) for family, weight, file in TYPEFACES]
    rules = "".join(
        f'@font-face {{ font-family: "{family}"; font-weight: {weight}; src: url("{uri}"); }}\n'
        for family, weight, uri in faces
    )
    return rules, frozenset(uri for *_, uri in faces)
