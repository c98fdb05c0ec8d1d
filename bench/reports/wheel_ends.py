"""The table of wheel ends: chamber, stroke beside its limit, times, and what comes of it; from a run's values."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.profiles.air_model import AirSystem, WheelEnd
from bench.profiles.chambers import CHAMBERS
from bench.reports import words
from bench.reports.air_drawing import EndNote
from bench.reports.face_drawing import verdict_sign
from bench.reports.plots import rail
from bench.results import Run, Value, worst

STROKE, APPLICATION, RELEASE = "stroke", "application time, mean", "release time, mean"
MEASURED = (STROKE, APPLICATION, RELEASE)


@dataclass(frozen=True, slots=True)
class CellView:
    """One value of a wheel end; empty words where it was not measured."""

    measured: str
    limit: str
    source: str | None


@dataclass(frozen=True, slots=True)
class WheelEndView:
    """A row."""

    title: str
    chamber: str
    rail: Markup
    stroke: CellView
    application: CellView
    release: CellView
    sign: Markup
    verdict: str


def wheel_end_views(run: Run, air: AirSystem, system: units.System) -> tuple[WheelEndView, ...]:
    """A row for each wheel end; none when nothing was measured at any."""
    values = _values(run)
    if not any(_found(values, end, what) for end in air.wheel_ends for what in MEASURED):
        return ()
    return tuple(_view(end, values, system) for end in air.wheel_ends)


def end_notes(run: Run, air: AirSystem, system: units.System) -> dict[str, EndNote]:
    """What stands beside each wheel end on the drawing; nothing where nothing was measured."""
    values = _values(run)
    notes = {}
    for end in air.wheel_ends:
        found = [value for what in MEASURED if (value := _found(values, end, what)) and value.value is not None]
        if found:
            notes[end.name] = EndNote(tuple((_words(value, system), value.verdict) for value in found))
    return notes


def _words(value: Value, system: units.System) -> str:
    how = "stroke" if value.name.endswith(STROKE) else "applied in" if APPLICATION in value.name else "released in"
    return f"{how} {units.text(value.value or 0.0, value.unit, system)}"


def _values(run: Run) -> Mapping[str, Value]:
    return {value.name: value for step in run.steps for value in step.values}


def _found(values: Mapping[str, Value], end: WheelEnd, what: str) -> Value | None:
    return values.get(f"{end.name} {what}")


def _view(end: WheelEnd, values: Mapping[str, Value], system: units.System) -> WheelEndView:
    stroke = _found(values, end, STROKE)
    found: Sequence[Value] = [value for what in MEASURED if (value := _found(values, end, what))]
    verdict = worst(value.verdict for value in found)
    return WheelEndView(
        title=end.title,
        chamber=_chamber(end, system),
        rail=rail(stroke.value, stroke.low, stroke.high) if stroke else Markup(""),
        stroke=_cell(stroke, system),
        application=_cell(_found(values, end, APPLICATION), system),
        release=_cell(_found(values, end, RELEASE), system),
        sign=verdict_sign(verdict),
        verdict=words.VERDICT[verdict],
    )


def _chamber(end: WheelEnd, system: units.System) -> str:
    full_m = CHAMBERS[end.chamber].full_stroke_m(end.long_stroke)
    kind = f"type {end.chamber}, {'long' if end.long_stroke else 'standard'} stroke"
    return f"{kind} ({units.text(full_m * 1000, 'mm', system)} full){', spring' if end.spring else ''}"


def _cell(value: Value | None, system: units.System) -> CellView:
    if value is None or value.value is None:
        return CellView("", "", None)
    (measured, low, high), unit = units.columns([value.value, value.low, value.high], value.unit, system)
    limited = value.low is not None or value.high is not None
    return CellView(f"{measured} {unit}", words.limit(low, high, unit) if limited else "", value.source)
