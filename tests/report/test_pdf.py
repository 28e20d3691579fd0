"""The report on paper: what PDF/A asks for, pages that hold together, the same bytes every time."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from pypdf import PdfReader

from earwitness.audio.recording import read_recording
from earwitness.errors import AudioFileError, EquipmentError
from earwitness.record import model
from earwitness.record.store import read_record
from earwitness.report.page import page_of
from earwitness.report.pdf import render_pdf
from earwitness.report.setting import set_page

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from earwitness.audio.recording import Recording
    from earwitness.record.model import Inspection

HIEROGLYPH = "\U00013001"
HOSTILE = (
    '<script>alert(1)</script><img src="file:///etc/passwd">'
    "<style>@page{size:10cm}</style>\u202e\x00"
    f'url(http://x.invalid/) "); }} % endobj >> {HIEROGLYPH} \U000e0041{"w" * 150}'
)


def silent(path: str) -> Recording:
    raise AudioFileError(f"{path} cannot be read")


@pytest.fixture(scope="module")
def told(visit_folder: Path) -> Inspection:
    return model.inspection(read_record(visit_folder))


@pytest.fixture(scope="module")
def pdf(told: Inspection, visit_folder: Path) -> bytes:
    return render_pdf(told, audio=lambda path: read_recording(visit_folder / path))


@pytest.fixture(scope="module")
def reader(pdf: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(pdf), strict=True)


def words_on(page: Any) -> str:
    return " ".join(page.extract_text().split())


@pytest.mark.slow
def test_the_file_claims_pdf_a_and_says_so_in_its_metadata(pdf: bytes, reader: PdfReader) -> None:
    """ISO 19005-2:2011 (from memory): 6.1.2 header and binary comment, 6.1.3 ID and no encryption,
    6.6.4 part and conformance in XMP, 6.6.3 dates that agree."""
    assert re.match(rb"%PDF-1\.7\n%[\x80-\xff]{4}", pdf)
    assert not reader.is_encrypted
    assert len(reader.trailer["/ID"]) == 2
    xmp = reader.root_object["/Metadata"].get_data().decode()
    assert re.search(r"pdfaid:part[^0-9]*2", xmp)
    assert re.search(r"pdfaid:conformance[^A-Z]*U", xmp)
    made = re.search(r"CreateDate>([^<]*)<", xmp)
    assert made is not None
    assert reader.metadata is not None
    created = reader.metadata.creation_date
    assert created is not None
    assert made[1][:16] == f"{created:%Y-%m-%dT%H:%M}"


@pytest.mark.slow
def test_its_date_is_that_of_the_record(reader: PdfReader, told: Inspection) -> None:
    assert reader.metadata is not None
    assert reader.metadata.creation_date == told.ended_at.replace(microsecond=0)


@pytest.mark.slow
def test_colours_are_tied_to_a_profile(reader: PdfReader) -> None:
    """ISO 19005-2, 6.2.3 (from memory); ICC.1: the signature "acsp" at offset 36."""
    (intent,) = reader.root_object["/OutputIntents"]
    assert intent.get_object()["/S"] == "/GTS_PDFA1"
    profile = intent.get_object()["/DestOutputProfile"].get_object().get_data()
    assert profile[36:40] == b"acsp"
    assert profile[16:20] == b"RGB "


@pytest.mark.slow
def test_every_typeface_is_embedded_with_its_unicode_values(reader: PdfReader) -> None:
    """ISO 19005-2, 6.2.11.4 and 6.2.11.7 (from memory)."""
    fonts = {
        str(f.get_object()["/BaseFont"]): f.get_object()
        for page in reader.pages
        for f in page["/Resources"]["/Font"].values()
    }
    assert len(fonts) >= 4
    for name, font in fonts.items():
        assert re.match(r"/[A-Z]{6}\+Report-", name), "a typeface of the machine was used"
        assert "/ToUnicode" in font
        described = font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert {"/FontFile2", "/FontFile3"} & set(described)


@pytest.mark.slow
def test_nothing_in_it_runs_and_nothing_is_outside(pdf: bytes, reader: PdfReader) -> None:
    """ISO 19005-2, 6.5.1 and 6.5.2 (from memory): no scripts, no actions of the document."""
    assert {"/OpenAction", "/AA", "/AcroForm"}.isdisjoint(reader.root_object)
    kinds = b"/JavaScript /JS /Launch /EmbeddedFile /RichMedia /GoToR /URI /SubmitForm".split()
    bodies = b"".join(_plain(reader))
    assert [k for k in kinds if k in pdf or k in bodies] == []


def _plain(reader: PdfReader) -> list[bytes]:
    """Every object of the file that is no stream, as text."""
    return [
        repr(reader.get_object(number)).encode()
        for number in range(1, int(reader.trailer["/Size"]))
        if not hasattr(reader.get_object(number), "get_data")
    ]


@pytest.mark.slow
def test_an_outside_reader_finds_its_typefaces_and_pages(pdf: bytes, tmp_path: Path) -> None:
    """By poppler's pdffonts and pdfinfo."""
    (tmp_path / "r.pdf").write_bytes(pdf)
    fonts = subprocess.run(
        ["pdffonts", "r.pdf"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert fonts.stderr == ""
    rows = fonts.stdout.splitlines()[2:]
    assert rows
    assert all(re.search(r"Identity-H +yes yes yes", row) for row in rows)
    told = subprocess.run(
        ["pdfinfo", "r.pdf"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert "Tagged:          yes" in told.stdout
    assert "JavaScript:      no" in told.stdout
    assert "(A4)" in told.stdout


@pytest.mark.slow
def test_pages_are_numbered_and_each_reader_begins_a_page(reader: PdfReader) -> None:
    pages = [words_on(page) for page in reader.pages]
    for number, words in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in words
        assert "leak inspection · record" in words
    assert "very likely, 94 %" in pages[0]
    assert "Never open a hot cooling system" in pages[0]
    assert "Complaint, cause, correction" not in pages[0]
    assert [w.startswith("For the technician") for w in pages].count(True) == 1
    assert [w.startswith("For the reviewer") for w in pages].count(True) == 1
    assert pages[1].startswith("For the technician")


@pytest.mark.slow
def test_sounds_are_named_by_path_length_and_digest(reader: PdfReader, told: Inspection) -> None:
    words = "".join("".join(words_on(p).split()) for p in reader.pages)
    for take in told.takes:
        for path in take.audio:
            stored = told.audio_file(path)
            assert stored is not None
            seconds = stored.frames / stored.sample_rate_hz
            assert path in words
            assert stored.sha256 in words
            assert f"{seconds:.1f}s" in words
    assert "Listeningcopy" not in words


@pytest.mark.slow
def test_a_picture_stays_with_its_heading(reader: PdfReader) -> None:
    found = 0
    for page in reader.pages:
        words = words_on(page)
        assert words.count("What the microphone heard") == words.count("Air here would mean")
        found += words.count("What the microphone heard")
    assert found == 5


@pytest.mark.slow
def test_a_long_table_repeats_its_head(told: Inspection) -> None:
    takes = tuple(replace(told.takes[i % 5], seq=1000 + i) for i in range(64))
    pages = PdfReader(io.BytesIO(render_pdf(replace(told, takes=takes), audio=silent))).pages
    listed = [w for w in map(words_on, pages) if re.search(r"\b10\d\d 3 Tailpipe", w)]
    assert len(listed) >= 2
    assert all("Rise (95 % interval)" in w for w in listed)


@pytest.mark.slow
def test_hostile_text_is_printed_and_does_nothing(
    told: Inspection, made_hostile: Callable[[Inspection, str], Inspection], tmp_path: Path
) -> None:
    """In every field that comes from outside: as text, inside the page, and nothing else."""
    written = render_pdf(made_hostile(told, HOSTILE), audio=silent)
    reader = PdfReader(io.BytesIO(written), strict=True)
    joined = "".join("".join(words_on(p).split()) for p in reader.pages)
    assert joined.count("<script>alert(1)</script>") >= 22
    assert joined.count("[U+202E][U+0000]") >= 22
    assert not {"\u202e", "\x00"} & set(joined)
    assert (HIEROGLYPH in joined) or ("[U+13001]" in joined)
    assert {"/OpenAction", "/AA", "/AcroForm"}.isdisjoint(reader.root_object)
    assert b"/URI" not in written
    assert reader.metadata is not None
    assert "\x00" not in (reader.metadata.title or "")
    (tmp_path / "r.pdf").write_bytes(written)
    boxes = subprocess.run(
        ["pdftotext", "-bbox", "r.pdf", "-"], cwd=tmp_path, capture_output=True, text=True,
        check=True,
    ).stdout  # fmt: skip
    assert set(re.findall(r'<page width="([0-9]+)', boxes)) == {"595"}
    assert min(float(x) for x in re.findall(r'xMin="([0-9.]+)"', boxes)) >= 39
    assert max(float(x) for x in re.findall(r'xMax="([0-9.]+)"', boxes)) <= 557


@pytest.mark.slow
def test_two_processes_write_the_same_bytes(
    visit_folder: Path, pdf: bytes, visit_page: str
) -> None:
    """With different seeds of Python's own hashes."""
    script = (
        "import hashlib, pathlib, sys\n"
        "from earwitness.audio.recording import read_recording\n"
        "from earwitness.record import model\n"
        "from earwitness.record.store import read_record\n"
        "from earwitness.report.html import render_html\n"
        "from earwitness.report.pdf import render_pdf\n"
        "folder = pathlib.Path(sys.argv[1])\n"
        "told = model.inspection(read_record(folder))\n"
        "audio = lambda path: read_recording(folder / path)\n"
        "sys.stdout.buffer.write(render_html(told, audio=audio).encode() + b'\\0\\0')\n"
        "sys.stdout.buffer.write(render_pdf(told, audio=audio))\n"
    )
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", script, visit_folder], capture_output=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": "Pacific/Auckland"},
        )  # fmt: skip
        html, paper = done.stdout.split(b"\0\0", 1)
        assert html.decode() == visit_page
        assert paper == pdf


def test_letters_without_a_typeface_are_printed_as_code_points(told: Inspection) -> None:
    renamed = replace(told, opened=replace(told.opened, label="Weiße Kutsche"))
    html = set_page(page_of(renamed, silent, sounds="none"), paper=True, unprintable={"ß"})
    assert "Wei[U+00DF]e Kutsche" in html
    assert "ß" not in html


@pytest.mark.parametrize(
    "fault", ["raise OSError('cannot load library libpango-1.0-0')", "raise ImportError('no cffi')"]
)
def test_a_missing_library_is_one_plain_sentence(
    fault: str,
    told: Inspection,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "weasyprint.py").write_text(f"print('a banner')\n{fault}\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in [n for n in sys.modules if n.split(".")[0] == "weasyprint"]:
        monkeypatch.delitem(sys.modules, name)
    with pytest.raises(EquipmentError, match="No PDF can be written") as caught:
        render_pdf(told, audio=silent)
    assert "\n" not in str(caught.value)
    assert "apt-get install libpango-1.0-0" in str(caught.value)
    assert capsys.readouterr().out == ""
