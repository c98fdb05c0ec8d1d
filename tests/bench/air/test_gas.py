"""The gas laws against published tables and closed forms."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bench.air import gas

INCH_M, SCFM_M3_PER_S = 0.0254, 0.3048**3 / 60
STANDARD_KG_PER_M3 = 101_325 / (287.05 * 293.15)  # 68 degF, 14.696 psia


@pytest.mark.parametrize(
    ("inch", "scfm"), [(1 / 64, 0.406), (1 / 32, 1.62), (1 / 16, 6.49), (1 / 8, 26.0), (1 / 4, 104.0)]
)
def test_choked_flow_agrees_with_the_published_compressed_air_leak_table(inch: float, scfm: float) -> None:
    """Discharge of air through an orifice at 100 psig, coefficient 1, as compressed-air handbooks print it (read)."""
    area_m2 = math.pi / 4 * (inch * INCH_M) ** 2
    flow = gas.choked_flow_kg_per_s(area_m2, gas.REFERENCE_PA, 293.15)

    assert flow / STANDARD_KG_PER_M3 / SCFM_M3_PER_S == pytest.approx(scfm, rel=0.005)


def test_a_choked_iso_6358_component_passes_what_its_hole_does() -> None:
    """A 1 mm round hole is C = 0.156 dm3/(s bar) (computed from ISO 6358's definition, ANR density from memory)."""
    hole = gas.choked_flow_kg_per_s(math.pi / 4 * 1e-6, 8e5, 293.15)

    assert gas.iso_6358_flow_kg_per_s(0.156e-3 / 1e5, 0.528, 8e5, 1e5, 293.15) == pytest.approx(hole, rel=0.01)


def test_an_iso_6358_component_stops_when_both_sides_are_equal_and_is_half_ellipse_between() -> None:
    full = gas.iso_6358_flow_kg_per_s(1e-8, 0.3, 8e5, 0.3 * 8e5, 293.15)

    assert gas.iso_6358_flow_kg_per_s(1e-8, 0.3, 8e5, 8e5, 293.15) == 0
    assert gas.iso_6358_flow_kg_per_s(1e-8, 0.3, 8e5, 0.65 * 8e5, 293.15) == pytest.approx(full * math.sqrt(0.75))


def test_a_kelvin_is_0_39_psi_at_100_psig() -> None:
    """Gas law at 20 degC: 0.391 psi a kelvin; worked in inspection handbooks as '5 degC is 2 psi'."""
    assert gas.drift_of_temperature_pa(gas.REFERENCE_PA, 1.0) / gas.PSI_PA == pytest.approx(0.391, abs=0.001)


@pytest.mark.parametrize(("heat", "closed"), [(False, gas.adiabatic_blow_down), (True, gas.isothermal_blow_down)])
def test_blow_down_closed_forms_solve_the_energy_balance(heat: bool, closed: object) -> None:
    """LSODA (scipy) on mass and energy of a leaking volume, without and with a perfect wall."""
    volume_m3, area_m2, start_k = 0.0467, 1e-6, 293.15
    leak = gas.leak_of_hole(area_m2, volume_m3, start_k)

    def rates(_: float, state: list[float]) -> list[float]:
        mass, kelvin = state
        pressure = mass * gas.R_AIR * kelvin / volume_m3
        out = gas.choked_flow_kg_per_s(area_m2, pressure, kelvin)
        return [-out, 0.0 if heat else -(gas.GAMMA - 1) * kelvin * out / mass]

    start_kg = gas.REFERENCE_PA * volume_m3 / (gas.R_AIR * start_k)
    times = np.linspace(0, 120, 13)
    solved = solve_ivp(rates, (0, 120), [start_kg, start_k], method="LSODA", t_eval=times, rtol=1e-9, atol=1e-12)
    pressure = solved.y[0] * gas.R_AIR * solved.y[1] / volume_m3

    assert closed(times, gas.REFERENCE_PA, leak) == pytest.approx(pressure, rel=1e-5)  # type: ignore[operator]


def test_a_leak_of_1_psi_a_minute_from_2848_cubic_inches_is_3_18_litres_a_minute() -> None:
    """Isothermal table of falls and flows (computed there from the gas law)."""
    flow = gas.flow_m3_per_s_anr(gas.PSI_PA / 60, 2848 * INCH_M**3)

    assert flow * 60e3 == pytest.approx(3.18, rel=0.02)


def test_blow_down_time_constant_of_a_64th_inch_hole_is_1899_s() -> None:
    """V = 2848 in3: tau = V / (A 0.6847 sqrt(R T)) = 1899 s, a fall of 3.6 psi/min at 100 psig (computed)."""
    leak = gas.leak_of_hole(math.pi / 4 * (INCH_M / 64) ** 2, 2848 * INCH_M**3, 293.15)

    assert 1 / leak == pytest.approx(1899, rel=0.002)
    assert gas.rate_of_leak(leak) / (gas.PSI_PA / 60) == pytest.approx(3.62, abs=0.02)
    assert gas.leak_of_rate(gas.rate_of_leak(leak)) == pytest.approx(leak)
