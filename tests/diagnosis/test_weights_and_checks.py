"""Weight of evidence and information gain against worked examples from outside."""

import math

import pytest

from earwitness.diagnosis.decision.next_check import Check, best_check, checks, gain_bit
from earwitness.diagnosis.evidence import ALONE, EngineContext
from earwitness.diagnosis.forward.clues import Case, Clue, posterior
from earwitness.diagnosis.forward.lookup import prior
from earwitness.diagnosis.hypotheses import Way
from earwitness.diagnosis.judge import case_of as case_of_evidence
from earwitness.diagnosis.judge import judge_cylinder

ILL, WELL = Way("exhaust-valve", ("exhaust-valve",)), Way("sealed", ("sealed",))


def as_prior(p_ill):
    """A clue that turns the table's prior into the one of the example."""
    return Clue("prior", (p_ill / prior(ILL), (1 - p_ill) / prior(WELL)))


def case_of(*clues):
    both = (ILL, WELL)
    return Case(both, clues, posterior(both, clues))


def test_the_screening_example():
    """D. M. Eddy 1982: prevalence 1 %, hits 80 %, false alarms 9.6 % give 7.8 % (from memory)."""
    case = case_of(as_prior(0.01), Clue("positive", (0.80, 0.096)))
    assert case.by_verdict()["exhaust-valve"] == pytest.approx(0.078, abs=5e-4)


def test_a_factor_of_ten_is_ten_decibans():
    """I. J. Good: weight of evidence 10 lg of the Bayes factor; 3 decibans double the odds."""
    ten, two = Clue("ten", (0.5, 0.05)), Clue("two", (0.5, 0.25))
    before, first, second, third = case_of(as_prior(0.3), ten, two).odds_db(frozenset({ILL}))
    assert first == pytest.approx(10 * math.log10(0.3 / 0.7))
    assert second - first == pytest.approx(10)
    assert third - second == pytest.approx(3.01, abs=0.01)
    against = case_of(as_prior(0.3), ten, two).odds_db(frozenset({WELL}))
    assert against == pytest.approx([-x for x in (before, first, second, third)])


def test_a_perfect_check_on_an_even_question_is_worth_one_bit():
    """Shannon entropy of a fair coin."""
    case = case_of(as_prior(0.5))
    assert gain_bit(case, Check("", "", 1, ((1.0, 0.0), (0.0, 1.0)))) == pytest.approx(1)
    assert gain_bit(case, Check("", "", 1, ((0.7, 0.3), (0.7, 0.3)))) == pytest.approx(0, abs=1e-12)


def test_a_binary_symmetric_check():
    """Capacity of a binary symmetric channel, error 0.11: 1 - H(0.11) = 0.5 bit."""
    case = case_of(as_prior(0.5))
    check = Check("", "", 1, ((0.89, 0.11), (0.11, 0.89)))
    by_hand = 1 + 0.89 * math.log2(0.89) + 0.11 * math.log2(0.11)
    assert gain_bit(case, check) == pytest.approx(by_hand)
    assert by_hand == pytest.approx(0.5, abs=1e-3)


def test_no_check_loses_information_and_each_outcome_row_is_a_distribution(four):
    evidence = four.evidence(3, 42, {"throttle-body": "clear"}, silent_elsewhere=False)
    case = case_of_evidence(evidence)
    offered = checks(evidence, case)
    assert len({c.text for c in offered}) == len(offered) >= 10
    for check in offered:
        assert gain_bit(case, check) >= -1e-12
        assert check.minutes > 0
        assert all(sum(row) == pytest.approx(1) for row in check.outcomes)


def test_what_is_done_is_not_asked_for_again(four):
    full = four.evidence(
        3, 42, {}, compression_dry_kpa=700, compression_wet_kpa=700, bubbles="none"
    )
    texts = " ".join(c.text for c in checks(full, case_of_evidence(full)))
    for done in ("Listen at", "leakage gauge", "Wet test", "radiator neck"):
        assert done not in texts


def test_a_screened_point_is_to_be_proved_and_a_refused_one_retaken(four):
    pair = {"tailpipe": four.finding("tailpipe", "faint", pair=True)}
    lost = {"tailpipe": four.finding("tailpipe", usable=False, flags=("clipped",))}

    def texts(heard):
        evidence = four.evidence(3, 42, heard)
        return [c.text for c in checks(evidence, case_of_evidence(evidence))]

    assert any("a pair only screens" in t for t in texts(pair))
    assert any(t.startswith("Retake the tailpipe") for t in texts(lost))


def test_a_neighbour_that_was_tested_is_not_sent_back_to_be_tested(four):
    """After its test only its hiss into this cylinder's hole is left to find out."""
    evidence = four.evidence(3, 42, {})

    def texts(**context):
        offered = checks(evidence, case_of_evidence(evidence), EngineContext(**context))
        return {n: [c.text for c in offered if f"cylinder {n}" in c.text] for n in (2, 4)}

    assert texts()[2] == ["Test cylinder 2 as well and compare"]
    tested = texts(tested_beside=(2,))
    assert [t.split(" and ")[0] for t in tested[2]] == ["Put cylinder 2 under air"]
    assert tested[4] == ["Test cylinder 4 as well and compare"]
    assert texts(tested_beside=(2,), hiss_back=((2, False),))[2] == []


def test_the_hole_behind_the_percentage_is_told(four):
    """25 % through 0.040 in at 80 psi: a hole of 1.05 mm, by the choked and isentropic flow
    equations (see
    tests/gauges/test_orifice.py for their sources)."""
    evidence = four.evidence(3, 25, {}, orifice_mm=1.016, supply_kpa=551.58)
    assert any("a hole of 1.05 mm" in r for r in judge_cylinder(evidence).reasons)
    unknown = four.evidence(3, 25, {}, supply_kpa=551.58)
    assert not any("a hole of" in r for r in judge_cylinder(unknown).reasons)


def test_an_air_cooled_engine_is_never_asked_for_bubbles(single):
    evidence = single.evidence(1, 42)
    assert not any("radiator" in c.text for c in checks(evidence, case_of_evidence(evidence)))


@pytest.mark.parametrize("leakage", [None, 8, 42, 95])
@pytest.mark.parametrize("grade", ["none", "clear"])
def test_the_weights_add_up_to_the_odds_told(four, leakage, grade):
    evidence = four.evidence(3, leakage, {"tailpipe": grade}, compression_dry_kpa=600)
    verdict = judge_cylinder(evidence, EngineContext(highest_dry_kpa=1100))
    p = verdict.probability
    assert sum(w.decibans for w in verdict.weights) == pytest.approx(10 * math.log10(p / (1 - p)))
    assert verdict.weights[0].evidence == "Before any evidence"
    leading = verdict.ranking[0].verdict if verdict.verdict == "undetermined" else verdict.verdict
    for weight in verdict.weights:
        assert (weight.favours == leading) == (weight.decibans >= 0)
        assert {weight.favours, weight.against} == {leading, "the rest"}


def test_the_decibans_in_the_reasons_are_those_of_the_table(four):
    verdict = judge_cylinder(four.evidence(3, 42, {"tailpipe": "strong"}), ALONE)
    told = next(r for r in verdict.reasons if r.startswith("Strong hiss at the tailpipe"))
    weight = next(w for w in verdict.weights if w.evidence.startswith("Strong hiss at the tail"))
    assert told.endswith(f": {weight.decibans:.0f} decibans for the exhaust valve.")


def test_the_next_check_names_the_two_verdicts_it_would_settle(four):
    """Both valves hiss and nearly all air is lost: the sweep for top dead centre tells."""
    heard = {"tailpipe": four.finding("tailpipe", "strong", 12.0)}
    verdict = judge_cylinder(four.evidence(3, 92, heard))
    assert verdict.next_check == (
        "Find top dead centre of the compression stroke again and read anew; it would settle the "
        "exhaust valve against the test set-up."
    )


def test_a_check_is_chosen_by_what_it_tells_a_minute(four):
    """Two checks that tell the same: the quicker one. One that tells nothing: never."""
    evidence = four.evidence(3, 92, {"tailpipe": four.finding("tailpipe", "strong", 12.0)})
    case = case_of_evidence(evidence)
    best = best_check(evidence, case)
    rates = {c.text: gain_bit(case, c) / c.minutes for c in checks(evidence, case)}
    assert rates[best.text] == max(rates.values())
    blank = Check("", "", 1, tuple((0.5, 0.5) for _ in case.ways))
    assert gain_bit(case, blank) == pytest.approx(0, abs=1e-9)
