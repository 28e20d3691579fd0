"""Packing a record for a stranger, and a stranger checking it, from the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from small_bay import refusal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Run = Callable[..., Result]


def defects(result: Result) -> set[tuple[int, str]]:
    assert result.exit_code == 1, result.output
    body = json.loads(result.stdout)
    assert body["schema"] == "earwitness.verify/1"
    assert not body["sound"]
    return {(d["step"], d["kind"]) for d in body["defects"]}


@pytest.mark.slow
@pytest.mark.parametrize("depth", [[], ["--quick"], ["--recompute"]])
def test_what_was_packed_is_sound(earwitness: Run, bag: Path, bay: Path, depth: list[str]) -> None:
    done = earwitness("verify", bag, *depth, "--key", bay / "keys/shop-key-card.txt", "--json")
    assert done.exit_code == 0, done.stdout
    assert json.loads(done.stdout) | {"sound": True, "defects": []} == json.loads(done.stdout)


@pytest.mark.slow
def test_packing_says_what_it_discloses_and_who_signed(earwitness: Run, bag: Path) -> None:
    again = earwitness("pack", bag.with_name("van 42"), "--out", bag.with_name("other"), "--json")
    made = json.loads(again.stdout)
    assert made["schema"] == "earwitness.pack/1"
    assert any("Quayside Engine Works" in sentence for sentence in made["discloses"])
    assert made["discloses"][0] in again.stderr
    assert len(made["fingerprint"].replace(" ", "")) == 40
    refusal(earwitness("pack", bag.with_name("van 42"), "--out", bag.with_name("other")))


@pytest.mark.slow
def test_a_changed_sample_is_found(earwitness: Run, bag: Path) -> None:
    sound = next((bag / "data/record/audio").iterdir())
    data = bytearray(sound.read_bytes())
    data[-7] ^= 1
    sound.write_bytes(data)
    found = defects(earwitness("verify", bag, "--json"))
    assert (2, "digest-differs") in found
    assert earwitness("verify", bag).stdout.startswith("DEFECTIVE")
    assert earwitness("verify", bag, "--quick").exit_code == 0  # the size is the same: it says so


@pytest.mark.slow
def test_a_bag_of_another_key_is_foreign(earwitness: Run, bag: Path, bay: Path) -> None:
    earwitness("pack", bay / "van 42", "--out", bay / "theirs", "--keys", bay / "their-keys")
    card = bay / "their-keys/shop-key-card.txt"
    assert defects(earwitness("verify", bag, "--key", card, "--json")) == {(4, "foreign-key")}


@pytest.mark.slow
def test_after_an_exchange_of_keys_the_old_card_still_leads_to_the_new_key(
    earwitness: Run, bag: Path, bay: Path
) -> None:
    old_card = (bay / "keys/shop-key-card.txt").read_text(encoding="utf-8")
    (bay / "old-card.txt").write_text(old_card, encoding="utf-8")
    done = earwitness("pack", bay / "van 42", "--out", bay / "newer", "--new-key")
    assert done.exit_code == 0, done.stderr
    assert earwitness("verify", bay / "newer", "--key", bay / "old-card.txt").exit_code == 0


@pytest.mark.slow
def test_an_independent_tool_agrees(bag: Path) -> None:
    """GNU coreutils, given nothing but the manifest."""
    words = ["sha256sum", "--check", "--strict", "--quiet", "manifest-sha256.txt"]
    assert subprocess.run(words, cwd=bag, check=False).returncode == 0


@pytest.mark.slow
def test_wrong_use_is_one_sentence(earwitness: Run, bag: Path, bay: Path) -> None:
    refusal(earwitness("verify", bag, "--quick", "--recompute"))
    refusal(earwitness("verify", bag, "--key", bay / "sheet.toml"))
    refusal(earwitness("pack", bay / "no-such-record"))
    (bay / "keys/shop-key.pem").chmod(0o644)
    refusal(earwitness("pack", bay / "van 42", "--out", bay / "third"))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["missing", "record", "."])
def test_what_is_no_bag_is_defective(earwitness: Run, bag: Path, bay: Path, name: str) -> None:
    assert defects(earwitness("verify", bay / name, "--json"))


@pytest.mark.slow
def test_a_refused_packing_leaves_the_key_as_it_was(earwitness: Run, bag: Path, bay: Path) -> None:
    before = (bay / "keys/shop-key.pem").read_bytes()
    refusal(earwitness("pack", bay / "van 42", "--out", bag, "--new-key"))
    assert (bay / "keys/shop-key.pem").read_bytes() == before


@pytest.mark.slow
def test_without_pango_there_is_a_page_and_a_sentence(
    earwitness: Run, bag: Path, bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Python's own way to say that a module cannot be imported: None in sys.modules."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    done = earwitness("report", bay / "van 42", "--out", bay / "page.html", "--json")
    assert done.exit_code == 0
    assert json.loads(done.stdout)["pdf"] is None
    assert "apt-get install libpango" in done.stderr
    assert (bay / "page.html").exists()


@pytest.mark.slow
def test_a_bag_without_names_is_sound_and_one_name_can_be_shown_later(
    earwitness: Run, bag: Path, bay: Path
) -> None:
    """The reviewer checks the bag without names at every depth, then one name they were given."""
    quiet, record, card = bay / "quiet", bay / "van 42", bay / "keys/shop-key-card.txt"
    full_report = (record / "report.html").read_bytes()
    packed = earwitness("pack", record, "--out", quiet, "--withhold", "people, vin")
    assert packed.exit_code == 0, packed.stderr
    assert "Withheld, each known only by a salted digest: shop, customer, vin." in packed.stderr
    assert (record / "report.html").read_bytes() == full_report
    page = (quiet / "data/report.html").read_text(encoding="utf-8")
    for name in ("Quayside", "Boats", "1M8GDM9AXKP042788"):
        assert name in full_report.decode()
        assert name not in page
    assert page.count("withheld from this copy") == 3
    for depth in ([], ["--quick"], ["--recompute"]):
        done = earwitness("verify", quiet, *depth, "--key", card, "--json")
        assert done.exit_code == 0, done.stdout
    assert "the same to the last byte" in " ".join(json.loads(done.stdout)["facts"])
    assert json.loads(done.stdout)["identity"] == {"shop": None, "customer": None, "vin": None}
    shown = earwitness("disclose", record, "vin", "--out", bay / "vin.json")
    assert shown.exit_code == 0, shown.stderr
    done = earwitness("verify", quiet, "--identity", bay / "vin.json", "--json")
    assert json.loads(done.stdout)["identity"]["vin"] == "1M8GDM9AXKP042788"
    assert json.loads(done.stdout)["identity"]["customer"] is None
    false = (bay / "vin.json").read_bytes().replace(b"042788", b"042789")
    (bay / "vin.json").write_bytes(false)
    found = defects(earwitness("verify", quiet, "--identity", bay / "vin.json", "--json"))
    assert found == {(3, "identity-differs")}


@pytest.mark.slow
def test_names_used_wrongly_are_refused_in_one_sentence(
    earwitness: Run, bag: Path, bay: Path
) -> None:
    record = bay / "van 42"
    said = refusal(earwitness("pack", record, "--out", bay / "x", "--withhold", "name"))
    assert "name is nothing that can be withheld" in said
    assert "vin" in said
    said = refusal(earwitness("disclose", record, "complaint", "--out", bay / "c.json"))
    assert "discloses no complaint" in said
    assert "already there" in refusal(earwitness("disclose", record, "vin", "--out", record))
    said = refusal(earwitness("verify", bag, "--identity", bay / "sheet.toml"))
    assert "cannot be read as values with salts" in said
    refusal(earwitness("verify", bag, "--identity", bay / "gone.json"))
