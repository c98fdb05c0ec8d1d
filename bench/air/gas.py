"""The few gas laws that the air room uses; perfect gas, gamma 1.4.

Sources: ISO 6358 (sonic conductance, critical ratio); textbook isentropic flow and blow-down;
ANR (ISO 8778): 100 kPa, 20 degC, 65 % humidity, density 1.185 kg/m3 (from memory).
Pressures are absolute here.
"""

import math

import numpy as np

from bench.air.settling import FloatArray

ATMOSPHERE_PA = 101_325.0
PSI_PA = 6894.757293168
REFERENCE_PA = 100 * PSI_PA + ATMOSPHERE_PA
"""Leaks are stated as the fall they cause at 100 psig."""

R_AIR = 287.05
GAMMA = 1.4
ANR_KG_PER_M3 = 1.185
ANR_K = 293.15


def leak_of_rate(rate_pa_per_s: float) -> float:
    """A fall at 100 psig as a leak, 1/s."""
    return rate_pa_per_s / REFERENCE_PA


def rate_of_leak(leak: float) -> float:
    """A leak, 1/s, as the fall it causes at 100 psig, Pa/s."""
    return leak * REFERENCE_PA


def choked_flow_kg_per_s(area_m2: float, upstream_pa: float, temperature_k: float, discharge: float = 1.0) -> float:
    """Mass flow of air through a hole whose flow is choked.

    Source: isentropic nozzle flow; ``0.0404 Cd A p / sqrt(T)`` in SI.
    """
    factor = math.sqrt(GAMMA / R_AIR) * math.pow(2 / (GAMMA + 1), (GAMMA + 1) / (2 * (GAMMA - 1)))
    return factor * discharge * area_m2 * upstream_pa / math.sqrt(temperature_k)


def iso_6358_flow_kg_per_s(
    conductance: float, critical_ratio: float, upstream_pa: float, downstream_pa: float, temperature_k: float
) -> float:
    """Mass flow through a component of sonic conductance C, m3/(s Pa) ANR, and critical ratio b."""
    choked = conductance * ANR_KG_PER_M3 * upstream_pa * math.sqrt(ANR_K / temperature_k)
    ratio = min(downstream_pa / upstream_pa, 1.0)
    if ratio <= critical_ratio:
        return choked
    return choked * math.sqrt(max(1 - ((ratio - critical_ratio) / (1 - critical_ratio)) ** 2, 0.0))


def isothermal_blow_down(time_s: FloatArray, start_pa: float, leak: float) -> FloatArray:
    """Pressure of a volume that leaks through a choked hole and keeps its temperature."""
    return np.asarray(start_pa * np.exp(-leak * time_s))


def adiabatic_blow_down(time_s: FloatArray, start_pa: float, leak: float) -> FloatArray:
    """The same without heat from the wall: ``p0 (1 + (gamma-1)/2 k t)**(-2 gamma/(gamma-1))``."""
    power = -2 * GAMMA / (GAMMA - 1)
    return np.asarray(start_pa * (1 + (GAMMA - 1) / 2 * leak * time_s) ** power)


def leak_of_hole(area_m2: float, volume_m3: float, temperature_k: float, discharge: float = 1.0) -> float:
    """The isothermal leak, 1/s, of a choked hole in a volume."""
    return choked_flow_kg_per_s(area_m2, 1.0, temperature_k, discharge) * R_AIR * temperature_k / volume_m3


def flow_m3_per_s_anr(rate_pa_per_s: float, volume_m3: float) -> float:
    """What a fall of pressure in a known volume loses, as free air (ANR); temperature 20 degC."""
    return rate_pa_per_s * volume_m3 / (R_AIR * ANR_K) / ANR_KG_PER_M3


def drift_of_temperature_pa(pressure_pa: float, kelvins: float, temperature_k: float = ANR_K) -> float:
    """What a closed volume's pressure moves when its air warms: ``p dT / T``."""
    return pressure_pa * kelvins / temperature_k
