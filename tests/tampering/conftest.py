"""One small sound bag, made once, and copied before anything is done to it."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from tampering.bench import SHOP_KEY, Bench, sha256
from tampering.small_bag import make_bag

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def sound_bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Never to be changed."""
    return make_bag(tmp_path_factory.mktemp("sound") / "bag")


@pytest.fixture
def bench(sound_bag: Path, tmp_path: Path) -> Bench:
    """A copy to change."""
    shutil.copytree(sound_bag, tmp_path / "bag")
    return Bench(tmp_path / "bag")


@pytest.fixture(scope="session")
def shop_key() -> str:
    """What the reviewer knows of the shop's key from elsewhere."""
    return sha256(SHOP_KEY.public_key().public_bytes_raw())
