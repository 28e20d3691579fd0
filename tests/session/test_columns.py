"""The running spectrogram."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.session.columns import BANDS, Columns

FS = 48_000


def fed(samples, size):
    columns = Columns(FS)
    return [c for i in range(0, len(samples), size) for c in columns.feed(samples[i : i + size])]


@pytest.mark.parametrize("size", [1, 7, 480, 4800, 10_000])
def test_columns_do_not_depend_on_block_size(size):
    noise = np.random.default_rng(5).standard_normal(FS // 4).astype(np.float32) * 0.01
    assert fed(noise, size) == fed(noise, len(noise))


def test_a_second_has_ten_columns_numbered_in_order():
    assert [c.number for c in fed(np.zeros(FS, dtype=np.float32), 1024)] == list(range(10))


def test_a_full_scale_tone_stands_at_its_frequency_and_level():
    """A sine of amplitude 1 has a mean square of 1/2: -3.01 dB. One byte is 0.47 dB.

    Twelfths of an octave from 1 kHz: 4 kHz is the edge of bands 23 and 24.
    """
    tone = np.sin(2 * np.pi * 4100 * np.arange(FS // 10) / FS)
    (column,) = fed(tone, len(tone))
    assert len(column.levels) == BANDS
    assert int(np.argmax(np.frombuffer(column.levels, dtype=np.uint8))) == 24
    assert max(column.levels) * 120 / 255 - 120 == pytest.approx(-3.01, abs=0.5)


def test_silence_is_dark():
    assert fed(np.zeros(FS // 10), 4800)[0].levels == bytes(BANDS)
