"""Every number the verdict rests on, in one place, each with its origin.

Three kinds of origin: a source by name; "expert estimate": set by hand from trade knowledge and the
physics named beside it; "chosen" with the experiment. `benchmarks/verdict_population.py` measures
how all of it does on simulated engines whose settings are others than these; nothing in this file
is fitted to that population.

Levels are in decibels over the noise floor of the take, for air that leaves at one gram a second:
what a probe hears of each cause at each point, as mean and standard deviation over engines, shops
and technicians.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from earwitness.diagnosis.hypotheses import SEALED, SEALS, SET_UP, SET_UP_CAUSES, Cause
from earwitness.gauges.compression import LOWEST_OF_HIGHEST

if TYPE_CHECKING:
    from earwitness.diagnosis.evidence import CheckName

Row = tuple[float, ...]
"""Probabilities of what may be observed; they add up to 1."""
Spread = tuple[float, float]
"""Mean and standard deviation of a normal distribution."""

_ALL: tuple[Cause, ...] = ("sealed", *SEALS, *SET_UP_CAUSES)

# --- before any evidence ---------------------------------------------------------------------

PRIOR: dict[str, float] = {
    SEALED: 0.70,
    "rings-or-piston": 0.09,
    "exhaust-valve": 0.08,
    "intake-valve": 0.04,
    "head-gasket-coolant": 0.025,
    "head-gasket-neighbour": 0.02,
    SET_UP: 0.04,
}
"""Share of tested cylinders [1]; normalised over what the engine makes possible. About one
cylinder in four of an engine that was brought in is down. Expert estimate; what another workshop's
shares do to the verdict: docs/verdict.md, sensitivity."""
SECOND_FAULT = 0.5
"""Prior of a two-fault mixture over the product of the priors of its parts [1]: nearly
independent wear. Expert estimate."""
SET_UP_SHARES: dict[Cause, float] = {
    "off-tdc": 0.30,
    "off-tdc-exhaust": 0.12,
    "off-tdc-intake": 0.12,
    "adapter-leak": 0.28,
    "gauge-wrong": 0.18,
}
"""How a set-up goes wrong, share of each way [1]. Expert estimate."""

# --- leakage gauge ---------------------------------------------------------------------------

NOMINAL_LIMIT_PERCENT = 20.0
"""Limit at which `LEAK_SIZE` is written [%]; a reading is first stretched so that the limit in
force falls here. Common practice, no source."""
_ONE_LEAK: Spread = (0.55, 0.55)
LEAK_SIZE: dict[str, Spread] = {
    SEALED: (-0.70, 0.24),
    **dict.fromkeys(SEALS, _ONE_LEAK),
    "two-leaks": (0.95, 0.50),
    "off-tdc": (2.30, 0.80),
    "off-tdc-exhaust": (2.00, 0.80),
    "off-tdc-intake": (2.00, 0.80),
    "adapter-leak": (0.45, 0.60),
    "gauge-wrong": (0.40, 0.60),
}
"""Natural logarithm of the leak's area over that of a leak at the limit [1]. Rings never seal
fully: a sound cylinder loses 3 to 12 %, its median 6 %. A fault adds a hole of about 1 mm; off top
dead centre a valve stands open by several. Common practice for the first, expert estimate for the
rest."""
READING_PERCENT = 1.5
"""Standard deviation of one reading of the leakage gauge [%], where no scatter was measured:
needle, regulator and rounding. Expert estimate."""
OUTLYING_READING: tuple[float, Spread] = (0.01, (0.0, 1.2))
"""Share of misread gauges [1], and how their readings spread [1]. Expert estimate."""
SOUND_PERCENT = 5.5
"""Leakage of the usual sound cylinder [% at a 20 % limit]; less says no more for it. Chosen: the
mean of `LEAK_SIZE` for a sealed one."""
LEAST_PERCENT, MOST_PERCENT = 0.5, 99.0
"""Readings beyond are taken as these [%]: there the area hardly follows from the
reading. Chosen."""

# --- sound: how loud ---------------------------------------------------------------------------

STANDARD_ORIFICE_MM, STANDARD_SUPPLY_KPA = 1.016, 551.58
"""Tester that is taken for granted where it is not told [mm, kPa]: 0.040 in and 80 psi,
FAA AC 43.13-1B, seen in a secondary copy."""
STRENGTH_DB: Spread = (0.0, 9.0)
"""Strength of all hiss of one cylinder against `LEVEL_DB` [dB]: the floor of the shop (quiet to
busy, 25 dB), the shape of the gap. Expert estimate."""
GAP_DB = 2.5
"""Standard deviation of the hiss of one gap against another at the same flow [dB]. Expert
estimate."""
STRENGTH_UNREAD_DB = 4.0
"""Further standard deviation where the leakage was not read [dB]. Chosen: the flow of one leak in
twenty is a fifth or five times the usual."""
STRENGTH_STEPS_DB = tuple(range(-27, 28, 3))
"""Strengths summed over [dB]. Chosen: three standard deviations, in steps below every other
spread."""
SPLIT_DB: Spread = (0.0, 6.0)
"""How much louder one of two leaks is than the other at its source [dB]. Expert estimate."""
SPLIT_STEPS_DB = (-12.0, -8.0, -4.0, 0.0, 4.0, 8.0, 12.0)
"""Splits summed over [dB]. Chosen: two standard deviations."""
LEAST_FAULT: Spread = (-0.5, 0.15)
"""ln(area / area at the limit) from which a leak beside another counts as a fault of its own, and
how gradual that is [1]: it would read 9 % by itself. Chosen: about twice what sound rings pass."""
LOUDNESS_EXPONENT = 5.6
"""Exponent of the jet's Mach number in its sound power while it is below that of sound [1].
IEC 60534-8-3, regime I: power m U^2 / 2, efficiency as the 3.6th power; from memory."""
BLOW_BY_DB: Spread = (-10.0, 4.0)
"""Hiss of a gram a second past sound rings against one past worn or broken ones [dB]: rings in
series are a labyrinth, each gap with a part of the pressure, so its jets are slow. Expert
estimate."""
BLOW_BY_SPREAD_DB = 3.0
"""Further standard deviation of what passes sound rings, where the reading does not tell because
something else leaks [dB]. Expert estimate."""

SOUND_BELOW = 0.5
"""Leakage over its limit up to which a cylinder shows what passes sound rings on this engine [1].
Chosen: a fault adds at least as much."""
BLOW_BY_ALIKE_DB = 2.5
"""Standard deviation of what passes the rings of one cylinder against another of the same engine,
at one point against the others and at the same flow [dB]: floors and probes differ, passages do
not. Expert estimate."""
BLOW_BY_APART_DB = 5.0
"""The same at all points together: gaps differ [dB]. Expert estimate."""

LEVEL_DB: dict[str, dict[str, Spread]] = {
    "rings-or-piston": {
        "oil-filler": (18, 5.5),
        "throttle-body": (1, 7),
        "tailpipe": (-19, 7),
        "radiator": (-2, 6),
        "plug-hole": (-1, 6),
        "adapter": (-2, 6),
        "control": (-2, 6),
    },
    "exhaust-valve": {
        "oil-filler": (-14, 8),
        "throttle-body": (-3, 8),
        "tailpipe": (11, 5.5),
        "radiator": (-16, 8),
        "plug-hole": (-4, 10),
        "adapter": (-9, 9),
        "control": (-14, 8),
    },
    "intake-valve": {
        "oil-filler": (3, 6),
        "throttle-body": (22, 5.5),
        "tailpipe": (-14, 8),
        "radiator": (2, 6),
        "plug-hole": (5, 8),
        "adapter": (2, 6),
        "control": (2, 6),
    },
    "head-gasket-coolant": {
        "oil-filler": (-6, 6),
        "throttle-body": (-6, 6),
        "tailpipe": (-24, 7),
        "radiator": (14, 6),
        "plug-hole": (-6, 6),
        "adapter": (-6, 6),
        "control": (-6, 6),
    },
    "head-gasket-neighbour": {
        "its-plug-hole": (26, 5.5),
        "oil-filler": (6, 6),
        "throttle-body": (8, 7),
        "tailpipe": (-8, 9),
        "radiator": (6, 6),
        "plug-hole": (6, 6),
        "adapter": (6, 6),
        "control": (6, 6),
    },
    "adapter-leak": {
        "oil-filler": (12, 8),
        "throttle-body": (12, 8),
        "tailpipe": (-7, 10),
        "radiator": (10, 8),
        "plug-hole": (12, 8),
        "adapter": (30, 10),
        "control": (16, 9),
    },
}
"""Level of one gram a second of each cause at each kind of point [dB over the floor]: mean and
standard deviation. Where the air goes: FAA AC 43.13-1B chapter 8, US Army TM 5-3805-260-24 and an
airframe and powerplant study guide (adjacent cylinder), secondary copies. Sizes: expert estimate
from a jet of 1e-4 acoustic efficiency, of which a sixth is in 1-16 kHz, that loses 15 to 40 dB in
the passage to the opening, against floors of 45 to 72 dB; across by the crankcase ventilation
(17 dB), a companion's valves on overlap (25 dB), a neighbour's open valve, and through the air
between openings."""

# --- sound: what a take makes of it --------------------------------------------------------------

MISSED_BELOW_DB: Spread = (-2.2, 2.0)
"""Where half of the takes miss a hiss, against the detectable level of the take, and how gradual
that is [dB]. On the safe side of the detector, which misses half at -3.9 dB, gradual over 2.3 dB,
in the simulated shops S1 to S4: decision 0143."""
UNPROVEN_DB = 1.5
"""How much more than a silent take an unproven hiss may have missed [dB]. Chosen: about the step
from p = 0.05 to 0.01."""
UNKNOWN_DETECTABLE_DB = 3.0
"""Detectable rise where a take states none [dB]. ISO 3746:2010, 8.3.3: least rise measured."""
LEAST_LEVEL_SPREAD_DB = 0.6
"""Systematic part of a level's uncertainty [dB], as the detector states it."""
LEAST_RISE_DB = 0.05
"""Smallest rise that is put on a scale of levels [dB]. Chosen: -19 dB of hiss."""
FALSE_HISS: tuple[float, Spread] = (0.015, (-8.0, 4.0))
"""Share of cycled takes that find hiss where there is none [1], and its level [dB]: the promise of
docs/json.md; level: expert estimate."""
FALSE_HISS_PAIR: tuple[float, Spread] = (0.12, (0.0, 4.0))
"""The same of screening pairs. 9-14 % of pairs were graded as hiss in the two loudest scenes of
benchmarks/hiss_false_alarms.py (400 takes each, --seconds 44 --cycles 6 --seed 777)."""
MISTAKE, MISTAKE_PAIR = 0.02, 0.20
"""Share of takes that say nothing of the point they name [1]: probe held wrong, the valve not
turned; more in a pair, where the shop may have changed in between. Expert estimate."""
BY_MISTAKE: tuple[float, Spread] = (0.3, (2.0, 9.0))
"""Share of such takes that hiss [1], and their level [dB]. Expert estimate."""
ONE_PIPE = 0.5
"""Probability that the air comes out of the other of two tailpipes [1]. Chosen: even."""
HOSE_HISS = 0.08
"""Prior of a hose or coupling that hisses while the valve is open [1]. Expert estimate."""
HOSE_LEVEL_DB: Spread = (0.0, 10.0)
"""Level of a hissing hose at the control position [dB over the floor]. Expert estimate."""
HOSE_LOSS_DB: Spread = (9.0, 7.0)
"""What of it is lost on the way to any other point [dB]. Expert estimate: half a metre to one metre
through the air, against a tenth."""

# --- compression, wet test, bubbles ----------------------------------------------------------

COMPRESSION_EDGES = (LOWEST_OF_HIGHEST, 0.90)
"""Dry compression over the engine's highest that parts very low, low and normal [1]. 0.75: US
Army TM 5-4210-230-14&P-1; 0.90: expert estimate."""
COMPRESSION: dict[Cause, Row] = {
    #               normal low  very low
    "sealed": (0.78, 0.19, 0.03),
    **dict.fromkeys(SEALS, (0.28, 0.30, 0.42)),
    "head-gasket-coolant": (0.40, 0.30, 0.30),
    "head-gasket-neighbour": (0.20, 0.25, 0.55),
    **dict.fromkeys(SET_UP_CAUSES, (0.65, 0.25, 0.10)),
}
"""Probability of a dry compression [1]; a fault of the leak test does not touch it. Expert
estimate."""
WET: dict[Cause, Row] = {
    #               none  little clear rise
    "sealed": (0.50, 0.35, 0.15),
    **dict.fromkeys(SEALS, (0.55, 0.33, 0.12)),
    "rings-or-piston": (0.10, 0.25, 0.65),
    **dict.fromkeys(SET_UP_CAUSES, (0.50, 0.35, 0.15)),
}
"""Probability of the rise after oil [1]. Direction: US Army TM 5-4210-230-14&P-1; size: expert
estimate."""
BUBBLES: dict[Cause, Row] = {
    #               none   slow   steady
    **dict.fromkeys(_ALL, (0.965, 0.030, 0.005)),
    "head-gasket-coolant": (0.25, 0.30, 0.45),
}
"""Probability of bubbles at the radiator neck [1]; slow ones may be trapped air. Direction: study
guide for automotive examinations, secondary copy; size: expert estimate."""

# --- checks with a yes or a no -----------------------------------------------------------------

CHECKED: dict[CheckName, tuple[float, dict[Cause, float]]] = {
    "top-dead-centre": (
        0.95,
        dict.fromkeys(("off-tdc", "off-tdc-exhaust", "off-tdc-intake"), 0.05),
    ),
    "adapter-tight": (0.95, {"adapter-leak": 0.05}),
    "tester-right": (0.97, {"gauge-wrong": 0.05}),
    "tap-helps": (0.03, {"exhaust-valve": 0.30, "intake-valve": 0.30}),
    "ventilation-quiets": (0.40, {"rings-or-piston": 0.85, "intake-valve": 0.05, "off-tdc": 0.05}),
}
"""Probability of a yes [1]: for most causes, and for those that differ. Expert estimate."""

# --- the other cylinders ---------------------------------------------------------------------

HISS_BACK = (0.85, 0.03)
"""Probability that the neighbour's own test makes this cylinder's hole hiss loudest, if the gasket
between them leaks and if not [1]. Expert estimate."""
NEIGHBOUR_LEAKS = (0.90, 0.20)
"""Probability that the neighbour leaks too much, if the gasket between leaks and if not [1].
Expert estimate."""
LOW_BESIDE = (0.70, 0.12)
"""Probability that the neighbour of a low cylinder is low too, if the gasket between them leaks
and if not [1]. Direction: US Army TM 5-4210-230-14&P-1; size: expert estimate."""
SOUND_ON_TESTER = (0.90, 0.15)
"""Probability that another cylinder reads well within its limit on the same tester, usually and if
the tester reads wrong [1]: a wrong tester is wrong everywhere, a needle may be misread once. Expert
estimate."""
ALL_ALIKE: dict[Cause, float] = {
    **dict.fromkeys(_ALL, 0.05),
    "rings-or-piston": 0.20,
    "adapter-leak": 0.20,
    "gauge-wrong": 0.35,
}
"""Probability that all cylinders leak too much and alike [1]: wear, or the tester. Expert
estimate."""

# --- the next check ------------------------------------------------------------------------------

SIZE_EDGES = (-0.45, -0.15, 0.0, 0.6, 1.4)
"""Results of a leakage reading that are told apart in advance, ln(area / area at the limit) [1]:
about 9, 16, 20, 45 and 80 %. Chosen."""
LEVEL_EDGES_DB = (-6.0, 2.0, 10.0)
"""Levels of hiss that are told apart in advance [dB over the floor]. Chosen."""
USUAL_DETECTABLE_DB = 0.3
"""Detectable rise of a take not yet made [dB]: the median in the loudest of the simulated shops,
S4, benchmarks/hiss_bound.py; 0.13 to 0.24 dB in the others but the still one."""
MINUTES: dict[str, float] = {
    "leakage": 3.0,
    "listen": 2.0,
    "dry": 6.0,
    "wet": 6.0,
    "bubbles": 2.0,
    "top-dead-centre": 3.0,
    "adapter-tight": 1.5,
    "tester-right": 5.0,
    "tap-helps": 10.0,
    "ventilation-quiets": 3.0,
    "test-neighbour": 10.0,
    "hiss-back": 6.0,
}
"""Work of each check [min]; a take is 44 s of sound and the way there. Common practice, no
source."""

# --- when to commit ----------------------------------------------------------------------------

COMMIT_AT = 0.80
"""Probability from which a verdict is given [1].

Chosen: docs/decisions/0087-commit-and-right.md."""
CONTRADICTED_BELOW = 0.005
"""Probability of evidence under its best explanation below which it contradicts itself [1].
Chosen: docs/decisions/0085-evidence-that-fits-nothing.md."""
