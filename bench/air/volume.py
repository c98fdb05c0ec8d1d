"""How much volume is behind a coupling: a metered charge, or sharing with a vessel of known volume.

Theory. At one temperature, pressures share by volume: ``V = V_known (p_known - p_end) / (p_end -
p_start)``. A metered charge brings the mass ``m`` through a known orifice (ISO 6358, integrated over
the pulse), and ``V = m R T / (p_end - p_start)``. Air just charged is warm, so a volume read too soon
reads small: after 5 s by 7.5 %, after 120 s by less than the sensors; a weakly convecting tank needs
twice as long.
"""

import math
from dataclasses import dataclass

import numpy as np

from bench.air.gas import R_AIR, iso_6358_flow_kg_per_s
from bench.air.settling import FloatArray

_SETTLING_DOUBT = 0.075
_SETTLING_S = 25.0
_TEMPERATURE_DOUBT = 0.01  # 3 K of what the air's temperature is
_CONDUCTANCE_DOUBT = 0.03
_TWO_SIDED_95 = 1.959964
CANNOT_TELL = (
    "water in the tank from a smaller tank",
    "how the volume is shared between reservoirs, lines and chambers",
)


@dataclass(frozen=True, slots=True)
class VolumeEstimate:
    """A volume and its 95 % interval, m3."""

    volume_m3: float
    low_m3: float
    high_m3: float
    cannot_tell: tuple[str, ...] = CANNOT_TELL


def volume_by_sharing(
    known_m3: float, known_pa: float, start_pa: float, end_pa: float, sensor_pa: float, waited_s: float
) -> VolumeEstimate:
    """Share the air of a known vessel with the trailer.

    Args:
        known_m3: the vessel.
        known_pa: in the vessel before.
        start_pa: in the trailer before.
        end_pa: in both after; any of the three gauge or absolute alike.
        sensor_pa: standard uncertainty of a difference of two readings.
        waited_s: between the sharing and the last reading.

    Raises:
        ValueError: the end is not between the two starts.
    """
    given, taken = known_pa - end_pa, end_pa - start_pa
    if given * taken <= 0:
        raise ValueError("after sharing the pressure must lie between the two before")
    doubts = (sensor_pa / abs(given), sensor_pa / abs(taken), _unsettled(waited_s), 0.002)
    return _estimate(known_m3 * given / taken, doubts)


def metered_mass_kg(
    time_s: FloatArray,
    upstream_pa: FloatArray,
    downstream_pa: FloatArray,
    conductance: float,
    critical_ratio: float,
    temperature_k: float,
) -> float:
    """Mass through an orifice of known C, m3/(s Pa), and b while its pressures (absolute) were recorded."""
    pairs = zip(upstream_pa, downstream_pa, strict=True)
    flow = [iso_6358_flow_kg_per_s(conductance, critical_ratio, up, down, temperature_k) for up, down in pairs]
    return float(np.trapezoid(flow, time_s))


def volume_by_charge(
    mass_kg: float, start_pa: float, end_pa: float, temperature_k: float, sensor_pa: float, waited_s: float
) -> VolumeEstimate:
    """A known mass of air raised the pressure from start to end.

    Raises:
        ValueError: the pressure did not rise.
    """
    rise = end_pa - start_pa
    if rise <= 0:
        raise ValueError("the pressure did not rise: nothing was charged")
    doubts = (sensor_pa / rise, _TEMPERATURE_DOUBT, _CONDUCTANCE_DOUBT, _unsettled(waited_s))
    return _estimate(mass_kg * R_AIR * temperature_k / rise, doubts)


def keeps_reservoir_rule(estimate: VolumeEstimate, chambers_m3: float, times: float = 8.0) -> bool | None:
    """Whether the volume is at least ``times`` that of the chambers (49 CFR 571.121 S5.2.1.1); None when too close."""
    needed = times * chambers_m3
    if estimate.low_m3 >= needed:
        return True
    return False if estimate.high_m3 < needed else None


def _unsettled(waited_s: float) -> float:
    """Relative doubt by air that is still warm."""
    return _SETTLING_DOUBT * math.exp(-waited_s / _SETTLING_S)


def _estimate(volume_m3: float, doubts: tuple[float, ...]) -> VolumeEstimate:
    half = _TWO_SIDED_95 * math.hypot(*doubts) * volume_m3
    return VolumeEstimate(volume_m3, volume_m3 - half, volume_m3 + half)
