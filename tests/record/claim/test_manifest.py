"""Tag files read as hostile input: every fault is reported, and nothing unsafe is handed on."""

from __future__ import annotations

import hashlib
import os
import subprocess
import tempfile
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.record.claim.manifest import (
    FAULT_MEANINGS,
    TAG_FILE_BYTES,
    Manifest,
    bag_info_text,
    declaration_text,
    file_digest,
    list_files,
    manifest_text,
    name_faults,
    path_fault,
    read_bag_info,
    read_declaration,
    read_manifest,
)

A = hashlib.sha256(b"a").hexdigest()
B = hashlib.sha256(b"b").hexdigest()
NAME = "manifest-sha256.txt"


def read(folder: Path, data: bytes | str, name: str = NAME) -> Manifest:
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_manifest(path)


def kinds(manifest: Manifest) -> list[str]:
    assert {fault.kind for fault in manifest.faults} <= FAULT_MEANINGS.keys()
    return [fault.kind for fault in manifest.faults]


def test_a_manifest_lists_digests_by_path(tmp_path: Path) -> None:
    data = f"{A}  data/a\n{B}  data/deep/b\n"
    found = read(tmp_path, data)
    assert (found.entries, found.faults) == ({"data/a": A, "data/deep/b": B}, ())
    assert found.sha256 == hashlib.sha256(data.encode()).hexdigest()


@pytest.mark.parametrize(
    "data",
    [
        f"{A}  data/a\r\n{B}  data/b\r\n",
        f"{A}  data/a\r{B}  data/b\r",
        f"{A}  data/a\n{B}  data/b",
        f"{A} data/a\n{B}\t \tdata/b\n",
        f"{A.upper()}  data/a\n{B}  data/b\n",
    ],
    ids=["crlf", "cr", "no last break", "one space, tabs", "upper case"],
)
def test_what_the_standard_allows_is_read(tmp_path: Path, data: str) -> None:
    """RFC 8493, sections 2.1.3 and 6.1 (from memory): ends of lines, white space, case of hex."""
    found = read(tmp_path, data)
    assert (found.entries, found.faults) == ({"data/a": A, "data/b": B}, ())


def test_line_breaks_and_percent_signs_in_names_are_decoded(tmp_path: Path) -> None:
    found = read(tmp_path, f"{A}  data/a%0Ab%0dc%25d e\n")
    assert (found.entries, found.faults) == ({"data/a\nb\rc%d e": A}, ())


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("", "malformed-line"),
        ("data/x", "malformed-line"),
        (f"{B}", "malformed-line"),
        (f"{B}  ", "malformed-line"),
        (f"  {B}  data/x", "malformed-line"),
        (f"{B}  data/x%41", "malformed-line"),
        (f"{B}  data/100%", "malformed-line"),
        (f"{B[:-1]}  data/x", "bad-digest"),
        (f"{B}0  data/x", "bad-digest"),
        (f"{B[:-1]}g  data/x", "bad-digest"),
        (f"{B[:-1]}\N{FULLWIDTH DIGIT ONE}  data/x", "bad-digest"),
        (f"{B}  data/a", "duplicate-path"),
        (f"{A}  data/a", "duplicate-path"),
        (f"{B}  /etc/passwd", "unsafe-path"),
        (f"{B}  data/../../etc/passwd", "unsafe-path"),
        (f"{B}  data/./x", "unsafe-path"),
        (f"{B}  ./data/x", "unsafe-path"),
        (f"{B}  data//x", "unsafe-path"),
        (f"{B}  data/", "unsafe-path"),
        (f"{B}  ~/x", "unsafe-path"),
        (f"{B}  C:/data/x", "unsafe-path"),
        (f"{B}  data\\x", "unsafe-path"),
        (f"{B}  data/..\\..\\x", "unsafe-path"),
        (f"{B}  \\\\?\\C:\\x", "unsafe-path"),
        (f"{B}  data/x:stream", "unsafe-path"),
        (f"{B}  data/NUL", "unsafe-path"),
        (f"{B}  data/com1.wav", "unsafe-path"),
        (f"{B}  data/aux/x", "unsafe-path"),
        (f"{B}  data/x ", "unsafe-path"),
        (f"{B}  data/x./y", "unsafe-path"),
        (f"{B}  data/\0", "unsafe-path"),
        (f"{B}  data/\x1b[2J", "unsafe-path"),
        (f"{B}  bagit.txt", "wrong-folder"),
        (f"{B}  data", "wrong-folder"),
        (f"{B}  Data/x", "wrong-folder"),
        (f"{B}  *data/x", "wrong-folder"),
    ],
)
def test_a_bad_line_is_reported_and_the_others_are_read(
    tmp_path: Path, line: str, kind: str
) -> None:
    found = read(tmp_path, f"{A}  data/a\n{line}\n{B}  data/z\n")
    assert kinds(found) == [kind]
    assert found.entries == {"data/a": A, "data/z": B}
    assert f"line 2 of {NAME}" in found.faults[0].detail


def test_every_bad_line_is_reported(tmp_path: Path) -> None:
    found = read(tmp_path, f"x\n{A}  /x\n{A}  data/a\nzz  data/b\n")
    assert kinds(found) == ["malformed-line", "unsafe-path", "bad-digest"]


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("data/A.wav", "data/a.wav"),
        ("data/\N{LATIN SMALL LETTER U WITH DIAERESIS}", "data/u\N{COMBINING DIAERESIS}"),
        ("data/STRASSE", "data/stra\N{LATIN SMALL LETTER SHARP S}e"),
        ("data/\N{ANGSTROM SIGN}", "data/\N{LATIN SMALL LETTER A WITH RING ABOVE}"),
    ],
)
def test_names_that_a_system_may_take_for_one_are_reported(
    tmp_path: Path, one: str, two: str
) -> None:
    found = read(tmp_path, f"{A}  {one}\n{B}  {two}\n")
    assert kinds(found) == ["equal-names"]
    assert found.entries == {one: A, two: B}


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=8))
def test_however_unicode_spells_a_name_it_is_one_name(text: str) -> None:
    """Against the four forms of Unicode Standard Annex 15, by the standard library."""
    spelt = {unicodedata.normalize("NFC", text), unicodedata.normalize("NFD", text)}
    assert len(name_faults(sorted(spelt))) == len(spelt) - 1


def test_a_byte_order_mark_is_reported_and_read_over(tmp_path: Path) -> None:
    found = read(tmp_path, b"\xef\xbb\xbf" + f"{A}  data/a\n".encode())
    assert kinds(found) == ["byte-order-mark"]
    assert found.entries == {"data/a": A}


@pytest.mark.parametrize("codec", ["utf-16", "latin-1"])
def test_another_encoding_is_reported(tmp_path: Path, codec: str) -> None:
    found = read(tmp_path, f"{A}  data/Zündung\n".encode(codec))
    assert kinds(found) == ["not-utf-8"]
    assert found.entries == {}


@pytest.mark.parametrize("data", [b"", b"\n", b"\xef\xbb\xbf"])
def test_an_empty_manifest_proves_nothing(tmp_path: Path, data: bytes) -> None:
    assert "empty-manifest" in kinds(read(tmp_path, data))


def test_a_tag_manifest_lists_everything_but_the_payload(tmp_path: Path) -> None:
    found = read(tmp_path, f"{A}  bagit.txt\n{B}  data/a\n", name="tagmanifest-sha256.txt")
    assert kinds(found) == ["wrong-folder"]
    assert found.entries == {"bagit.txt": A}


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda p: None, "tag-file-missing"),
        (lambda p: p.mkdir(), "unreadable"),
        (os.mkfifo, "unreadable"),
        (lambda p: p.symlink_to("/etc/passwd"), "symbolic-link"),
        (lambda p: p.symlink_to("nowhere"), "symbolic-link"),
        (lambda p: p.write_bytes(b" " * (TAG_FILE_BYTES + 1)), "unreadable"),
    ],
    ids=["missing", "folder", "pipe", "link", "dangling", "long"],
)
def test_what_is_no_plain_tag_file_is_reported(tmp_path: Path, make: object, kind: str) -> None:
    make(tmp_path / NAME)  # type: ignore[operator]
    found = read_manifest(tmp_path / NAME)
    assert kinds(found) == [kind]
    assert (found.entries, found.sha256) == ({}, None)
    assert [f.kind for f in read_declaration(tmp_path / NAME)] == [kind]
    assert [f.kind for f in read_bag_info(tmp_path / NAME).faults] == [kind]


@given(st.binary(max_size=200))
def test_no_bytes_make_the_readers_fail(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / NAME
        path.write_bytes(data)
        for entry in read_manifest(path).entries:
            assert path_fault(entry) is None
        read_bag_info(path)
        read_declaration(path)


LETTERS = st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("%\r\n .-")
PARTS = st.lists(st.text(LETTERS, min_size=1, max_size=6), min_size=1, max_size=3)
SAFE = PARTS.map("/".join).map("data/{}".format).filter(lambda path: path_fault(path) is None)


@given(st.dictionaries(SAFE, st.sampled_from([A, B]), min_size=1, max_size=4))
def test_whatever_is_written_is_read_back(digests: dict[str, str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        found = read(Path(folder), manifest_text(digests))
    assert found.entries == digests
    assert set(kinds(found)) <= {"equal-names"}


def test_the_declaration_is_these_two_lines(tmp_path: Path) -> None:
    """RFC 8493, section 2.1.1, seen in a secondary copy."""
    path = tmp_path / "bagit.txt"
    path.write_bytes(declaration_text())
    assert declaration_text() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert read_declaration(path) == ()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n",
        "BagIt-Version: 1.0\n",
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n",
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nmore\n",
        "Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n",
    ],
)
def test_another_declaration_is_reported(tmp_path: Path, text: str) -> None:
    (tmp_path / "bagit.txt").write_text(text)
    assert [f.kind for f in read_declaration(tmp_path / "bagit.txt")] == ["bad-declaration"]


def test_bag_info_has_labels_values_and_lines_that_go_on(tmp_path: Path) -> None:
    """RFC 8493, section 2.2.2 (from memory): continued lines are indented; labels may repeat."""
    path = tmp_path / "bag-info.txt"
    path.write_bytes(
        b"Source-Organization: Kettle Creek\r\n  Engine Works\nContact-Name: A\n"
        b"Contact-Name: B: C\nPayload-Oxum: 279164409832.1198\nno colon\n"
    )
    info = read_bag_info(path)
    assert info.fields[:3] == (
        ("Source-Organization", "Kettle Creek Engine Works"),
        ("Contact-Name", "A"),
        ("Contact-Name", "B: C"),
    )
    assert info.payload_oxum == (279164409832, 1198)
    assert info.value("contact-name") == "A"
    assert info.value("Bag-Size") is None
    assert [f.kind for f in info.faults] == ["bad-label"]
    assert "line 6" in info.faults[0].detail


@pytest.mark.parametrize("oxum", ["", "3", "3.1.1", "3,1", "-3.1", "3.1 bytes", "9" * 40 + ".1"])
def test_a_payload_oxum_of_another_form_is_none(tmp_path: Path, oxum: str) -> None:
    (tmp_path / "bag-info.txt").write_text(f"Payload-Oxum: {oxum}\n")
    assert read_bag_info(tmp_path / "bag-info.txt").payload_oxum is None


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_no_value_breaks_out_of_its_line(value: str) -> None:
    lines = bag_info_text([("Source-Organization", value), ("Bagging-Date", "2026-03-04")])
    text = lines.decode()
    assert text.count("\n") == 2
    assert len(text.splitlines()) == 2
    assert text.endswith("\nBagging-Date: 2026-03-04\n")


def test_files_are_listed_and_nothing_is_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").write_bytes(b"secret")
    bag = tmp_path / "bag"
    (bag / "data" / "deep" / "empty").mkdir(parents=True)
    (bag / "data" / "deep" / "a").write_bytes(b"abc")
    (bag / "bagit.txt").write_bytes(b"")
    (bag / "data" / "link").symlink_to(outside / "secret")
    (bag / "data" / "folder-link").symlink_to(outside)
    (bag / "data" / "loop").symlink_to(bag)
    os.mkfifo(bag / "data" / "pipe")
    (bag / "data" / os.fsdecode(b"not-\xff-text")).write_bytes(b"")
    found = list_files(bag)
    assert found.files == {"bagit.txt": 0, "data/deep/a": 3}
    assert sorted((f.kind, f.path) for f in found.faults) == [
        ("not-utf-8", "data/not-\\xff-text"),
        ("special-file", "data/pipe"),
        ("symbolic-link", "data/folder-link"),
        ("symbolic-link", "data/link"),
        ("symbolic-link", "data/loop"),
    ]


def test_a_missing_folder_is_a_fault(tmp_path: Path) -> None:
    found = list_files(tmp_path / "nowhere")
    assert (dict(found.files), [f.kind for f in found.faults]) == ({}, ["unreadable"])


def test_a_digest_is_that_of_the_bytes_and_follows_no_link(tmp_path: Path) -> None:
    """FIPS 180-4: SHA-256 of "abc", seen in a secondary copy."""
    (tmp_path / "a").write_bytes(b"abc")
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert file_digest(tmp_path / "a") == (known, 3)
    (tmp_path / "link").symlink_to("a")
    for name in ("link", "nowhere", "."):
        with pytest.raises(OSError, match=r".+"):
            file_digest(tmp_path / name)


@pytest.mark.slow
def test_sha256sum_reads_what_is_written(tmp_path: Path) -> None:
    names = [
        "data/a",
        "data/Zündung é 気筒.wav",
        "data/with  two spaces",
        "data/deep/-dash",
        "data/*",
    ]
    (tmp_path / "data" / "deep").mkdir(parents=True)
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    lines = manifest_text({n: hashlib.sha256(n.encode()).hexdigest() for n in names})
    (tmp_path / NAME).write_bytes(lines)
    told = subprocess.run(
        ["sha256sum", "--check", "--strict", NAME], cwd=tmp_path, capture_output=True, check=True
    )
    assert told.stdout.count(b": OK\n") == len(names)
