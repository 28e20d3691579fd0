"""Tampering with files, names and manifests, mostly by somebody without a key."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING

from tampering.bench import LOG, REPORT

if TYPE_CHECKING:
    from tampering.bench import Bench

MANIFEST = "manifest-sha256.txt"
TAGS = "tagmanifest-sha256.txt"
INFO = "bag-info.txt"
ZEROS = b"0" * 64


def flip_a_sample(b: Bench) -> None:
    """Change one bit of one sample of a take."""
    b.change(b.sounds()[1], lambda d: d[:9000] + bytes([d[9000] ^ 1]) + d[9001:])


def swap_two_takes(b: Bench) -> None:
    """Exchange the sound with the air off for that with the air on."""
    off, on = b.sounds()[2:4]
    a, c = b.read(off), b.read(on)
    b.write(off, c)
    b.write(on, a)


def truncate_a_sound(b: Bench) -> None:
    """Cut the end off a recording."""
    b.change(b.sounds()[1], lambda d: d[:-1000])


def empty_a_sound(b: Bench) -> None:
    """Leave nothing of a recording but its name."""
    b.change(b.sounds()[1], lambda _: b"")


def delete_a_sound(b: Bench) -> None:
    """Remove a recording."""
    b.path(b.sounds()[0]).unlink()


def rename_a_sound(b: Bench) -> None:
    """Give a recording another name."""
    sound = b.path(b.sounds()[1])
    sound.rename(sound.with_name("0002-c1-tailpipe.wav"))


def duplicate_a_sound(b: Bench) -> None:
    """Add a copy of a recording under a new name."""
    b.write("data/record/audio/0099-copy.wav", b.read(b.sounds()[1]))


def add_a_payload_file(b: Bench) -> None:
    """Slip a file into the payload."""
    b.write("data/invoice.txt", b"Engine replaced, pay at once.\n")


def add_a_hidden_file(b: Bench) -> None:
    """Slip a file into the payload whose name begins with a full stop."""
    b.write("data/record/.more.jsonl", b"{}\n")


def add_an_unlisted_tag_file(b: Bench) -> None:
    """Put a note beside the payload."""
    b.write("README.txt", b"All was checked by the maker.\n")


def add_a_listed_tag_file(b: Bench) -> None:
    """Put a note beside the payload and list it in the tag manifest, which nobody signs."""
    b.write("claim/approved-by-the-maker.txt", b"Approved.\n")
    b.retag()


def add_a_fetch_file(b: Bench) -> None:
    """Let a part of the payload be fetched from elsewhere (RFC 8493, section 2.2.3)."""
    b.write("fetch.txt", b"https://example.org/take.wav - data/take.wav\n")


def add_another_manifest(b: Bench) -> None:
    """Add a manifest by a weaker digest."""
    b.write("manifest-md5.txt", b"d41d8cd98f00b204e9800998ecf8427e  data/report.html\n")


def link_instead_of_a_sound(b: Bench) -> None:
    """Replace a recording by a link to the same bytes outside."""
    sound = b.path(b.sounds()[1])
    outside = b.bag.with_name("outside.wav")
    sound.rename(outside)
    sound.symlink_to(outside)


def link_instead_of_a_folder(b: Bench) -> None:
    """Replace the folder of recordings by a link to the same folder outside."""
    folder = b.path("data/record/audio")
    outside = b.bag.with_name("outside-audio")
    folder.rename(outside)
    folder.symlink_to(outside)


def link_instead_of_the_log(b: Bench) -> None:
    """Replace the log by a link to the same bytes outside."""
    outside = b.bag.with_name("outside.jsonl")
    b.path(LOG).rename(outside)
    b.path(LOG).symlink_to(outside)


def link_to_itself(b: Bench) -> None:
    """Add a link that goes round in a circle."""
    b.path("data/loop").symlink_to("loop")


def pipe_instead_of_a_sound(b: Bench) -> None:
    """Replace a recording by a named pipe, at which a careless reader would wait for ever."""
    sound = b.path(b.sounds()[1])
    sound.unlink()
    os.mkfifo(sound)


def socket_in_the_payload(b: Bench) -> None:
    """Leave a socket among the files."""
    short = b.bag.with_name("s")
    with socket.socket(socket.AF_UNIX) as s:
        s.bind(str(short))
    short.rename(b.path("data/socket"))


def folder_instead_of_the_report(b: Bench) -> None:
    """Put a folder where the report should be."""
    b.path(REPORT).unlink()
    b.path(REPORT).mkdir()


def folder_instead_of_the_manifest(b: Bench) -> None:
    """Put a folder where the manifest should be."""
    b.path(MANIFEST).unlink()
    b.path(MANIFEST).mkdir()


def name_a_device(b: Bench) -> None:
    """Add a file that some systems take for a device, and list it."""
    b.write("data/CON.wav", b"x")
    b.rehash()


def name_with_a_backslash(b: Bench) -> None:
    """Add a file whose name is a path on some systems, and list it."""
    b.write("data/..\\..\\evil.exe", b"x")
    b.rehash()


def name_with_a_control_character(b: Bench) -> None:
    """Add a file whose name would colour a terminal, and list it."""
    b.write("data/\x1b[31mred", b"x")
    b.rehash()


def name_that_is_no_text(b: Bench) -> None:
    """Add a file whose name is not UTF-8."""
    b.path("data").joinpath(os.fsdecode(b"caf\xe9.txt")).write_bytes(b"x")


def names_equal_in_unicode(b: Bench) -> None:
    """Add two files whose names differ only in how Unicode spells an accent, and list them."""
    b.write("data/caf\u00e9.txt", b"composed")
    b.write("data/cafe\u0301.txt", b"decomposed")
    b.rehash()


def names_equal_but_for_case(b: Bench) -> None:
    """Add a file named as the report but for case, and list it."""
    b.write("data/Report.html", b"<p>another report</p>")
    b.rehash()


def path_that_climbs_out(b: Bench) -> None:
    """List a file outside the bag."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  data/../../etc/passwd\n")


def path_from_the_root(b: Bench) -> None:
    """List a file by a path from the root."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  /etc/passwd\n")


def path_climbs_out_in_percent_code(b: Bench) -> None:
    """List a file with an escape that no manifest needs."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  data/%2e%2e/x\n")


def payload_in_the_tag_manifest(b: Bench) -> None:
    """List a tag file in the payload manifest."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  bagit.txt\n")


def manifest_lacks_a_file(b: Bench) -> None:
    """Take the line of a recording out of the manifest."""
    b.change(MANIFEST, lambda d: b"".join(x for x in d.splitlines(True) if b"oil-filler" not in x))


def manifest_lacks_the_log(b: Bench) -> None:
    """Take the line of the log out of the manifest, and list the rest anew."""
    b.rehash()
    b.change(MANIFEST, lambda d: b"".join(x for x in d.splitlines(True) if b".jsonl" not in x))
    b.retag()


def manifest_names_a_file_twice(b: Bench) -> None:
    """Repeat a line of the manifest."""
    b.change(MANIFEST, lambda d: d + d.splitlines(True)[-1])


def manifest_states_two_digests(b: Bench) -> None:
    """State a second digest for one file, after the true one."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  data/report.html\n")


def manifest_with_another_digest(b: Bench) -> None:
    """State another digest of one file."""
    b.change(MANIFEST, lambda d: ZEROS + d[64:])


def manifest_names_what_is_not_there(b: Bench) -> None:
    """List a file that never was."""
    b.change(MANIFEST, lambda d: d + ZEROS + b"  data/z.wav\n")


def manifest_with_a_byte_order_mark(b: Bench) -> None:
    """Save the manifest with an editor that puts a mark before it."""
    b.change(MANIFEST, lambda d: b"\xef\xbb\xbf" + d)


def manifest_in_capitals(b: Bench) -> None:
    """Write the digests of the manifest in capitals: the same numbers, other bytes."""
    b.change(MANIFEST, _capitals)


def tag_manifest_in_mixed_case(b: Bench) -> None:
    """Write the digests of the tag manifest, which nothing else covers, in capitals."""
    b.change(TAGS, _capitals)


def manifest_with_other_line_ends(b: Bench) -> None:
    """Save the tag manifest with the line ends of another system."""
    b.change(TAGS, lambda d: d.replace(b"\n", b"\r\n"))


def tag_manifest_out_of_order(b: Bench) -> None:
    """Sort the tag manifest backwards."""
    b.change(TAGS, lambda d: b"".join(sorted(d.splitlines(True), reverse=True)))


def manifest_with_short_digests(b: Bench) -> None:
    """State digests of another kind."""
    b.change(MANIFEST, lambda d: b"".join(x[32:] for x in d.splitlines(True)))


def manifest_of_nonsense(b: Bench) -> None:
    """Replace the manifest by a letter."""
    b.change(MANIFEST, lambda _: b"hello\n")


def manifest_emptied(b: Bench) -> None:
    """Leave nothing of the manifest but its name."""
    b.change(MANIFEST, lambda _: b"")


def manifest_deleted(b: Bench) -> None:
    """Remove the manifest."""
    b.path(MANIFEST).unlink()


def manifest_that_is_no_text(b: Bench) -> None:
    """Put bytes that are not UTF-8 into the manifest."""
    b.change(MANIFEST, lambda d: d + b"\xff\xfe\n")


def manifest_without_end(b: Bench) -> None:
    """Make the manifest a terabyte of nothing."""
    os.truncate(b.path(MANIFEST), 1 << 40)


def tag_manifest_deleted(b: Bench) -> None:
    """Remove the tag manifest."""
    b.path(TAGS).unlink()


def tag_manifest_lacks_the_statement(b: Bench) -> None:
    """Take the claim out of the tag manifest."""
    b.change(TAGS, lambda d: b"".join(x for x in d.splitlines(True) if b"claim/" not in x))


def oxum_wrong(b: Bench) -> None:
    """State another size of the payload, and list that."""
    b.replace(INFO, b"Payload-Oxum: ", b"Payload-Oxum: 9")
    b.retag()


def oxum_deleted(b: Bench) -> None:
    """Do not state the size of the payload."""
    b.change(INFO, lambda d: b"".join(x for x in d.splitlines(True) if b"Oxum" not in x))
    b.retag()


def oxum_twice(b: Bench) -> None:
    """State two sizes of the payload, the true one first."""
    b.change(INFO, lambda d: d + b"Payload-Oxum: 1.1\n")
    b.retag()


def bagit_of_another_version(b: Bench) -> None:
    """Declare an older version of BagIt."""
    b.replace("bagit.txt", b"1.0", b"0.97")
    b.retag()


def bagit_with_a_byte_order_mark(b: Bench) -> None:
    """Save the declaration with an editor that puts a mark before it."""
    b.change("bagit.txt", lambda d: b"\xef\xbb\xbf" + d)
    b.retag()


def bagit_deleted(b: Bench) -> None:
    """Remove the declaration."""
    b.path("bagit.txt").unlink()


def bag_info_deleted(b: Bench) -> None:
    """Remove the labels."""
    b.path(INFO).unlink()


def bag_info_of_another_shop(b: Bench) -> None:
    """Put another shop's name on the bag, and list that."""
    b.replace(INFO, b"Ferry Lane Engines", b"Harbour Street Motors")
    b.retag()


def bag_info_with_another_date(b: Bench) -> None:
    """Date the bag back, and list that."""
    b.replace(INFO, b"2026-03-04", b"2025-03-04")
    b.retag()


def bag_info_with_one_label_more(b: Bench) -> None:
    """Add a label that nobody vouches for, and list that."""
    b.change(INFO, lambda d: d + b"External-Description: engine beyond repair\n")
    b.retag()


def bag_info_that_is_no_label(b: Bench) -> None:
    """Write a sentence among the labels, and list that."""
    b.change(INFO, lambda d: b"the engine is beyond repair\n" + d)
    b.retag()


def note_edited(b: Bench) -> None:
    """Change the note on how to check."""
    b.change("data/CHECKING.txt", lambda _: b"No need to check anything.\n")


def note_left_out(b: Bench) -> None:
    """Pack and sign without the note on how to check."""
    b.path("data/CHECKING.txt").unlink()
    b.seal()


def sound_without_end(b: Bench) -> None:
    """Make a recording a terabyte of silence that takes no room on the disk."""
    os.truncate(b.path(b.sounds()[1]), 1 << 40)


def everything_removed(b: Bench) -> None:
    """Leave an empty folder."""
    for path in sorted(b.bag.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()


def payload_removed(b: Bench) -> None:
    """Remove the payload, and list and sign what is left."""
    for path in sorted(b.path("data").rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    b.write(LOG, b"")
    b.rehash()
    b.path(LOG).unlink()
    b.write(MANIFEST, b"")
    b.retag()


def _capitals(data: bytes) -> bytes:
    return b"".join(line[:64].upper() + line[64:] for line in data.splitlines(True))
