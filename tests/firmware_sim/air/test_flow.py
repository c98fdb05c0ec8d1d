"""Flows against published tables and general reference libraries."""

from math import pi, sqrt

import numpy as np
import pytest
from fluids import friction_factor
from fluids.compressible import isothermal_gas
from fluids.safety_valve import API520_A_g
from hypothesis import given
from hypothesis import strategies as st

from bench.profiles.air_model import M3_PER_IN3, PA_PER_PSI
from firmware_sim.air.flow import ANR_K, ANR_KG_PER_M3, R_AIR, conductance_of_leak, hose_conductance, mass_flow

INCH_M = 0.0254
STANDARD_KG_PER_M3 = 101_325.0 / (R_AIR * 293.15)  # 68 degF, 14.696 psia
SCFM_M3_PER_S = 0.3048**3 / 60
GAUGE_100_PSI_PA = 114.696 * PA_PER_PSI


def ideal_hole_c(bore_m: float) -> float:
    """Isentropic choked flow of a round hole, discharge coefficient 1, as a sonic conductance."""
    kg_per_s_pa = 0.04041 * pi / 4 * bore_m**2 / sqrt(ANR_K)
    return kg_per_s_pa / ANR_KG_PER_M3


def flow(upstream_pa: float, downstream_pa: float, c: float, b: float, kelvin: float = 293.15) -> float:
    return float(mass_flow(*(np.array(each) for each in (upstream_pa, downstream_pa, kelvin, c, b))))


@pytest.mark.parametrize(
    ("inches", "scfm"), [(1 / 64, 0.406), (1 / 32, 1.62), (1 / 16, 6.49), (1 / 8, 26.0), (1 / 4, 104.0)]
)
def test_choked_flow_is_that_of_the_published_orifice_table(inches, scfm):
    """Discharge of air through an orifice at 100 psig, coefficient 100 %: engineering table on the public web."""
    kg_per_s = flow(GAUGE_100_PSI_PA, 101_325.0, ideal_hole_c(inches * INCH_M), 0.528)

    assert kg_per_s / STANDARD_KG_PER_M3 / SCFM_M3_PER_S == pytest.approx(scfm, rel=0.006)


@given(psia=st.floats(30, 200), kelvin=st.floats(250, 330), bore_mm=st.floats(0.1, 10))
def test_choked_flow_needs_the_area_that_api_520_says(psia, kelvin, bore_mm):
    """API 520 critical flow as the library fluids has it; it takes back pressure into account only below critical."""
    kg_per_s = flow(psia * PA_PER_PSI, 101_325.0, ideal_hole_c(bore_mm / 1000), 0.528, kelvin)
    area = API520_A_g(m=kg_per_s, T=kelvin, Z=1.0, MW=28.9647, k=1.4, P1=psia * PA_PER_PSI, Kd=1.0)

    assert area == pytest.approx(pi / 4 * (bore_mm / 1000) ** 2, rel=5e-4)


@given(ratio=st.floats(0.53, 0.99))
def test_subsonic_flow_stays_near_the_isentropic_nozzle(ratio):
    """St Venant and Wantzel (textbook); the standard's ellipse is known to lie within a few per cent of it."""
    upstream_pa = 8e5
    exact = sqrt(7.0 * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4))) / (1.4**0.5 * (2 / 2.4) ** 3)

    share = flow(upstream_pa, ratio * upstream_pa, 1e-8, 0.528) / flow(upstream_pa, 0.1 * upstream_pa, 1e-8, 0.528)
    assert share == pytest.approx(exact, abs=0.01)


@given(upstream_pa=st.floats(1e5, 1e6), ratio=st.floats(0, 1), c=st.floats(1e-10, 1e-6), b=st.floats(0.1, 0.55))
def test_flow_never_grows_with_back_pressure(upstream_pa, ratio, c, b):
    more_open, less_open = (flow(upstream_pa, upstream_pa * each, c, b) for each in (ratio, min(1.0, ratio + 0.01)))

    assert more_open >= less_open >= 0
    assert flow(upstream_pa, upstream_pa, c, b) == 0


@pytest.mark.parametrize(("length_m", "bore_m"), [(14.2, 0.0095), (3.0, 0.0095), (30.0, 0.0127), (14.2, 0.008)])
def test_a_hose_chokes_at_the_flow_of_isothermal_pipe_flow(length_m, bore_m):
    """fluids.isothermal_gas with a smooth hose's friction and one velocity head for its ends."""
    upstream_pa, viscosity = 7.9e5, 1.82e-5
    kg_per_s = hose_conductance(length_m, bore_m) * ANR_KG_PER_M3 * upstream_pa
    reynolds = 4 * kg_per_s / (pi * bore_m * viscosity)
    friction = friction_factor(reynolds, 1.5e-6 / bore_m) + bore_m / length_m
    density = upstream_pa / R_AIR / 293.15

    def by_library(ratio: float) -> float:
        try:
            return isothermal_gas(
                rho=density, fd=friction, P1=upstream_pa, P2=ratio * upstream_pa, L=length_m, D=bore_m
            )
        except ValueError:  # beyond choking
            return 0.0

    assert kg_per_s == pytest.approx(max(by_library(ratio) for ratio in np.linspace(0.05, 0.9, 60)), rel=0.08)


@pytest.mark.parametrize(
    ("in3", "psi_per_min", "normal_litres", "hole_mm"),
    [(1000, 1, 1.12, 0.12), (1424, 2, 3.18, 0.21), (2848, 1, 3.18, 0.21), (2848, 4, 12.7, 0.42)],
)
def test_a_leak_in_psi_a_minute_is_the_flow_of_the_gas_law(in3, psi_per_min, normal_litres, hole_mm):
    """Isothermal gas law, worked separately; normal litres at 0 degC would be less: these are at 20 degC, 1 atm."""
    c = conductance_of_leak(psi_per_min * PA_PER_PSI / 60, in3 * M3_PER_IN3, GAUGE_100_PSI_PA, 293.15)
    kg_per_s = flow(GAUGE_100_PSI_PA, 101_325.0, c, 0.5)

    assert kg_per_s * 60e3 / STANDARD_KG_PER_M3 == pytest.approx(normal_litres, rel=0.01)
    assert sqrt(c / ideal_hole_c(1.0)) * 1000 == pytest.approx(hole_mm, abs=0.006)


def test_one_psi_a_minute_in_the_trailer_is_3_6_normal_litres():
    """52.9 L x 6.895 kPa / 101.325 kPa = 3.60 L a minute."""
    c = conductance_of_leak(PA_PER_PSI / 60, 52.9e-3, GAUGE_100_PSI_PA, 293.15)

    assert flow(GAUGE_100_PSI_PA, 101_325.0, c, 0.5) * 60e3 / STANDARD_KG_PER_M3 == pytest.approx(3.6, rel=0.005)
