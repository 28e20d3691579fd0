from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from sound_server import SoundServer, sound_server

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server(tmp_path_factory.mktemp("pulse")) as running:
        yield running
