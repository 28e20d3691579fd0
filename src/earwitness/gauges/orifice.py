"""Say how big a leak is: air through an orifice, and the hole that loses as much.

One-dimensional isentropic flow of an ideal gas. Pressures are absolute here unless a name says
`gauge`; the tester's own pressures are gauge pressures. The leak and the metering orifice are
given the same discharge coefficient, so it cancels from the equivalent hole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from earwitness.errors import GaugeError
from earwitness.gauges.leakage import check_leakage_percent, check_supply_kpa

GAMMA = 1.4
"""Ratio of specific heats of air [1]. Diatomic ideal gas; ISO 6358 uses the same."""
GAS_CONSTANT_J_KG_K = 287.05
"""Specific gas constant of dry air [J/(kg K)]. International Standard Atmosphere, ISO 2533:1975
(287.05287)."""
ATMOSPHERE_KPA = 101.325
"""Standard atmosphere [kPa]. Exact by definition, ISO 2533:1975."""
ROOM_TEMPERATURE_K = 293.15
"""Temperature of the air in the hose [K]: 20 degrees Celsius, as in ISO 8778."""
ANR_DENSITY_KG_M3 = 1.185
"""Density of air in the standard reference atmosphere ANR: 100 kPa, 20 degrees Celsius, 65 %
relative humidity [kg/m3]. ISO 8778, seen in a secondary copy."""
ORIFICE_RANGE_MM = (0.1, 10.0)
"""Metering orifices that are taken as millimetres [mm]. AC 43.13-1B uses 1.016 and 1.524; the
bounds are chosen: a factor of ten below, and more than common testers of large engines above."""


@dataclass(frozen=True, slots=True)
class LeakSize:
    """What a leakage percentage means through the orifice it was read with."""

    hole_mm: float
    """Diameter of the round hole that loses as much air [mm]."""
    flow_g_s: float
    """Air lost [g/s]."""
    free_air_l_min: float
    """Air lost, as free air of the reference atmosphere ANR [L/min]."""


@dataclass(frozen=True, slots=True)
class LeakInterval:
    """The leak at the least, the best and the greatest percentage that may be meant."""

    low: LeakSize
    best: LeakSize
    high: LeakSize | None
    """None if nothing keeps the percentage from being 100."""


def critical_pressure_ratio(gamma: float = GAMMA) -> float:
    """Return the ratio of outlet to inlet pressure below which the flow is choked [1].

    References
    ----------
    (2 / (gamma + 1)) ** (gamma / (gamma - 1)), 0.528 for air; any text on compressible flow.

    Examples
    --------
    >>> round(critical_pressure_ratio(), 6)
    0.528282
    """
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def choked_coefficient(gamma: float = GAMMA) -> float:
    """Return c in the choked flow m = c p0 A / sqrt(T0), all in SI units [sqrt(K) s/m].

    Examples
    --------
    >>> round(choked_coefficient(), 6)
    0.040415
    """
    exponent = (gamma + 1.0) / (gamma - 1.0)
    return math.sqrt(gamma / GAS_CONSTANT_J_KG_K * (2.0 / (gamma + 1.0)) ** exponent)


def flow_factor(pressure_ratio: float, gamma: float = GAMMA) -> float:
    """Return the flow at outlet/inlet pressure `pressure_ratio` over the choked flow [1].

    1 at and below the critical ratio, 0 at a ratio of 1, isentropic in between.

    Raises
    ------
    ValueError
        If the ratio is not between 0 and 1.
    """
    r = pressure_ratio
    if not 0.0 <= r <= 1.0:
        raise ValueError(f"pressure_ratio={r} must lie between 0 and 1")
    if r <= critical_pressure_ratio(gamma):
        return 1.0
    subsonic = 2.0 / (gamma - 1.0) * (r ** (2.0 / gamma) - r ** ((gamma + 1.0) / gamma))
    choked = (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (gamma - 1.0))
    return math.sqrt(max(subsonic, 0.0) / choked)


def mass_flow_kg_s(
    *,
    inlet_kpa: float,
    outlet_kpa: float,
    area_mm2: float,
    temperature_k: float = ROOM_TEMPERATURE_K,
    discharge: float = 1.0,
) -> float:
    """Return the air through an orifice of `area_mm2` [kg/s].

    Parameters
    ----------
    inlet_kpa, outlet_kpa : float
        Absolute pressures before and after the orifice [kPa].
    area_mm2 : float
        Cross-section [mm2].
    temperature_k : float
        Stagnation temperature before the orifice [K].
    discharge : float
        Discharge coefficient [1]: about 0.97 well rounded, 0.61 sharp-edged.

    Raises
    ------
    ValueError
        If a pressure is not positive or the outlet is above the inlet.
    """
    if not 0.0 < outlet_kpa <= inlet_kpa:
        raise ValueError(f"outlet_kpa={outlet_kpa} must be positive and at most {inlet_kpa}")
    choked = choked_coefficient() * inlet_kpa * 1e3 * area_mm2 * 1e-6 / math.sqrt(temperature_k)
    return discharge * choked * flow_factor(outlet_kpa / inlet_kpa)


def free_air_l_min(flow_kg_s: float, density_kg_m3: float = ANR_DENSITY_KG_M3) -> float:
    """Return a mass flow as litres of free air a minute [L/min]."""
    return flow_kg_s / density_kg_m3 * 60e3


def leak_size(
    percent: float,
    *,
    orifice_mm: float,
    supply_kpa: float,
    ambient_kpa: float = ATMOSPHERE_KPA,
    discharge: float = 1.0,
) -> LeakSize | None:
    """Return the leak behind a percentage: the flow through the orifice leaves by the leak.

    Parameters
    ----------
    percent : float
        Leakage read on the tester [%].
    orifice_mm : float
        Diameter of the metering orifice [mm].
    supply_kpa : float
        Regulated supply, gauge pressure [kPa].
    ambient_kpa : float
        Absolute pressure around the engine [kPa].
    discharge : float
        Discharge coefficient of the orifice [1]; scales the flow, not the hole.

    Returns
    -------
    LeakSize or None
        None at 100 percent: the cylinder holds no pressure, so no hole is large enough.

    Raises
    ------
    GaugeError
        If the percentage, the supply or the orifice cannot be.

    Examples
    --------
    >>> size = leak_size(25.0, orifice_mm=1.016, supply_kpa=551.58)
    >>> round(size.hole_mm, 2), round(size.flow_g_s, 2)
    (1.05, 1.04)
    """
    check_leakage_percent(percent)
    check_orifice_mm(orifice_mm)
    if percent == 100.0:
        return None
    gauge_kpa = check_supply_kpa(supply_kpa) * (1.0 - percent / 100.0)
    inlet, cylinder = supply_kpa + ambient_kpa, gauge_kpa + ambient_kpa
    area = math.pi / 4.0 * orifice_mm**2
    flow = mass_flow_kg_s(inlet_kpa=inlet, outlet_kpa=cylinder, area_mm2=area, discharge=discharge)
    per_mm2 = mass_flow_kg_s(
        inlet_kpa=cylinder, outlet_kpa=ambient_kpa, area_mm2=1.0, discharge=discharge
    )
    hole = 2.0 * math.sqrt(flow / per_mm2 / math.pi)
    return LeakSize(hole_mm=hole, flow_g_s=flow * 1e3, free_air_l_min=free_air_l_min(flow))


def leak_size_interval(
    percent: float,
    *,
    half_width_percent: float,
    orifice_mm: float,
    supply_kpa: float,
    ambient_kpa: float = ATMOSPHERE_KPA,
) -> LeakInterval | None:
    """Return the leak with the interval that the gauge leaves open.

    Parameters
    ----------
    percent : float
        Leakage, best value [%].
    half_width_percent : float
        How far it may be off either way [%]: half a division of the scale for a single reading
        (JCGM 100:2008, F.2.2.1), half the interval of `repeated(...)` for several.
    orifice_mm, supply_kpa, ambient_kpa : float
        As for `leak_size`.

    Returns
    -------
    LeakInterval or None
        None at 100 percent.

    Raises
    ------
    GaugeError
        If the percentage, the supply or the orifice cannot be.
    ValueError
        If the half width is negative.

    Examples
    --------
    >>> leak = leak_size_interval(25.0, half_width_percent=0.5, orifice_mm=1.016, supply_kpa=551.58)
    >>> [round(size.hole_mm, 3) for size in (leak.low, leak.best, leak.high)]
    [1.039, 1.045, 1.052]
    """
    if not half_width_percent >= 0:
        raise ValueError(f"half_width_percent={half_width_percent} must not be negative")

    def size(value: float) -> LeakSize | None:
        return leak_size(
            value, orifice_mm=orifice_mm, supply_kpa=supply_kpa, ambient_kpa=ambient_kpa
        )

    best = size(percent)
    low = size(max(percent - half_width_percent, 0.0))
    if best is None or low is None:
        return None
    return LeakInterval(low, best, size(min(percent + half_width_percent, 100.0)))


def check_orifice_mm(orifice_mm: float) -> None:
    """Check that a metering orifice can be [mm].

    Raises
    ------
    GaugeError
        If it cannot.
    """
    low, high = ORIFICE_RANGE_MM
    if not math.isfinite(orifice_mm) or not low <= orifice_mm <= high:
        raise GaugeError(
            f"metering orifice of {orifice_mm:g} mm is not between {low:g} and {high:g} mm",
            remedy="Give the diameter of the tester's orifice in millimetres (0.040 in is 1.016).",
        )
