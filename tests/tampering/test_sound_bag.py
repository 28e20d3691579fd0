"""A bag that nobody touched is sound at every depth, and checking says what it does not know."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import tracemalloc
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import bagit
import pytest

from earwitness.audio.recording import read_recording
from earwitness.cli.reporting import draw_report
from earwitness.errors import EquipmentError
from earwitness.record.claim.check import recompute
from earwitness.record.claim.check.defects import DEPTHS, KINDS, STEPS, Depth, defect
from earwitness.record.claim.check.inventory import changed, look_into
from earwitness.record.claim.check.page import Drawing
from earwitness.record.claim.check.recompute import SAME_WITHIN, differences
from earwitness.record.claim.check.verify import verify
from earwitness.record.claim.keys.rotation import signed_rotation
from earwitness.record.claim.keys.shop_key import ShopKey
from earwitness.record.claim.make.bag import pack
from earwitness.record.claim.statement import key_digest
from earwitness.report.page_words import words_of_page
from tampering.bench import REPORT, SHOP_KEY, STRANGERS_KEY, Bench, sha256
from tampering.damage import Fuzzer
from tampering.small_bag import DRAWING, make_record

STAND_ALONE = Path(__file__).parents[2] / "tools" / "verify_bag.py"
PACKED_AT = datetime(2026, 3, 4, 17, 30, tzinfo=UTC)
ROTATED = signed_rotation(
    SHOP_KEY, STRANGERS_KEY.public_key(), rotated_at=PACKED_AT, program="earwitness 0"
)


def packed(folder: Path, key: ShopKey) -> Path:
    """Pack the small inspection the way the command line does, with the real report."""
    record = make_record(folder / "record")
    page = folder / "report.html"
    page.write_text(draw_report(record), encoding="utf-8")
    clock = lambda: PACKED_AT  # noqa: E731
    return pack(record, folder / "bag", key=key, clock=clock, reports={"report.html": page})


@pytest.fixture(scope="module")
def real_bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return packed(tmp_path_factory.mktemp("real"), ShopKey(SHOP_KEY, PACKED_AT))


@pytest.mark.parametrize("depth", DEPTHS)
def test_an_untouched_bag_is_sound(sound_bag: Path, depth: Depth) -> None:
    found = verify(sound_bag, depth=depth, render=DRAWING)
    assert found.defects == ()
    assert found.sound


@pytest.mark.slow
@pytest.mark.parametrize("depth", DEPTHS)
def test_a_packed_bag_is_sound(real_bag: Path, depth: Depth, shop_key: str) -> None:
    """With the report as it is really drawn, and drawn anew from the record in the bag."""
    drawing = Drawing(draw=draw_report, words=words_of_page)
    found = verify(real_bag, depth=depth, known_key=shop_key, render=drawing)
    assert found.defects == ()


@pytest.mark.slow
def test_packing_and_the_bench_write_the_same_bytes(real_bag: Path) -> None:
    """The bench hashes, chains and signs by the standards with code of its own."""
    before = {p: p.read_bytes() for p in sorted(real_bag.rglob("*")) if p.is_file()}
    Bench(real_bag).seal()
    assert {p: p.read_bytes() for p in sorted(real_bag.rglob("*")) if p.is_file()} == before


@pytest.mark.slow
def test_other_programs_find_it_sound_too(real_bag: Path) -> None:
    """`sha256sum` (GNU coreutils) and `bagit` (Library of Congress)."""
    subprocess.run(["sha256sum", "--strict", "-c", "manifest-sha256.txt"], cwd=real_bag, check=True)
    assert bagit.Bag(str(real_bag)).is_valid()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("tamper", "code"), [(lambda _: None, 0), (lambda b: b.path(REPORT).unlink(), 1)]
)
def test_the_stand_alone_verifier_as_a_program(bench: Bench, tamper: object, code: int) -> None:
    """It prints the same JSON shape, says what it does not check, and needs no earwitness."""
    tamper(bench)  # type: ignore[operator]
    source = STAND_ALONE.read_text(encoding="utf-8")
    assert "import earwitness" not in source
    assert "from earwitness" not in source
    assert len(source.splitlines()) <= 300
    ran = subprocess.run(
        [sys.executable, STAND_ALONE, bench.bag], capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stderr) == (code, "")
    said = json.loads(ran.stdout)
    assert (said["schema"], said["sound"]) == ("earwitness.verify/1", code == 0)
    assert all(sorted(d) == ["detail", "kind", "path", "step"] for d in said["defects"])
    assert "Not checked:" in said["scope"]


@pytest.mark.slow
def test_the_stand_alone_verifier_used_wrongly(tmp_path: Path) -> None:
    for arguments in ([], [tmp_path / "nothing"], [tmp_path, "--kay", "x"]):
        ran = subprocess.run(
            [sys.executable, STAND_ALONE, *arguments], capture_output=True, text=True, check=False
        )
        assert ran.returncode == 2
        assert ran.stderr.startswith("Check a claim bag")


def test_without_a_known_key_a_sentence_says_what_to_compare(sound_bag: Path) -> None:
    found = verify(sound_bag)
    assert found.sound
    assert not found.key_is_known
    assert found.fingerprint is not None
    assert found.fingerprint in found.facts[-1]
    assert "not known" in found.facts[-1]


def test_with_the_known_key_nothing_is_left_to_compare(sound_bag: Path, shop_key: str) -> None:
    found = verify(sound_bag, known_key=shop_key)
    assert found.sound
    assert found.key_is_known


@pytest.mark.slow
def test_an_earlier_key_is_known_by_the_exchange_enclosed(tmp_path: Path, shop_key: str) -> None:
    bag = packed(tmp_path, ShopKey(STRANGERS_KEY, PACKED_AT, (ROTATED,)))
    for known in (shop_key, key_digest(STRANGERS_KEY.public_key())):
        found = verify(bag, known_key=known)
        assert found.defects == ()
        assert found.key_is_known
        run = [sys.executable, STAND_ALONE, bag, "--key", known]
        assert subprocess.run(run, capture_output=True, check=False).returncode == 0
    assert [d.kind for d in verify(bag, known_key=sha256(b"other")).defects] == ["foreign-key"]


def test_quick_says_that_it_is_quick(bench: Bench) -> None:
    """It does not see a changed sample; it must say so, and default must see it."""
    bench.change(bench.sounds()[1], lambda d: d[:9000] + bytes([d[9000] ^ 1]) + d[9001:])
    quick = verify(bench.bag, depth="quick")
    assert quick.sound
    assert "no digest" in quick.facts[0]
    assert not verify(bench.bag).sound


def test_default_says_that_findings_were_not_recomputed(sound_bag: Path) -> None:
    assert "not recomputed" in verify(sound_bag).facts[0]
    assert "not compared" in verify(sound_bag, depth="recompute").facts[0]


def test_a_page_drawn_otherwise_is_found(sound_bag: Path) -> None:
    other = replace(DRAWING, draw=lambda folder: DRAWING.draw(folder).replace("42", "24"))
    found = verify(sound_bag, depth="recompute", render=other)
    assert [d.kind for d in found.defects] == ["report-differs"]


MARK = b"%PDF-1.7 (set-by-0123456789abcdef0123456789abcdef)"


@pytest.mark.slow
@pytest.mark.parametrize(("there", "anew", "kinds", "said"), [
    (MARK, MARK, [], "the same to the last byte"),
    (MARK + b" repaired", MARK, ["paper-differs"], "drawn anew"),
    (MARK.replace(b"f)", b"e)"), MARK, [], "other versions of its libraries"),
    (b"no PDF at all", b"none either", [], "other versions of its libraries"),
])  # fmt: skip
def test_a_pdf_is_held_to_the_record_where_the_same_libraries_set_it(
    bench: Bench, there: bytes, anew: bytes, kinds: list[str], said: str
) -> None:
    """Signed with the shop's own key each time, so that only drawing it anew can tell."""
    bench.write("data/report.pdf", there)
    bench.seal()
    found = verify(bench.bag, depth="recompute", render=replace(DRAWING, paper=lambda _: anew))
    assert [d.kind for d in found.defects] == kinds
    assert said in " ".join(found.facts)
    assert verify(bench.bag).sound
    assert "The PDF is signed, but was not compared" in " ".join(verify(bench.bag).facts)


@pytest.mark.slow
@pytest.mark.parametrize("error", [EquipmentError("Pango is missing"), ValueError("too large")])
def test_a_pdf_that_cannot_be_drawn_here_is_said(bench: Bench, error: Exception) -> None:
    def paper(_: Path) -> bytes:
        raise error

    bench.write("data/report.pdf", MARK)
    bench.seal()
    found = verify(bench.bag, depth="recompute", render=replace(DRAWING, paper=paper))
    assert found.sound
    assert f"The PDF was not compared: {str(error).split('. ')[0].rstrip('.')}" in " ".join(
        found.facts
    )


def test_what_is_no_folder_is_no_bag(tmp_path: Path) -> None:
    found = verify(tmp_path / "nothing")
    assert [d.kind for d in found.defects] == ["not-a-bag"]
    assert not found.sound


def test_a_file_that_vanishes_meanwhile_is_named(bench: Bench) -> None:
    contents = look_into(bench.bag)
    bench.path(REPORT).unlink()
    assert [d.kind for d in changed(contents)[1]] == ["file-unread"]


def test_an_unknown_depth_is_a_programmers_mistake(sound_bag: Path) -> None:
    with pytest.raises(ValueError, match="thorough"):
        verify(sound_bag, depth="thorough")  # type: ignore[arg-type]


def test_a_key_that_is_no_digest_is_a_programmers_mistake(sound_bag: Path, shop_key: str) -> None:
    with pytest.raises(ValueError, match="64 hexadecimal digits"):
        verify(sound_bag, known_key=shop_key.upper())


def test_an_unfinished_inspection_and_a_clock_that_stepped_back_are_said(bench: Bench) -> None:
    entries = bench.entries()[:-1]
    entries[5]["time"] = "2026-03-04T16:00:00.000000Z"
    bench.rechain(entries)
    bench.seal()
    found = verify(bench.bag)
    assert found.sound
    assert "never closed" in " ".join(found.facts)
    assert "stepped back before entries 6" in " ".join(found.facts)


def test_an_interrupted_entry_in_a_packed_log_is_said(bench: Bench) -> None:
    bench.change("data/record/record.jsonl", lambda d: d + b'{"body":{"te')
    bench.seal()
    found = verify(bench.bag)
    assert found.sound
    assert "its 12 bytes do not count" in " ".join(found.facts)


@pytest.mark.slow
def test_every_defect_is_reported_in_the_order_of_the_steps(bench: Bench) -> None:
    """Eight things are wrong at once, one a step."""
    bench.change(bench.sounds()[1], lambda d: d[:9000] + bytes([d[9000] ^ 1]) + d[9001:])
    bench.write("data/more.txt", b"more")
    bench.replace("data/record/record.jsonl", b'"value":"42"', b'"value":"12"')
    bench.path("claim/statement.sig").unlink()
    bench.replace(REPORT, b"earwitness-record", b"description")
    found = verify(bench.bag, depth="recompute", render=DRAWING)
    steps = [d.step for d in found.defects]
    assert steps == sorted(steps)
    assert set(steps) == set(STEPS)
    assert found.to_json()["sound"] is False


def test_every_kind_has_a_step_and_a_meaning() -> None:
    assert {kind.step for kind in KINDS.values()} == set(STEPS)
    assert all(kind.meaning and kind.depth in DEPTHS for kind in KINDS.values())


def test_a_defect_cannot_write_on_the_terminal() -> None:
    found = defect("file-extra", "data/\x1b[31m\u202ered\n", "it is called \x07\n")
    assert found.path == r"data/\x1b[31m\u202ered\n"
    assert found.detail == r"it is called \x07\n"


def test_differences_are_named_with_their_size() -> None:
    a = {"x": [1.0, 2.0], "flag": True, "n": 3}
    b = {"x": [1.0, 2.0 * (1 + 1e-6)], "flag": 1, "n": 3.0, "more": None}
    found = {d.field: d.relative for d in differences(a, b)}
    assert sorted(found) == ["flag", "more", "x[1]"]
    assert found["x[1]"] == pytest.approx(1e-6, rel=1e-3)


def test_the_last_digits_of_a_sum_are_no_difference() -> None:
    assert list(differences([1.0], [1.0 + 1e-12])) == []
    assert SAME_WITHIN <= 1e-9


@pytest.mark.slow
def test_a_huge_file_is_hashed_in_little_memory(bench: Bench) -> None:
    """A quarter of a gigabyte of nothing."""
    bench.path("data/huge").touch()
    with bench.path("data/huge").open("r+b") as f:
        f.truncate(256 << 20)
    line = f"{hashlib.sha256(bytes(256 << 20)).hexdigest()}  data/huge\n".encode()
    bench.change("manifest-sha256.txt", lambda d: d[:84] + line + d[84:])
    read_recording(bench.path(bench.sounds()[0]))  # what is imported is not what is measured
    verify(bench.bag, depth="quick")
    tracemalloc.start()
    found = verify(bench.bag)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "data/huge" not in {d.path for d in found.defects}
    assert peak < 32 << 20


@pytest.mark.slow
def test_four_hundred_damaged_bags(sound_bag: Path, tmp_path: Path) -> None:
    """No traceback, nothing written, and each is unsound whose bytes are not all as they were.

    `benchmarks/verify_fuzz.py` damages ten thousand.
    """
    fuzzer = Fuzzer(sound_bag, tmp_path, seed=20_260_304)
    for _ in range(400):
        act = fuzzer.act()
        assert act.found.sound == act.equal, act.what


@pytest.mark.slow
@pytest.mark.parametrize(("program", "sound"), [(None, False), ("earwitness 99", True)])
def test_another_version_may_word_a_verdict_otherwise(
    sound_bag: Path, monkeypatch: pytest.MonkeyPatch, program: str | None, sound: bool
) -> None:
    """The same version must find the same words; any version the same verdict."""
    judge = recompute.judge_engine
    monkeypatch.setattr(
        recompute, "judge_engine", lambda *given: replace(judge(*given), summary="Put otherwise.")
    )
    if program:
        monkeypatch.setattr(recompute, "_program", lambda: program)
    assert verify(sound_bag).sound is sound
    monkeypatch.setattr(
        recompute, "judge_engine", lambda *given: replace(judge(*given), probability=0.123)
    )
    assert {d.kind for d in verify(sound_bag).defects} == {
        "verdict-by-another-version" if program else "verdict-differs"
    }
    assert verify(sound_bag).unconfirmed is (program is not None)


@pytest.mark.slow
def test_another_version_may_score_a_take_otherwise(
    sound_bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is not called altered, and not sound either: the version that recorded it must check."""
    score = recompute.score_again
    monkeypatch.setattr(
        recompute, "score_again", lambda *given: replace(score(*given), excess_db=60.0)
    )
    assert "finding-differs" in {d.kind for d in verify(sound_bag, depth="recompute").defects}
    monkeypatch.setattr(recompute, "_program", lambda: "earwitness 99")
    checked = verify(sound_bag, depth="recompute")
    assert {d.kind for d in checked.defects} == {"finding-by-another-version"}
    assert all("earwitness 99: check it with earwitness " in d.detail for d in checked.defects)
    assert (checked.sound, checked.unconfirmed) == (False, True)
    altered = shutil.copytree(sound_bag, tmp_path / "altered")
    (altered / "claim" / "note.txt").write_text("one fault more")
    assert not verify(altered, depth="recompute").unconfirmed
