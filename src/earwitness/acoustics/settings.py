"""Every constant of the hiss detector, with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HissSettings:
    """How hiss is looked for; the defaults are what the false-alarm table was made with."""

    guard_after_s: float = 0.6
    """Sound left out after the valve turns [s]. Four times a time constant of 0.15 s for filling
    and draining the cylinder; common practice, no source."""
    guard_before_s: float = 0.1
    """Sound left out before the valve turns [s]. Half a typical human reaction time."""
    shortest_period_s: float = 0.4
    """Least sound of one air-on or air-off period, guards taken off [s]. Chosen: about 36 frames,
    four times `gate_frames`."""
    shortest_take_s: float = 1.0
    """Least length of a recording [s]. Chosen: one period with its guards."""
    least_bandwidth_hz: float = 10_000.0
    """A capture that does not reach this frequency is band-limited [Hz]. Chosen: decision 0012."""

    gate_edges_hz: tuple[float, ...] = (960.0, 17_700.0)
    """Frames are gated separately below, between and above these [Hz]. Chosen: decision 0140."""
    gate_quantile: float = 0.03
    """Share of frames assumed to be free of shop transients. Chosen: decision 0017."""
    gate_spread: float = 1.6
    """Scale of the gate over the spread of stationary noise [1]. Chosen: decision 0010."""
    gate_width: float = 2.0
    """Half width of the frame gate [scales]. Chosen: decision 0017."""
    band_width: float = 4.0
    """Half width of the gate within a band [scales]. Chosen: decision 0010."""
    gate_frames: int = 8
    """Least frames for a floor [1]. Chosen: decision 0010."""
    quiet_share: float = 0.2
    """Below this share of frames kept, a floor rests on few quiet frames. Chosen: decision 0010."""

    unspoilt_share: float = 0.7
    """Share of the periods of a take assumed to be free of long shop noise [1]. Chosen: decision
    0016; above one half, so that a strong leak spoils nothing."""
    spoilt_width: float = 4.0
    """A period this far from the others counts nothing [scales]. Chosen: decision 0016."""
    spoilt_floor: float = 2.0
    """Least scale over the spread of stationary noise [1]. Chosen: decision 0016."""
    spoilt_weight: float = 0.1
    """A period of less weight is not judged by itself [1]. Chosen: decision 0017."""
    step_share: float = 0.9
    """A step of the floor must leave at most this share of the scatter [1]. Chosen: decision
    0016."""

    data_share: float = 0.5
    """Weight of the measured covariance against the expected one. Chosen: decision 0010."""
    estimator_excess: float = 1.1
    """Variance of the robust floor over that of the plain mean [1]. Tukey's biweight at 4.7 scales
    has an efficiency of 0.95; here the gate is narrower."""
    drift_share: float = 0.15
    """Drift variance expected within one take over that between takes. Chosen: decision 0010."""
    drift_gain: float = 0.7
    """Standard deviation of the level of shop noise between takes [dB]. Chosen: decision 0010."""
    drift_tilt: float = 0.3
    """Standard deviation of its slope [dB per octave]. Chosen: decision 0010."""
    drift_ripple: float = 0.4
    """Standard deviation of its shape [dB]. Chosen: decision 0010."""
    drift_octaves: float = 0.7
    """Correlation length of its shape [octaves]. Chosen: decision 0010."""
    tilts_db: tuple[float, ...] = (-2.0, 0.0, 2.0)
    """Slopes by which a leak's spectrum may differ from what is expected [dB per octave]. Chosen:
    decision 0140."""
    wander_share: float = 0.5
    """Variance of a period's floor over that of a quarter of a second, as shop noise wanders within
    a period [1]. Chosen: decision 0140."""
    theory_dof: float = 4.0
    """Degrees of freedom that the expected variance counts for [1]. Chosen: decision 0010."""
    reference_share: float = 0.7
    """Share of the ambient microphone's log floor that is taken off. Chosen: decision 0010."""

    least_changes: int = 6
    """Least on/off changes of a labelling that the true one is compared with. Chosen: fewer
    changes follow slow drift instead of the valve."""
    most_labelings: int = 7_000
    """Labelings are drawn at random where there are more [1]. Chosen: covers seven cycles."""
    label_seed: int = 20_111
    """Seed of that draw; any value serves, it is fixed so that a finding can be recomputed."""
    found_p: float = 0.01
    """A hiss is found at or below this probability. Chosen: docs/json.md promises 1 %."""
    none_p: float = 0.05
    """No hiss was found above this probability. Common practice, no source."""

    systematic_share: float = 0.144
    """Systematic part of the interval's half width over the level [1]: 0.6 dB, 10^0.06 - 1."""
    detection_margin: float = 1.28
    """Contrast above its threshold that makes detection likely [standard deviations]: the 0.9
    quantile of the normal distribution."""
    detection_allowance: float = 1.25
    """Factor on the detectable level for a leak whose spectrum differs from the path spectrum [1].
    Chosen: decision 0017."""

    clear_db: float = 3.0
    """Rise from which a hiss is clear [dB]. ISO 3746:2010, 8.3.3: least rise that is measured."""
    strong_db: float = 6.0
    """Rise from which a hiss is strong [dB]. ISO 3744:2010, 8.2.3: least rise, engineering."""
    pair_drift_db: float = 1.0
    """Standard deviation of a floor between two recordings while no machine starts or stops [dB].
    Estimate, no source; what a machine that starts does is in benchmarks/hiss_false_alarms.py."""


DEFAULTS = HissSettings()
"""The settings in force unless others are named."""
