"""How well numbers and commands are understood, in voices and noise not trained on.

    python benchmarks/dictation_accuracy.py [--phrases 300] [--model DIR] [--voices PACK ...]
        [--pocketsphinx]

Some twenty minutes, ten more with pocketsphinx. Voices: a human one (dictation_prompts.py), and a
synthetic one that is held out of training, made by

    python models/recipe/speakers.py piper 420 22 piper

Noise lies below the voice's active speech level (decision record 0156). It is that of
dictation_prompts.py, and blows of impact wrenches and ratchets, a family that training leaves out.
Listened for: of human voices a number; of synthetic ones what may be said in the dialogue's state
awake, or, if the words do not belong there, answering, or asleep.

"Exact" counts what the recogniser held for most probable, however sure it was; "right" and "wrong"
what of it is read back at once, "refused" what must be said again, also if it is only to be heard
once more alike. Command, value and unit count together; what is put right later counts as it ends.
Seeds: 1620 and 1621.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import jiwer
import numpy as np
import soundfile as sf

import dictation_prompts as prompts
from earwitness.simulate.shop_events import impact_burst, ratchet
from earwitness.speech.dictation import Heard, dictate, load_model
from earwitness.speech.grammar import Grammar, grammar_for, grammar_in
from earwitness.speech.recogniser import UNKNOWN_WORD, SpeechModel

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from earwitness.speech.vocabulary import NumberField

SNRS_DB = (20, 10, 5)
STATES = ("awake", "answer", "asleep")
BLOW_RATE_HZ = 1.2
"""Bursts a second of the noise of blows."""
DIGIT_WORDS = {*prompts.UNITS, "oh"}
CONFUSED = {*prompts.TEENS[3:], *prompts.TENS}
"""Words that differ in their endings only, thirteen and thirty."""
SPOKEN_UNITS = {
    "kilopascal": "K IH L OW P AE S K AH L",
    "kilopascal(2)": "K IH L AH P AE S K AE L",
    "kilopascals": "K IH L OW P AE S K AH L Z",
    "kilopascals(2)": "K IH L AH P AE S K AE L Z",
    "psi(2)": "P IY EH S AY",
}
"""Units as they are said, which pocketsphinx's dictionary lacks or has only as a Greek letter."""


@dataclass(frozen=True, slots=True)
class Score:
    """How one clip fared."""

    words: str
    text: str
    exact: bool
    """Before the gate."""
    right: bool
    wrong: bool


def final(heard: list[Heard]) -> list[Heard]:
    """Return the answers that stand: one that extends the one before replaces it."""
    kept: list[Heard] = []
    for answer in heard:
        if answer.extends and kept:
            kept.pop()
        kept.append(answer)
    return kept


def meanings(heard: list[Heard]) -> list[tuple[str | None, float | None, str | None]]:
    return [(h.command, h.value, h.unit) for h in heard if not h.rejected]


def listening_for(clip: prompts.Clip, model: SpeechModel) -> Grammar | None:
    """Return what is listened for in the first state in which these words may be said."""
    grammars = [grammar_in(state, model.vocabulary) for state in STATES]
    return next((g for g in grammars if g.phrases_in(clip.words)), None)


def scored(clip: prompts.Clip, model: SpeechModel, grammar: Grammar) -> Score:
    heard = final(dictate(clip.samples, prompts.RATE_HZ, model, grammar=grammar))
    words = " ".join(h.text for h in heard).split()
    meant = [p.meaning for p in grammar.phrases_in(clip.words)]
    truth = [(m.command, m.value, m.unit) for m in meant]
    got = meanings(heard)
    text = " ".join(w for w in words if w != UNKNOWN_WORD)
    right = got == truth
    exact = right or meanings(unguarded(clip, model, grammar)) == truth
    return Score(clip.words, text, exact, right, bool(got) and not right)


def unguarded(clip: prompts.Clip, model: SpeechModel, grammar: Grammar) -> list[Heard]:
    """Return what is heard by whoever is never in doubt."""
    gate = replace(model.gate, accept_from=0.0, number_from=0.0, number_sure_from=0.0)
    return final(dictate(clip.samples, prompts.RATE_HZ, model, grammar=grammar, gate=gate))


def row(name: str, scores: list[Score]) -> str:
    n, right = len(scores), sum(s.right for s in scores)
    wrong = sum(s.wrong for s in scores)
    text = sum(s.text == s.words for s in scores)
    wer = 100 * jiwer.wer([s.words for s in scores], [s.text for s in scores])
    cells = (
        name,
        n,
        f"{100 * text / n:.1f}",
        f"{100 * sum(s.exact for s in scores) / n:.1f}",
        f"{wer:.1f}",
        f"{100 * right / n:.1f}",
        wrong,
        n - right - wrong,
    )
    return "| " + " | ".join(map(str, cells)) + " |"


def blows(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return bursts of impact wrenches and ratchets over faint noise, level 1 rms."""
    noise = 0.05 * prompts.shop_noise(frames, rng)
    for start in rng.integers(0, frames, 1 + rng.poisson(BLOW_RATE_HZ * frames / prompts.RATE_HZ)):
        made = (impact_burst if rng.random() < 0.5 else ratchet)(rng, prompts.RATE_HZ)
        part = made[: frames - start] / np.std(made)
        noise[start : start + len(part)] += part
    return noise / np.std(noise)


def synthetic(pack: Path, model: SpeechModel) -> list[prompts.Clip]:
    """Return the clips of a pack that hold something that may be said, with quiet around them."""
    sound, _ = sf.read(pack.with_suffix(".ogg"), dtype="float64")
    index = json.loads(pack.with_suffix(".json").read_text())
    clips = [
        prompts.Clip(text, None, np.pad(sound[at : at + n] * prompts.SPEECH_PEAK, (6400, 9600)))
        for at, n, _, text in index
    ]
    return [c for c in clips if listening_for(c, model)]


def kinds(scores: list[Score]) -> dict[str, list[Score]]:
    """Sort the scores of number phrases by what is hard about them."""
    chosen: dict[str, Callable[[list[str]], bool]] = {
        "digit by digit": lambda w: set(w) <= DIGIT_WORDS,
        "teens and tens": lambda w: bool(CONFUSED & set(w)),
        "oh, zero, point": lambda w: bool({"oh", "zero", "point"} & set(w)),
    }
    return {
        k: found
        for k, pick in chosen.items()
        if (found := [s for s in scores if pick(s.words.split())])
    }


def versions(clips: list[prompts.Clip], rng: np.random.Generator) -> dict[str, list[prompts.Clip]]:
    return {"quiet": clips} | {
        f"{d} dB": [prompts.in_noise(c, d, rng) for c in clips] for d in SNRS_DB
    }


def sphinx(clips: list[prompts.Clip], grammars: list[Grammar]) -> list[Score]:
    """Let pocketsphinx listen for what may be said, with its own English model."""
    decoders: dict[Grammar, object] = {g: _sphinx_decoder(g) for g in dict.fromkeys(grammars)}
    return [_sphinx_score(decoders[g], c, g) for c, g in zip(clips, grammars, strict=True)]


def _sphinx_decoder(grammar: Grammar) -> object:
    """Return a decoder with the grammar as rules of JSGF, two phrases in one breath at most.

    Where only a number may be said, whole ones below a thousand without a unit are: it is the human
    voice that is listened to so, and it says no others.
    """
    from pocketsphinx import Decoder

    digit, ty = "|".join(prompts.UNITS[1:]), "|".join(prompts.TENS)
    phrases = [
        hear if entry.number is None else _with_unit(hear, entry.number)
        for entry in grammar.entries
        for hear in entry.hear
    ]
    if grammar.bare is not None:
        phrases.append(_with_unit("", grammar.bare) if grammar.entries else "<h>")
    rules = f"""#JSGF V1.0; grammar said;
<d> = {digit}; <o> = zero | oh | <d>; <n> = <o> | {"|".join(prompts.TEENS)} | ({ty}) [<d>];
<h> = <n> | [<d> | a] hundred [[and] <n>] | <d> <n> | <o> <o> [<o>];
<whole> = <h> | [<d> | a] thousand [[and] <h>];
<number> = <whole> | [<whole>] point <o> [<o>];
<phrase> = {" | ".join(phrases)};
public <said> = <phrase> {"[<phrase>]" if grammar.bare is None else ""};"""
    decoder = Decoder(lm=None, loglevel="FATAL")
    for word, phones in SPOKEN_UNITS.items():
        decoder.add_word(word, phones, update=False)
    decoder.add_jsgf_string("said", rules)
    decoder.activate_search("said")
    return decoder


def _with_unit(opening: str, number: NumberField) -> str:
    """Return the rule of a phrase with a number, a whole one if a count is asked for."""
    if number.whole:
        return f"{opening} <whole>"
    units = "|".join(word for unit in number.units for word in unit.words)
    return f"{opening} <number> [{units}]"


def _sphinx_score(decoder: object, clip: prompts.Clip, grammar: Grammar) -> Score:
    level = 0.3 / max(np.max(np.abs(clip.samples)), 1e-9)
    sound = np.round(clip.samples * level * 32_767).astype("<i2").tobytes()
    decoder.start_utt()  # type: ignore[attr-defined]
    decoder.process_raw(sound, full_utt=True)  # type: ignore[attr-defined]
    decoder.end_utt()  # type: ignore[attr-defined]
    best = decoder.hyp()  # type: ignore[attr-defined]
    text = best.hypstr if best else ""
    meant, got = ([p.meaning for p in grammar.phrases_in(t)] for t in (clip.words, text))
    return Score(clip.words, text, got == meant, got == meant, bool(got) and got != meant)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--phrases", type=int, default=300)
    arguments.add_argument("--model", type=Path)
    arguments.add_argument("--voices", type=Path, nargs="*", default=[])
    arguments.add_argument("--clips", type=int, default=150, help="of each synthetic voice")
    arguments.add_argument("--pocketsphinx", action="store_true")
    options = arguments.parse_args()
    model, rng = load_model(options.model), np.random.default_rng(1620)
    single, phrases = prompts.single_numbers(rng), prompts.number_phrases(options.phrases, rng)
    print(
        "| set | n | text exact % | exact % | WER % | right % | wrong | refused |\n"
        "|---|---|---|---|---|---|---|---|"
    )
    number = grammar_for("number", model.vocabulary)
    print(row("human, single", [scored(c, model, number) for c in single]), flush=True)
    for name, clips in versions(phrases, np.random.default_rng(1621)).items():
        scores = [scored(c, model, number) for c in clips]
        print(row(f"human, {name}", scores), flush=True)
        for kind, some in kinds(scores).items():
            print(row(f"— of these {kind}", some), flush=True)
        if options.pocketsphinx:
            heard = sphinx(clips[:100], [number] * len(clips[:100]))
            print(row(f"— pocketsphinx, {name}", heard), flush=True)
    hammered = [prompts.in_noise(c, 10, rng, blows) for c in phrases[: options.phrases // 2]]
    print(row("human, blows at 10 dB", [scored(c, model, number) for c in hammered]), flush=True)
    for pack in options.voices:
        held_out = synthetic(pack, model)[: options.clips]
        for name, clips in versions(held_out, np.random.default_rng(1621)).items():
            grammars = [g for c in clips if (g := listening_for(c, model))]
            scores = [scored(c, model, g) for c, g in zip(clips, grammars, strict=True)]
            print(row(f"{pack.name}, {name}", scores), flush=True)
            if options.pocketsphinx:
                print(row(f"— pocketsphinx, {name}", sphinx(clips, grammars)), flush=True)


if __name__ == "__main__":
    main()
