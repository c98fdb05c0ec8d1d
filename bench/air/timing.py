"""Application and release times from a chamber's pressure.

The start is the command (the valve's current); the end is the first crossing of the threshold. A
centred average and a short parabola through the crossing take the noise out without moving it in
time; the known delay of sensor and filter is taken off. The zero is the mean while the brakes are
released and at rest: near 5 psi the pressure falls so slowly that half a psi of zero is 50 ms.

The regulation defines a test rig; another source and hose make the figures indicative.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bench.air.gas import PSI_PA
from bench.air.settling import FloatArray
from bench.air.tolerance import tolerance_factor
from bench.profiles.model import Limit
from bench.profiles.traces import PressureTrace
from bench.results import Verdict
from bench.units import convert

Movement = Literal["application", "release"]
MOVEMENTS: tuple[Movement, ...] = ("application", "release")

AVERAGE_S = 0.020
SLOWEST_SAMPLES_S = 0.0025  # 500 Hz, with room for a clock's rounding
ENOUGH_REPEATS = 5
_PARABOLA_S = 0.025
_REST_S = 0.5
_PLAUSIBLE_ZERO_PA = 5 * PSI_PA
INDICATIVE = (
    "whether the vehicle type meets the regulation: that defines a test rig; with this source and hose it is indicative"
)


@dataclass(frozen=True, slots=True)
class Rule:
    """What a movement is judged by: time limit, the threshold that ends it, the pressure it starts from."""

    limit_s: float | None
    threshold_pa: float
    start_pa: float
    source: str


@dataclass(frozen=True, slots=True)
class Timed:
    """One movement: seconds from the command, None when the threshold was not reached; pressure it started from."""

    seconds: float | None
    started_from_pa: float


@dataclass(frozen=True, slots=True)
class TimingJudgement:
    """Repeats of one movement at one chamber.

    Attributes:
        mean_s, deviation_s, longest_s: of the repeats; None without any.
        bound_s: mean + K s, which 95 % of all movements keep with 95 % confidence; None below two repeats.
    """

    movement: Movement
    verdict: Verdict
    reason: str | None
    repeats: int
    mean_s: float | None = None
    deviation_s: float | None = None
    longest_s: float | None = None
    factor: float | None = None
    bound_s: float | None = None
    cannot_tell: tuple[str, ...] = (INDICATIVE,)


def movements(
    time_s: FloatArray,
    chamber_pa: FloatArray,
    command: FloatArray,
    rules: Mapping[Movement, Rule],
    delay_s: float = 0.0,
) -> dict[Movement, tuple[Timed, ...]]:
    """Time every application and release of a trace.

    Args:
        time_s: (n,) rising.
        chamber_pa: (n,) gauge.
        command: (n,) 1 while applied.
        rules: thresholds of both movements.
        delay_s: known delay of sensor and filter.
    """
    on = command > 0.5
    edges = np.flatnonzero(np.diff(on.astype(np.int8)) != 0) + 1
    pressure = averaged(time_s, chamber_pa - _zero(time_s, chamber_pa, on))
    ends = [*edges[1:], time_s.size]
    timed: dict[Movement, list[Timed]] = {"application": [], "release": []}
    for edge, end in zip(edges, ends, strict=True):
        movement: Movement = "application" if on[edge] else "release"
        threshold = rules[movement].threshold_pa
        crossing = first_crossing(time_s[edge:end], pressure[edge:end], threshold, rising=movement == "application")
        began = (time_s[edge - 1] + time_s[edge]) / 2  # somewhere between two samples
        seconds = None if crossing is None else float(crossing - began - delay_s)
        timed[movement].append(Timed(seconds, float(pressure[edge])))
    return {movement: tuple(each) for movement, each in timed.items()}


def averaged(time_s: FloatArray, pressure: FloatArray) -> FloatArray:
    """Centred mean over ``AVERAGE_S``; as it is where samples are too few for one."""
    width = round(AVERAGE_S / float(np.median(np.diff(time_s))))
    width -= 1 - width % 2
    if width < 3 or pressure.size < width:
        return pressure
    padded = np.pad(pressure, width // 2, mode="edge")
    return np.asarray(np.convolve(padded, np.full(width, 1 / width), mode="valid"))


def first_crossing(time_s: FloatArray, pressure: FloatArray, threshold: float, *, rising: bool) -> float | None:
    """When a pressure first passes a threshold; None when it never does, or has before it begins."""
    beyond = pressure >= threshold if rising else pressure <= threshold
    if not beyond.any() or beyond[0]:
        return None
    after = int(beyond.argmax())
    rough = float(
        np.interp(0.0, *_ascending(pressure[after - 1 : after + 1] - threshold, time_s[after - 1 : after + 1]))
    )
    near = np.abs(time_s - rough) <= _PARABOLA_S
    if near.sum() < 6:
        return rough
    return _by_parabola(time_s[near], pressure[near] - threshold, rough)


def _ascending(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    return (x, y) if x[0] < x[-1] else (x[::-1], y[::-1])


def _by_parabola(time_s: FloatArray, above: FloatArray, rough_s: float) -> float:
    """The root nearest to a rough one of the parabola through the samples around it."""
    roots = np.roots(np.polyfit(time_s - rough_s, above, 2))
    real = roots[np.abs(roots.imag) < 1e-12].real
    nearest = float(real[np.abs(real).argmin()]) if real.size else 0.0
    return rough_s + nearest if abs(nearest) <= _PARABOLA_S else rough_s


def _zero(time_s: FloatArray, chamber_pa: FloatArray, on: NDArray[np.bool_]) -> float:
    """Mean reading at rest before the first application; 0 when the trace does not begin at rest."""
    first = int(on.argmax()) if on.any() else 0
    rest = slice(int(np.searchsorted(time_s, time_s[first] - _REST_S)), first)
    if on[0] or first - rest.start < 3:
        return 0.0
    zero = float(np.mean(chamber_pa[rest]))
    return zero if abs(zero) < _PLAUSIBLE_ZERO_PA else 0.0


# --- judgement ---


def judge_timing(movement: Movement, timed: Sequence[Timed], rule: Rule, sample_s: float) -> TimingJudgement:
    """Judge the repeats of one movement at one chamber.

    Args:
        movement: which.
        timed: its repeats.
        rule: limit and conditions.
        sample_s: time between samples.
    """
    if not timed:
        return TimingJudgement(movement, Verdict.NOT_TESTED, f"the trace holds no {movement}", 0)
    seconds = [each.seconds for each in timed if each.seconds is not None]
    if len(seconds) < len(timed):
        return _not_reached(movement, timed, rule, seconds)
    mean, longest = fmean(seconds), max(seconds)
    deviation = stdev(seconds) if len(seconds) > 1 else None
    factor = tolerance_factor(len(seconds)) if len(seconds) > 1 else None
    bound = mean + factor * deviation if factor is not None and deviation is not None else None
    verdict, reason = _verdict(seconds, bound, rule, sample_s)
    verdict, reason = _by_start(verdict, reason, movement, timed, rule)
    told = INDICATIVE if len(seconds) >= ENOUGH_REPEATS else f"how repeatable it is: {len(seconds)} of 5 repeats"
    cannot_tell = tuple(dict.fromkeys((INDICATIVE, told)))
    return TimingJudgement(
        movement, verdict, reason, len(seconds), mean, deviation, longest, factor, bound, cannot_tell
    )


def _not_reached(movement: Movement, timed: Sequence[Timed], rule: Rule, seconds: list[float]) -> TimingJudgement:
    missed = len(timed) - len(seconds)
    reason = f"{missed} of {len(timed)} did not reach {rule.threshold_pa / PSI_PA:.0f} psi while it was recorded"
    return TimingJudgement(movement, Verdict.UNSURE, reason, len(seconds), longest_s=max(seconds, default=None))


def _verdict(seconds: list[float], bound_s: float | None, rule: Rule, sample_s: float) -> tuple[Verdict, str | None]:
    if rule.limit_s is None:
        return Verdict.NOT_TESTED, "no limit is set for it"
    if sample_s > SLOWEST_SAMPLES_S and abs(fmean(seconds) - rule.limit_s) < 2 * sample_s:
        return Verdict.UNSURE, f"sampled every {sample_s * 1000:.0f} ms, too slowly this near the limit"
    if min(seconds) > rule.limit_s:
        return Verdict.FAIL, None
    if max(seconds) > rule.limit_s:
        return Verdict.UNSURE, "some repeats keep the limit and some do not"
    if len(seconds) >= ENOUGH_REPEATS and bound_s is not None and bound_s > rule.limit_s:
        return Verdict.UNSURE, "all repeats keep the limit, but they scatter too much to promise the next ones"
    return Verdict.PASS, None


_START_MARGIN_PA = 3 * PSI_PA


def _by_start(
    verdict: Verdict, reason: str | None, movement: Movement, timed: Sequence[Timed], rule: Rule
) -> tuple[Verdict, str | None]:
    """A release from too little pressure is over too soon to pass, one from too much takes too long to fail."""
    if movement != "release":
        return verdict, reason
    lowest, highest = (choose(each.started_from_pa for each in timed) for choose in (min, max))
    rule_psi = rule.start_pa / PSI_PA
    if verdict is Verdict.PASS and lowest < rule.start_pa - _START_MARGIN_PA:
        return (
            Verdict.UNSURE,
            f"began at {lowest / PSI_PA:.0f} psi instead of {rule_psi:.0f}: apply fully, then release",
        )
    if verdict is Verdict.FAIL and highest > rule.start_pa + 2 * _START_MARGIN_PA:
        return Verdict.UNSURE, f"began at {highest / PSI_PA:.0f} psi instead of {rule_psi:.0f}: lower the regulator"
    return verdict, reason


def coupling_alone() -> tuple[TimingJudgement, ...]:
    """What the sensor at the coupling can say of the brakes' timing: nothing that a verdict could rest on."""
    reason = "there is no chamber sensor: the coupling is at 60 psi long before any chamber is"
    told = ("application and release times: only that the line is not blocked", INDICATIVE)
    return tuple(TimingJudgement(each, Verdict.NOT_TESTED, reason, 0, cannot_tell=told) for each in MOVEMENTS)


def judge_chamber(
    trace: PressureTrace, column: str, rules: Mapping[Movement, Rule], delay_s: float = 0.0
) -> tuple[TimingJudgement, ...]:
    """Both movements of one chamber column of a trace."""
    if trace.command is None:
        reason = "the trace has no command column: nothing says when a movement began"
        return tuple(TimingJudgement(each, Verdict.NOT_TESTED, reason, 0) for each in MOVEMENTS)
    found = movements(trace.time_s, trace.pressure_pa[column], trace.command, rules, delay_s)
    sample_s = float(np.median(np.diff(trace.time_s)))
    return tuple(judge_timing(each, found[each], rules[each], sample_s) for each in MOVEMENTS)


def rules_of(vehicle: str, limits: Mapping[str, Limit]) -> dict[Movement, Rule]:
    """Rules of a vehicle's row out of a profile's limits, with the usual thresholds where none is given."""
    return {
        "application": _rule("application", vehicle, limits, 60 * PSI_PA, 100 * PSI_PA),
        "release": _rule("release", vehicle, limits, 5 * PSI_PA, 95 * PSI_PA),
    }


def _rule(movement: Movement, vehicle: str, limits: Mapping[str, Limit], threshold_pa: float, start_pa: float) -> Rule:
    limit = limits.get(f"{movement}-time-{vehicle}")
    source = "no limit" if limit is None else f"{limit.source} ({limit.mark.replace('-', ' ')})"
    return Rule(
        limit_s=None if limit is None else limit.high,
        threshold_pa=_pascals(limits.get(f"{movement}-threshold"), threshold_pa),
        start_pa=_pascals(limits.get(f"{movement}-start-pressure"), start_pa),
        source=source,
    )


def _pascals(limit: Limit | None, usual_pa: float) -> float:
    bound = None if limit is None else limit.low if limit.low is not None else limit.high
    return usual_pa if limit is None or bound is None else convert(bound, limit.unit, "Pa")
