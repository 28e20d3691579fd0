"""What is found below a folder, what is used of it, and which visits are one engine."""

from __future__ import annotations

import shutil
from datetime import date
from importlib.metadata import version
from typing import TYPE_CHECKING

import pytest

from earwitness.engine.layout import engine_layout
from earwitness.engine.vin import check_vin, vin_warning
from earwitness.errors import RecordError
from earwitness.record.archive import read_archive
from tampering.bench import Bench
from tampering.small_bag import make_bag
from years_of_engines import VIN, Cylinder, write_visit

if TYPE_CHECKING:
    from pathlib import Path

DAYS = [date(2023, 5, 1), date(2024, 5, 2), date(2025, 5, 3)]
SOUND = {3: Cylinder((9.0,))}


def visit(folder: Path, day: date, name: str = "", **more: object) -> Path:
    return write_visit(folder / (name or f"v-{day}"), day, SOUND, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def bag_of_the_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_bag(tmp_path_factory.mktemp("bag") / "claim")


@pytest.fixture
def claim(bag_of_the_session: Path, tmp_path: Path) -> Path:
    """A sound claim bag of 4 March 2026, of a shop that discloses a VIN."""
    return shutil.copytree(bag_of_the_session, tmp_path / "archive" / "claim")


def test_the_invented_vin_is_a_vin() -> None:
    assert check_vin(VIN) == VIN
    assert vin_warning(VIN) is None


def test_visits_of_a_vin_are_one_engine_in_order_of_their_days(tmp_path: Path) -> None:
    for day in reversed(DAYS):
        visit(tmp_path / "deep" / "er", day, identity={"vin": VIN})
    (engine,) = read_archive(tmp_path).engines
    assert (engine.known_by, engine.name, engine.weak) == ("vin", VIN, False)
    assert [v.day for v in engine.visits] == DAYS
    assert [v.place for v in engine.visits] == [f"deep/er/v-{d}" for d in DAYS]
    assert engine.remarks == ()


def test_the_run_sheets_day_wins_over_the_day_of_the_record(tmp_path: Path) -> None:
    visit(tmp_path, DAYS[2], "late", stated_day="2021-01-31")
    visit(tmp_path, DAYS[1], "words", stated_day="last spring")
    (engine,) = read_archive(tmp_path).engines
    assert [v.day for v in engine.visits] == [date(2021, 1, 31), DAYS[1]]


def test_ids_belong_to_their_shop(tmp_path: Path) -> None:
    for n, shop in enumerate(["Quay Motors", "quay  MOTORS", "Hill Garage"]):
        visit(tmp_path, DAYS[n], identity={"engine_id": "B-7", "shop": shop})
    engines = read_archive(tmp_path).engines
    assert [len(e.visits) for e in engines] == [1, 2]
    assert {e.known_by for e in engines} == {"engine-id"}


def test_an_id_joins_the_one_vin_that_it_has_elsewhere(tmp_path: Path) -> None:
    visit(tmp_path, DAYS[0], identity={"engine_id": "B-7"})
    visit(tmp_path, DAYS[1], identity={"engine_id": "B-7", "vin": VIN})
    (engine,) = read_archive(tmp_path).engines
    assert (engine.known_by, len(engine.visits)) == ("vin", 2)
    other = "1M8GDM9AXKP042788"  # a second VIN under the same id: now nobody knows whose it is
    visit(tmp_path, DAYS[2], identity={"engine_id": "B-7", "vin": other})
    assert [len(e.visits) for e in read_archive(tmp_path).engines] == [1, 1, 1]


def test_a_label_alone_is_weak_and_says_so(tmp_path: Path) -> None:
    visit(tmp_path, DAYS[0], label="Blue pump")
    visit(tmp_path, DAYS[1], label="blue  pump")
    visit(tmp_path, DAYS[2], label="Red pump")
    engines = read_archive(tmp_path).engines
    assert [len(e.visits) for e in engines] == [2, 1]
    assert all(e.weak and "may be different engines" in e.remarks[0] for e in engines)


def test_another_number_of_cylinders_is_another_engine(tmp_path: Path) -> None:
    visit(tmp_path, DAYS[0], identity={"vin": VIN})
    visit(tmp_path, DAYS[1], identity={"vin": VIN}, layout=engine_layout(6))
    engines = read_archive(tmp_path).engines
    assert [len(e.visits) for e in engines] == [1, 1]
    assert all("another number of cylinders" in e.remarks[0] for e in engines)


def test_a_doubtful_vin_is_used_with_a_warning_and_no_vin_is_not(tmp_path: Path) -> None:
    visit(tmp_path, DAYS[0], identity={"vin": VIN.replace("0001X", "0007X")})
    visit(tmp_path, DAYS[1], identity={"vin": VIN.replace("0001X", "000QX")})
    doubtful, none = read_archive(tmp_path).engines
    assert "Check digit" in doubtful.remarks[0]
    assert none.weak
    assert "Not used to know the engine by" in none.visits[0].remarks[0]


def test_a_record_and_its_bag_are_one_visit(claim: Path, tmp_path: Path) -> None:
    shutil.copytree(claim / "data" / "record", tmp_path / "archive" / "a-record")
    (tmp_path / "archive" / "a-record" / "identity.json").unlink()
    (engine,) = read_archive(tmp_path / "archive").engines
    (one,) = engine.visits
    assert (one.place, one.kind, one.copies) == ("claim", "claim bag", ("a-record",))
    assert one.fingerprint
    assert engine.known_by == "vin"


def test_an_earlier_copy_is_part_of_the_later(tmp_path: Path) -> None:
    whole = visit(tmp_path, DAYS[0], "whole", identity={"vin": VIN})
    early = shutil.copytree(whole, tmp_path / "early")
    log = early / "record.jsonl"
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-1]))
    found = read_archive(tmp_path)
    assert [(v.place, v.copies) for v in found.engines[0].visits] == [("whole", ("early",))]
    assert found.left_out == ()


def test_a_record_that_contradicts_a_signed_bag_is_left_out(claim: Path, tmp_path: Path) -> None:
    forged = shutil.copytree(claim, tmp_path / "archive" / "forged")
    bench = Bench(forged)
    bench.edit("reading", lambda body: body.update(value="12"))
    entries = bench.entries()
    bench.rechain(
        [*entries[:-1], {**entries[-1], "kind": "note", "body": {"text": "x"}}, *entries[-1:]]
    )
    shutil.move(forged / "data" / "record", tmp_path / "archive" / "a-longer-record")
    shutil.rmtree(forged)
    found = read_archive(tmp_path / "archive")
    (one,) = found.engines[0].visits
    assert one.place == "claim"
    assert one.told.leakage_percent(3) == 42.0
    assert [(x.place, "altered" in x.why) for x in found.left_out] == [("a-longer-record", True)]


def test_a_defective_bag_is_left_out_by_name(claim: Path, tmp_path: Path) -> None:
    visit(tmp_path / "archive", DAYS[0])
    Bench(claim).replace("data/record/record.jsonl", b'"42"', b'"12"')
    found = read_archive(tmp_path / "archive")
    assert [v.place for e in found.engines for v in e.visits] == [f"v-{DAYS[0]}"]
    (out,) = found.left_out
    assert out.place == "claim"
    assert "the claim bag is defective: digest-differs" in out.why


def test_a_bag_without_its_declaration_is_still_a_bag(claim: Path) -> None:
    (claim / "bagit.txt").unlink()
    with pytest.raises(RecordError, match="claim: the claim bag is defective: tag-file-missing"):
        read_archive(claim.parent)


def _judged_otherwise(claim: Path, program: str) -> None:
    bench = Bench(claim)
    bench.edit("opened", lambda body: body.update(program=program))
    bench.edit("verdict", lambda body: body["cylinders"][0].update(probability=0.123456))
    bench.seal()


def test_a_verdict_of_another_version_is_excused_and_said(claim: Path) -> None:
    _judged_otherwise(claim, "earwitness 0.0.7")
    (engine,) = read_archive(claim.parent).engines
    assert "earwitness 0.0.7 judged this visit" in engine.visits[0].remarks[0]


def test_a_false_verdict_of_this_version_is_not_excused(claim: Path) -> None:
    _judged_otherwise(claim, f"earwitness {version('earwitness')}")
    with pytest.raises(RecordError, match="verdict-differs"):
        read_archive(claim.parent)


def test_damaged_and_unfinished_records(tmp_path: Path) -> None:
    damaged = visit(tmp_path, DAYS[0], "damaged") / "record.jsonl"
    damaged.write_bytes(damaged.read_bytes().replace(b'"9"', b'"8"'))
    visit(tmp_path, DAYS[1], "open", close=False)
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "record.jsonl").touch()
    found = read_archive(tmp_path)
    assert [(v.place, v.remarks) for v in found.engines[0].visits] == [
        ("open", ("The record was not closed: the inspection may have gone on.",))
    ]
    assert [one.place for one in found.left_out] == ["damaged", "empty"]


def test_links_are_not_followed(tmp_path: Path) -> None:
    visit(tmp_path / "here", DAYS[0])
    visit(tmp_path / "there", DAYS[1])
    (tmp_path / "here" / "link").symlink_to(tmp_path / "there")
    (tmp_path / "here" / "loop").symlink_to(tmp_path / "here")
    assert len(read_archive(tmp_path / "here").engines[0].visits) == 1


def test_nothing_to_use_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no record and no claim bag below"):
        read_archive(tmp_path)
    with pytest.raises(RecordError, match="is not a folder"):
        read_archive(tmp_path / "nowhere")


def test_a_folder_that_is_itself_a_record_will_do(tmp_path: Path) -> None:
    folder = visit(tmp_path, DAYS[0], "only")
    assert read_archive(folder).engines[0].visits[0].place == "only"
