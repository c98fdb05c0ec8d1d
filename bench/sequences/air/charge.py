"""Charging the trailer: does its supply fill, how fast, and where does it end?"""

from bench.profiles.air_model import PA_PER_PSI
from bench.sequences.air import rig
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.values import judged

BUILD_UP_PA = (50 * PA_PER_PSI, 90 * PA_PER_PSI)
SETTING = "what the bench is set to, common practice, no source"


async def charge(inspection: Inspection, outcome: Outcome) -> None:
    """Fill from empty and close; the build-up is kept as a recording."""
    await rig.arm(inspection)
    track = await rig.charge(inspection)
    inspection.air.charge = track.trace("charging the supply", "supply_pa")
    outcome.traces.append(inspection.air.charge)
    outcome.values += [
        judged("supply after charging", track.pressure_pa[-1], "Pa", low=rig.FULL_PA, source=SETTING),
        judged("time from 50 to 90 psi at the coupling", _between(track.time_s, track.pressure_pa), "s"),
    ]


def _between(time_s: list[float], pressure_pa: list[float]) -> float | None:
    """Between the first readings at or above the two pressures; None when it began above the lower one."""
    passed = [
        next((when for when, value in zip(time_s, pressure_pa, strict=True) if value >= mark), None)
        for mark in BUILD_UP_PA
    ]
    return passed[1] - passed[0] if passed[0] is not None and passed[1] is not None else None
