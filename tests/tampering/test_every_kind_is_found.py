"""Every kind of tampering is found, at the step and depth where it can be, and by its name."""

from __future__ import annotations

import importlib.util
import re
from collections import Counter
from pathlib import Path

import pytest

from earwitness.errors import RecordError
from earwitness.record import chain
from earwitness.record.claim.check.defects import DEPTHS, KINDS, Depth, reaches
from earwitness.record.claim.check.verify import verify
from tampering.build import TAMPERINGS, tampered
from tampering.small_bag import DRAWING

ROOT = Path(__file__).parents[2]
STAND_ALONE = ROOT / "tools" / "verify_bag.py"
EXPECTED = {
    "add_a_fetch_file": "file-extra",
    "add_a_hidden_file": "file-extra oxum-differs",
    "add_a_listed_tag_file": "tag-file-unknown",
    "add_a_payload_file": "file-extra oxum-differs",
    "add_an_unlisted_tag_file": "file-extra",
    "add_another_manifest": "file-extra",
    "bag_info_deleted": "file-missing oxum-missing tag-file-missing label-differs",
    "bag_info_of_another_shop": "label-differs",
    "bag_info_that_is_no_label": "bad-label",
    "bag_info_with_another_date": "label-differs",
    "bag_info_with_one_label_more": "label-differs",
    "bagit_deleted": "file-missing tag-file-missing",
    "bagit_of_another_version": "bad-declaration",
    "bagit_with_a_byte_order_mark": "byte-order-mark",
    "delete_a_sound": "file-missing oxum-differs audio-missing report-not-compared",
    "duplicate_a_sound": "file-extra oxum-differs",
    "empty_a_sound": (
        "oxum-differs digest-differs audio-differs finding-not-recomputed report-not-compared"
    ),
    "everything_removed": (
        "oxum-missing required-file-missing tag-file-missing record-missing claim-missing "
        "audio-none finding-not-recomputed verdict-not-recomputed report-missing"
    ),
    "flip_a_sample": "digest-differs audio-differs finding-not-recomputed report-not-compared",
    "folder_instead_of_the_manifest": (
        "file-extra file-missing required-file-missing unreadable statement-manifest"
    ),
    "folder_instead_of_the_report": "file-missing oxum-differs report-missing",
    "link_instead_of_a_folder": (
        "file-missing oxum-differs symbolic-link audio-missing finding-not-recomputed "
        "report-not-compared"
    ),
    "link_instead_of_a_sound": (
        "file-missing oxum-differs symbolic-link audio-missing finding-not-recomputed "
        "report-not-compared"
    ),
    "link_instead_of_the_log": (
        "symbolic-link file-missing oxum-differs record-missing identity-unknown "
        "statement-head statement-entries label-differs audio-none finding-not-recomputed "
        "verdict-not-recomputed report-stale report-not-compared"
    ),
    "link_to_itself": "symbolic-link",
    "manifest_deleted": (
        "file-extra file-missing required-file-missing tag-file-missing statement-manifest"
    ),
    "manifest_emptied": (
        "empty-manifest file-extra required-file-missing digest-differs statement-manifest"
    ),
    "manifest_in_capitals": "manifest-rewritten digest-differs statement-manifest",
    "manifest_lacks_a_file": "file-extra digest-differs statement-manifest",
    "manifest_lacks_the_log": "file-extra required-file-missing statement-manifest",
    "manifest_names_a_file_twice": "duplicate-path digest-differs statement-manifest",
    "manifest_names_what_is_not_there": "file-missing digest-differs statement-manifest",
    "manifest_of_nonsense": (
        "empty-manifest file-extra malformed-line required-file-missing digest-differs "
        "statement-manifest"
    ),
    "manifest_states_two_digests": "duplicate-path digest-differs statement-manifest",
    "manifest_that_is_no_text": (
        "file-extra not-utf-8 required-file-missing digest-differs statement-manifest"
    ),
    "manifest_with_a_byte_order_mark": "byte-order-mark digest-differs statement-manifest",
    "manifest_with_another_digest": "digest-differs statement-manifest",
    "manifest_with_other_line_ends": "manifest-rewritten",
    "manifest_with_short_digests": (
        "bad-digest empty-manifest file-extra required-file-missing digest-differs "
        "statement-manifest"
    ),
    "manifest_without_end": (
        "file-extra required-file-missing unreadable file-too-large statement-manifest"
    ),
    "name_a_device": "file-extra unsafe-path statement-manifest",
    "name_that_is_no_text": "not-utf-8",
    "name_with_a_backslash": "file-extra unsafe-path statement-manifest",
    "name_with_a_control_character": "file-extra unsafe-path statement-manifest",
    "names_equal_but_for_case": "equal-names statement-manifest",
    "names_equal_in_unicode": "equal-names statement-manifest",
    "note_edited": "oxum-differs digest-differs",
    "note_left_out": "required-file-missing",
    "oxum_deleted": "oxum-missing",
    "oxum_twice": "oxum-missing",
    "oxum_wrong": "oxum-differs",
    "path_climbs_out_in_percent_code": "malformed-line digest-differs statement-manifest",
    "path_from_the_root": "unsafe-path digest-differs statement-manifest",
    "path_that_climbs_out": "unsafe-path digest-differs statement-manifest",
    "payload_in_the_tag_manifest": "wrong-folder digest-differs statement-manifest",
    "payload_removed": (
        "empty-manifest oxum-differs required-file-missing record-missing label-differs "
        "statement-entries statement-head statement-manifest audio-none "
        "finding-not-recomputed verdict-not-recomputed report-missing"
    ),
    "pipe_instead_of_a_sound": (
        "file-missing oxum-differs special-file audio-missing finding-not-recomputed "
        "report-not-compared"
    ),
    "rename_a_sound": (
        "file-extra file-missing audio-missing finding-not-recomputed report-not-compared"
    ),
    "socket_in_the_payload": "special-file",
    "sound_without_end": (
        "oxum-differs file-too-large audio-differs finding-not-recomputed report-not-compared"
    ),
    "swap_two_takes": "digest-differs audio-differs finding-not-recomputed report-not-compared",
    "tag_manifest_deleted": "file-extra required-file-missing tag-file-missing",
    "tag_manifest_in_mixed_case": "manifest-rewritten",
    "tag_manifest_lacks_the_statement": "file-extra required-file-missing",
    "tag_manifest_out_of_order": "manifest-rewritten",
    "truncate_a_sound": (
        "oxum-differs digest-differs audio-differs finding-not-recomputed report-not-compared"
    ),
    "air_times_outside_the_sound_signed": "finding-not-recomputed",
    "append_an_entry": "label-differs statement-entries statement-head statement-manifest",
    "append_half_an_entry": "statement-manifest",
    "cut_the_last_entry_in_two": "statement-entries statement-head statement-manifest report-stale",
    "digest_of_a_sound_edited": "audio-differs finding-not-recomputed report-not-compared",
    "drop_a_finding_signed": "finding-missing verdict-differs",
    "drop_a_retraction_signed": "verdict-differs report-differs",
    "drop_an_entry": (
        "link-broken number-wrong statement-entries statement-manifest "
        "report-not-compared report-stale"
    ),
    "drop_an_entry_and_chain": (
        "label-differs statement-entries statement-head statement-manifest report-differs"
    ),
    "drop_the_first_entry": (
        "record-not-opened number-wrong link-broken identity-unknown statement-manifest "
        "statement-entries label-differs finding-not-recomputed verdict-not-recomputed "
        "report-stale report-not-compared"
    ),
    "drop_the_last_entry": "statement-entries statement-head statement-manifest report-stale",
    "drop_the_verdict_signed": "verdict-missing report-differs",
    "edit_a_finding_signed": "finding-differs",
    "edit_a_finding_as_of_another_version_signed": "finding-by-another-version",
    "edit_a_floor_signed": "finding-differs",
    "edit_a_reading": "digest-differs link-broken verdict-differs report-not-compared",
    "edit_a_reading_and_chain_it": (
        "label-differs statement-head statement-manifest verdict-differs report-differs"
    ),
    "edit_a_reading_and_list_it": (
        "link-broken statement-manifest verdict-differs report-not-compared"
    ),
    "edit_a_reading_signed": "verdict-differs report-differs",
    "edit_a_time": "link-broken statement-manifest report-not-compared",
    "edit_the_last_entry": "statement-head statement-manifest report-stale",
    "edit_the_verdict_as_of_another_version_signed": "verdict-by-another-version",
    "edit_the_verdict_signed": "verdict-differs report-differs",
    "impossible_reading_signed": "finding-not-recomputed record-not-understood report-not-compared",
    "line_naming_its_forerunner_in_capitals": (
        "link-broken statement-head statement-manifest report-not-compared report-stale"
    ),
    "line_nested_without_end": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_of_another_kind_of_json": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_of_two_megabytes": (
        "record-too-long statement-entries statement-head statement-manifest "
        "report-not-compared report-stale"
    ),
    "line_that_is_no_text": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_a_huge_integer": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_a_key_twice": (
        "line-rewritten statement-head statement-manifest report-not-compared report-stale"
    ),
    "line_with_an_impossible_time": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_half_a_surrogate": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_infinity": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_its_number_as_text": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_keys_out_of_order": (
        "line-rewritten statement-head statement-manifest report-not-compared report-stale"
    ),
    "line_with_not_a_number": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_one_field_more": (
        "line-damaged statement-head statement-manifest finding-not-recomputed "
        "verdict-not-recomputed report-not-compared report-stale"
    ),
    "line_with_spaces": (
        "line-damaged line-rewritten statement-head statement-manifest "
        "finding-not-recomputed verdict-not-recomputed report-not-compared report-stale"
    ),
    "log_deleted": (
        "required-file-missing record-missing identity-unknown statement-manifest "
        "statement-head statement-entries label-differs audio-none finding-not-recomputed "
        "verdict-not-recomputed report-stale report-not-compared"
    ),
    "log_emptied": (
        "record-empty identity-unknown statement-manifest statement-head statement-entries "
        "label-differs audio-none finding-not-recomputed verdict-not-recomputed report-stale "
        "report-not-compared"
    ),
    "log_of_another_inspection": "statement-head statement-manifest report-stale",
    "log_with_a_byte_order_mark": (
        "record-rewritten line-damaged link-broken identity-unknown statement-manifest "
        "label-differs finding-not-recomputed verdict-not-recomputed report-not-compared"
    ),
    "log_with_an_empty_line": (
        "line-damaged link-broken number-wrong statement-entries statement-manifest "
        "finding-not-recomputed verdict-not-recomputed report-not-compared report-stale"
    ),
    "log_with_other_line_ends": (
        "line-rewritten link-broken statement-head statement-manifest report-not-compared "
        "report-stale"
    ),
    "log_without_end": (
        "oxum-differs file-too-large record-too-long identity-unknown statement-head "
        "statement-entries label-differs audio-none finding-not-recomputed "
        "verdict-not-recomputed report-stale report-not-compared"
    ),
    "move_a_take_to_another_cylinder_signed": "verdict-differs",
    "move_the_air_times_signed": "finding-differs",
    "nothing_but_the_frame_signed": (
        "audio-none takes-none evidence-none verdict-missing report-not-compared"
    ),
    "nudge_a_probability_signed": "verdict-differs",
    "opened_twice_signed": "finding-not-recomputed record-not-understood report-not-compared",
    "record_of_a_later_version": (
        "record-version finding-not-recomputed verdict-not-recomputed report-not-compared"
    ),
    "record_of_no_entries_signed": (
        "record-empty identity-unknown statement-malformed audio-none finding-not-recomputed "
        "verdict-not-recomputed report-stale report-not-compared"
    ),
    "record_of_no_version": (
        "record-version finding-not-recomputed verdict-not-recomputed report-not-compared"
    ),
    "record_that_nothing_opens": (
        "record-not-opened identity-unknown label-differs finding-not-recomputed "
        "verdict-not-recomputed report-not-compared"
    ),
    "reorder_two_entries": "link-broken number-wrong statement-manifest report-not-compared",
    "replay_an_entry": (
        "link-broken number-wrong statement-entries statement-manifest "
        "report-not-compared report-stale"
    ),
    "replay_an_entry_at_the_end": (
        "link-broken number-wrong statement-entries statement-head statement-manifest "
        "report-not-compared report-stale"
    ),
    "retract_nothing_signed": "finding-not-recomputed record-not-understood report-not-compared",
    "take_of_one_recording_signed": "finding-not-recomputed",
    "two_verdicts_signed": "verdict-differs",
    "unknown_entry_signed": "finding-not-recomputed record-not-understood report-not-compared",
    "entry_of_a_sound_emptied_signed": (
        "audio-entry-malformed audio-not-entered finding-not-recomputed "
        "record-not-understood report-not-compared"
    ),
    "exchange_of_keys_forged": "foreign-key rotation-wrong",
    "exchange_of_keys_to_nowhere": "rotation-wrong",
    "a_moment_replaced_signed": "finding-differs",
    "public_key_damaged": "key-malformed statement-key",
    "public_key_deleted": "required-file-missing claim-missing statement-key",
    "public_key_exchanged": "foreign-key signature-wrong statement-key",
    "public_key_of_another_kind": "key-malformed statement-key",
    "public_key_that_fits_any_message": "key-malformed statement-key",
    "rate_of_a_sound_edited_signed": "audio-header finding-not-recomputed report-not-compared",
    "report_deleted_signed": "required-file-missing report-missing",
    "report_edited_as_of_another_version_signed": "report-by-another-version",
    "report_edited_signed": "report-differs",
    "report_of_open_tags_signed": "report-differs",
    "report_of_an_earlier_state_signed": "report-stale",
    "report_of_another_record_signed": "report-stale",
    "report_that_is_no_text_signed": "report-missing",
    "report_with_two_marks_signed": "report-differs report-unmarked",
    "report_without_a_mark_signed": "report-unmarked",
    "resigned_by_a_stranger": "foreign-key",
    "signature_as_raw_bytes": "signature-malformed",
    "signature_deleted": "required-file-missing claim-missing",
    "signature_flipped": "signature-wrong",
    "signature_for_another_purpose": "signature-wrong",
    "signature_of_another_statement": "signature-wrong",
    "signature_of_the_bare_statement": "signature-wrong",
    "signature_truncated": "signature-malformed",
    "signature_with_a_larger_scalar": "signature-wrong",
    "signature_with_spaces": "signature-malformed",
    "signed_by_a_stranger": "foreign-key finding-differs",
    "sound_entered_twice_signed": "audio-entered-twice report-not-compared",
    "sound_left_out_signed": "audio-missing report-not-compared",
    "sound_of_years_signed": "audio-unreadable report-not-compared",
    "sound_outside_the_record_signed": "audio-not-entered audio-path report-not-compared",
    "sound_replaced_signed": "finding-differs",
    "sound_that_is_none_signed": "audio-unreadable report-not-compared",
    "sound_with_not_a_number_signed": "audio-unreadable report-not-compared",
    "sound_without_an_entry_signed": "audio-not-entered finding-not-recomputed report-not-compared",
    "sounds_exchanged_signed": "finding-differs",
    "stale_claim": "label-differs statement-head statement-manifest verdict-differs report-differs",
    "statement_counts_wrong_signed": "statement-entries",
    "statement_deleted": "required-file-missing claim-missing",
    "statement_edited": "signature-wrong",
    "statement_for_another_head_signed": "label-differs statement-head",
    "statement_for_another_manifest_signed": "statement-manifest",
    "statement_in_capitals_signed": "statement-malformed",
    "statement_lacks_a_field_signed": "statement-malformed",
    "statement_names_another_key_signed": "statement-key",
    "statement_nested_without_end": "signature-wrong statement-malformed",
    "statement_of_a_later_version_signed": "statement-version",
    "statement_with_a_key_twice_signed": "statement-malformed",
    "statement_with_not_a_number_signed": "statement-malformed",
    "statement_with_one_field_more_signed": "statement-malformed",
    "statement_with_spaces_signed": "statement-malformed",
    "statement_without_a_time_signed": "statement-malformed",
    "statement_without_end": "claim-unread",
    "time_stamp_of_another_statement": "timestamp-other",
    "time_stamp_that_is_none": "timestamp-malformed",
    "time_stamp_that_was_refused": "timestamp-malformed",
    "time_stamp_without_end": "claim-unread",
    "digest_of_a_name_edited_signed": "identity-differs",
    "digest_of_a_name_in_capitals_signed": (
        "identity-malformed identity-unknown label-differs finding-not-recomputed "
        "record-not-understood report-not-compared"
    ),
    "digest_of_a_name_removed_signed": "identity-unknown",
    "digests_that_are_a_list_signed": (
        "identity-malformed identity-unknown label-differs finding-not-recomputed "
        "record-not-understood report-not-compared"
    ),
    "name_added_signed": "identity-unknown",
    "name_by_one_digit_signed": "identity-differs",
    "name_edited": "digest-differs identity-differs",
    "name_edited_and_listed": "identity-differs statement-manifest",
    "name_edited_signed": "identity-differs",
    "name_in_capitals_signed": "identity-differs",
    "name_in_the_place_of_its_digest_signed": (
        "identity-malformed identity-unknown label-differs finding-not-recomputed "
        "record-not-understood report-not-compared"
    ),
    "name_of_a_new_kind_signed": "identity-unknown",
    "name_spelt_otherwise_signed": "identity-malformed label-differs report-differs",
    "names_exchanged_signed": "identity-differs",
    "names_nested_without_end_signed": "identity-malformed label-differs report-differs",
    "names_of_a_later_version_signed": "identity-malformed label-differs report-differs",
    "names_of_nothing_signed": "identity-malformed report-differs",
    "names_of_two_megabytes_signed": "identity-malformed label-differs report-differs",
    "names_removed": "file-missing oxum-differs label-differs report-differs",
    "names_removed_and_listed": "statement-manifest report-differs",
    "names_that_are_a_list_signed": "identity-malformed label-differs report-differs",
    "names_that_are_no_text_signed": "identity-malformed label-differs report-differs",
    "names_with_a_key_twice_signed": "identity-malformed label-differs report-differs",
    "names_with_spaces_signed": "identity-malformed label-differs report-differs",
    "one_name_removed_and_listed": "statement-manifest",
    "salt_changed_signed": "identity-differs",
    "salt_emptied_signed": "identity-malformed label-differs report-differs",
    "salt_removed_signed": "identity-malformed label-differs report-differs",
    "salt_with_loose_bits_signed": "identity-malformed label-differs report-differs",
    "salts_exchanged_signed": "identity-differs",
    "shop_withheld_but_for_the_label_signed": "label-differs report-differs",
    "shop_withheld_but_for_the_report_signed": "report-differs",
    "value_that_is_a_number_signed": "identity-malformed label-differs report-differs",
    "value_with_one_field_more_signed": "identity-malformed label-differs report-differs",
}
"""Kinds of defect by tampering, at depth `recompute`. What a shallower depth finds of them follows
from `KINDS`, which says of each kind how deep one must look."""
FIRST_FOUND_AT = {"quick": 67, "default": 142, "recompute": 13}
"""How many of them show at which depth first; the documentation states these numbers."""


def kinds_at(name: str, depth: Depth) -> set[str]:
    return {kind for kind in EXPECTED[name].split() if reaches(depth, KINDS[kind].depth)}


def first_depth(name: str) -> Depth:
    return next(depth for depth in DEPTHS if kinds_at(name, depth))


def test_the_table_names_every_tampering_and_every_kind() -> None:
    assert sorted(EXPECTED) == sorted(TAMPERINGS)
    assert len(TAMPERINGS) >= 60
    # A bag that is none and a file that vanishes meanwhile are in test_sound_bag.py; a time stamp
    # that its authority did not sign is in test_timestamp.py; a PDF in test_sound_bag.py.
    papers = {"paper-differs", "paper-by-another-version"}
    unused = set(KINDS) - {kind for row in EXPECTED.values() for kind in row.split()}
    assert unused == {"not-a-bag", "file-unread", "timestamp-unsigned", *papers}


def test_what_each_depth_is_good_for() -> None:
    assert Counter(map(first_depth, EXPECTED)) == FIRST_FOUND_AT
    decision = next(ROOT.glob("docs/decisions/0065-*.md")).read_text(encoding="utf-8")
    assert f"of {len(EXPECTED)} kinds of tampering" in decision
    rows = dict(
        re.findall(r"^\| (quick|default|recompute) \|.*\| (\d+) \|$", decision, re.MULTILINE)
    )
    assert {depth: int(count) for depth, count in rows.items()} == FIRST_FOUND_AT


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TAMPERINGS))
def test_it_is_found(name: str, sound_bag: Path, tmp_path: Path, shop_key: str) -> None:
    """At every depth: exactly these kinds, each at its step, and no traceback."""
    bag = tampered(name, sound_bag, tmp_path / "bag")
    for depth in DEPTHS:
        found = verify(bag, depth=depth, known_key=shop_key, render=DRAWING)
        assert {d.kind for d in found.defects} == kinds_at(name, depth), depth
        assert all(d.step == KINDS[d.kind].step for d in found.defects)
        assert found.sound == (not kinds_at(name, depth))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TAMPERINGS))
def test_the_stand_alone_verifier_agrees(
    name: str, sound_bag: Path, tmp_path: Path, shop_key: str
) -> None:
    """On steps 1 to 4 and on the digests of step 5; it plays no sound."""
    bag = tampered(name, sound_bag, tmp_path / "bag")
    package = verify(bag, known_key=shop_key).defects
    played = {"audio-unreadable", "audio-header"}
    expected = {d.step for d in package if d.step <= 5 and d.kind not in played}
    assert {d["step"] for d in stand_alone(bag, shop_key)} == expected


def test_the_stand_alone_verifier_refuses_a_key_that_fits_any_message(
    sound_bag: Path, tmp_path: Path
) -> None:
    """Also where nobody says which key it should be: RFC 8032 has eight points of small order."""
    bag = tampered("public_key_that_fits_any_message", sound_bag, tmp_path / "bag")
    details = " ".join(str(d["detail"]) for d in stand_alone(bag, None))
    assert "a key under which any signature fits" in details


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TAMPERINGS))
def test_the_record_room_agrees_on_the_chain(name: str, sound_bag: Path, tmp_path: Path) -> None:
    """Step 3 reads on after a fault; it must find one exactly where `chain.check` finds one."""
    bag = tampered(name, sound_bag, tmp_path / "bag")
    log = bag / "data/record/record.jsonl"
    if {"record-missing", "record-too-long"} & kinds_at(name, "default"):
        return  # no log, or more of one than `chain.check` should be given
    *lines, _ = log.read_bytes().split(b"\n")
    own = {"line-damaged", "line-rewritten", "number-wrong", "link-broken", "record-rewritten"}
    assert bool(own & kinds_at(name, "default")) == (not follows(lines))


def follows(lines: list[bytes]) -> bool:
    try:
        chain.check(lines)
    except RecordError:
        return False
    return True


def stand_alone(bag: Path, key: str | None) -> list[dict[str, object]]:
    spec = importlib.util.spec_from_file_location("verify_bag", STAND_ALONE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: list[dict[str, object]] = module.Bag(bag, key).defects
    return found
