"""Push-rod strokes against the readjustment limits, the share of defective brakes, left against right; force.

Sources: 49 CFR 393.47(e): a stroke "must not be greater than" its limit, so equal passes. Appendix A
to 49 CFR 396, item 1.a(5): measured fully applied, 80 to 90 psi in the reservoirs; a chamber that is
not in the table has 80 % of its rated stroke. Out-of-service counting by public explanations: 1/4 in
past the limit is one defective brake, 1/8 in is half of one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bench.profiles.air_model import PA_PER_PSI, AirSystem, WheelEnd
from bench.profiles.chambers import CHAMBERS, Chamber
from bench.profiles.model import Limit
from bench.results import Verdict, worst
from bench.units import convert

_M_PER_IN = 0.0254
_ONE_DEFECTIVE_M, _HALF_DEFECTIVE_M = 0.25 * _M_PER_IN, 0.125 * _M_PER_IN
_RATED_SHARE = 0.8
_HARDLY_MOVES_M = 0.25 * _M_PER_IN
_ROUNDING_M, _ROUNDING_PA = 1e-6, 100.0
_PUSH_OUT_PA = 5 * PA_PER_PSI  # common practice, no source: return springs give way at 3 to 8 psi
_DIP_PA_PER_M = 3.8 * PA_PER_PSI / _M_PER_IN
_DIP_DOUBT_M = 0.15 * _M_PER_IN

SCREENING = "which brake moves how far: a dip of the supply shows the mean stroke only; screening and trend"
HAND = "wear and play of linings, drums and cams: stroke is one sign among several"
UNSTATED = "whether the brakes were fully applied at 80 to 90 psi (552 to 621 kPa): nobody said at what pressure"


@dataclass(frozen=True, slots=True)
class BrakeStroke:
    """One brake's stroke beside its limit; ``over_m`` is 0 within it, ``defective`` 0, 0.5 or 1."""

    wheel_end: WheelEnd
    stroke_m: float
    limit_m: float
    source: str
    verdict: Verdict
    reason: str | None
    over_m: float
    defective: float


@dataclass(frozen=True, slots=True)
class AxleDifference:
    """Left minus right of an axle, and whether it is within its limit."""

    axle: int
    difference_m: float
    within: bool


@dataclass(frozen=True, slots=True)
class StrokeJudgement:
    """All brakes that were measured.

    Attributes:
        share: of defective brakes on the trailer alone.
        share_with_tractor: the same with the stated tractor; None when none was stated.
        out_of_service: the share of what is known reaches the limit.
    """

    verdict: Verdict
    brakes: tuple[BrakeStroke, ...]
    axles: tuple[AxleDifference, ...]
    missing: tuple[str, ...]
    share: float
    share_with_tractor: float | None
    out_of_service: bool
    cannot_tell: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tractor:
    """The towing vehicle as somebody stated it."""

    brakes: int
    defective: float = 0.0


def judge_strokes(
    air: AirSystem,
    limits: Mapping[str, Limit],
    strokes_m: Mapping[str, float],
    pressure_pa: float | None = None,
    tractor: Tractor | None = None,
) -> StrokeJudgement:
    """Judge strokes by wheel end.

    Args:
        air: the trailer's brakes.
        limits: of the profile, by name (``stroke-type-30``, ``stroke-pressure``).
        strokes_m: measured strokes; wheel ends that are absent were not measured.
        pressure_pa: in the reservoirs, brakes fully applied; None when nobody said.
        tractor: stated brakes of the towing vehicle.

    Raises:
        KeyError: a stroke of a wheel end that the trailer lacks.
    """
    window = _window_pa(limits)
    brakes = tuple(
        _judge_one(air.wheel_end(name), stroke_m, limits, pressure_pa, window) for name, stroke_m in strokes_m.items()
    )
    missing = tuple(each.name for each in air.wheel_ends if each.name not in strokes_m)
    defective = sum(each.defective for each in brakes)
    share = defective / len(air.wheel_ends)
    with_tractor = None
    if tractor is not None:
        with_tractor = (defective + tractor.defective) / (len(air.wheel_ends) + tractor.brakes)
    counted = share if with_tractor is None else with_tractor
    return StrokeJudgement(
        verdict=worst([*(each.verdict for each in brakes), *(Verdict.NOT_TESTED for _ in missing)]),
        brakes=brakes,
        axles=_axles(brakes, limits),
        missing=missing,
        share=share,
        share_with_tractor=with_tractor,
        out_of_service=counted >= _share_limit(limits) - 1e-9,
        cannot_tell=(HAND, *(() if pressure_pa is not None else (UNSTATED,)), *_untold(tractor)),
    )


def stroke_limit(wheel_end: WheelEnd, limits: Mapping[str, Limit]) -> tuple[float, str]:
    """Readjustment limit of a brake in m, and its source."""
    chamber = CHAMBERS[wheel_end.chamber]
    found = limits.get(f"stroke-type-{wheel_end.chamber}{'-long' if wheel_end.long_stroke else ''}")
    if found is not None and found.high is not None:
        return _metres(found.high, found.unit), f"{found.source} ({found.mark})"
    rated = _RATED_SHARE * chamber.full_stroke_m(wheel_end.long_stroke)
    return rated, "Appendix A to 49 CFR 396, item 1.a(5)(b): 80 % of the rated stroke (verified)"


def _judge_one(
    wheel_end: WheelEnd,
    stroke_m: float,
    limits: Mapping[str, Limit],
    pressure_pa: float | None,
    window_pa: tuple[float, float],
) -> BrakeStroke:
    limit_m, source = stroke_limit(wheel_end, limits)
    over_m = stroke_m - limit_m if stroke_m > limit_m + _ROUNDING_M else 0.0
    verdict, reason = _verdict(stroke_m, over_m, pressure_pa, window_pa)
    return BrakeStroke(wheel_end, stroke_m, limit_m, source, verdict, reason, over_m, _defective(over_m))


def _verdict(
    stroke_m: float, over_m: float, pressure_pa: float | None, window_pa: tuple[float, float]
) -> tuple[Verdict, str | None]:
    low, high = window_pa
    if over_m > 0:
        if pressure_pa is not None and pressure_pa > high:
            return Verdict.UNSURE, "over its limit, but measured with too much pressure: repeat at 80 to 90 psi"
        return Verdict.FAIL, None
    if stroke_m < _HARDLY_MOVES_M:
        return Verdict.UNSURE, "hardly moves: see that this brake works at all"
    if pressure_pa is not None and pressure_pa < low:
        return Verdict.UNSURE, "within its limit, but measured with too little pressure: repeat at 80 to 90 psi"
    return Verdict.PASS, None


def _defective(over_m: float) -> float:
    if over_m >= _ONE_DEFECTIVE_M - _ROUNDING_M:
        return 1.0
    return 0.5 if over_m >= _HALF_DEFECTIVE_M - _ROUNDING_M else 0.0


def _axles(brakes: Sequence[BrakeStroke], limits: Mapping[str, Limit]) -> tuple[AxleDifference, ...]:
    by_axle: dict[int, dict[str, float]] = {}
    for each in brakes:
        by_axle.setdefault(each.wheel_end.axle, {})[each.wheel_end.side] = each.stroke_m
    found = limits.get("stroke-difference")
    allowed_m = _metres(found.high, found.unit) if found is not None and found.high is not None else float("inf")
    return tuple(
        AxleDifference(axle, sides["left"] - sides["right"], abs(sides["left"] - sides["right"]) <= allowed_m + 1e-6)
        for axle, sides in sorted(by_axle.items())
        if len(sides) == 2
    )


def _untold(tractor: Tractor | None) -> tuple[str, ...]:
    if tractor is None:
        return ("whether the combination is out of service: that counts the tractor's brakes too",)
    return ("the tractor's brakes: they count as stated",)


def _share_limit(limits: Mapping[str, Limit]) -> float:
    found = limits.get("defective-brake-share")
    return found.high if found is not None and found.high is not None else 0.2


def _window_pa(limits: Mapping[str, Limit]) -> tuple[float, float]:
    found = limits.get("stroke-pressure")
    if found is None or found.low is None or found.high is None:
        return 80 * PA_PER_PSI, 90 * PA_PER_PSI
    return convert(found.low, found.unit, "Pa") - _ROUNDING_PA, convert(found.high, found.unit, "Pa") + _ROUNDING_PA


def _metres(value: float, unit: str) -> float:
    return convert(value, unit, "m")


# --- indications, never verdicts ---


def push_rod_force_n(chamber: Chamber, pressure_pa: float, push_out_pa: float = _PUSH_OUT_PA) -> float:
    """Ideal force of a chamber: area times what the return spring leaves; it shrinks towards full stroke."""
    return chamber.area_m2 * max(pressure_pa - push_out_pa, 0.0)


def mean_stroke_from_dip_m(dip_pa: float) -> tuple[float, float]:
    """Mean stroke of a two-axle trailer from the dip of its closed supply, and its doubt; screening only."""
    return dip_pa / _DIP_PA_PER_M, _DIP_DOUBT_M
