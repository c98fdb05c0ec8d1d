"""How fast the brakes apply and release, at every chamber that has a sensor.

Each repeat is recorded at rest, from the opening of the service fill valve, and from the closing of the
service line's exhaust (see ``recording``). The instants are the board's own log's.
Without a chamber sensor there is no verdict: the coupling is up long before any chamber.
"""

from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean, median

import numpy as np

from bench.air.timing import Movement, Rule, Timed, TimingJudgement, coupling_alone, judge_timing, movements
from bench.contract.readings import Snapshot
from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI, AirInput
from bench.profiles.model import Limit
from bench.results import Alternative, Evidence, Finding, FindingKind, Size, Trace, Value, Verdict, Where
from bench.safety import Stage
from bench.sequences.air import rig
from bench.sequences.air.recording import Recording, record
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.values import source_of
from bench.units import convert

REPEATS = 5
REST_S = 0.4
BEFORE_S = 0.05
APPLICATION_S, RELEASE_S = 2.0, 3.0  # longest recordings
AFTER_S = 0.08  # beyond the threshold: the average and the parabola reach so far
FILL_UP_S = 6.0
KINDS: dict[Movement, FindingKind] = {"application": "slow-application", "release": "slow-release"}
SOURCES: dict[Movement, str] = {"application": "application-threshold", "release": "release-threshold"}


async def timing(inspection: Inspection, outcome: Outcome) -> None:
    """Apply and release five times with the supply fed, as a tractor does."""
    chambers = [
        each
        for each in rig.system(inspection).inputs
        if each.quantity == "chamber" and each.number not in inspection.air.unusable
    ]
    rules = {movement: _rule(inspection, movement) for movement in KINDS}
    await rig.ready(inspection)
    service = next(each for each in rig.system(inspection).inputs if each.quantity == "service")
    recorded: list[_Repeat] = []
    repeats = REPEATS if chambers else 1
    for number in range(repeats):
        seen = await rig.look(inspection)
        inspection.progress(seen, f"application and release {number + 1} of {repeats}")
        watched = chambers if number else [*chambers, service]  # the coupling once: it shows no more than an open line
        recorded.append(await _repeat(inspection, watched, rules))
    outcome.values.append(Value("service coupling to 60 psi", _coupling(recorded[0], service, rules), "s"))
    if not chambers:
        alone = coupling_alone()[0]
        outcome.reasons.append(f"{alone.reason}; can't tell {alone.cannot_tell[0]}")
        outcome.values.append(Value("application time", None, "s", verdict=Verdict.NOT_TESTED))
    for wired in chambers:
        _judge(outcome, wired, recorded, rules)


@dataclass(frozen=True)
class _Moved:
    """A recorded movement: its samples, and the instant of its command."""

    recording: Recording
    command_s: float

    @property
    def time_s(self) -> tuple[float, ...]:
        return self.recording.time_s

    def column(self, wired: AirInput) -> tuple[float, ...]:
        return self.recording.values[wired.number]


@dataclass(frozen=True)
class _Repeat:
    application: _Moved
    release: _Moved


async def _repeat(inspection: Inspection, watched: list[AirInput], rules: dict[Movement, Rule]) -> _Repeat:
    inputs, guard = [wired.number for wired in watched], inspection.guard
    up_pa = rules["application"].threshold_pa + 5 * PA_PER_PSI
    down_pa = rules["release"].threshold_pa - 2 * PA_PER_PSI
    recorder = await record(inspection, inputs, REST_S + APPLICATION_S)
    await recorder.watch(REST_S)
    async with rig.applying(inspection, stage=Stage.TIMED):
        await recorder.watch(APPLICATION_S, _all(watched, lambda pa: pa > up_pa), AFTER_S)
        began_s = await guard.moved_s(Valve.SERVICE_FILL, True)
        on = await recorder.take()
        await _fill_up(inspection, watched, rules["release"].start_pa)
        recorder = await record(inspection, inputs, BEFORE_S + RELEASE_S)
        await recorder.watch(BEFORE_S)
        await guard.enter(Stage.RELEASE)
        await recorder.watch(RELEASE_S, _all(watched, lambda pa: pa < down_pa), AFTER_S)
        ended_s = await guard.moved_s(Valve.SERVICE_EXHAUST, False)
        off = await recorder.take()
    return _Repeat(_Moved(on, began_s or on.time_s[0]), _Moved(off, ended_s or off.time_s[0]))


def _all(watched: list[AirInput], passed: Callable[[float], bool]) -> Callable[[Snapshot], bool]:
    """Whether all of these inputs have passed."""
    return lambda seen: all(passed(float(seen.air[wired.number - 1])) for wired in watched)


async def _fill_up(inspection: Inspection, watched: list[AirInput], start_pa: float) -> None:
    """Wait until the chambers hold what a release is timed from."""
    seen = began = await rig.look(inspection, 0.1)
    while seen.uptime_s - began.uptime_s < FILL_UP_S:
        if all(seen.air[wired.number - 1] >= start_pa for wired in watched):
            return
        seen = await rig.look(inspection, 0.1)


# --- judgement ---


def _rule(inspection: Inspection, movement: Movement) -> Rule:
    limit = inspection.limit(f"{movement}-time-{rig.system(inspection).vehicle}")
    threshold = _pa(inspection.limit(f"{movement}-threshold"), 60.0 if movement == "application" else 5.0)
    start = _pa(inspection.limit(f"{movement}-start-pressure"), 100.0 if movement == "application" else 95.0)
    return Rule(limit.high if limit else None, threshold, start, source_of(limit) if limit else "no limit is set")


def _pa(limit: Limit | None, usual_psi: float) -> float:
    bound = None if limit is None else limit.low if limit.low is not None else limit.high
    return usual_psi * PA_PER_PSI if limit is None or bound is None else convert(bound, limit.unit, "Pa")


def _coupling(first: _Repeat, service: AirInput, rules: dict[Movement, Rule]) -> float | None:
    """It only says that the line is not blocked."""
    timed = _timed(first.application, service, "application", rules, 0.0)
    return timed[0].seconds if timed else None


def _timed(
    recording: _Moved, wired: AirInput, movement: Movement, rules: dict[Movement, Rule], zero_pa: float
) -> tuple[Timed, ...]:
    """Put the instant of the command among the samples, and time the movement."""
    times, values = np.array(recording.time_s), np.array(recording.column(wired)) - zero_pa
    at = int(np.searchsorted(times, recording.command_s))
    values = np.insert(values, at, np.interp(recording.command_s, times, values))
    times = np.insert(times, at, recording.command_s)
    after = times >= recording.command_s
    command = (after if movement == "application" else ~after).astype(float)
    return movements(times, values, command, rules, wired.filter_delay_s)[movement]


def _judge(
    outcome: Outcome,
    wired: AirInput,
    recorded: list[_Repeat],
    rules: dict[Movement, Rule],
) -> None:
    name = wired.wheel_end or "chamber"
    sample_s = median(np.diff(recorded[0].application.time_s))
    for movement in KINDS:
        timed: list[Timed] = []
        for repeat in recorded:
            zero_pa = 0.0 if movement == "application" else _zero(repeat.application, wired)
            recording = repeat.application if movement == "application" else repeat.release
            timed += _timed(recording, wired, movement, rules, zero_pa)
        said = judge_timing(movement, timed, rules[movement], float(sample_s))
        outcome.values += _values(f"{name} {movement}", said, rules[movement])
        if said.reason:
            outcome.reasons.append(f"{name} {movement}: {said.reason}")
        if said.verdict is Verdict.FAIL:
            outcome.findings.append(_finding(name, movement, said, rules[movement]))
        outcome.traces.append(_trace(recorded[0], wired, movement, f"{movement}, {name} chamber"))


def _zero(recording: _Moved, wired: AirInput) -> float:
    """Mean at rest before the application."""
    values = zip(recording.time_s, recording.column(wired), strict=True)
    rest = [value for time_s, value in values if time_s < recording.command_s]
    return fmean(rest) if rest else 0.0


def _values(name: str, said: TimingJudgement, rule: Rule) -> list[Value]:
    mean = Value(f"{name} time, mean", said.mean_s, "s", None, rule.limit_s, said.verdict, rule.source)
    bound = Value(f"{name} time, 95 % of all with 95 % confidence", said.bound_s, "s")
    return [mean, Value(f"{name} time, longest", said.longest_s, "s"), *([bound] if said.bound_s is not None else [])]


def _trace(repeat: _Repeat, wired: AirInput, movement: Movement, name: str) -> Trace:
    recording = repeat.application if movement == "application" else repeat.release
    kept = [i for i, time_s in enumerate(recording.time_s) if time_s >= recording.command_s - BEFORE_S]
    times, values = [recording.time_s[i] for i in kept], recording.column(wired)
    dt_s = (times[-1] - times[0]) / max(len(times) - 1, 1)
    return Trace(name, times[0], dt_s, {"chamber_pa": tuple(values[i] for i in kept)})


def _finding(name: str, movement: Movement, said: TimingJudgement, rule: Rule) -> Finding:
    verb, way = ("apply", "inlet") if movement == "application" else ("release", "exhaust")
    return Finding(
        kind=KINDS[movement],
        circuits=(),
        pins=(),
        verdict=Verdict.FAIL,
        severity="safety",
        confidence=0.6,
        explain=f"The brake at {name} takes longer than its limit to {verb}, in every repeat. With a sensor at one "
        "chamber only, its own hose and the parts that all brakes share look alike. Can't tell "
        f"{said.cannot_tell[0]}.",
        next=f"Compare with another wheel end; look for a kinked or clogged hose, then at the relay valve's {way}.",
        where=Where("component", f"hose and chamber, {name}"),
        size=Size(said.mean_s or 0.0, "s"),
        evidence=(Evidence(f"longest {movement} of {said.repeats}", said.longest_s or 0.0, "s"),),
        alternatives=(
            Alternative(KINDS[movement], Where("component", "relay valve"), 0.25),
            Alternative(KINDS[movement], Where("component", "service line"), 0.15),
        ),
        source=rule.source,
    )
