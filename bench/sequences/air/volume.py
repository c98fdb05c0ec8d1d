"""How much air is behind the supply coupling: the first charge through a fill path of known conductance.

Mass over rise is volume (``bench.air.volume``). It begins from nothing, because a check valve hides what a
reservoir still holds: a person must have drained it. When the air has settled its pressure is read, and a leak
meanwhile is taken back by the fall at the end. A flow in litres can be told from then on.
"""

from statistics import fmean

import numpy as np

from bench.air.gas import ATMOSPHERE_PA
from bench.air.volume import CANNOT_TELL, VolumeEstimate, keeps_reservoir_rule, metered_mass_kg, volume_by_charge
from bench.errors import PermitDenied
from bench.profiles.air_model import PA_PER_PSI, AirSystem
from bench.profiles.chambers import CHAMBERS
from bench.results import Value, Verdict
from bench.sequences.air import rig
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection, Outcome

AFTER_S = 120.0
LAST_S = 40.0  # of the wait, whose mean and slope count
SENSOR_PA = 0.05 * PA_PER_PSI  # of a difference of two means: the zero cancels, the walk does not
TIMES, RULE = (
    8.0,
    "49 CFR 571.121 S5.2.1.1: reservoirs of 8 times all service chambers, by a maker's manual (second-hand)",
)


async def volume(inspection: Inspection, outcome: Outcome) -> None:
    """Let the first charge settle and say what volume it filled."""
    air, filled = rig.system(inspection), inspection.air.first_fill
    if air.fill_c is None:
        raise PermitDenied("the profile does not give the conductance of the bench's fill path: no volume, no litres")
    if filled is None:
        raise PermitDenied("nobody said that the reservoirs were drained before the first charge (reservoirs-drained)")
    await rig.ready(inspection)
    end = await _settled(inspection, AFTER_S)
    estimate = _estimate(inspection, air, filled, end)
    inspection.air.volume_m3 = estimate.volume_m3
    _conclude(outcome, air, estimate)


async def _settled(inspection: Inspection, seconds: float) -> Track:
    """Wait; the readings of the wait's last part."""
    track = Track()
    seen = began = await rig.look(inspection)
    while seen.uptime_s - began.uptime_s < seconds:
        seen = await rig.look(inspection, since=seen)
        if seen.uptime_s - began.uptime_s >= seconds - LAST_S:
            track.add(seen.uptime_s, inspection.guard.air.pressures.supply_pa or 0.0)
    inspection.progress(seen, f"settled at {rig.in_psi(track.pressure_pa[-1])}")
    return track


def _estimate(inspection: Inspection, air: AirSystem, filled: Track, end: Track) -> VolumeEstimate:
    kelvins = (inspection.air.weather[-1][1] if inspection.air.weather else inspection.ambient_c) + 273.15
    times, coupling = np.array(filled.time_s), np.array(filled.pressure_pa)
    source = np.full(times.size, fmean(filled.pressure_pa[-5:]) + ATMOSPHERE_PA)
    mass_kg = metered_mass_kg(times, source, coupling + ATMOSPHERE_PA, air.fill_c or 0.0, air.fill_b, kelvins)
    return volume_by_charge(mass_kg, coupling[0], _at(end, filled.time_s[-1]), kelvins, SENSOR_PA, AFTER_S)


def _at(track: Track, time_s: float) -> float:
    """Pressure of a settled line at another time, by its own fall."""
    slope, _ = np.polyfit(np.array(track.time_s) - track.time_s[0], track.pressure_pa, 1)
    return fmean(track.pressure_pa) + float(slope) * (time_s - fmean(track.time_s))


def _conclude(outcome: Outcome, air: AirSystem, found: VolumeEstimate) -> None:
    low, litres, high = (each * 1000 for each in (found.low_m3, found.volume_m3, found.high_m3))
    outcome.values.append(Value("volume behind the supply coupling", litres, "L", source="metered charge"))
    chambers_m3 = sum(CHAMBERS[end.chamber].volume_m3 for end in air.wheel_ends)
    kept = keeps_reservoir_rule(found, chambers_m3, TIMES)
    verdict = Verdict.PASS if kept else Verdict.UNSURE
    ratio = found.volume_m3 / chambers_m3
    outcome.values.append(Value("that volume over all service chambers'", ratio, "1", TIMES, None, verdict, RULE))
    outcome.reasons.append(f"{litres:.0f} L, between {low:.0f} and {high:.0f} L (95 %); can't tell {CANNOT_TELL[0]}")
    if not kept:
        outcome.reasons.append(
            "the reservoirs may be smaller than 8 times the chambers, or hold water: drain them, repeat"
        )
