"""Are the air sensors believable? Everything is de-energised, so both lines are open to the air."""

from statistics import fmean, pstdev

from bench.contract.readings import Snapshot
from bench.profiles.air_model import PA_PER_PSI, AirInput
from bench.results import Value, Verdict
from bench.safety.air_guard import implausible
from bench.sequences.air.rig import bench_finding, look, system
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.values import judged

READINGS = 25
EVERY_S = 0.1
EMPTIES_IN_S = 10.0
ZERO = "interlock setting, from memory: a line that is open to the air"
UNITS = {"supply": "Pa", "service": "Pa", "chamber": "Pa", "stroke": "mm", "tank-skin": "degC"}


async def air_sensors(inspection: Inspection, outcome: Outcome) -> None:
    """Read every input for a while: in its range, near its zero, alive."""
    inputs = system(inspection).inputs
    reachable = [each for each in inputs if each.number <= inspection.identity.air_inputs]
    rows: list[tuple[int, ...]] = []
    seen = await _emptied(inspection)
    for _ in range(READINGS):
        seen = await look(inspection, EVERY_S, since=seen)
        rows.append(seen.air)
    inspection.progress(seen, f"{len(reachable)} sensors read")
    for wired in reachable:
        _judge(inspection, outcome, wired, [float(row[wired.number - 1]) for row in rows])
    for wanted, loses in (("supply", "nothing is charged"), ("service", "nothing is applied")):
        if wanted not in {each.quantity for each in reachable}:
            outcome.reasons.append(f"the bench has no {wanted} pressure sensor: {loses}")


async def _emptied(inspection: Inspection) -> Snapshot:
    began = seen = await look(inspection, EVERY_S)
    zero_pa = inspection.guard.air.thresholds.zero_pa
    while seen.uptime_s - began.uptime_s < EMPTIES_IN_S:
        pressures = inspection.guard.air.pressures
        if max(pressures.supply_pa or 0.0, pressures.service_pa or 0.0) < zero_pa:
            break
        seen = await look(inspection, EVERY_S)
    return seen


def _judge(inspection: Inspection, outcome: Outcome, wired: AirInput, readings: list[float]) -> None:
    name = f"{wired.wheel_end} {wired.quantity}" if wired.wheel_end else wired.quantity
    outcome.values.append(_zero(inspection, wired, name, fmean(readings)))
    why = _wrong(inspection, wired, name, readings)
    if why is None:
        return
    outcome.findings.append(bench_finding(why, f"{name} sensor", f"Check the plug, the wire and the {name} sensor."))
    if wired.quantity in ("supply", "service"):
        inspection.air.distrust = inspection.air.distrust or why
    else:
        inspection.air.unusable.add(wired.number)


def _zero(inspection: Inspection, wired: AirInput, name: str, mean: float) -> Value:
    if wired.quantity == "tank-skin":
        return judged(f"{name} at rest", mean / 1000 - 273.15, "degC")
    if wired.quantity == "stroke":
        return judged(f"{name} at rest", mean / 1000, "mm")
    zero_pa = inspection.guard.air.thresholds.zero_pa
    return judged(f"{name} at rest", mean, "Pa", low=-zero_pa, high=zero_pa, outside=Verdict.UNSURE, source=ZERO)


def _wrong(inspection: Inspection, wired: AirInput, name: str, readings: list[float]) -> str | None:
    if why := implausible(wired, _only(wired, readings[-1])):
        return why
    if pstdev(readings) == 0.0:
        return f"the {name} sensor repeats its reading to the last digit: stuck, or too coarse"
    zero_pa = inspection.guard.air.thresholds.zero_pa
    if UNITS[wired.quantity] == "Pa" and abs(fmean(readings)) > zero_pa:
        return (
            f"the {name} sensor reads {fmean(readings) / PA_PER_PSI:.1f} psi with the line open to the air: "
            "a fill valve that passes, an exhaust that stays shut, or a wrong zero"
        )
    return None


def _only(wired: AirInput, value: float) -> tuple[int, ...]:
    return (0,) * (wired.number - 1) + (round(value),)
