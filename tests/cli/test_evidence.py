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
