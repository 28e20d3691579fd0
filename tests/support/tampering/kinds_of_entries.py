"""Tampering with the log, by somebody who makes every digest agree but cannot sign.

Where a change is signed again with the shop's own key, its name says so: then only computing anew
can find it.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from tampering.bench import LOG, OTHER_PROGRAM, sha256

if TYPE_CHECKING:
    from collections.abc import Callable

    from tampering.bench import Bench


def edit_a_reading(b: Bench) -> None:
    """Change a reading in the log and nothing else."""
    b.replace(LOG, b'"value":"42"', b'"value":"12"')


def edit_a_reading_and_list_it(b: Bench) -> None:
    """Change a reading and write the manifests anew."""
    b.replace(LOG, b'"value":"42"', b'"value":"12"')
    b.rehash()


def edit_a_reading_and_chain_it(b: Bench) -> None:
    """Change a reading, chain the log, mark the report and write the manifests anew."""
    b.edit("reading", lambda body: body.update(value="12"))
    b.relabel()
    b.rehash()


def edit_the_last_entry(b: Bench) -> None:
    """Change the last line, on which no other line rests."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', b'"body":{"by":"x"}')])


def edit_a_time(b: Bench) -> None:
    """Let an entry be written an hour later."""
    _on_lines(b, lambda x: [*x[:4], x[4].replace(b"T16:30", b"T17:30"), *x[5:]])


def drop_an_entry(b: Bench) -> None:
    """Take the retraction out of the log."""
    _on_lines(b, lambda x: [line for line in x if b'"retraction"' not in line])


def drop_an_entry_and_chain(b: Bench) -> None:
    """Take the retraction out of the log and chain the rest anew."""
    b.rechain([e for e in b.entries() if e["kind"] != "retraction"])
    b.relabel()
    b.rehash()


def drop_the_last_entry(b: Bench) -> None:
    """Cut a whole line off the end of the log."""
    _on_lines(b, lambda x: x[:-1])


def drop_the_first_entry(b: Bench) -> None:
    """Cut the line off that opens the record."""
    _on_lines(b, lambda x: x[1:])


def cut_the_last_entry_in_two(b: Bench) -> None:
    """Cut the log in the middle of its last line."""
    b.change(LOG, lambda d: d[:-40])
    b.rehash()


def reorder_two_entries(b: Bench) -> None:
    """Exchange two lines."""
    _on_lines(b, lambda x: [*x[:5], x[6], x[5], *x[7:]])


def replay_an_entry(b: Bench) -> None:
    """Repeat the line of a reading right after it."""
    _on_lines(b, lambda x: [*x[:6], x[5], *x[6:]])


def replay_an_entry_at_the_end(b: Bench) -> None:
    """Repeat the line of a reading at the end of the log."""
    _on_lines(b, lambda x: [*x, x[5]])


def append_an_entry(b: Bench) -> None:
    """Add a note that follows properly."""
    b.rechain([*b.entries(), {**b.entries()[-1], "kind": "note", "body": {"text": "paid"}}])
    b.relabel()
    b.rehash()


def append_half_an_entry(b: Bench) -> None:
    """Add bytes without a line break at the end."""
    b.change(LOG, lambda d: d + b'{"body":{"text":"pa')
    b.rehash()


def log_of_another_inspection(b: Bench) -> None:
    """Put the log of another inspection in the place of this one."""
    b.edit("opened", lambda body: body.update(label="Another engine"))
    b.rehash()


def log_emptied(b: Bench) -> None:
    """Leave nothing of the log but its name."""
    b.change(LOG, lambda _: b"")
    b.rehash()


def log_deleted(b: Bench) -> None:
    """Remove the log and list what is left."""
    b.path(LOG).unlink()
    b.write("manifest-sha256.txt", b"")
    b.rehash()


def log_with_a_byte_order_mark(b: Bench) -> None:
    """Save the log with an editor that puts a mark before it."""
    b.change(LOG, lambda d: b"\xef\xbb\xbf" + d)
    b.rehash()


def log_with_other_line_ends(b: Bench) -> None:
    """Save the log with the line ends of another system."""
    b.change(LOG, lambda d: d.replace(b"\n", b"\r\n"))
    b.rehash()


def log_with_an_empty_line(b: Bench) -> None:
    """Put an empty line into the log."""
    _on_lines(b, lambda x: [*x[:3], b"", *x[3:]])


def log_without_end(b: Bench) -> None:
    """Make the log a terabyte of nothing."""
    os.truncate(b.path(LOG), 1 << 40)


def line_with_spaces(b: Bench) -> None:
    """Write an entry with spaces: the same values, other bytes."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b":", b": ")])


def line_with_a_key_twice(b: Bench) -> None:
    """Give an entry a second body, of which a reader sees only the last."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', b'"body":{"a":1},"body":{}')])


def line_with_keys_out_of_order(b: Bench) -> None:
    """Write the keys of an entry in another order."""
    _on_lines(b, lambda x: [*x[:-1], b'{"seq":15,' + x[-1][1:].replace(b'"seq":15,', b"")])


def line_with_not_a_number(b: Bench) -> None:
    """Write NaN, which JSON does not have."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', b'"body":{"p_value":NaN}')])


def line_with_infinity(b: Bench) -> None:
    """Write a number too large for any machine."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', b'"body":{"excess_db":1e999}')])


def line_with_a_huge_integer(b: Bench) -> None:
    """Write a number of ten thousand digits."""
    huge = b'"body":{"n":' + b"9" * 10_000 + b"}"
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', huge)])


def line_with_half_a_surrogate(b: Bench) -> None:
    """Write half of a character."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', b'"body":{"text":"\\ud800"}')])


def line_that_is_no_text(b: Bench) -> None:
    """Put bytes into an entry that are not UTF-8."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b"closed", b"clos\xff\xfe")])


def line_of_another_kind_of_json(b: Bench) -> None:
    """Write a list where an entry should be."""
    _on_lines(b, lambda x: [*x[:-1], b"[1,2,3]"])


def line_with_one_field_more(b: Bench) -> None:
    """Give an entry a field that entries do not have."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'{"body":{}', b'{"alias":1,"body":{}')])


def line_with_its_number_as_text(b: Bench) -> None:
    """Write the number of an entry as text."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"seq":15', b'"seq":"15"')])


def line_with_an_impossible_time(b: Bench) -> None:
    """Let an entry be written on the thirtieth of February."""
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b"2026-03-04", b"2026-02-30")])


def line_naming_its_forerunner_in_capitals(b: Bench) -> None:
    """Write a link in capitals: the same number, other bytes."""
    last = b.entries()[-1]
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(*_cases(last["prev"]))])


def line_nested_without_end(b: Bench) -> None:
    """Nest lists a hundred thousand deep."""
    deep = b'"body":{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}"
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', deep)])


def line_of_two_megabytes(b: Bench) -> None:
    """Write an entry longer than any real one."""
    long = b'"body":{"text":"' + b"a" * (2 << 20) + b'"}'
    _on_lines(b, lambda x: [*x[:-1], x[-1].replace(b'"body":{}', long)])


def record_of_a_later_version(b: Bench) -> None:
    """Say that a later version wrote the record, signed with the shop's own key."""
    b.edit("opened", lambda body: body.update(schema="earwitness.record/2"))
    b.seal()


def record_of_no_version(b: Bench) -> None:
    """Say nothing known about the version of the record, signed with the shop's own key."""
    b.edit("opened", lambda body: body.update(schema="notebook"))
    b.seal()


def record_that_nothing_opens(b: Bench) -> None:
    """Leave the first entry out, chained and signed with the shop's own key."""
    b.rechain(b.entries()[1:])
    b.seal()


def record_of_no_entries_signed(b: Bench) -> None:
    """Sign an empty log with the shop's own key."""
    b.write(LOG, b"")
    b.rehash()
    b.sign()


def unknown_entry_signed(b: Bench) -> None:
    """Add an entry of a kind that no record has, signed with the shop's own key."""
    b.rechain([*b.entries(), {**b.entries()[-1], "kind": "absolution"}])
    b.seal()


def opened_twice_signed(b: Bench) -> None:
    """Open the record once more in its middle, signed with the shop's own key."""
    entries = b.entries()
    b.rechain([*entries[:5], entries[0], *entries[5:]])
    b.seal()


def impossible_reading_signed(b: Bench) -> None:
    """Let a gauge read 300 percent, signed with the shop's own key."""
    b.edit("reading", lambda body: body.update(value="300"))
    b.seal()


def retract_nothing_signed(b: Bench) -> None:
    """Retract an entry that is no reading, signed with the shop's own key."""
    b.edit("retraction", lambda body: body.update(retracts=1))
    b.seal()


def edit_a_reading_signed(b: Bench) -> None:
    """Change a reading, signed with the shop's own key."""
    b.edit("reading", lambda body: body.update(value="12"))
    b.seal()


def drop_a_retraction_signed(b: Bench) -> None:
    """Let a retracted reading count again, as the last one, signed with the shop's own key."""
    entries = b.entries()
    slip = next(e for e in entries if e["kind"] == "reading")
    rest = [e for e in entries if e["kind"] != "retraction" and e is not slip]
    b.rechain([*rest[:6], slip, *rest[6:]])
    b.seal()


def edit_the_verdict_signed(b: Bench) -> None:
    """Change the summary of the verdict, signed with the shop's own key."""
    b.edit("verdict", lambda body: body["engine"].update(summary="All is well."))
    b.seal()


def nudge_a_probability_signed(b: Bench) -> None:
    """Change the sixth digit of a probability, signed with the shop's own key."""
    b.edit("verdict", lambda body: _nudge(body["cylinders"][0]["ranking"][0], "probability", 1e-6))
    b.seal()


def edit_the_verdict_as_of_another_version_signed(b: Bench) -> None:
    """Change a probability and say that another version judged; the shop's own key."""
    b.edit("opened", lambda body: body.update(program=OTHER_PROGRAM))
    nudge_a_probability_signed(b)


def drop_the_verdict_signed(b: Bench) -> None:
    """Leave the verdict out, signed with the shop's own key."""
    b.rechain([e for e in b.entries() if e["kind"] != "verdict"])
    b.seal()


def two_verdicts_signed(b: Bench) -> None:
    """Put a false verdict before the true one, signed with the shop's own key."""
    entries = b.entries()
    false = next(e for e in entries if e["kind"] == "verdict")
    engine = {**false["body"]["engine"], "summary": "All is well."}
    false = {**false, "body": {**false["body"], "engine": engine}}
    b.rechain([*entries[:-2], false, *entries[-2:]])
    b.seal()


def edit_a_finding_signed(b: Bench) -> None:
    """Change a millionth of a decibel that no verdict turns on, signed with the shop's own key."""
    b.edit("finding", lambda body: _nudge(body, "excess_db", 1e-6))
    b.seal()


def edit_a_finding_as_of_another_version_signed(b: Bench) -> None:
    """Change a finding and say that another version scored it, signed with the shop's own key."""
    b.edit("opened", lambda body: body.update(program=OTHER_PROGRAM))
    edit_a_finding_signed(b)


def edit_a_floor_signed(b: Bench) -> None:
    """Change one band of a noise floor, which only the picture shows; the shop's own key."""
    b.edit("finding", lambda body: _bend(body["floors"]["on_db"]), nth=0)
    b.seal()


def drop_a_finding_signed(b: Bench) -> None:
    """Leave a finding out that the verdict rests on, signed with the shop's own key."""
    entries = b.entries()
    first = next(i for i, e in enumerate(entries) if e["kind"] == "finding")
    b.rechain([*entries[:first], *entries[first + 1 :]])
    b.seal()


def move_the_air_times_signed(b: Bench) -> None:
    """Say that the air was on at other times, signed with the shop's own key."""
    b.edit("take", lambda body: body.update(air_on_s=[[1.4, 3.0], [4.5, 6.0], [7.5, 9.0]]), nth=0)
    b.seal()


def air_times_outside_the_sound_signed(b: Bench) -> None:
    """Say that the air was on after the recording ended, signed with the shop's own key."""
    b.edit("take", lambda body: body.update(air_on_s=[[100.0, 200.0]]), nth=0)
    b.seal()


def take_of_one_recording_signed(b: Bench) -> None:
    """Leave a pair without its second recording, signed with the shop's own key."""
    b.edit("take", lambda body: body.update(audio=body["audio"][:1]))
    b.seal()


def move_a_take_to_another_cylinder_signed(b: Bench) -> None:
    """Say that another cylinder was listened to, signed with the shop's own key."""
    b.edit("take", lambda body: body.update(cylinder=1), nth=0)
    b.seal()


def nothing_but_the_frame_signed(b: Bench) -> None:
    """Leave only the first and the last entry and no sound, signed with the shop's own key."""
    b.rechain([b.entries()[0], b.entries()[-1]])
    for name in b.sounds():
        b.path(name).unlink()
    b.seal()


def digest_of_a_sound_edited(b: Bench) -> None:
    """State another digest of a recording in its entry, signed with the shop's own key."""
    b.edit("audio", lambda body: body.update(sha256=sha256(b"other")))
    b.seal()


def _on_lines(b: Bench, by: Callable[[list[bytes]], list[bytes]]) -> None:
    """Change the lines of the log and write the manifests anew."""
    before = b.lines()
    after = by(before)
    assert after != before
    b.write_lines(after)
    b.rehash()


def _cases(text: str) -> tuple[bytes, bytes]:
    return text.encode(), text.upper().encode()


def _nudge(fields: dict[str, float], name: str, by: float) -> None:
    fields[name] += by


def _bend(values: list[float]) -> None:
    values[3] -= 0.5
