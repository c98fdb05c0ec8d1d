"""``umbilical leak``, ``timing`` and ``stroke``: the air inference on stored readings, no board."""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.air.leak import LeakJudgement
    from bench.air.timing import Movement, Rule, TimingJudgement
    from bench.profiles.air_model import AirSystem
    from bench.profiles.model import Limit, Profile
    from bench.profiles.traces import PressureTrace
    from bench.results import Verdict
    from bench.units import System

_EXIT = {"pass": 0, "fail": 1}
_UNCLEAR = 2

TraceFile = Annotated[str, typer.Argument(metavar="TRACE.csv", help="time_s and pressures; see profiles/README.md.")]


def leak(
    trace: TraceFile,
    limit: Annotated[
        str | None,
        typer.Option(
            "--limit",
            metavar="LIMIT",
            help="Largest fall that passes, '3 psi/min', or a name of the limits file: trailer-released, "
            "trailer-applied, combination-released, combination-applied, three-released, three-applied, "
            "service-applied.",
        ),
    ] = None,
    limits: Annotated[
        str, typer.Option("--limits", metavar="NAME", help="Limits file that names refer to.")
    ] = "air-us",
    waited: Annotated[
        float,
        typer.Option("--waited", metavar="SECONDS", min=0, help="How long ago the fill ended when the trace begins."),
    ] = 0.0,
    as_json: opt.Json = False,
) -> int:
    """Decide whether a closed line leaks, from a stored pressure trace that begins when the valve closes."""
    from bench.air.leak import judge_trace
    from bench.cli import air_view, json_view, terminal
    from bench.profiles.traces import load_trace
    from bench.units import convert

    value, unit, source = _leak_limit(limit, limits)
    stored = load_trace(trace)
    limit_pa_per_s = convert(value, unit, "Pa/s")
    judged = {line: judge_trace(stored, line, limit_pa_per_s, waited) for line in _lines(stored)}
    verdict = _worst_line(judged)
    if as_json:
        json_view.emit(air_view.leak_document(judged, verdict, (value, unit), source))
    else:
        air_view.show_leaks(terminal.out(), judged, (value, unit), _system_of(unit))
    return _EXIT.get(verdict.value, _UNCLEAR)


def timing(
    trace: TraceFile,
    profile: Annotated[str, typer.Option("--profile", metavar="PROFILE", help="Whose brakes they are.")],
    as_json: opt.Json = False,
) -> int:
    """Time applications and releases in a stored trace with a chamber and a command column."""
    from bench.air.timing import rules_of
    from bench.cli import air_view, json_view, terminal
    from bench.profiles import load_profile
    from bench.profiles.traces import load_trace
    from bench.results import worst

    loaded = load_profile(profile)
    air = _air_of(loaded)
    rules = rules_of(air.vehicle, loaded.limits)
    chambers = _timed(load_trace(trace), air, rules)
    verdict = worst(each.verdict for judged in chambers.values() for each in judged)
    if as_json:
        json_view.emit(air_view.timing_document(loaded.name, chambers, verdict, rules))
    else:
        air_view.show_timing(terminal.out(), chambers, rules)
    return _EXIT.get(verdict.value, _UNCLEAR)


def stroke(
    profile: opt.ProfileName,
    strokes: Annotated[str, typer.Argument(metavar="STROKES.csv", help="wheel_end and stroke_in, or stroke_mm.")],
    pressure: Annotated[
        str | None,
        typer.Option("--pressure", metavar="PRESSURE", help="In the reservoir, fully applied: '85 psi'."),
    ] = None,
    tractor_brakes: Annotated[
        int | None, typer.Option("--tractor-brakes", min=1, max=30, help="Service brakes of the tractor.")
    ] = None,
    tractor_defective: Annotated[
        float, typer.Option("--tractor-defective", min=0, max=30, help="How many of those are defective.")
    ] = 0.0,
    as_json: opt.Json = False,
) -> int:
    """Judge push-rod strokes against the readjustment limits of their chambers."""
    from bench.air.stroke import Tractor, judge_strokes
    from bench.cli import air_view, json_view, terminal
    from bench.errors import InputError
    from bench.profiles import load_profile
    from bench.profiles.strokes import load_strokes

    loaded = load_profile(profile)
    air = _air_of(loaded)
    if tractor_defective > (tractor_brakes or 0):
        raise InputError(f"--tractor-defective {tractor_defective:g} of {tractor_brakes or 0} --tractor-brakes")
    tractor = Tractor(tractor_brakes, tractor_defective) if tractor_brakes else None
    judged = judge_strokes(air, loaded.limits, load_strokes(strokes, air), _pressure_pa(pressure), tractor)
    if as_json:
        json_view.emit(air_view.stroke_document(loaded.name, judged))
    else:
        air_view.show_strokes(terminal.out(), judged, loaded.units)
    return _EXIT.get(judged.verdict.value, _UNCLEAR)


# --- what people type ---


def _leak_limit(text: str | None, limits: str) -> tuple[float, str, str]:
    """Value, unit and source of the limit."""
    from bench.errors import InputError
    from bench.profiles import load_limits
    from bench.profiles.library import near
    from bench.units import parse_quantity

    named = {name.removeprefix("leak-"): each for name, each in load_limits(limits).items() if name.startswith("leak-")}
    if text is None:
        raise InputError("say what passes: --limit '3 psi/min', or a name such as --limit trailer-applied")
    found: Limit | None = named.get(text.removeprefix("leak-"))
    if found is not None and found.high is not None:
        return found.high, found.unit, f"{found.source} ({found.mark.replace('-', ' ')})"
    if not text[:1].isdigit() and text[:1] not in "+-.":
        raise InputError(f"--limit: no limit '{text[:40]}'{near(text, named)}; or a quantity such as '3 psi/min'")
    value, unit = parse_quantity(text)
    if _converted("--limit", text, "Pa/s", "3 psi/min") <= 0:
        raise InputError(f"--limit {text}: a limit is more than nothing")
    return value, unit, "as given"


def _converted(option: str, text: str, into: str, example: str) -> float:
    """A quantity that somebody typed, in another unit."""
    from bench.errors import InputError
    from bench.units import convert, parse_quantity

    try:
        return convert(*parse_quantity(text), into)
    except InputError as error:
        raise InputError(f"{option} {text}: {error}; write it as '{example}'") from None


def _pressure_pa(text: str | None) -> float | None:
    from bench.errors import InputError

    if text is None:
        return None
    pascals = _converted("--pressure", text, "Pa", "85 psi")
    if not 0 <= pascals <= 1.4e6:
        raise InputError(f"--pressure {text}: no pressure of a brake system")
    return pascals


def _air_of(profile: "Profile") -> "AirSystem":
    from bench.errors import InputError

    if profile.air is None:
        raise InputError(f"profile {profile.name} has no 'air' section: it says nothing of brakes")
    return profile.air


def _system_of(unit: str) -> "System":
    return "us" if unit.startswith("psi") else "metric"


# --- which columns are judged ---


def _lines(trace: "PressureTrace") -> list[str]:
    """Supply and service; a chamber only when it is alone."""
    couplings = [name for name in ("supply", "service") if name in trace.pressure_pa]
    return couplings or list(trace.pressure_pa)


def _worst_line(judged: "Mapping[str, LeakJudgement]") -> "Verdict":
    """A line that was at rest all along neither passes nor spoils the others."""
    from bench.results import Verdict, worst

    verdicts = [each.verdict or Verdict.UNSURE for each in judged.values()]
    return worst([each for each in verdicts if each is not Verdict.NOT_TESTED] or verdicts)


def _timed(
    trace: "PressureTrace", air: "AirSystem", rules: "Mapping[Movement, Rule]"
) -> "dict[str, tuple[TimingJudgement, ...]]":
    from bench.air.timing import coupling_alone, judge_chamber

    chambers = [name for name in trace.pressure_pa if name.startswith("chamber")]
    if not chambers:
        return {"coupling": coupling_alone()}
    return {name: judge_chamber(trace, name, rules, _filter_delay_s(name, air)) for name in chambers}


def _filter_delay_s(column: str, air: "AirSystem") -> float:
    """Of the input that the column belongs to: the one it names, or the only one."""
    inputs = [each for each in air.inputs if each.quantity == "chamber"]
    named = column.removeprefix("chamber").removeprefix("_")
    mine = [each for each in inputs if each.wheel_end == named] if named else inputs
    return mine[0].filter_delay_s if len(mine) == 1 else 0.0
