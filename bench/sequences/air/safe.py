"""The end of the air: both lines exhausted, and what is still under pressure."""

from bench.safety import Stage
from bench.sequences.air import rig
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.values import judged

EMPTIES_IN_S = 15.0
SETTING = "interlock setting, from memory"


async def air_safe(inspection: Inspection, outcome: Outcome) -> None:
    """Exhaust both lines, whatever came before, and say what the reservoir still holds."""
    guard = inspection.guard
    if guard.air.state.stage in (Stage.HOLD, Stage.CHARGE):
        inspection.air.supply_pa = guard.air.pressures.supply_pa
    await guard.enter(Stage.SAFE)
    zero_pa = guard.air.thresholds.zero_pa
    seen = began = await rig.look(inspection)
    while seen.uptime_s - began.uptime_s < EMPTIES_IN_S and _highest(inspection) > zero_pa:
        seen = await rig.look(inspection)
    outcome.values += [
        judged("supply line, exhausted", rig.reading(inspection, seen, "supply"), "Pa", high=zero_pa, source=SETTING),
        judged("service line, exhausted", rig.reading(inspection, seen, "service"), "Pa", high=zero_pa, source=SETTING),
    ]
    if _highest(inspection) > zero_pa:
        why = f"a line still holds {rig.in_psi(_highest(inspection))} after the exhaust valves were let go"
        outcome.findings.append(
            rig.bench_finding(why, "exhaust valve", "Stay clear; close the air source and open a glad hand slowly.")
        )
    _say_what_is_left(inspection, outcome)


def _highest(inspection: Inspection) -> float:
    pressures = inspection.guard.air.pressures
    return max(pressures.supply_pa or 0.0, pressures.service_pa or 0.0)


def _say_what_is_left(inspection: Inspection, outcome: Outcome) -> None:
    left_pa = inspection.air.supply_pa
    if left_pa is None or left_pa < inspection.guard.air.thresholds.zero_pa:
        return
    outcome.values.append(judged("reservoir, still charged (from the last supply reading)", left_pa, "Pa"))
    outcome.reasons.append(
        f"the trailer is still charged: its reservoir holds about {rig.in_psi(left_pa)}. Before anyone works on it, "
        "open the drain valve under each reservoir, slowly, from the side, until nothing comes out"
    )
