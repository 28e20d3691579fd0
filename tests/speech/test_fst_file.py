"""A transducer that lost its end is known as such; a whole one and other files are not accused."""

from __future__ import annotations

import struct

import pytest

from earwitness.speech.fst_file import is_cut_off
from earwitness.speech.vosk_recogniser import shipped_model

GRAPHS = [shipped_model() / "graph" / name for name in ("HCLr.fst", "Gr.fst")]


@pytest.fixture(params=GRAPHS, ids=lambda p: p.name)
def whole(request):
    return request.param.read_bytes()


def test_a_whole_one_is_whole(tmp_path, whole):
    (tmp_path / "g.fst").write_bytes(whole)
    assert not is_cut_off(tmp_path / "g.fst")


@pytest.mark.parametrize("missing", [1, 7, 100])
def test_a_few_bytes_are_missed(tmp_path, whole, missing):
    (tmp_path / "g.fst").write_bytes(whole[:-missing])
    assert is_cut_off(tmp_path / "g.fst")


@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.5, 0.7, 0.9, 0.999])
def test_a_part_is_cut_off(tmp_path, whole, share):
    (tmp_path / "g.fst").write_bytes(whole[: int(share * len(whole))])
    assert is_cut_off(tmp_path / "g.fst")


def test_another_kind_is_not_judged(tmp_path):
    """A vector transducer, its header as OpenFst writes it, and something else altogether."""
    kind = struct.pack("<i6si8s", 6, b"vector", 8, b"standard")
    header = struct.pack("<I", 2_125_659_606) + kind + struct.pack("<iiQqqq", 2, 0, 0, 0, 900, 900)
    (tmp_path / "g.fst").write_bytes(header)
    (tmp_path / "other").write_bytes(b"not a transducer at all")
    assert not is_cut_off(tmp_path / "g.fst")
    assert not is_cut_off(tmp_path / "other")
