"""The breakaway: the supply is exhausted at once, and the trailer must brake itself."""

from bench.profiles.air_model import PA_PER_PSI
from bench.results import Evidence, Finding, Trace, Value, Verdict, Where
from bench.safety import Stage
from bench.sequences.air import rig
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.operator import Question, is_yes

WATCHED_S = 8.0
EVERY_S = 0.05
APPLIED_PA = 60 * PA_PER_PSI
EXPECTED = "relay emergency valve applies from the reservoir when the supply is lost; common practice, no source"
SPRINGS = Question(
    "springs-may-apply",
    "The supply is exhausted now: all brakes of the trailer apply, the spring brakes too. Is everybody clear?",
    lasts=False,
)
APPLIED = Question(
    "brakes-applied", "From where you stand, clear of them: did the push rods of all brakes move out?", lasts=False
)


async def emergency(inspection: Inspection, outcome: Outcome) -> None:
    """Exhaust the supply and see the brakes apply, at a chamber sensor or with somebody's eyes."""
    guard = inspection.guard
    await rig.ready(inspection)
    await rig.must_be_yes(inspection, SPRINGS)
    guard.air.confirm_springs()
    before_pa = guard.air.pressures.supply_pa
    await guard.enter(Stage.EMERGENCY)
    supply, chambers = await _record(inspection)
    outcome.traces.append(supply.trace("breakaway, supply line", "supply_pa"))
    outcome.traces += [_trace(name, track) for name, track in chambers.items()]
    outcome.values.append(Value("supply line empty after", _first(supply, below=3 * PA_PER_PSI), "s"))
    inspection.air.supply_pa = before_pa
    for name, track in chambers.items():
        inspection.air.supply_pa = track.pressure_pa[-1]  # the reservoir is on the chambers now
        reached_s = _first(track, above=APPLIED_PA)
        verdict = Verdict.FAIL if reached_s is None else Verdict.PASS
        outcome.values.append(Value(f"{name} chamber at breakaway", track.pressure_pa[-1], "Pa", APPLIED_PA, None,
                                    verdict, EXPECTED))  # fmt: skip
        outcome.values.append(Value(f"{name} chamber above 60 psi after", reached_s, "s"))
        if reached_s is None:
            outcome.findings.append(_does_not_apply(name, track.pressure_pa[-1]))
    if not chambers:
        await _ask(inspection, outcome)
    else:
        outcome.reasons.append("can't tell whether the spring brakes apply: no sensor sees them")


async def _record(inspection: Inspection) -> tuple[Track, dict[str, Track]]:
    sensors = {
        each.wheel_end or "": each
        for each in rig.system(inspection).inputs
        if each.quantity == "chamber" and each.number not in inspection.air.unusable
    }
    supply, chambers = Track(), {name: Track() for name in sensors}
    seen = began = await rig.look(inspection, EVERY_S)
    while seen.uptime_s - began.uptime_s < WATCHED_S:
        seen = await rig.look(inspection, EVERY_S, since=seen)
        supply.add(seen.uptime_s, inspection.guard.air.pressures.supply_pa or 0.0)
        for name, wired in sensors.items():
            chambers[name].add(seen.uptime_s, float(seen.air[wired.number - 1]))
    return supply, chambers


def _trace(name: str, track: Track) -> Trace:
    return track.trace(f"breakaway, {name} chamber", "chamber_pa")


def _first(track: Track, above: float | None = None, below: float | None = None) -> float | None:
    """Seconds from the first sample until a pressure has passed a mark."""
    for time_s, value in zip(track.time_s, track.pressure_pa, strict=True):
        if (above is not None and value >= above) or (below is not None and value <= below):
            return time_s - track.time_s[0]
    return None


async def _ask(inspection: Inspection, outcome: Outcome) -> None:
    answer = await inspection.operator.ask(APPLIED)
    seen = Verdict.UNSURE if answer is None else Verdict.PASS if is_yes(answer) else Verdict.FAIL
    outcome.values.append(Value("brakes seen to apply at breakaway", None if answer is None else float(is_yes(answer)),
                                "1", verdict=seen, source=EXPECTED))  # fmt: skip
    if seen is Verdict.UNSURE:
        outcome.reasons.append("there is no chamber sensor, and nobody said whether the brakes applied")
    if seen is Verdict.FAIL:
        outcome.findings.append(_does_not_apply("all", None))


def _does_not_apply(name: str, pressure_pa: float | None) -> Finding:
    evidence = () if pressure_pa is None else (Evidence(f"{name} chamber at breakaway", pressure_pa, "Pa"),)
    return Finding(
        kind="slow-application",
        circuits=(),
        pins=(),
        verdict=Verdict.FAIL,
        severity="safety",
        confidence=0.8,
        explain="The brakes did not apply when the supply was lost.",
        next="Look at the relay emergency valve and at its reservoir; the trailer must not be moved by road.",
        where=Where("component", "relay emergency valve"),
        evidence=evidence,
        source=EXPECTED,
    )
