"""Leaks of a closed trailer: the supply with the brakes released, then supply and service with them applied.

The decision is the inference's (``bench.air``), taken while the pressure is watched; where several
places look alike at the couplings, the finding names them all.
"""

from dataclasses import dataclass, field

import numpy as np

from bench.air.gas import ATMOSPHERE_PA, flow_m3_per_s_anr
from bench.air.leak import LeakJudgement, LeakWatch, ambient_drift
from bench.air.place import LeakTest, Test, locate
from bench.air.trace import stuck_since
from bench.contract.readings import Snapshot
from bench.events import LeakWatched
from bench.profiles.air_model import PA_PER_PSI
from bench.profiles.model import Limit
from bench.results import Trace, Value, Verdict
from bench.safety import Stage
from bench.sequences.air import rig
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.values import source_of
from bench.units import convert

LONGEST_S = 305.0  # the inference gives up a little earlier
LEVELS_IN_S = 30.0  # until line and reservoir stand alike, the check valve hides a fall of the reservoir
UNSTEADY_TRIES = 2
FILLS_IN_S = 6.0  # of service, before its line is closed
MARGIN_S = 4.0
JUDGE_EVERY_S = 2.0
REFERENCE_PA = 100 * PA_PER_PSI + ATMOSPHERE_PA


async def supply_leak(inspection: Inspection, outcome: Outcome) -> None:
    """Watch the closed supply with the brakes released."""
    watched = _Watched.of(inspection, "supply-released", "supply", "leak-trailer-released", "brakes released")
    await rig.ready(inspection)
    try:
        for _ in range(UNSTEADY_TRIES):
            seen = await rig.look(inspection, LEVELS_IN_S)
            waited_s = seen.uptime_s - (inspection.air.filled_s or seen.uptime_s)
            await _watch(inspection, [watched], waited_s, seen.uptime_s + LONGEST_S)
            if watched.judgement is None or watched.judgement.steady:
                break
    finally:
        _conclude(inspection, outcome, [watched])
        if "service-leak" not in inspection.to_come:
            place(inspection, outcome)


async def service_leak(inspection: Inspection, outcome: Outcome) -> None:
    """Apply, close the service line, and watch both lines."""
    watched = [
        _Watched.of(inspection, "service-applied", "service", "leak-service-applied", "brakes applied"),
        _Watched.of(inspection, "supply-applied", "supply", "leak-trailer-applied", "brakes applied"),
    ]
    try:
        await rig.ready(inspection)
        async with rig.applying(inspection):
            await rig.reach_applied(inspection)
            await rig.look(inspection, FILLS_IN_S)
            await inspection.guard.enter(Stage.APPLIED)
            await _watch(inspection, watched, 0.0, inspection.guard.air.until_s - MARGIN_S)
    finally:
        _conclude(inspection, outcome, watched)
        place(inspection, outcome)


@dataclass
class _Watched:
    """One line while it is watched."""

    test: Test
    line: str
    limit: Limit | None
    limit_pa_per_s: float | None
    name: str
    watch: LeakWatch | None = None
    track: Track = field(default_factory=Track)
    judgement: LeakJudgement | None = None

    @classmethod
    def of(cls, inspection: Inspection, test: Test, line: str, limit_name: str, when: str) -> "_Watched":
        limit = inspection.limit(limit_name)
        high = None if limit is None or limit.high is None else convert(limit.high, limit.unit, "Pa/s")
        return cls(test, line, limit, high, f"{line} line, {when}")

    @property
    def open(self) -> bool:
        return self.watch is not None and (self.judgement is None or self.judgement.verdict is None)


async def _watch(inspection: Inspection, lines: list[_Watched], waited_s: float, until_s: float) -> None:
    """Read until every line is decided, or the time is over."""
    for each in lines:
        each.track, each.judgement = Track(), None
        if each.limit_pa_per_s is not None:
            each.watch = LeakWatch(each.limit_pa_per_s, waited_s, _weather(inspection))
    seen = first = await rig.look(inspection)
    judged_s = seen.uptime_s
    while any(each.open for each in lines) and seen.uptime_s < until_s:
        seen = await rig.look(inspection, since=seen)
        for each in lines:
            _take(inspection, each, seen, first.uptime_s)
        if seen.uptime_s - judged_s >= JUDGE_EVERY_S:
            judged_s = seen.uptime_s
            _judge(inspection, lines, seen)
    for each in lines:
        if each.open and each.watch is not None:
            each.judgement = each.watch.judgement(last=True)
        if _stuck(each.track):
            each.judgement = LeakJudgement(Verdict.UNSURE, f"the {each.line} sensor is stuck: it repeats its reading")


def _weather(inspection: Inspection) -> float:
    """Drift of the air around so far, K/s: a wall follows it slowly, so the past counts."""
    if len(inspection.air.weather) < 2:
        return 0.0
    return ambient_drift(*(np.array(column) for column in zip(*inspection.air.weather, strict=True)))


def _stuck(track: Track) -> bool:
    """A stuck sensor never leaks."""
    return len(track.time_s) > 1 and stuck_since(np.array(track.time_s), np.array(track.pressure_pa)) is not None


def _take(inspection: Inspection, each: _Watched, seen: Snapshot, began_s: float) -> None:
    pressures = inspection.guard.air.pressures
    pressure_pa = pressures.supply_pa if each.line == "supply" else pressures.service_pa
    if pressure_pa is None or each.watch is None:
        return
    each.track.add(seen.uptime_s, pressure_pa)
    if each.open:
        skin_mk = rig.reading(inspection, seen, "tank-skin")
        each.watch.add(seen.uptime_s - began_s, pressure_pa, None if skin_mk is None else skin_mk / 1000 - 273.15)


def _judge(inspection: Inspection, lines: list[_Watched], seen: Snapshot) -> None:
    for each in lines:
        if each.open and each.watch is not None:
            each.judgement = each.watch.judgement()
            inspection.progress(seen, _progress(each))
            inspection.tell(_watched(inspection.step, each, seen.uptime_s))


def _watched(step: str, each: _Watched, board_s: float) -> LeakWatched:
    said = each.judgement or LeakJudgement(None)
    pressure_pa = each.track.pressure_pa[-1] if each.track.pressure_pa else None
    return LeakWatched(
        step, board_s, each.line, pressure_pa, said.rate_pa_per_s, said.low_pa_per_s, said.high_pa_per_s,
        each.limit_pa_per_s, said.seconds_to_go, said.verdict,
    )  # fmt: skip


def _progress(each: _Watched) -> str:
    pressure = rig.in_psi(each.track.pressure_pa[-1]) if each.track.pressure_pa else ""
    now = each.judgement
    if now is None or now.rate_pa_per_s is None:
        return f"{each.line} {pressure}"
    rate = convert(now.rate_pa_per_s, "Pa/s", "psi/min")
    to_go = f", about {now.seconds_to_go:.0f} s to go" if now.seconds_to_go else ""
    return f"{each.line} {pressure}, falling {rate:.1f} psi/min{to_go}"


# --- results ---


def _conclude(inspection: Inspection, outcome: Outcome, lines: list[_Watched]) -> None:
    """Values, recordings, and what was decided, of whatever was measured."""
    for each in lines:
        outcome.values.append(_value(each))
        outcome.values += _flow(inspection, each)
        if len(each.track.time_s) > 1:
            outcome.traces.append(_trace(each))
        said = each.judgement
        if said is None or each.limit is None or each.limit_pa_per_s is None:
            continue
        if said.verdict is not Verdict.PASS and said.reason:
            outcome.reasons.append(f"{each.name}: {said.reason}")
        if said.verdict in (Verdict.PASS, Verdict.FAIL) and said.rate_pa_per_s is not None:
            leaks = said.verdict is Verdict.FAIL
            inspection.air.tests[each.test] = LeakTest(
                leaks, said.rate_pa_per_s, each.limit_pa_per_s, source_of(each.limit)
            )


def _value(each: _Watched) -> Value:
    said = each.judgement
    verdict = Verdict.NOT_TESTED if said is None or said.verdict is None else said.verdict
    source = source_of(each.limit) if each.limit else None
    rate = None if said is None else said.rate_pa_per_s
    return Value(f"{each.name}: fall at 100 psi", rate, "Pa/s", None, each.limit_pa_per_s, verdict, source)


def _flow(inspection: Inspection, each: _Watched) -> list[Value]:
    """Free air lost, where the volume behind the line has been metered; else a fall says nothing of litres."""
    volume_m3, said = inspection.air.volume_m3, each.judgement
    if each.test != "supply-released" or volume_m3 is None or said is None or said.rate_pa_per_s is None:
        return []
    litres_per_min = max(flow_m3_per_s_anr(said.rate_pa_per_s, volume_m3), 0.0) * 60_000
    return [Value(f"{each.name}: free air lost at 100 psi", litres_per_min, "L/min", source="metered volume")]


def _trace(each: _Watched) -> Trace:
    """The pressure with the fall that was estimated and the fall that is allowed."""
    said, track = each.judgement, each.track
    others: dict[str, list[float]] = {}
    if said is not None and said.rate_pa_per_s is not None:
        others["fit_pa"] = _falling(track, said.rate_pa_per_s)
    if each.limit_pa_per_s is not None:
        others["limit_pa"] = _falling(track, each.limit_pa_per_s)
    return track.trace(each.name, f"{each.line}_pa", **others)


def _falling(track: Track, rate_pa_per_s: float) -> list[float]:
    """A straight fall through the middle of a recording; a rate at 100 psi is in proportion at its own pressure."""
    middle = len(track.time_s) // 2
    around = track.pressure_pa[max(middle - 5, 0) : middle + 5]
    level_pa = sum(around) / len(around)
    slope = rate_pa_per_s * (level_pa + ATMOSPHERE_PA) / REFERENCE_PA
    return [level_pa - slope * (time_s - track.time_s[middle]) for time_s in track.time_s]


def place(inspection: Inspection, outcome: Outcome) -> None:
    """Turn the decided leak tests into findings, once in a run."""
    memory = inspection.air
    if memory.located:
        return
    memory.located = True
    outcome.findings += locate(memory.tests, check_valve=rig.system(inspection).check_valve)
