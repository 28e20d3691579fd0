"""The shipped demonstration is what the simulator makes from its seed, byte for byte."""

import tomllib
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from earwitness.simulate import demonstration
from earwitness.simulate.bay import Bay

FOLDER = Path(__file__).parents[2] / "demo_audio"


def sheet():
    return tomllib.loads((FOLDER / "inspection.toml").read_text(encoding="utf-8"))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(demonstration.file_names()))
def test_recording_is_made_anew_to_the_same_bytes(name):
    """Samples are compared first: they say more than bytes when a library has changed."""
    anew, shipped = demonstration.render(name), (FOLDER / name).read_bytes()
    made, rate = sf.read(BytesIO(anew), dtype="int16")
    kept, kept_rate = sf.read(BytesIO(shipped), dtype="int16")
    assert rate == kept_rate
    assert np.array_equal(made, kept), f"{name}: {np.sum(made != kept)} samples differ"
    assert anew == shipped


def test_run_sheet_is_the_one_that_is_made():
    assert (FOLDER / "inspection.toml").read_text(encoding="utf-8") == demonstration.run_sheet()


def test_folder_holds_the_recordings_and_nothing_else():
    shipped = {p.name for p in FOLDER.iterdir()} - {"README.md", "inspection.toml"}
    assert shipped == set(demonstration.file_names())


def test_folder_is_small():
    """25 MB is what a wheel may carry of it."""
    assert sum(p.stat().st_size for p in FOLDER.iterdir()) <= 25e6


def test_sheet_names_every_recording_once():
    named = [c["dictation"] for c in sheet()["cylinder"]]
    for take in (t for c in sheet()["cylinder"] for t in c["take"]):
        named += [take[k] for k in ("cycled", "baseline", "pressurised") if k in take]
    assert sorted(named) == sorted(demonstration.file_names())


def test_readings_come_from_the_dictation_alone():
    for cylinder in sheet()["cylinder"]:
        assert not {k for k in cylinder if k.startswith(("leakage", "compression", "supply"))}


def test_every_cycled_take_holds_its_schedule():
    for take in (t for c in sheet()["cylinder"] for t in c["take"] if "cycled" in t):
        info = sf.info(FOLDER / take["cycled"])
        edges = np.ravel(take["air_on_s"])
        assert (info.samplerate, info.channels, info.subtype) == (48_000, 1, "PCM_16")
        assert len(take["air_on_s"]) == demonstration.CYCLES
        assert np.all(np.diff(edges) > 1.0)
        assert edges[0] > 1.0
        assert edges[-1] < info.duration - 1.0


@pytest.mark.slow
def test_only_the_spoilt_take_reaches_full_scale():
    full = {
        name: int(np.sum(np.abs(sf.read(FOLDER / name, dtype="int16")[0].astype(int)) >= 32_767))
        for name in demonstration.file_names()
    }
    assert full.pop("c3-tailpipe.flac") > 1000
    assert max(full.values()) == 0


@pytest.mark.slow
def test_leak_is_in_the_air_on_periods_of_its_point_only():
    """A take without its noise: the air-on hiss of cylinder 3 is 1 dB below the quiet floor."""
    take = next(t for t in demonstration.takes() if t.suffix == "-retake")
    bay = Bay(demonstration.SEED, preset=demonstration.SHOP)
    shipped = sf.read(FOLDER / f"{take.stem}.flac")[0]
    hiss = shipped - bay.render_cycled(
        "tailpipe", None, [], demonstration.CYCLED_S, take=take.number
    )
    (begin, end), (later, _) = take.air_on_s[:2]
    on = hiss[round((begin + 0.6) * 48_000) : round(end * 48_000)]
    off = hiss[round((end + 1.0) * 48_000) : round(later * 48_000)]
    power = 2 * np.abs(np.fft.rfft(on)) ** 2 / len(on) ** 2
    f = np.fft.rfftfreq(len(on), 1 / 48_000)
    level = 10 * np.log10(power[(f >= 1000) & (f <= 16_000)].sum() / bay.quiet_power)
    assert level == pytest.approx(demonstration.LEAKS[3][1], abs=0.3)
    assert np.std(off) < 0.5 / 32_768


def test_unknown_recording_is_refused():
    with pytest.raises(ValueError, match="c9-said"):
        demonstration.render("c9-said.flac")


def test_command_needs_a_folder(capsys):
    assert demonstration.main([]) == 2
    assert "FOLDER" in capsys.readouterr().err
