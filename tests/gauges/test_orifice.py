"""Flow through an orifice against handbooks, a general library and the energy agency's table."""

import math

import fluids
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import GaugeError
from earwitness.gauges.orifice import (
    choked_coefficient,
    critical_pressure_ratio,
    flow_factor,
    free_air_l_min,
    leak_size,
    leak_size_interval,
    mass_flow_kg_s,
)

PSI = 6.894757293168361
ATM = 101.325
KG_PER_FT3 = 0.07494 * 0.45359237
"""Mass of a cubic foot of free air, 0.07494 lb/ft3 at 70 F and 1 atm [kg]."""
T_70F = (70 - 32) / 1.8 + 273.15


def test_choked_coefficient():
    """0.040415 for air, from the textbook formula with R = 287.05 (seen in a secondary copy)."""
    assert choked_coefficient() == pytest.approx(0.040415, abs=5e-7)


def test_critical_ratio_of_a_general_library():
    assert critical_pressure_ratio() == pytest.approx(fluids.P_critical_flow(1.0, 1.4), rel=1e-12)
    assert critical_pressure_ratio(1.3) == pytest.approx(
        fluids.P_critical_flow(1.0, 1.3), rel=1e-12
    )


def test_worked_example_one_square_millimetre():
    """7 bar abs, 20 C, 1 mm2: 1.65 g/s and 84 L/min ANR (secondary transcription)."""
    flow = mass_flow_kg_s(inlet_kpa=700, outlet_kpa=100, area_mm2=1.0, temperature_k=293.15)
    assert flow * 1e3 == pytest.approx(1.65, abs=0.005)
    assert free_air_l_min(flow) == pytest.approx(84, abs=0.5)


@pytest.mark.parametrize(
    ("ratio", "factor"),
    [
        (0.1, 1),
        (0.528, 1),
        (0.6, 0.98859),
        (0.7, 0.93222),
        (0.8, 0.81880),
        (0.9, 0.61715),
        (0.95, 0.44929),
    ],
)
def test_isentropic_flow_over_choked(ratio, factor):
    """Isentropic ratio table, calculated by an independent implementation."""
    assert flow_factor(ratio) == pytest.approx(factor, abs=1e-5)


@pytest.mark.parametrize(
    ("ratio", "iso"), [(0.6, 0.98830), (0.7, 0.93124), (0.8, 0.81726), (0.9, 0.61550)]
)
def test_the_ellipse_of_iso_6358_lies_within_half_a_percent(ratio, iso):
    """ISO 6358 with b = 0.528."""
    assert flow_factor(ratio) == pytest.approx(iso, rel=0.005)
    assert iso == pytest.approx(math.sqrt(1 - ((ratio - 0.528) / 0.472) ** 2), abs=1e-5)


def test_flow_stops_without_a_difference_and_refuses_nonsense():
    assert flow_factor(1.0) == 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        flow_factor(1.1)
    with pytest.raises(ValueError, match="outlet_kpa"):
        mass_flow_kg_s(inlet_kpa=100, outlet_kpa=200, area_mm2=1)


def test_choked_flow_of_a_general_library():
    """Density times speed of sound in the throat that `fluids` gives is the same flow."""
    p0, t0 = 651.325e3, 293.15
    throat_p = fluids.P_critical_flow(p0, 1.4)
    throat_t = fluids.T_critical_flow(t0, 1.4)
    per_area = throat_p / (287.05 * throat_t) * math.sqrt(1.4 * 287.05 * throat_t)
    ours = mass_flow_kg_s(inlet_kpa=p0 / 1e3, outlet_kpa=ATM, area_mm2=1e6, temperature_k=t0)
    assert ours == pytest.approx(per_area, rel=1e-9)


DOE = {
    70: (0.29, 1.16, 4.66, 18.62, 74.4, 167.8),
    80: (0.32, 1.26, 5.24, 20.76, 83.1, 187.2),
    90: (0.36, 1.46, 5.72, 23.1, 92.0, 206.6),
    100: (0.40, 1.55, 6.31, 25.22, 100.9, 227.0),
    125: (0.48, 1.94, 7.66, 30.65, 122.2, 275.5),
}
"""US DOE, Minimize Compressed Air Leaks: leakage by gauge pressure [psi] and hole [cfm free air];
seen in a secondary transcription. The table already carries a coefficient of about 0.967."""
HOLES_INCH = (1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4, 3 / 8)


@pytest.mark.parametrize("psig", DOE)
def test_leakage_table_of_the_energy_agency(psig):
    for inch, cfm in zip(HOLES_INCH, DOE[psig], strict=True):
        flow = mass_flow_kg_s(
            inlet_kpa=psig * PSI + ATM,
            outlet_kpa=ATM,
            area_mm2=math.pi / 4 * (inch * 25.4) ** 2,
            temperature_k=T_70F,
            discharge=0.967,
        )
        tolerance = 0.02 if inch >= 1 / 16 else 0.06
        assert flow / KG_PER_FT3 * 60 == pytest.approx(cfm, rel=tolerance)


def test_moss_table_flow_of_a_quarter_inch():
    """Moss: 1/4 in, 100 psig, 530 R, C = 1: 0.12969 lb/s = 103.8 scfm (trade secondary)."""
    flow = mass_flow_kg_s(
        inlet_kpa=(100 + 14.7) * PSI,
        outlet_kpa=14.7 * PSI,
        area_mm2=math.pi / 4 * 6.35**2,
        temperature_k=530 / 1.8,
    )
    assert flow / 0.45359237 == pytest.approx(0.12969, rel=0.004)
    assert flow / KG_PER_FT3 * 60 == pytest.approx(103.8, rel=0.004)


@pytest.mark.parametrize(
    ("orifice_inch", "percent", "hole_mm"),
    [
        (0.040, 10, 0.80),
        (0.040, 25, 1.05),
        (0.040, 50, 1.33),
        (0.060, 10, 1.21),
        (0.060, 25, 1.57),
        (0.060, 50, 2.00),
    ],
)
def test_equivalent_hole_at_80_psi(orifice_inch, percent, hole_mm):
    """Tester physics, calculated by an independent implementation: equal coefficients."""
    size = leak_size(percent, orifice_mm=orifice_inch * 25.4, supply_kpa=80 * PSI)
    assert size.hole_mm == pytest.approx(hole_mm, abs=0.006)


@pytest.mark.parametrize(
    ("cylinder_psi", "area_ratio"),
    [
        (78, 0.303),
        (75, 0.487),
        (72, 0.625),
        (70, 0.707),
        (65, 0.890),
        (60, 1.059),
        (50, 1.384),
        (40, 1.722),
    ],
)
def test_leak_area_over_orifice_area(cylinder_psi, area_ratio):
    """Tester physics at 80 psi into 14.696 psi, calculated by an independent implementation."""
    size = leak_size(100 * (80 - cylinder_psi) / 80, orifice_mm=1.0, supply_kpa=80 * PSI)
    assert size.hole_mm**2 == pytest.approx(area_ratio, abs=6e-4)


@pytest.mark.parametrize(("orifice_inch", "g_s"), [(0.040, 1.04), (0.060, 2.34)])
def test_flow_at_25_percent(orifice_inch, g_s):
    size = leak_size(25, orifice_mm=orifice_inch * 25.4, supply_kpa=80 * PSI)
    assert size.flow_g_s == pytest.approx(g_s, abs=0.01)
    assert size.free_air_l_min == pytest.approx(size.flow_g_s / 1.185 * 60, rel=1e-9)


@settings(max_examples=25)
@given(st.floats(0, 99), st.floats(0, 99), st.floats(0.5, 3), st.floats(50, 1200))
def test_more_leakage_is_a_larger_hole(a, b, orifice, supply):
    low, high = (
        leak_size(p, orifice_mm=orifice, supply_kpa=supply).hole_mm for p in sorted((a, b))
    )
    assert 0 <= low <= high


@settings(max_examples=25)
@given(st.floats(0.1, 99), st.floats(0.3, 3), st.floats(0.3, 3))
def test_the_hole_scales_with_the_orifice(percent, a, b):
    holes = [leak_size(percent, orifice_mm=o, supply_kpa=600).hole_mm / o for o in (a, b)]
    assert holes[0] == pytest.approx(holes[1])


def test_no_leak_and_no_pressure():
    assert leak_size(0, orifice_mm=1, supply_kpa=600).hole_mm == 0
    assert leak_size(100, orifice_mm=1, supply_kpa=600) is None


@pytest.mark.parametrize(
    ("percent", "orifice", "supply"),
    [(140, 1, 600), (25, 0, 600), (25, 40, 600), (25, math.nan, 600), (25, 1, -1)],
)
def test_impossible_set_ups(percent, orifice, supply):
    with pytest.raises(GaugeError):
        leak_size(percent, orifice_mm=orifice, supply_kpa=supply)


def test_interval_of_a_reading_to_one_percent():
    """Tester physics at 80 psi into 14.696 psi (independent implementation): area ratio .487 at
    6.25 %, .625 at 10 %, .707 at 12.5 %; so 10 % give or take 2.5 lie between them."""
    leak = leak_size_interval(10.0, half_width_percent=2.5, orifice_mm=1.0, supply_kpa=80 * PSI)
    assert leak.best.hole_mm**2 == pytest.approx(0.625, abs=6e-4)
    assert leak.high.hole_mm**2 == pytest.approx(0.707, abs=6e-4)
    assert 0.487 < leak.low.hole_mm**2 < 0.625


@settings(max_examples=25)
@given(st.floats(0, 99.9), st.floats(0, 20), st.floats(0, 20))
def test_a_wider_reading_is_a_wider_leak(percent, a, b):
    narrow, wide = (
        leak_size_interval(percent, half_width_percent=w, orifice_mm=1.0, supply_kpa=600)
        for w in sorted((a, b))
    )
    assert wide.low.hole_mm <= narrow.low.hole_mm <= narrow.best.hole_mm
    assert narrow.best == wide.best
    assert wide.low.flow_g_s <= narrow.low.flow_g_s
    if wide.high is not None:
        assert narrow.best.hole_mm <= narrow.high.hole_mm <= wide.high.hole_mm


def test_an_interval_that_reaches_all_has_no_upper_end():
    leak = leak_size_interval(99.0, half_width_percent=2.0, orifice_mm=1.0, supply_kpa=600)
    assert leak.high is None
    assert leak_size_interval(100, half_width_percent=1, orifice_mm=1, supply_kpa=600) is None
    with pytest.raises(ValueError, match="negative"):
        leak_size_interval(10, half_width_percent=-1, orifice_mm=1, supply_kpa=600)


def flux(inlet_pa, outlet_pa):
    """Isentropic mass flow a square metre [kg/(s m2)] by way of a general library: fluids has no
    such function, so the speed v = sqrt(2 cp (T0 - T)) is taken at fluids' isentropic temperature,
    and the throat at fluids' critical pressure where the flow is choked."""
    throat_pa = max(outlet_pa, fluids.P_critical_flow(inlet_pa, 1.4))
    throat_k = fluids.isentropic_T_rise_compression(293.15, inlet_pa, throat_pa, 1.4)
    speed = math.sqrt(2 * 1.4 / 0.4 * 287.05 * (293.15 - throat_k))
    return throat_pa / (287.05 * throat_k) * speed


@pytest.mark.parametrize("psig", [20, 60, 80, 100])
@pytest.mark.parametrize("share", [0.2, 0.6, 0.8, 0.95])
def test_subsonic_and_choked_flow_of_a_general_library(psig, share):
    inlet = psig * PSI + ATM
    flow = mass_flow_kg_s(inlet_kpa=inlet, outlet_kpa=share * inlet, area_mm2=1.0)
    assert flow == pytest.approx(flux(inlet * 1e3, share * inlet * 1e3) * 1e-6, rel=1e-9)


@settings(max_examples=25)
@given(st.floats(1, 95), st.floats(100, 1000), st.floats(60, 105))
def test_what_comes_through_the_orifice_leaves_by_the_leak(percent, supply, ambient):
    """At any ambient pressure; flows by way of a general library."""
    size = leak_size(percent, orifice_mm=1.2, supply_kpa=supply, ambient_kpa=ambient)
    cylinder = (supply * (1 - percent / 100) + ambient) * 1e3
    enters = flux((supply + ambient) * 1e3, cylinder) * 1.2**2
    leaves = flux(cylinder, ambient * 1e3) * size.hole_mm**2
    assert enters == pytest.approx(leaves, rel=1e-6)
    assert size.flow_g_s == pytest.approx(enters * math.pi / 4 * 1e-3, rel=1e-6)
