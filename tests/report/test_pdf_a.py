"""What PDF/A-2u forbids and asks for, object by object, read by qpdf (through pikepdf).

No validator that is not a Java program was found among the packages of Debian, PyPI and npm. These
are the demands of ISO 19005-2:2011 (clauses from memory) that can be told from the objects of a
file; what only a full validator tells, such as the tables inside each typeface, is not shown.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pikepdf
import pytest
from fontTools.ttLib import TTFont

from earwitness.audio.recording import read_recording
from earwitness.record import model
from earwitness.record.reader import read_record
from earwitness.report.pdf import render_pdf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.slow

FILTERS = {"/FlateDecode", "/DCTDecode", "/ASCIIHexDecode", "/ASCII85Decode", "/RunLengthDecode"}
"""Of those that 6.1.7.2 allows, the ones whose data a reader can check here."""
BLENDS = {
    "/Normal", "/Compatible", "/Multiply", "/Screen", "/Overlay", "/Darken", "/Lighten",
    "/ColorDodge", "/ColorBurn", "/HardLight", "/SoftLight", "/Difference", "/Exclusion", "/Hue",
    "/Saturation", "/Color", "/Luminosity",
}  # fmt: skip
"""6.2.10: the blend modes of ISO 32000-1, 11.3.5."""


@pytest.fixture(scope="module")
def pdf(visit_folder: Path) -> bytes:
    told = model.inspection(read_record(visit_folder))
    return render_pdf(told, audio=lambda path: read_recording(visit_folder / path))


@pytest.fixture(scope="module")
def file(pdf: bytes) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        yield opened


@pytest.fixture(scope="module")
def objects(file: pikepdf.Pdf) -> list[Any]:
    return list(file.objects)


def dictionaries(objects: list[Any]) -> Iterator[Any]:
    return (o for o in objects if isinstance(o, pikepdf.Dictionary | pikepdf.Stream))


def streams(objects: list[Any]) -> Iterator[pikepdf.Stream]:
    return (o for o in objects if isinstance(o, pikepdf.Stream))


def test_qpdf_finds_no_fault_in_its_syntax(file: pikepdf.Pdf, pdf: bytes) -> None:
    """Also 6.1.3: nothing after the last end-of-file marker but one line end."""
    assert file.check_pdf_syntax() == []
    assert re.search(rb"%%EOF\r?\n?\Z", pdf)


def test_nothing_is_encrypted_attached_optional_or_executable(file: pikepdf.Pdf) -> None:
    """6.1.3, 6.4, 6.5.2, 6.8, 6.9, 6.11: no key, no form, no script, no layers, no demands."""
    assert "/Encrypt" not in file.trailer
    root = file.Root
    forbidden = (
        "/AA",
        "/OpenAction",
        "/AcroForm",
        "/OCProperties",
        "/Requirements",
        "/Perms",
        "/AF",
    )
    assert [key for key in forbidden if key in root] == []
    names = root.get("/Names", pikepdf.Dictionary())
    assert {"/JavaScript", "/EmbeddedFiles", "/AlternatePresentations"}.isdisjoint(names.keys())
    assert not file.attachments


def test_streams_are_inside_the_file_and_of_open_filters(objects: list[Any]) -> None:
    """6.1.7: no data elsewhere, no LZW, no encryption filter; and every one can be read."""
    for stream in streams(objects):
        assert {"/F", "/FFilter", "/FDecodeParms"}.isdisjoint(stream.keys())
        named = stream.get("/Filter", [])
        named = [named] if isinstance(named, pikepdf.Name) else list(named)
        assert {str(f) for f in named} <= FILTERS
        stream.read_bytes()


def test_links_stay_in_the_file_and_print(objects: list[Any]) -> None:
    """6.3.2 flags, 6.5.1 actions: only a jump to another page of the same file."""
    for annotation in (o for o in dictionaries(objects) if o.get("/Type") == "/Annot"):
        assert annotation["/Subtype"] == "/Link"
        flags = int(annotation.get("/F", 0))
        assert flags & 4, "not printed"
        assert not flags & (1 | 2 | 32 | 256), "hidden"
    actions = [o for o in dictionaries(objects) if o.get("/Type") == "/Action" or "/URI" in o]
    assert {str(a.get("/S")) for a in actions} <= {"/GoTo"}


def test_images_and_states_are_plain(objects: list[Any]) -> None:
    """6.2.5, 6.2.8, 6.2.9, 6.2.10: no smoothing, no substitutes, no transfer curves."""
    pictures = [o for o in streams(objects) if o.get("/Subtype") == "/Image"]
    assert pictures
    for picture in pictures:
        assert not picture.get("/Interpolate", False)
        assert {"/Alternates", "/OPI"}.isdisjoint(picture.keys())
    for form in (o for o in streams(objects) if o.get("/Subtype") == "/Form"):
        assert {"/OPI", "/PS", "/Ref"}.isdisjoint(form.keys())
    for state in (o for o in dictionaries(objects) if "/BM" in o or "/TR" in o or "/TR2" in o):
        assert "/TR" not in state
        assert state.get("/TR2", "/Default") == "/Default"
        assert str(state.get("/BM", "/Normal")) in BLENDS
    assert not [o for o in streams(objects) if o.get("/Subtype") == "/PS"]


def test_colour_is_grey_or_rgb_as_the_profile_has_it(file: pikepdf.Pdf) -> None:
    """6.2.4.3: DeviceCMYK would need another output intent."""
    for page in file.pages:
        used = {str(i.operator) for i in pikepdf.parse_content_stream(page)}
        assert {"k", "K"}.isdisjoint(used)


def test_states_are_saved_and_restored_in_pairs(file: pikepdf.Pdf) -> None:
    """6.1.13: at most 28 deep."""
    for page in file.pages:
        depth = 0
        for instruction in pikepdf.parse_content_stream(page):
            depth += {"q": 1, "Q": -1}.get(str(instruction.operator), 0)
            assert 0 <= depth <= 28
        assert depth == 0


def test_names_and_texts_are_within_the_limits(objects: list[Any]) -> None:
    """6.1.13: names of 127 bytes, texts of 32767, 8388607 objects."""
    assert len(objects) < 8_388_607
    for found in dictionaries(objects):
        assert all(len(key.encode()) <= 128 for key in found.keys())  # noqa: SIM118
        texts = (v for v in found.values() if isinstance(v, pikepdf.String))
        assert all(len(bytes(text)) <= 32_767 for text in texts)


def fonts_of(objects: list[Any]) -> list[Any]:
    return [o for o in dictionaries(objects) if o.get("/Type") == "/Font" and "/Encoding" in o]


def test_letters_have_unicode_values_of_their_own(objects: list[Any]) -> None:
    """6.2.11.7.2, level u: a value for each, and none of 0, U+FEFF and U+FFFE."""
    fonts = fonts_of(objects)
    assert len(fonts) >= 4
    for font in fonts:
        table = font["/ToUnicode"].read_bytes().decode("ascii")
        values = re.findall(r"<[0-9A-Fa-f]+>\s*<([0-9A-Fa-f]+)>", table)
        assert values
        assert {"0000", "FEFF", "FFFE"}.isdisjoint(v.upper() for v in values)


def test_typefaces_are_whole_and_as_wide_as_stated(objects: list[Any]) -> None:
    """6.2.11.3 to 6.2.11.5: embedded, Identity-H, and widths as in the file to a thousandth."""
    for font in fonts_of(objects):
        assert font["/Encoding"] == "/Identity-H"
        below = font["/DescendantFonts"][0]
        described = below["/FontDescriptor"]
        if below["/Subtype"] == "/CIDFontType2":
            assert "/CIDToGIDMap" in below
        inside = described.get("/FontFile2", described.get("/FontFile3"))
        face = TTFont(io.BytesIO(inside.read_bytes()))
        widths, per_em = face["hmtx"].metrics, face["head"].unitsPerEm
        order = face.getGlyphOrder()
        for glyph, stated in _stated_widths(below["/W"]):
            if glyph < len(order):
                there = widths[order[glyph]][0] * 1000 / per_em
                assert abs(there - stated) <= 1, (str(font["/BaseFont"]), glyph)


def _stated_widths(table: Any) -> Iterator[tuple[int, float]]:
    """Read a table of widths (ISO 32000-1, 9.7.4.3)."""
    items = list(table)
    while items:
        first, second = int(items.pop(0)), items.pop(0)
        if isinstance(second, pikepdf.Array):
            yield from ((first + i, float(w)) for i, w in enumerate(second))
        else:
            width = float(items.pop(0))
            yield from ((glyph, width) for glyph in range(first, int(second) + 1))


def test_the_metadata_is_well_formed_and_open(file: pikepdf.Pdf) -> None:
    """6.6.2.1: XMP in UTF-8, without the attributes bytes and encoding; 6.6.4: the claim."""
    data = file.Root["/Metadata"].read_bytes()
    assert not re.search(rb"<\?xpacket[^>]*\b(bytes|encoding)=", data)
    tree = ET.fromstring(data.decode("utf-8"))  # noqa: S314  # written a moment ago
    claim = "{http://www.aiim.org/pdfa/ns/id/}"
    said = {e.tag: e.text for e in tree.iter()} | {k: v for e in tree.iter() for k, v in e.items()}
    assert (said[f"{claim}part"], said[f"{claim}conformance"]) == ("2", "U")


def test_it_is_tagged_and_says_its_language(file: pikepdf.Pdf) -> None:
    """6.7 asks for it at level a only; a reader aloud is glad of it."""
    assert bool(file.Root["/MarkInfo"]["/Marked"])
    assert "/StructTreeRoot" in file.Root
    assert str(file.Root["/Lang"]) == "en"


def test_its_identifier_names_what_set_it(pdf: bytes, file: pikepdf.Pdf) -> None:
    """Decision 0084: found in the bytes without a reader of PDF, and the same each time."""
    first = bytes(file.trailer["/ID"][0])
    assert re.fullmatch(rb"set-by-[0-9a-f]{32}", first)
    assert pdf.count(first) == 1
