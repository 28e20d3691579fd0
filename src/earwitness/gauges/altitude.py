"""Say what height above sea level does to gauges: ambient pressure, and compression figures.

International Standard Atmosphere, ISO 2533:1975. Two factors are in use for compression, and they
part by 3 % at 1500 m: trade tables follow the density of the air (from memory), absolute pressures
follow its pressure. Name the one that is used.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

from earwitness.errors import GaugeError
from earwitness.gauges.compression import check_compression_kpa
from earwitness.gauges.orifice import ATMOSPHERE_KPA

Basis = Literal["pressure", "density"]

SEA_LEVEL_K = 288.15
"""Temperature at sea level [K]. ISO 2533:1975."""
LAPSE_K_M = 0.0065
"""Fall of temperature with height [K/m]. ISO 2533:1975."""
PRESSURE_EXPONENT = 9.80665 / (287.05287 * LAPSE_K_M)
"""g / (R lapse) of the barometric formula [1]. ISO 2533:1975."""
EARTH_RADIUS_M = 6_356_766.0
"""Nominal radius that turns height into geopotential height [m]. ISO 2533:1975."""
ALTITUDE_RANGE_M = (-500.0, 5500.0)
"""Heights at which engines are tested [m]. Chosen: from the Dead Sea to the highest
towns, with room."""
BASIS_IN_WORDS: dict[Basis, str] = {
    "pressure": "pressure ratio of ISO 2533:1975, as absolute pressures scale",
    "density": "density ratio of ISO 2533:1975, as trade factor tables scale (from memory)",
}
"""How each factor is named beside a figure that it was used for."""


def ambient_kpa(altitude_m: float) -> float:
    """Return the standard pressure of the air at a height [kPa].

    Parameters
    ----------
    altitude_m : float
        Height above sea level [m].

    Raises
    ------
    GaugeError
        If it is outside `ALTITUDE_RANGE_M`.

    Examples
    --------
    >>> round(ambient_kpa(1524.0), 1)
    84.3
    """
    return ATMOSPHERE_KPA * altitude_factor(altitude_m, basis="pressure")


def altitude_factor(altitude_m: float, *, basis: Basis) -> float:
    """Return what a compression at this height is over that at sea level [1].

    Parameters
    ----------
    altitude_m : float
        Height above sea level [m].
    basis : {"pressure", "density"}
        Which ratio of the standard atmosphere to use.

    Raises
    ------
    GaugeError
        If the height is outside `ALTITUDE_RANGE_M`.

    Examples
    --------
    >>> round(altitude_factor(1524.0, basis="pressure"), 3)
    0.832
    >>> round(altitude_factor(1524.0, basis="density"), 3)
    0.862
    """
    check_altitude_m(altitude_m)
    if basis not in get_args(Basis):
        raise ValueError(f"basis={basis!r} must be one of {get_args(Basis)}")
    geopotential_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)
    warmth = 1.0 - LAPSE_K_M * geopotential_m / SEA_LEVEL_K
    return float(warmth ** (PRESSURE_EXPONENT - (1.0 if basis == "density" else 0.0)))


def sea_level_compression_kpa(
    measured_kpa: float, altitude_m: float, *, basis: Basis = "pressure"
) -> float:
    """Return what a cylinder that was cranked at a height would have shown at sea level [kPa].

    A cranking compression is the ambient pressure times a constant of the engine, less ambient
    pressure, so gauge pressure scales as the ambient pressure does; that is the default.

    Raises
    ------
    GaugeError
        If the reading or the height is impossible.

    References
    ----------
    US Army TM 5-3810-303-24: the least compression depends on altitude. A trade magazine: 120 psi
    becomes about 100 psi at 5000 ft (secondary copy).
    """
    return check_compression_kpa(measured_kpa) / altitude_factor(altitude_m, basis=basis)


def check_altitude_m(altitude_m: float) -> float:
    """Return the height if engines are tested there [m].

    Raises
    ------
    GaugeError
        If they are not.
    """
    low, high = ALTITUDE_RANGE_M
    if not math.isfinite(altitude_m) or not low <= altitude_m <= high:
        raise GaugeError(
            f"altitude of {altitude_m:g} m is not between {low:g} and {high:g} m",
            remedy="Give the height of the shop above sea level in metres (1000 ft is 305 m).",
        )
    return altitude_m
