"""The recipe writes networks and graphs of sounds as Kaldi expects them, and as shipped.

Kaldi's conventions: "Topology" and "Decoding graph construction" in the Kaldi documentation, seen
in a secondary copy. The training itself needs PyTorch and is not run here.
"""

from __future__ import annotations

import importlib
import json
import re
import shutil
import struct
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
import vosk

from earwitness.speech.vosk_recogniser import shipped_model

ROOT = Path(__file__).parents[2]
RECIPE = ROOT / "models" / "recipe"


@pytest.fixture(scope="module")
def recipe():
    """Return a function that imports a module of the recipe, which are plain scripts."""
    sys.path.insert(0, str(RECIPE))
    yield importlib.import_module
    sys.path.remove(str(RECIPE))


def numbers(data, at):
    """Read a vector, or a matrix of 16 bits, that begins at a token.

    Form of the latter: class CompressedMatrix of Kaldi's documentation, from memory: least number
    and span as floats, sizes, then x = least + span * n / 65535 row by row.
    """
    if data[at : at + 3] == b"FV ":
        size = struct.unpack_from("<i", data, at + 4)[0]
        return np.frombuffer(data, "<f4", size, at + 8)
    assert data[at : at + 4] == b"CM2 "
    least, span, rows, columns = struct.unpack_from("<ffii", data, at + 4)
    steps = np.frombuffer(data, "<u2", rows * columns, at + 20)
    return (least + span * steps / 65535.0).reshape(rows, columns)


def spliced(line):
    """Read which frames a line of the network's description appends."""
    seen = line.split(" input=")[1].removeprefix("Append(")
    parts = re.findall(r"Offset\([\w.]+, (-?\d+)\)|[\w.]+", seen)
    return tuple(int(offset or 0) for offset in parts)


@pytest.fixture(scope="module")
def networks():
    return read_networks((shipped_model() / "am" / "final.mdl").read_bytes())


def read_networks(data):
    """Read splices, weights and biases of the networks that stand side by side."""
    text = data.split(b"<Nnet3> \n")[1].split(b"\n\n")[0].decode()
    lines = [x for x in text.splitlines() if ".affine component=" in x]
    found: dict[str, list] = {}
    at = 0
    for line in lines:
        at = data.find(b"<LinearParams> ", at + 1)
        end = data.find(b"<BiasParams> ", at)
        weights = numbers(data, at + len("<LinearParams> "))
        biases = numbers(data, end + len("<BiasParams> "))
        name = line.split("name=")[1].split(".")[0]
        found.setdefault(name, []).append((spliced(line), weights, biases))
    return list(found.values())


def test_the_networks_that_the_recipe_writes_read_back_as_they_were(recipe, networks, tmp_path):
    """The transitions are those of the shipped model byte by byte.

    The layers agree within a rounding of 32-bit numbers; the last ones hold each network's share.
    """
    recipe("kaldi").write_model(tmp_path / "final.mdl", *as_layers(recipe, networks))
    written = (tmp_path / "final.mdl").read_bytes()
    shipped = (shipped_model() / "am" / "final.mdl").read_bytes()
    assert written.split(b"<Nnet3>")[0] == shipped.split(b"<Nnet3>")[0]
    assert written.split(b"</Nnet3>")[1] == shipped.split(b"</Nnet3>")[1]
    for layers, again in zip(networks, read_networks(written), strict=True):
        for one, other in zip(layers, again, strict=True):
            assert one[0] == other[0]
            assert np.allclose(one[1], other[1], atol=1e-6 * np.ptp(one[1]), rtol=0)
            assert np.allclose(one[2], other[2], atol=1e-6, rtol=0)


def as_layers(recipe, networks):
    """Return what `write_model` takes, so that it writes the networks that were read."""
    layer = recipe("kaldi").Layer
    whole = [[layer(*some) for some in layers] for layers in networks]
    for layers in whole:
        last = layers[-1]
        layers[-1] = layer(
            last.splice, len(networks) * last.weights, len(networks) * last.biases, rectified=False
        )
    left = max(-sum(s[0] for s, _, _ in layers) for layers in networks)
    right = max(sum(s[-1] for s, _, _ in layers) for layers in networks)
    return whole, left, right


def heard(folder):
    """Return the words that Vosk itself hears in a recording of the demonstration, with times."""
    vosk.SetLogLevel(-1)
    sound, rate = soundfile.read(ROOT / "demo_audio" / "c1-said.flac")
    listener = vosk.KaldiRecognizer(vosk.Model(str(folder)), rate)
    listener.SetWords(True)
    listener.AcceptWaveform((sound * 32_767).astype("<i2").tobytes())
    return json.loads(listener.FinalResult()).get("result", [])


def test_a_factored_layer_that_adds_nothing_to_what_came_in_changes_nothing_for_vosk(
    recipe, networks, tmp_path
):
    """In the middle of each network: narrow, wide, all weights of the wide one 0, all kept."""
    layer, chance = recipe("kaldi").Layer, np.random.default_rng(6)
    whole, left, right = as_layers(recipe, networks)
    for layers in whole:
        width = len(layers[4].biases)
        narrow = layer((-3, 0), chance.normal(0, 1, (16, 2 * width)), np.ones(16), rectified=False)
        wide = layer((0, 3), np.zeros((width, 32)), np.zeros(width), kept=1.0)
        layers[5:5] = [narrow, wide]
    shutil.copytree(shipped_model(), tmp_path / "model")
    recipe("kaldi").write_model(tmp_path / "model/am/final.mdl", whole, left + 3, right + 3)
    assert heard(tmp_path / "model") == heard(shipped_model())


def test_what_a_factored_layer_adds_reaches_the_output(recipe, networks, tmp_path):
    """The same with a tenth of what came in: that is not what the layers above were trained on."""
    layer = recipe("kaldi").Layer
    whole, left, right = as_layers(recipe, networks)
    for layers in whole:
        width = len(layers[4].biases)
        narrow = layer((0,), np.zeros((4, width)), np.zeros(4), rectified=False)
        layers[5:5] = [narrow, layer((0,), np.zeros((width, 4)), np.zeros(width), kept=0.1)]
    shutil.copytree(shipped_model(), tmp_path / "model")
    recipe("kaldi").write_model(tmp_path / "model/am/final.mdl", whole, left, right)
    assert heard(tmp_path / "model") != heard(shipped_model())


def test_sixteen_bits_hold_a_weight_to_half_a_step(recipe, tmp_path):
    rng = np.random.default_rng(5)
    weights = rng.normal(0, 0.1, (7, 12))
    layers = [recipe("kaldi").Layer((-1, 0, 1), weights, np.zeros(7))]
    recipe("kaldi").write_model(tmp_path / "final.mdl", [layers], 1, 1)
    (((_, again, _),),) = read_networks((tmp_path / "final.mdl").read_bytes())
    assert np.abs(again - weights).max() <= 0.51 * np.ptp(weights) / 65535


def test_each_network_has_one_output_for_each_state_of_each_unit(recipe, networks):
    lexicon = recipe("lexicon")
    whole = sum(len(lexicon.pronunciations(word)[0]) for word in lexicon.WHOLE)
    assert 2 * (39 + 2 + whole) == lexicon.OUTPUTS
    for layers in networks:
        assert layers[-1][1].shape[0] == lexicon.OUTPUTS
        assert all(np.isfinite(w).all() and np.isfinite(b).all() for _, w, b in layers)


def test_a_network_of_shared_phones_says_the_same_of_a_phone_in_every_word(recipe):
    """The f of "four" and that of "fifty" are one phone there, and two sounds in the other."""
    export, lexicon = recipe("export"), recipe("lexicon")
    shared = np.arange(2.0 * len(lexicon.COMMON))
    layer = recipe("kaldi").Layer((0,), shared[:, None], shared, rectified=False)
    ((_, weights, biases, *_),) = export._spread([layer])
    row = {unit: 2 * n for n, unit in enumerate(lexicon.UNITS)}
    for name in ("F", "F.four.0", "F.fifty.0", "F.fifty.2"):
        expected = 2.0 * lexicon.COMMON.index("F")
        assert biases[row[name] : row[name] + 2].tolist() == [expected, expected + 1]
    assert weights[:, 0].tolist() == biases.tolist()


def test_phones_are_numbered_as_the_word_boundaries_say(recipe):
    kinds = [kind for _, _, kind in recipe("kaldi").phones()]
    lines = (shipped_model() / "graph/phones/word_boundary.int").read_text().splitlines()
    assert lines == [f"{n} {kind}" for n, kind in enumerate(kinds, 1)]
    assert kinds.count("begin") == kinds.count("end") == 39 + len(recipe("lexicon").WHOLE) - 1


def test_the_model_is_small():
    size = sum(f.stat().st_size for f in shipped_model().rglob("*") if f.is_file())
    assert size <= 15e6


def spoken(arcs, word, leave=1):
    """Return the phones, by number, that lie on one way from between words through a word."""
    outgoing: dict[int, list[tuple[int, int, int, int, float]]] = {}
    for arc in arcs:
        outgoing.setdefault(arc[0], []).append(arc)
    at, said = leave, []
    start = next(a for a in outgoing[leave] if a[3] == word and (a[2] - 1) % 4 == 1)
    while True:
        said.append((start[2] - 1) // 4 + 1)
        at = start[1]
        onward = [a for a in outgoing[at] if a[2] and (a[2] - 1) % 4 == 1 and not a[3]]
        if at == 2 or not onward:
            return said
        start = onward[0]


def test_a_word_is_its_phones_in_their_positions(recipe):
    """ "wet" is W EH T (CMU Pronouncing Dictionary): begin, internal, end."""
    graphs, kaldi = recipe("graphs"), recipe("kaldi")
    names = [name for name, _, _ in kaldi.phones()]
    arcs = graphs.sounds_to_words({"[unk]": 1, "wet": 2, "a": 3, "six": 4})
    assert [names[n - 1] for n in spoken(arcs, 2)] == ["W_B", "EH_I", "T_E"]
    assert [names[n - 1] for n in spoken(arcs, 3)] == ["AH_S"]
    assert [names[n - 1] for n in spoken(arcs, 1)] == ["SPN_S"]
    whole = [names[n - 1] for n in spoken(arcs, 4)]
    assert whole == ["S.six.0_B", "IH.six.1_I", "K.six.2_I", "S.six.3_E"]


def test_a_phone_lasts_any_number_of_frames_with_probabilities_that_add_up_to_one(recipe):
    """The probability of leaving at last, by the absorbing chain of its states (Markov chains)."""
    graph = recipe("graphs").Sounds()
    before = len(graph.arcs)
    start, end = graph.new_state(), graph.new_state()
    graph.add_phone(start, end, "T_E", 7)
    arcs = graph.arcs[before:]
    states = sorted({a[0] for a in arcs})
    stay, leave = np.zeros((len(states), len(states))), np.zeros(len(states))
    for begin, towards, _, _, cost in arcs:
        if towards == end:
            leave[states.index(begin)] += np.exp(-cost)
        else:
            stay[states.index(begin), states.index(towards)] += np.exp(-cost)
    absorbed = np.linalg.solve(np.eye(len(states)) - stay, leave)
    assert absorbed[states.index(start)] == pytest.approx(1.0)
    assert [a[3] for a in arcs if a[3]] == [7, 7]


def test_texts_hold_only_words_that_have_a_sound_or_are_talk(recipe):
    texts, lexicon = recipe("texts"), recipe("lexicon")
    rng = np.random.default_rng(3)
    words = {w for _ in range(2000) for w in texts.reading(rng).split()}
    assert words <= set(lexicon.WORDS)
    assert {"thousand", "oh", "point", "half", "sixteen"} <= {
        w for _ in range(2000) for w in texts.number(rng).split()
    }
