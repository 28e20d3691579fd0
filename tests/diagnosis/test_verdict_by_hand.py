"""Cases worked out on paper from the table in likelihoods.py, to three or four figures.

The engine is an air-cooled single, so that few explanations are left: sound, rings (r), exhaust
valve (e), intake valve (i), two of these at once, and five faults of the set-up.
"""

import math

import pytest

from earwitness.diagnosis.evidence import EngineContext
from earwitness.diagnosis.judge import case_of, judge_cylinder


def chances(verdict):
    return {r.verdict: r.probability for r in verdict.ranking}


def likelihoods_of(case, start):
    clue = next(c for c in case.clues if c.text.startswith(start))
    return {way.causes: p for way, p in zip(case.ways, clue.likelihood, strict=True)}


def test_the_gauge_alone(single):
    """25 % against 20 %, nothing heard.

    Leak over orifice area: 1.059 at 25 % (80 over 60 psi), 0.925 at 20 % (80 over 64 psi), by the
    orifice equations. z = ln(1.059 / 0.925) = 0.135; 1.5 % of reading error is 0.03 in z.

    Density of z, 0.99 N(z; mean, deviation) + 0.01 N(z; 0, 1.2 [0.0033]), times the prior:
    sound     N(-0.70, 0.242): z is 3.45 deviations off: 0.0043 + 0.0033 = 0.0076, x 0.70 = 0.0053
    one leak  N( 0.55, 0.551): -0.753:  0.541 + 0.003 = 0.544, r 0.0490, e 0.0435, i 0.0218
    two       N( 0.95, 0.501): -1.63:   0.211 + 0.003 = 0.214
              x 0.5 (0.09 x 0.08 + 0.09 x 0.04 + 0.08 x 0.04) = 0.0070:       0.0015
    off TDC   N(2.3, 0.8) 0.0161 x 0.30, N(2.0, 0.8) 0.0361 x 0.24
    adapter   N(0.45, 0.60) 0.577 x 0.28, tester N(0.40, 0.60) 0.600 x 0.18
              together 0.0048 + 0.0087 + 0.1615 + 0.1081 = 0.283, x 0.04 =    0.0113
    Sum 0.0053 + 0.0490 + 0.0435 + 0.0218 + 0.0015 + 0.0113 = 0.1324.
    Rings: prior odds 0.09 / 0.867 = -9.84 dB; after 0.370 / 0.630 = -2.31 dB; the gauge +7.53 dB.
    """
    verdict = judge_cylinder(single.evidence(1, 25))
    got = chances(verdict)
    assert got["sealed"] == pytest.approx(0.0053 / 0.1324, abs=0.003)
    assert got["rings-or-piston"] == pytest.approx(0.370, abs=0.003)
    assert got["exhaust-valve"] == pytest.approx(0.329, abs=0.003)
    assert got["intake-valve"] == pytest.approx(0.165, abs=0.003)
    assert got["set-up"] == pytest.approx(0.0113 / 0.1324, abs=0.003)
    assert verdict.verdict == "undetermined"
    before, gauge = verdict.weights
    assert (before.favours, before.decibans) == ("the rest", pytest.approx(-9.84, abs=0.02))
    assert (gauge.favours, gauge.decibans) == ("rings-or-piston", pytest.approx(7.53, abs=0.05))


def test_silence_at_the_tailpipe(single):
    """The same, and a cycled take at the tailpipe that hears nothing and would have heard 1 dB.

    A rise of 1 dB is hiss of 10 lg(10^0.1 - 1) = -5.87 dB; half are missed at -5.87 - 2.2 = -8.07.
    Flow at 25 %: 1.04 g/s, +0.17 dB. Beside sound rings, which pass exp(-0.70 - 0.135) = 0.434 of
    the area, a leak has the rest: 10 lg 0.566 = -2.47 dB.
    Level and spread (strength 9, level, miss 2), and Phi of what is missed:
    e   11 + 0.17 - 2.47 =   8.70, sqrt(81 + 30.25 + 4) = 10.74:  Phi(-1.562) = 0.0592
    i  -14 + 0.17 - 2.47 = -16.30, sqrt(81 + 64 + 4)    = 12.21:  Phi(0.674)  = 0.750
    r  -19 + 0.17        = -18.83, sqrt(81 + 49 + 4)    = 11.58:  Phi(0.929)  = 0.824
    With a false hiss in 1.5 % and a mistake in 2 % of takes, 0.98 x 0.985 Phi + 0.02 x 0.7:
    e 0.0711, i 0.738, r 0.809. So silence speaks 10 lg(0.809 / 0.0711) = 10.6 dB for the rings
    against the exhaust valve.
    """
    evidence = single.evidence(1, 25, {"tailpipe": "none"}, silent_elsewhere=False)
    silent = likelihoods_of(case_of(evidence), "No hiss at the tailpipe")
    assert silent["exhaust-valve",] == pytest.approx(0.0711, abs=0.002)
    assert silent["intake-valve",] == pytest.approx(0.738, abs=0.01)
    assert silent["rings-or-piston",] == pytest.approx(0.809, abs=0.01)
    gauge, both = (chances(judge_cylinder(e)) for e in (single.evidence(1, 25), evidence))
    ratio = [c["rings-or-piston"] / c["exhaust-valve"] for c in (gauge, both)]
    assert 10 * math.log10(ratio[1] / ratio[0]) == pytest.approx(10.6, abs=0.15)


def test_compression_and_oil(single):
    """600 of 1200 kPa dry, 780 wet: very low (under 0.75), and a clear rise of 30 %.

    Rows, (very low) x (clear): sound 0.03 x 0.15 = 0.0045; r 0.42 x 0.65 = 0.273;
    e, i 0.42 x 0.12 = 0.0504; r with another takes the rows of r; e with i 0.0504;
    set-up 0.10 x 0.15 = 0.015. Times the priors:
    0.70 x 0.0045 = 0.00315; r 0.09 x 0.273 = 0.02457; e 0.08 x 0.0504 = 0.00403; i 0.00202;
    r+e 0.5 x 0.0072 x 0.273 = 0.000983; r+i 0.000491; e+i 0.5 x 0.0032 x 0.0504 = 0.000081;
    set-up 0.04 x 0.015 = 0.0006. Sum 0.03592; r 0.684, sound 0.088, e 0.112.
    """
    evidence = single.evidence(1, compression_dry_kpa=600, compression_wet_kpa=780)
    got = chances(judge_cylinder(evidence, EngineContext(highest_dry_kpa=1200)))
    assert got["rings-or-piston"] == pytest.approx(0.684, abs=0.001)
    assert got["sealed"] == pytest.approx(0.00315 / 0.03592, abs=0.001)
    assert got["exhaust-valve"] == pytest.approx(0.00403 / 0.03592, abs=0.001)
    assert got["rings-or-piston+exhaust-valve"] == pytest.approx(0.000983 / 0.03592, abs=0.001)
    assert got["set-up"] == pytest.approx(0.0006 / 0.03592, abs=0.001)


def test_two_levels_share_their_strength(single):
    """Hiss of 8 dB at the tailpipe and 12 dB at the throttle body, for the intake valve.

    Under the intake valve both levels are normal, with the strength in common (25 %, as above):
    throttle 22 - 2.30 = 19.70, spread 5.5; tailpipe -14 - 2.30 = -16.30, spread 8; common 9.
    Measured to 0.7 dB: variances 111.7 and 145.5 with covariance 81. The throttle alone has the
    density exp(-(12 - 19.70)^2 / 223.4) / sqrt(2 pi 111.7) = 0.0290. Given it, the tailpipe is
    expected at -16.30 + 81 / 111.7 (12 - 19.70) = -21.88 with variance 145.5 - 58.7 = 86.8, so
    8 dB lie 3.21 deviations off: density 0.0429 x exp(-5.14) = 0.00025; by chance or by mistake
    0.015 N(8; -8, 4) + 0.02 x 0.3 N(8; 2, 9) = 0.0000 + 0.0002. Together 0.00046.
    """
    heard = {
        "throttle-body": single.finding("throttle-body", "strong", 12.266),
        "tailpipe": single.finding("tailpipe", "strong", 8.639),
    }
    case = case_of(single.evidence(1, 25, heard, silent_elsewhere=False))
    tailpipe = likelihoods_of(case, "Strong hiss at the tailpipe")["intake-valve",]
    throttle = likelihoods_of(case, "Strong hiss at the throttle")["intake-valve",]
    # In the order of the points the tailpipe comes first; the product is the same.
    assert tailpipe * throttle == pytest.approx(0.0290 * 0.00046, rel=0.12)
