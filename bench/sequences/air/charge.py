"""Charging the trailer: does its supply fill, how fast, and where does it end?"""

from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI
from bench.sequences.air import rig
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.operator import Question, is_yes
from bench.sequences.values import judged

EVERY_S = 0.1
DRAINED = Question(
    "reservoirs-drained",
    "For the volume: were all reservoirs drained to nothing just now, and are their drain valves shut again?",
    lasts=False,
)
BUILD_UP_PA = (50 * PA_PER_PSI, 90 * PA_PER_PSI)
SETTING = "what the bench is set to, common practice, no source"


async def charge(inspection: Inspection, outcome: Outcome) -> None:
    """Fill from empty and close; the build-up is kept as a recording."""
    await rig.arm(inspection)
    metered = rig.system(inspection).fill_c is not None
    drained = metered and is_yes(await inspection.operator.ask(DRAINED))
    before_pa = inspection.guard.air.pressures.supply_pa or 0.0
    track = await rig.charge(inspection, EVERY_S)
    if drained:
        inspection.air.first_fill = await _from_nothing(inspection, track, before_pa)
    inspection.air.charge = track.trace("charging the supply", "supply_pa")
    outcome.traces.append(inspection.air.charge)
    outcome.values += [
        judged("supply after charging", track.pressure_pa[-1], "Pa", low=rig.FULL_PA, source=SETTING),
        judged("time from 50 to 90 psi at the coupling", _between(track.time_s, track.pressure_pa), "s"),
    ]


async def _from_nothing(inspection: Inspection, track: Track, before_pa: float) -> Track:
    """The fill from its valve's opening to its closing, by the board's own log."""
    opened_s = await inspection.guard.moved_s(Valve.SUPPLY_FILL, True) or track.time_s[0]
    closed_s = await inspection.guard.moved_s(Valve.SUPPLY_FILL, False) or track.time_s[-1]
    inner = [(t, p) for t, p in zip(track.time_s, track.pressure_pa, strict=True) if opened_s < t < closed_s]
    times, values = zip((opened_s, before_pa), *inner, (closed_s, inner[-1][1]), strict=True)
    return Track(list(times), list(values))


def _between(time_s: list[float], pressure_pa: list[float]) -> float | None:
    """Between the first readings at or above the two pressures; None when it began above the lower one."""
    passed = [
        next((when for when, value in zip(time_s, pressure_pa, strict=True) if value >= mark), None)
        for mark in BUILD_UP_PA
    ]
    return passed[1] - passed[0] if passed[0] is not None and passed[1] is not None else None
