"""Push-rod strokes, measured by hand (or by a sensor) while the brakes are held applied at 80 to 90 psi.

Applications bring the reservoir down into that window. People then go to the wheel ends, so what
they said of being clear is void until they say so again; the brakes are not released before that, unless
the interlock's time is over.
"""

import re
from fractions import Fraction

from bench.air.stroke import BrakeStroke, StrokeJudgement, judge_strokes
from bench.errors import InputError, PermitDenied
from bench.events import Cautioned
from bench.profiles.air_model import PA_PER_PSI, WheelEnd
from bench.profiles.chambers import CHAMBERS
from bench.results import Evidence, Finding, Size, Value, Verdict, Where
from bench.safety import Acknowledgement, Stage
from bench.safety.interlock import NOBODY
from bench.sequences.air import rig
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.operator import Answer, Question, is_yes
from bench.sequences.values import source_of
from bench.units import INCH_M, convert, parse_quantity

TRIES = 8
SETTLES_S = 2.0
ASK_TIMES = 3
TOO_LONG = 1.05  # of the full stroke: a rule is not read better
HIGHEST_PA = 90 * PA_PER_PSI
WHILE_APPLIED = (
    "The brakes are held applied. Measure from the mark at release to the mark now; keep hands out of the push rod's "
    "way, and come away before you say that everybody is clear: they release after that."
)
CLEAR_AGAIN = Question(
    "clear-to-release", "Has everybody come away from wheel ends and push rods? The brakes release now.", lasts=False
)
_FRACTION = re.compile(r"(?:(\d+)[ -]+)?(\d+)/(\d+) *(?:in|inch|inches|\")?")


async def stroke(inspection: Inspection, outcome: Outcome) -> None:
    """Apply until the reservoir is in the window, hold, measure, judge."""
    await rig.ready(inspection)
    for _ in range(TRIES):
        async with rig.applying(inspection):
            await rig.reach_applied(inspection)
            await rig.look(inspection, SETTLES_S)
            supply_pa = inspection.guard.air.pressures.supply_pa or 0.0
            if supply_pa <= HIGHEST_PA:
                await inspection.guard.enter(Stage.MEASURED)
                strokes_m = await _measured(inspection, outcome)
                break
    else:
        raise PermitDenied("the supply does not come down to 90 psi by applying: use a lower regulator setting")
    _conclude(inspection, outcome, strokes_m, supply_pa)


async def _measured(inspection: Inspection, outcome: Outcome) -> dict[str, float]:
    seen = await rig.look(inspection)
    sensed = {
        end.name: um * 1e-6
        for end in rig.system(inspection).wheel_ends
        if (um := rig.reading(inspection, seen, "stroke", end.name)) is not None
    }
    asked = [end for end in rig.system(inspection).wheel_ends if end.name not in sensed]
    if not asked:
        return sensed
    inspection.tell(Cautioned(inspection.step, WHILE_APPLIED))
    inspection.guard.air.acknowledge(NOBODY)
    told = {end.name: stroke_m for end in asked if (stroke_m := await _ask(inspection, outcome, end)) is not None}
    if told:
        await _come_away(inspection)
    return sensed | told


async def _ask(inspection: Inspection, outcome: Outcome, end: WheelEnd) -> float | None:
    """A stroke that makes sense, or None; what was refused is in the reasons."""
    metric = inspection.profile.units == "metric"
    example = "41 mm" if metric else "1 5/8 in"
    question = Question(f"stroke-{end.name}", f"Push-rod stroke, {end.title}, such as {example}?", lasts=False)
    why = ""
    for _ in range(ASK_TIMES):
        answer = await inspection.operator.ask(question)
        if answer is None:
            return None
        try:
            return stroke_m(answer, end, metric=metric)
        except InputError as error:
            why = str(error)
    outcome.reasons.append(f"{question.key}: {why}")
    return None


def stroke_m(answer: Answer, end: WheelEnd, *, metric: bool) -> float:
    """A stroke as people say it; a bare number is in mm or inches, by the profile.

    Raises:
        InputError: it is no length, or none that this chamber can have.
    """
    metres = _length_m(answer, metric=metric)
    chamber = CHAMBERS[end.chamber]
    longest_m = TOO_LONG * chamber.full_stroke_m(end.long_stroke)
    if not 0 <= metres <= longest_m:  # which no NaN is
        raise InputError(
            f"{answer!r} is no stroke of a type {end.chamber} chamber (0 to {longest_m / INCH_M:.2f} in, "
            f"{longest_m * 1000:.0f} mm); give the unit, such as '41 mm'"
        )
    return metres


def _length_m(answer: Answer, *, metric: bool) -> float:
    if isinstance(answer, bool):
        raise InputError("yes and no are no stroke: give a length, such as '1 5/8 in' or '41 mm'")
    text = str(answer).strip().lower()
    if found := _FRACTION.fullmatch(text):
        whole, over, under = found.groups()
        if int(under) == 0:
            raise InputError(f"{answer!r} is no length")
        return float(int(whole or 0) + Fraction(int(over), int(under))) * INCH_M
    try:
        return float(text) * (1e-3 if metric else INCH_M)
    except ValueError:
        value, unit = parse_quantity(text.replace('"', " in"))
    return convert(value, unit, "m")


async def _come_away(inspection: Inspection) -> None:
    """Hold the brakes until everybody is clear; the interlock releases them when its time is over."""
    if is_yes(await inspection.operator.ask(CLEAR_AGAIN)):
        inspection.guard.air.acknowledge(Acknowledgement(True, True, True, True))
        return
    seen = await rig.look(inspection)
    inspection.progress(seen, "held applied: nobody has said that everybody is clear")
    while True:
        await rig.look(inspection)


# --- results ---


def _conclude(inspection: Inspection, outcome: Outcome, strokes_m: dict[str, float], supply_pa: float) -> None:
    said = judge_strokes(rig.system(inspection), inspection.profile.limits, strokes_m, supply_pa)
    outcome.values.append(Value("reservoir while strokes were measured", supply_pa, "Pa"))
    for brake in said.brakes:
        outcome.values.append(
            Value(
                f"{brake.wheel_end.name} stroke", brake.stroke_m * 1000, "mm", None, brake.limit_m * 1000,
                brake.verdict, brake.source,
            )
        )  # fmt: skip
        if brake.reason:
            outcome.reasons.append(f"{brake.wheel_end.name}: {brake.reason}")
        if brake.over_m > 0:
            outcome.findings.append(_over(brake, said))
    for name in said.missing:
        outcome.values.append(Value(f"{name} stroke", None, "mm", verdict=Verdict.NOT_TESTED))
    if said.missing:
        outcome.reasons.append(f"no stroke was given for {', '.join(said.missing)}")
    _axles(inspection, outcome, said)
    if said.brakes:
        outcome.values.append(Value("share of defective brakes, trailer alone", said.share, "1"))


def _over(brake: BrakeStroke, said: StrokeJudgement) -> Finding:
    end = brake.wheel_end
    severe = " With this share of defective brakes the trailer is to be taken out of service." * said.out_of_service
    return Finding(
        kind="over-stroke",
        circuits=(),
        pins=(),
        verdict=brake.verdict,
        severity="safety",
        confidence=0.9,
        explain=f"The push rod at {end.title} moves further than its limit.{severe} Can't tell {said.cannot_tell[0]}.",
        next="Inspect the brake at this wheel end; an automatic adjuster that lets it go is itself defective: do not "
        "just set it back.",
        where=Where("component", f"brake, {end.name}"),
        size=Size(brake.stroke_m * 1000, "mm"),
        evidence=(Evidence("over the limit by", brake.over_m * 1000, "mm"),),
        source=brake.source,
    )


def _axles(inspection: Inspection, outcome: Outcome, said: StrokeJudgement) -> None:
    limit = inspection.limit("stroke-difference")
    high_mm = None if limit is None or limit.high is None else convert(limit.high, limit.unit, "mm")
    source = source_of(limit) if limit else None
    for axle in said.axles:
        difference_mm = abs(axle.difference_m) * 1000
        verdict = Verdict.PASS if axle.within else Verdict.FAIL
        name = f"axle {axle.axle} stroke, left against right"
        outcome.values.append(Value(name, difference_mm, "mm", None, high_mm, verdict, source))
        if not axle.within:
            outcome.findings.append(_imbalance(axle.axle, axle.difference_m, source))


def _imbalance(axle: int, difference_m: float, source: str | None) -> Finding:
    longer = "left" if difference_m > 0 else "right"
    return Finding(
        kind="stroke-imbalance",
        circuits=(),
        pins=(),
        verdict=Verdict.FAIL,
        severity="defect",
        confidence=0.8,
        explain=f"On axle {axle} the {longer} push rod moves much further than the other: the brakes pull to one side.",
        next="Compare linings, drums and adjusters of both sides.",
        where=Where("component", f"axle {axle}, {longer} brake"),
        size=Size(abs(difference_m) * 1000, "mm"),
        source=source,
    )
