"""Leak traces for tests, from the independent thermal simulation."""

import numpy as np
from numpy.typing import NDArray

from bench.air.gas import ATMOSPHERE_PA, PSI_PA, leak_of_rate
from bench.profiles.traces import PressureTrace
from tools.tank_truth import random_trailers, watch

FloatArray = NDArray[np.float64]
PSI_PER_MIN = PSI_PA / 60
FAST_S, SLOW_S = 25.0, 240.0


def readings(
    leak_psi_per_min: float | FloatArray,
    seed: int = 1,
    *,
    fill_s: float = FAST_S,
    weak: bool = False,
    noise_psi: float = 0.05,
    drift_k_per_min: float = 0.0,
    watch_s: float = 300.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, gauge readings in Pa and the tank's skin in degC, once a second from the closing of the valve."""
    rng = np.random.default_rng(seed)
    leak = np.atleast_1d(np.asarray(leak_psi_per_min, dtype=float)) * leak_of_rate(PSI_PER_MIN)
    leak = leak if leak.size == 1 else leak[None, :]
    pressure, skin = watch(random_trailers(1, weak, rng), fill_s, leak, drift_k_per_min, watch_s, 1.0)
    zero = np.cumsum(rng.normal(0, 0.02 / 60**0.5, pressure.shape[1]))
    noisy = pressure[0] - ATMOSPHERE_PA + PSI_PA * (zero + rng.normal(0, noise_psi, pressure.shape[1]))
    return np.arange(pressure.shape[1], dtype=float), noisy, skin[0] - 273.15


def supply(times_s: FloatArray, pressure_pa: FloatArray, **columns: FloatArray) -> PressureTrace:
    """A trace with a supply column and whatever else."""
    return PressureTrace(times_s, {"supply": pressure_pa}, written_in={"supply": "psi"}, **columns)
