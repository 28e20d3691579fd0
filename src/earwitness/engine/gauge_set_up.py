"""Set the leakage tester up: orifice, pressures, zero, and the order of doing it."""

from __future__ import annotations

from dataclasses import dataclass

MM_PER_INCH = 25.4
"""Millimetres in an inch [mm]. Exact by definition, NIST SP 811 (2008)."""
ORIFICE_SMALL_BORE_MM = 0.040 * MM_PER_INCH
"""Metering orifice below the bore that parts the two [mm]. FAA AC 43.13-1B change 1 (2001):
0.040 in, 0.250 in long, 60 degree approach; seen in a secondary copy."""
ORIFICE_LARGE_BORE_MM = 0.060 * MM_PER_INCH
"""Metering orifice from that bore upwards [mm]. Same place: 0.060 in."""
LARGE_BORE_MM = 5.00 * MM_PER_INCH
"""Bore that parts the two orifices [mm]. Same place: 5.00 in."""
FIRST_PRESSURE_KPA = 138.0
"""Pressure at which the piston is brought to the top [kPa]. FAA AC 43.13-1B 8-14b(5)(e): 20 psi."""
TEST_PRESSURE_KPA = 552.0
"""Pressure at which the leakage is read [kPa]. FAA AC 43.13-1B 8-14b(5)(f): 80 psi."""
SHOP_AIR_KPA = (690.0, 830.0)
"""Supply before the regulator [kPa]. FAA AC 43.13-1B 8-14b(5)(b) to (d): about 100 to 120 psi."""
AC = "FAA AC 43.13-1B 8-14b(5)"
PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do or to know, and where it comes from."""

    text: str
    source: str
    brief: str = ""
    """The same in a few words, for a printed sheet."""


@dataclass(frozen=True, slots=True)
class GaugeSetUp:
    """How to set the leakage tester up before the first cylinder."""

    orifice_mm: float | None
    """Metering orifice for this bore [mm]; None if the bore is not known."""
    first_kpa: float
    """Supply pressure while the piston is brought to the top [kPa]."""
    test_kpa: float
    """Supply pressure at which the leakage is read [kPa]."""
    note: str
    steps: tuple[Advice, ...] = ()
    """What to do, in order."""


def gauge_set_up(bore_mm: float | None) -> GaugeSetUp:
    """Return pressures, metering orifice and steps for a bore [mm].

    References
    ----------
    FAA AC 43.13-1B paragraph 8-14b(5) and change 1: 0.040 in below 5.00 in bore, 0.060 in from
    there on.
    """
    note = (
        "A percentage means nothing without the orifice it was read through: note its size. "
        "The maker's pressure and orifice win over these figures of FAA AC 43.13-1B."
    )
    orifice = orifice_for_bore(bore_mm)
    return GaugeSetUp(orifice, FIRST_PRESSURE_KPA, TEST_PRESSURE_KPA, note, _steps())


def orifice_for_bore(bore_mm: float | None) -> float | None:
    """Return the metering orifice that AC 43.13-1B gives for a bore, both [mm]; None if unknown.

    Examples
    --------
    >>> round(orifice_for_bore(86.0), 3), round(orifice_for_bore(127.0), 3)
    (1.016, 1.524)
    """
    if bore_mm is None:
        return None
    return ORIFICE_SMALL_BORE_MM if bore_mm < LARGE_BORE_MM else ORIFICE_LARGE_BORE_MM


def _steps() -> tuple[Advice, ...]:
    low, high = SHOP_AIR_KPA
    first, test = FIRST_PRESSURE_KPA, TEST_PRESSURE_KPA
    return (
        Advice("Without air, both gauges stand at zero.", PRACTICE, "No air: both gauges at zero."),
        Advice(
            f"Clean, dry air of {low:.0f} to {high:.0f} kPa before the regulator.",
            f"{AC}(d)",
            f"Clean, dry air, {low:.0f} to {high:.0f} kPa.",
        ),
        Advice(
            "Hose shut: both gauges agree, a percent scale shows 0. Hose open: it shows 100. "
            "Note both now, and again after the last cylinder.",
            PRACTICE,
            "Note the scale with the hose shut (0) and open (100), before and after.",
        ),
        Advice(
            f"Regulator to {first:.0f} kPa first; the cylinder gauge must follow. "
            "Bring the piston to the top at this pressure.",
            f"{AC}(e)",
            f"{first:.0f} kPa; the cylinder gauge follows. Find the top.",
        ),
        Advice(
            f"At the top: valve fully open, regulator to {test:.0f} kPa with the air flowing, set "
            "again if it falls.",
            f"{AC}(h)",
            f"Valve fully open, {test:.0f} kPa with the air flowing.",
        ),
        Advice(
            "Read when the needles stand still. Let the air off and read again, three times in "
            "all.",
            PRACTICE,
            "Needles still: read. Three times, the air off between.",
        ),
        Advice(
            "Over the limit: run the engine for 3 minutes and read again before believing it.",
            f"{AC}(i)",
            "Over the limit: run it 3 minutes, read again.",
        ),
    )
