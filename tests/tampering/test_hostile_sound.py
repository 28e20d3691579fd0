"""Sound that the shop's own key signed may still be made to break the decoder."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile as sf

from earwitness.record.claim.check.verify import verify
from tampering.damage import HANDS

if TYPE_CHECKING:
    from tampering.bench import Bench

FORMS = [
    ("WAV", "PCM_16"),
    ("WAV", "FLOAT"),
    ("WAV", "MS_ADPCM"),
    ("FLAC", "PCM_24"),
    ("OGG", "VORBIS"),
    ("AIFF", "PCM_16"),
    ("W64", "PCM_16"),
    ("CAF", "ALAC_16"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("form", "subtype"), FORMS)
def test_damaged_sound_with_a_true_digest_is_checked_to_its_end(
    bench: Bench, form: str, subtype: str
) -> None:
    """Forty files a format, half of them damaged in their header; only step 5 reads them.

    Where the decoder finds nothing wrong, the damage lies in samples: that is another sound, and
    truly described.
    """
    rng = np.random.default_rng(20_260_305)
    name = bench.sounds()[0]
    sf.write(bench.path(name), rng.normal(0, 0.1, 12_000), 24_000, format=form, subtype=subtype)
    data = bench.read(name)
    noticed = 0
    for number in range(40):
        damage = HANDS[sorted(HANDS)[rng.integers(len(HANDS))]]
        in_header = damage(data[:300], rng) + data[300:]
        bench.write(name, in_header if number % 2 else damage(data, rng))
        bench.describe(name)
        found = {d.kind for d in verify(bench.bag).defects if d.step == 5}
        assert found <= {"audio-header", "audio-unreadable"}
        noticed += bool(found)
    assert noticed > 0
