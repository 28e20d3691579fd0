"""A language is a file: the shipped one is in order, and another needs no code."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.errors import ModelError
from earwitness.session import machine
from earwitness.session.dictation import Dialogue, Turn
from earwitness.speech.dictation import dictate
from earwitness.speech.grammar import Meaning, grammar_for, grammar_in
from earwitness.speech.vocabulary import english, load_vocabulary

FS = 16_000
TONGUE = """
language = "an invented tongue, units before tens"

[numbers]
digits = ["nol", "un", "dvi", "tri", "kvar", "pent", "seks", "hept", "okt", "nav"]
noughts = ["nol"]
teens = ["dek", "undek", "dvidek", "tridek", "kvardek", "pentdek", "seksdek",
    "heptdek", "oktdek", "navdek"]
tens = ["dvil", "tril", "kvaril", "pentil", "seksil", "heptil", "oktil", "navil"]
tens_and_units = "{unit} kaj {tens}"
hundred = "{n} cent"
thousand = "{n} mil"
one_hundred = ["cent"]
point = "komo"

[units.percent]
words = ["procent"]
low = 0
high = 100
decimals = true

[units.bar]
words = ["baro", "baroj"]
low = 0
high = 30
decimals = true

[fields.leakage]
units = ["percent"]
default = "percent"
[fields.pressure]
units = ["bar"]
[fields.cylinder]
low = 1
high = 12
[fields.number]
units = ["percent", "bar"]

[[entry]]
command = "wake"
hear = ["vek nun"]
gist = "listen"
kind = "control"
[[entry]]
command = "confirm"
hear = ["just"]
gist = "keep it"
kind = "answer"
[[entry]]
command = "no"
hear = ["ne"]
gist = "drop it"
kind = "answer"
[[entry]]
command = "cylinder"
hear = ["pot"]
gist = "which one"
kind = "reading"
number = "cylinder"
[[entry]]
command = "leakage"
hear = ["lek"]
gist = "leakage"
kind = "reading"
number = "leakage"

[states]
asleep = ["wake"]
awake = ["kind:reading", "kind:control"]
answer = ["kind:answer", "kind:reading", "number"]

[prompts]
read_back = "{reading}, cu?"
stored = "gardita"
scratched = "for"
say_again = "kio?"
listening = "mi audas"
cylinder = "pot {n}"
cylinder_first = "kiu pot?"
beyond_gauge = "{reading}? tro"
which_gauge = "kiu?"

[spoken]
leakage = "lek"
"""


@pytest.fixture
def tongue_file(tmp_path):
    file = tmp_path / "vocabulary.toml"
    file.write_text(TONGUE, encoding="utf-8")
    return file


@pytest.fixture
def tongue(tongue_file):
    return load_vocabulary(tongue_file)


@pytest.mark.parametrize("entry", english().entries, ids=lambda e: e.command)
def test_what_is_said_back_is_among_what_is_heard(entry):
    assert entry.say in entry.hear


def test_the_states_between_them_hold_the_whole_table():
    vocabulary = english()
    said = {e.command for s in vocabulary.states for e in vocabulary.entries_in(s)}
    assert said == {e.command for e in vocabulary.entries}


def test_what_ends_an_answer_is_only_heard_after_a_question():
    awake = {e.command for e in english().entries_in("awake")}
    assert "confirm" not in awake
    assert [e.command for e in english().entries_in("asleep")] == ["wake"]


@pytest.mark.slow
def test_an_invented_tongue_is_understood(tongue):
    grammar = grammar_for("any", tongue)
    assert grammar.interpret("lek dvi kaj kvaril procent") == Meaning("leakage", 42.0, "percent")
    assert grammar.interpret("pot un") == Meaning("cylinder", 1.0, None)
    assert grammar.interpret("seks komo nav baroj") == Meaning(None, 6.9, "bar")
    assert grammar.interpret("lek kvaril dvi procent") is None
    assert grammar.interpret("leakage forty two percent") is None


@pytest.mark.slow
def test_every_sentence_of_an_invented_tongue_parses_back(tongue):
    grammar = grammar_for("any", tongue)
    sentences = list(grammar.sentences())
    assert len(sentences) > 2000
    assert [s for s, meaning in sentences if grammar.interpret(s) != meaning] == []


def test_a_dialogue_in_an_invented_tongue(tongue, scripted, loud_detector):
    """Words are chosen in the tongue; so are the questions, and the record stays in ours."""
    lines = ["vek nun", "pot tri", "lek dvi kaj kvaril", "just"]
    model = scripted(*([(line, 9.0)] for line in lines), [], vocabulary=tongue)
    asleep = machine.begin(cylinders=4, vocabulary=tongue, awake=False)
    dialogue = Dialogue(model, asleep, fs=FS, detector=loud_detector)
    word = np.concatenate([np.full(FS // 2, 0.2), np.zeros(2 * FS)])
    turns = [t for _ in lines for t in dialogue.feed(word) if isinstance(t, Turn)]
    effects = [e for t in turns for e in t.effects]
    said = [e.text for e in effects if isinstance(e, machine.Say)]
    assert said == ["mi audas", "pot 3", "lek dvi kaj kvaril procent, cu?", "gardita"]
    (store,) = (e for e in effects if isinstance(e, machine.Store))
    assert (store.reading.quantity, store.reading.value) == ("leakage", "42")
    assert {"vek nun", "[unk]"} <= set(model.asked[0]) <= {"vek", "vek nun", "[unk]"}


def test_a_model_brings_its_language(tongue, scripted, loud_detector):
    model = scripted([("nav baroj", 1.0)], vocabulary=tongue)
    samples = np.concatenate([np.full(FS // 2, 0.2), np.zeros(FS)])
    (heard,) = dictate(samples, FS, model, "number", detector=loud_detector)
    assert (heard.value, heard.unit) == (9.0, "bar")


def test_states_may_be_anything_the_file_says(tongue):
    assert grammar_in("asleep", tongue).interpret("vek nun") == Meaning("wake")
    assert grammar_in("asleep", tongue).interpret("pot un") is None


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('hear = ["ne"]', 'hear = ["just"]', '"just" is in two entries'),
        ('hear = ["ne"]', 'hear = ["un"]', '"un" is a number too'),
        ('kind = "control"', 'kind = "order"', '"order" is no kind'),
        ('"kind:answer",', '"kind:answers",', '"kind:answers", which is no entry'),
        ('"nav"]\nnoughts', '"nav", "plus"]\nnoughts', "digits needs 10 words"),
        ("[prompts]", "[prompt]", "lacks 'prompts'"),
        ('point = "komo"', 'dot = "komo"', "dot"),
        ("low = 1\n", "", "lacks 'low'"),
        ("[numbers]", "[numbers", "cannot be read"),
        ('units = ["bar"]', 'units = ["lunar"]', "lacks 'lunar'"),
    ],
)
def test_a_fault_in_the_file_is_named(tongue_file, old, new, fault):
    assert old in TONGUE
    tongue_file.write_text(TONGUE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ModelError) as raised:
        load_vocabulary(tongue_file)
    assert fault in str(raised.value)
    assert str(tongue_file) in str(raised.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ModelError, match=r"none\.toml cannot be read"):
        load_vocabulary(tmp_path / "none.toml")
