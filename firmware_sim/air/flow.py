"""Mass flow of air through a restriction, and the constants of air.

ISO 6358: ``m = C rho0 p1 sqrt(T0/T1) psi(p2/p1)`` with the sonic conductance C, ``psi`` 1 up to the
critical ratio b and a quarter ellipse above it. The ellipse is vertical at equal pressures; above the
ratio ``LAMINAR_RATIO`` it is replaced by a straight line, as laminar flow is (usual in simulation; the
figure 0.999 is from memory).
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

R_AIR = 287.05  # J/(kg K)
CP = 1004.7  # J/(kg K)
GAMMA = 1.4
ATMOSPHERE_PA = 101_325.0
ANR_KG_PER_M3 = 1.185  # ISO 6358 reference: 100 kPa, 20 degC, 65 % humidity
ANR_K = 293.15
LAMINAR_RATIO = 0.999
M3_PER_S_PA = 1e-8  # one L/(s bar)


def mass_flow(
    upstream_pa: FloatArray, downstream_pa: FloatArray, upstream_k: FloatArray, c: FloatArray, b: FloatArray
) -> FloatArray:
    """Flow in kg/s, never negative; absolute pressures, upstream the higher.

    Args:
        upstream_pa: all shapes broadcast.
        downstream_pa: not above it.
        upstream_k: temperature of the air that flows.
        c: sonic conductance, m3/(s Pa) at reference conditions.
        b: critical pressure ratio.
    """
    ratio = downstream_pa / upstream_pa
    over = np.maximum((np.minimum(ratio, LAMINAR_RATIO) - b) / (1 - b), 0.0)
    share = np.sqrt(1 - over * over) * np.minimum((1 - ratio) / (1 - LAMINAR_RATIO), 1.0)
    flow: FloatArray = c * (ANR_KG_PER_M3 * ANR_K**0.5) * upstream_pa / np.sqrt(upstream_k) * share
    return flow


def hose_conductance(length_m: float, bore_m: float) -> float:
    """Sonic conductance of a smooth hose, m3/(s Pa).

    ``C = 0.029 D^2 / sqrt(L / D^1.25 + 510)`` in SI units, the usual estimate in books on pneumatic
    drives; from memory, checked against compressible pipe flow in the tests.
    """
    return float(0.029 * bore_m**2 / (length_m / bore_m**1.25 + 510) ** 0.5)


def conductance_of_leak(fall_pa_per_s: float, volume_m3: float, at_pa: float, air_k: float) -> float:
    """Sonic conductance that lets a settled volume fall at this rate at absolute pressure ``at_pa``."""
    kg_per_s = fall_pa_per_s * volume_m3 / (R_AIR * air_k)
    return float(kg_per_s / (ANR_KG_PER_M3 * at_pa * (ANR_K / air_k) ** 0.5))
