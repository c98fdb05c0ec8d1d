"""A run as the page shows it: every number already in words, every drawing already drawn."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.profiles.model import Profile
from bench.reports import words
from bench.reports.air_drawing import draw_air, unplaced
from bench.reports.before_after import RepairView, repair_views
from bench.reports.face_drawing import PinState, draw_face, pin_states, symbol, verdict_sign
from bench.reports.harness_drawing import draw_harness
from bench.reports.inspection import Answers, InspectionView, inspection_view
from bench.reports.people import Added
from bench.reports.plots import FIRST_HEIGHT, NEXT_HEIGHT, LimitLine, line_plot, rail
from bench.reports.svg import tag
from bench.reports.wheel_ends import WheelEndView, end_notes, wheel_end_views
from bench.results import (
    NEARLY_CERTAIN,
    Alternative,
    Evidence,
    Finding,
    Reexamined,
    Run,
    StepResult,
    Trace,
    Value,
    Verdict,
    Where,
)

UNDECIDED = (Verdict.NOT_TESTED, Verdict.UNSURE)
MOST_BUCKETS, ALL_BUCKETS = 300, 6000  # keeps a page with a hundred recordings under 600 kB


_OF_AIR = {"Pa", "Pa/s"}
BESIDE = {"fit_pa": "estimated fall", "limit_pa": "allowed fall"}  # drawn over their pressure


@dataclass(frozen=True, slots=True)
class FindingView:
    """A finding as a card."""

    number: int
    finding: Finding
    title: str
    severity: str
    circuits: str
    place: str
    size: str
    sure: str
    evidence: tuple[tuple[str, str], ...]
    alternatives: tuple[str, ...]
    source: int | None


@dataclass(frozen=True, slots=True)
class ValueView:
    """A row of the table of measurements."""

    name: str
    measured: str
    limit: str
    rail: Markup
    sign: Markup
    verdict: str
    because: int | None
    source: int | None


@dataclass(frozen=True, slots=True)
class StepView:
    """A step with its values."""

    step: StepResult
    sign: Markup
    verdict: str
    lasted: str
    values: tuple[ValueView, ...]

    def with_verdict(self, verdict: str) -> tuple[ValueView, ...]:
        """The values that came out so."""
        return tuple(value for value in self.values if value.verdict == verdict)


@dataclass(frozen=True, slots=True)
class PinView:
    """A row of the table of pins."""

    number: int
    function: str
    wire: str
    sign: Markup
    words: str


@dataclass(frozen=True, slots=True)
class PlotView:
    """A recording with its caption."""

    caption: str
    pictures: tuple[Markup, ...]


class Sources:
    """Numbers the sources of limits in the order in which they are first used."""

    def __init__(self, profile: Profile) -> None:
        self._marks = {limit.source: words.MARK[limit.mark] for limit in profile.limits.values()}
        self._numbers: dict[str, int] = {}

    def number(self, source: str | None) -> int | None:
        """The number that stands beside a limit."""
        if not source:
            return None
        return self._numbers.setdefault(source, len(self._numbers) + 1)

    def listed(self) -> list[tuple[int, str, str]]:
        """Number, source, and how well it was checked."""
        return [(number, *self._split(source)) for source, number in self._numbers.items()]

    def _split(self, source: str) -> tuple[str, str]:
        for written, mark in _WRITTEN_MARKS.items():
            if source.endswith(written):
                return source.removesuffix(written), words.MARK[mark]
        known = (mark for limit, mark in self._marks.items() if source.endswith(limit))
        return source, next(known, words.MARK_NOT_GIVEN)


# As steps write the mark of a limit behind its source.
_WRITTEN_MARKS = {
    " (second-hand)": "second-hand",
    " (calculated)": "calculated",
    " (from memory)": "memory",
    " (common practice, no source)": "common-practice",
}


@dataclass(frozen=True, slots=True)
class Page:
    """Everything the template needs."""

    run: Run
    profile: Profile
    seal: str | None
    verdict: str
    sign: Markup
    statement: str
    first: FindingView | None
    when: str
    lasted: str
    findings: tuple[FindingView, ...]
    repairs: tuple[RepairView, ...]
    inspection: InspectionView | None
    unnamed: tuple[tuple[str, ValueView], ...]
    steps: tuple[StepView, ...]
    face: Markup
    pins: tuple[PinView, ...]
    harness: Markup
    air: Markup
    air_unplaced: tuple[int, ...]
    wheel_ends: tuple[WheelEndView, ...]
    wheel_end_sources: tuple[int, ...]
    plots: tuple[PlotView, ...]
    untested: tuple[StepResult, ...]
    cautions: tuple[str, ...]
    sources: tuple[tuple[int, str, str], ...]
    added: Added


def page_of(
    run: Run,
    profile: Profile,
    system: units.System,
    seal: str | None,
    reexamined: Sequence[Reexamined] = (),
    answers: Answers | None = None,
    added: Added | None = None,
) -> Page:
    """Put a run into words and pictures."""
    sources = Sources(profile)
    findings = tuple(_finding(number, each, profile, system, sources) for number, each in enumerate(run.findings, 1))
    steps = tuple(_step(step, run.findings, system, sources) for step in run.steps)
    states = pin_states(run, profile)
    ends = wheel_end_views(run, profile.air, system) if profile.air else ()
    return Page(
        run=run,
        profile=profile,
        seal=seal,
        verdict=words.VERDICT[run.verdict],
        sign=verdict_sign(run.verdict),
        statement=words.statement(run),
        first=_first(findings),
        when=words.when(run.started),
        lasted=words.lasted(run.duration_s),
        findings=findings,
        repairs=repair_views(reexamined, system),
        inspection=None if answers is None else inspection_view(run, answers),
        unnamed=_unnamed(run, steps),
        steps=steps,
        face=draw_face(profile.connector, states),
        pins=_pins(profile, states),
        harness=draw_harness(profile, run.findings, system),
        air=_air(run, profile, system),
        air_unplaced=tuple(unplaced(profile.air, run.findings)) if profile.air else (),
        wheel_ends=ends,
        wheel_end_sources=_sources_of(ends, sources),
        plots=_plots(run.steps, profile, system),
        untested=tuple(step for step in run.steps if step.reason or step.verdict in UNDECIDED),
        cautions=tuple(dict.fromkeys(caution for step in run.steps for caution in step.cautions)),
        sources=tuple(sources.listed()),
        added=added or Added(),
    )


def _air(run: Run, profile: Profile, system: units.System) -> Markup:
    """The air side, where a trailer has one and the run measured a pressure."""
    measured = {value.unit for step in run.steps for value in step.values if value.value is not None}
    if profile.air is None or not measured & _OF_AIR:
        return Markup("")
    return draw_air(profile.air, run.findings, end_notes(run, profile.air, system), profile.title, system)


def _sources_of(ends: Iterable[WheelEndView], sources: Sources) -> tuple[int, ...]:
    cells = [cell for end in ends for cell in (end.stroke, end.application, end.release)]
    numbers = {number for cell in cells if (number := sources.number(cell.source))}
    return tuple(sorted(numbers))


def _first(findings: Iterable[FindingView]) -> FindingView | None:
    """What to repair (or, if nothing certain is wrong, to settle) first."""
    by_verdict = {view.finding.verdict: view for view in reversed(tuple(findings))}
    return by_verdict.get(Verdict.FAIL) or by_verdict.get(Verdict.UNSURE)


def _unnamed(run: Run, steps: Iterable[StepView]) -> tuple[tuple[str, ValueView], ...]:
    """Step and value of what gave the run its verdict, when no finding did."""
    told = any(finding.verdict is run.verdict for finding in run.findings)
    if told or run.verdict not in (Verdict.FAIL, Verdict.UNSURE):
        return ()
    word = words.VERDICT[run.verdict]
    return tuple((view.step.title, value) for view in steps for value in view.with_verdict(word))


def _finding(number: int, finding: Finding, profile: Profile, system: units.System, sources: Sources) -> FindingView:
    return FindingView(
        number=number,
        finding=finding,
        title=words.kind_title(finding.kind),
        severity=words.SEVERITY[finding.severity],
        circuits=_circuits(finding, profile),
        place=_place(finding.where, profile, system) if finding.where else "",
        size=units.both(finding.size.value, finding.size.unit, system) if finding.size else "",
        sure=_sure(finding.confidence),
        evidence=tuple(_evidence(each, system) for each in finding.evidence),
        alternatives=tuple(_alternative(each, profile, system) for each in finding.alternatives),
        source=sources.number(finding.source),
    )


def _circuits(finding: Finding, profile: Profile) -> str:
    titles = {circuit.name: circuit.title for circuit in profile.circuits}
    named = ", ".join(titles.get(name, name) for name in finding.circuits)
    pins = f"{'pin' if len(finding.pins) == 1 else 'pins'} {', '.join(map(str, finding.pins))}" if finding.pins else ""
    return f"{named} ({pins})" if named and pins else named or pins


def _place(where: Where, profile: Profile, system: units.System) -> str:
    """A place in words a person can walk to."""
    load = next((load for load in profile.loads if load.name == where.name), None)
    named = f"{load.title}, {load.place}" if load and load.place else load.title if load else _part(where, profile)
    kind = {"segment": "wire ", "joint": "joint "}.get(where.place, "")
    if where.from_connector_m is None:
        return kind + named
    other: units.System = "metric" if system == "us" else "us"
    first, second = (units.spread(where.from_connector_m, where.plus_minus_m, "m", each) for each in (system, other))
    return f"{kind}{named}, {first} ({second}) along the wire from the connector"


def _part(where: Where, profile: Profile) -> str:
    """``brake, rear axle, left``: a wheel end by its title."""
    part, comma, name = where.name.rpartition(", ")
    titles = {end.name: end.title for end in profile.air.wheel_ends} if profile.air else {}
    return f"{part}, {titles[name]}" if comma and name in titles else where.name


def _sure(confidence: float) -> str:
    percent = f"{confidence * 100:.0f}" if confidence < NEARLY_CERTAIN else "over 99"
    likely = "almost certain" if confidence >= 0.95 else "likely" if confidence >= 0.75 else "one of several"
    return f"{likely} ({percent} %)"


def _evidence(evidence: Evidence, system: units.System) -> tuple[str, str]:
    return evidence.name, units.both(evidence.value, evidence.unit, system)


def _alternative(alternative: Alternative, profile: Profile, system: units.System) -> str:
    place = f": {_place(alternative.where, profile, system)}" if alternative.where else ""
    return f"{words.kind_title(alternative.kind)}{place} ({round(alternative.confidence * 100)} %)"


def _step(step: StepResult, findings: Sequence[Finding], system: units.System, sources: Sources) -> StepView:
    return StepView(
        step=step,
        sign=verdict_sign(step.verdict),
        verdict=words.VERDICT[step.verdict],
        lasted=words.lasted(step.duration_s) if step.duration_s else "",
        values=tuple(_value(value, findings, system, sources) for value in step.values),
    )


def _value(value: Value, findings: Sequence[Finding], system: units.System, sources: Sources) -> ValueView:
    measured, limit = _figures(value, system)
    limited = value.low is not None or value.high is not None
    judged = limited or value.verdict is not Verdict.PASS
    return ValueView(
        name=value.name,
        measured=measured,
        limit=limit,
        rail=rail(value.value, value.low, value.high),
        sign=verdict_sign(value.verdict) if judged else Markup(""),
        verdict=words.VERDICT[value.verdict] if judged else "for the record",
        because=_because(value, findings),
        source=sources.number(value.source) if limited else None,
    )


def _because(value: Value, findings: Sequence[Finding]) -> int | None:
    """Number of the finding on its circuit that a value within its own limits has its verdict from."""
    inside = value.value is not None and not (
        (value.low is not None and value.value < value.low) or (value.high is not None and value.value > value.high)
    )
    if not inside or value.verdict is Verdict.PASS:
        return None
    named = (
        number
        for number, finding in enumerate(findings, 1)
        if finding.verdict is value.verdict and any(value.name.startswith(f"{name} ") for name in finding.circuits)
    )
    return next(named, None)


def _figures(value: Value, system: units.System) -> tuple[str, str]:
    """The value and its limits in words: in one unit, or each in its own where they are far apart."""
    bounds = [bound for bound in (value.low, value.high) if bound]
    far_apart = bool(value.value and bounds) and max(map(abs, bounds)) > 100 * abs(value.value or 0.0)
    (measured, low, high), unit = units.columns([value.value, value.low, value.high], value.unit, system)
    own = units.text(value.value, value.unit, system) if far_apart and value.value else f"{measured} {unit}".strip()
    return own if measured else "not measured", words.limit(low, high, unit)


def _pins(profile: Profile, states: dict[int, PinState]) -> tuple[PinView, ...]:
    return tuple(
        PinView(
            pin.number,
            pin.function,
            ", ".join(part for part in (pin.colour, pin.size) if part),
            tag(
                "svg",
                *symbol(states[pin.number].state, 12, 12),
                view_box="0 0 24 24",
                aria_hidden="true",
                class_="sign",
            ),
            states[pin.number].words,
        )
        for pin in profile.connector.pins
    )


# --- recordings ---


def _plots(steps: Iterable[StepResult], profile: Profile, system: units.System) -> tuple[PlotView, ...]:
    traces = [trace for step in steps for trace in step.traces]
    count = sum(len(trace.columns) for trace in traces)
    buckets = max(20, min(MOST_BUCKETS, ALL_BUCKETS // max(count, 1)))
    return tuple(view for trace in traces if (view := _plot(trace, profile, system, buckets)).pictures)


def _plot(trace: Trace, profile: Profile, system: units.System, buckets: int) -> PlotView:
    pictures: list[Markup] = []
    beside = {words_: trace.columns[column] for column, words_ in BESIDE.items() if column in trace.columns}
    for column, samples in trace.columns.items():
        if column in BESIDE:
            continue
        name, unit = units.column_quantity(column)
        limits = _limits_of(trace, unit, profile)
        title = f"{trace.name}: {name}"
        height = FIRST_HEIGHT if not pictures else NEXT_HEIGHT
        if picture := line_plot(title, samples, trace.dt_s, unit, system, limits, buckets, height, beside):
            pictures.append(picture)
    return PlotView(trace.name, tuple(pictures))


def _limits_of(trace: Trace, unit: str, profile: Profile) -> list[LimitLine]:
    if unit != "A" or "inrush" not in trace.name.lower():
        return []
    protection = profile.protection
    return [
        LimitLine(protection.start_limit_a, "soft-start limit"),
        LimitLine(protection.limit_a, "trip limit"),
    ]
