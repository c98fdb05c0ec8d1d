"""Leaks, times and strokes as JSON documents and on screen."""

from collections.abc import Mapping

from rich.console import Console
from rich.table import Table

from bench import units
from bench.air.leak import LeakJudgement
from bench.air.stroke import BrakeStroke, StrokeJudgement
from bench.air.timing import Movement, Rule, TimingJudgement
from bench.cli import terminal
from bench.cli.json_view import JsonObject
from bench.results import Verdict
from bench.units import System

REFERRED = "rates are the fall that the leak causes at 100 psi (690 kPa), everything settled; 95 % interval"


# --- leaks ---


def leak_document(
    lines: Mapping[str, LeakJudgement], verdict: Verdict, limit: tuple[float, str], source: str
) -> JsonObject:
    """All lines of a trace; rates in the limit's unit."""
    value, unit = limit
    return {
        "verdict": verdict.value,
        "limit": {"value": value, "unit": unit, "source": source},
        "referred_to": "100 psi gauge",
        "lines": {name: _leak(each, unit) for name, each in lines.items()},
    }


def _leak(judged: LeakJudgement, unit: str) -> JsonObject:
    return {
        "rate": _rate(judged.rate_pa_per_s, unit),
        "low": _rate(judged.low_pa_per_s, unit),
        "high": _rate(judged.high_pa_per_s, unit),
        "unit": unit,
        "decided_at_s": judged.decided_at_s,
        "steady": judged.steady,
        "verdict": (judged.verdict or Verdict.UNSURE).value,
        "reason": judged.reason,
        "changed_at_s": judged.changed_at_s,
        "cannot_tell": list(judged.cannot_tell),
    }


def _rate(pa_per_s: float | None, unit: str) -> float | None:
    return None if pa_per_s is None else units.convert(pa_per_s, "Pa/s", unit)


def show_leaks(console: Console, lines: Mapping[str, LeakJudgement], limit: tuple[float, str], system: System) -> None:
    """Verdict, rate and what can't be told, line by line."""
    for name, judged in lines.items():
        console.print(terminal.verdict_text(judged.verdict or Verdict.UNSURE), f" {name} line", sep="")
        rows = {"rate": _rate_text(judged, system), "limit": f"at most {units.both(*limit, system)}"}
        if judged.decided_at_s is not None:
            rows["decided"] = f"{judged.decided_at_s:.0f} s after the valve closed"
        if judged.reason:
            rows["because"] = judged.reason
        rows["cannot tell"] = "; ".join(judged.cannot_tell)
        terminal.print_rows(console, rows)
    console.print(f"({REFERRED})", style="dim")


def _rate_text(judged: LeakJudgement, system: System) -> str:
    if judged.rate_pa_per_s is None or judged.low_pa_per_s is None or judged.high_pa_per_s is None:
        return "no estimate"
    (low, high), unit = units.columns([judged.low_pa_per_s, judged.high_pa_per_s], "Pa/s", system)
    return f"{units.both(judged.rate_pa_per_s, 'Pa/s', system)}, between {low} and {high} {unit}"


# --- times ---


def timing_document(
    profile: str, chambers: Mapping[str, tuple[TimingJudgement, ...]], verdict: Verdict, rules: Mapping[Movement, Rule]
) -> JsonObject:
    """Movements by chamber."""
    return {
        "verdict": verdict.value,
        "profile": profile,
        "chambers": {
            name: {each.movement: _timing(each, rules[each.movement]) for each in judged}
            for name, judged in chambers.items()
        },
    }


def _timing(judged: TimingJudgement, rule: Rule) -> JsonObject:
    return {
        "verdict": judged.verdict.value,
        "reason": judged.reason,
        "repeats": judged.repeats,
        "mean_s": judged.mean_s,
        "deviation_s": judged.deviation_s,
        "longest_s": judged.longest_s,
        "tolerance_factor": judged.factor,
        "bound_s": judged.bound_s,
        "limit_s": rule.limit_s,
        "source": rule.source,
        "cannot_tell": list(judged.cannot_tell),
    }


def show_timing(
    console: Console, chambers: Mapping[str, tuple[TimingJudgement, ...]], rules: Mapping[Movement, Rule]
) -> None:
    """Movements, chamber by chamber."""
    for name, judged in chambers.items():
        for each in judged:
            console.print(terminal.verdict_text(each.verdict), f" {name.replace('_', ' ')}: {each.movement}", sep="")
            terminal.print_rows(console, _timing_rows(each, rules[each.movement]))


def _timing_rows(judged: TimingJudgement, rule: Rule) -> dict[str, str]:
    rows = {}
    if judged.mean_s is not None:
        rows["time"] = f"mean {judged.mean_s:.3f} s, longest {judged.longest_s:.3f} s of {judged.repeats}"
    if judged.bound_s is not None:
        rows["promise"] = f"95 % of all within {judged.bound_s:.3f} s (95 % confidence)"
    if rule.limit_s is not None:
        rows["limit"] = f"at most {rule.limit_s:.2f} s; {rule.source}"
    if judged.reason:
        rows["because"] = judged.reason
    rows["cannot tell"] = "; ".join(judged.cannot_tell)
    return rows


# --- strokes ---


def stroke_document(profile: str, judged: StrokeJudgement) -> JsonObject:
    """All brakes, axles and the shares of defective ones; lengths in m."""
    return {
        "verdict": judged.verdict.value,
        "profile": profile,
        "brakes": {each.wheel_end.name: _brake(each) for each in judged.brakes},
        "axles": [
            {"axle": each.axle, "left_minus_right_m": each.difference_m, "within": each.within} for each in judged.axles
        ],
        "missing": list(judged.missing),
        "defective_share": judged.share,
        "defective_share_with_tractor": judged.share_with_tractor,
        "out_of_service": judged.out_of_service,
        "cannot_tell": list(judged.cannot_tell),
    }


def _brake(each: BrakeStroke) -> JsonObject:
    return {
        "verdict": each.verdict.value,
        "reason": each.reason,
        "stroke_m": each.stroke_m,
        "limit_m": each.limit_m,
        "over_m": each.over_m,
        "defective": each.defective,
        "source": each.source,
    }


def show_strokes(console: Console, judged: StrokeJudgement, system: System) -> None:
    """A row a brake, then axles and shares."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("", "brake", "stroke", "limit", "remark"):
        table.add_column(heading, overflow="fold")
    for each in judged.brakes:
        stroke, limit = (units.both(length, "mm", system) for length in _mm(each))
        table.add_row(terminal.verdict_text(each.verdict), each.wheel_end.title, stroke, limit, _remark(each, system))
    console.print(table)
    rows = {f"axle {each.axle}": _difference(each.difference_m, each.within, system) for each in judged.axles}
    if judged.missing:
        rows["not measured"] = ", ".join(judged.missing)
    rows["defective"] = _shares(judged)
    rows["cannot tell"] = "; ".join(judged.cannot_tell)
    terminal.print_rows(console, rows)


def _mm(each: BrakeStroke) -> tuple[float, float]:
    return each.stroke_m * 1000, each.limit_m * 1000


def _remark(each: BrakeStroke, system: System) -> str:
    over = f"{units.both(each.over_m * 1000, 'mm', system)} over" if each.over_m else ""
    return "; ".join(filter(None, (over, each.reason)))


def _difference(difference_m: float, within: bool, system: System) -> str:
    text = f"left and right differ by {units.both(abs(difference_m) * 1000, 'mm', system)}"
    return text if within else f"{text}: adjust or find out why"


def _shares(judged: StrokeJudgement) -> str:
    text = f"{judged.share:.0%} of the trailer's brakes"
    if judged.share_with_tractor is not None:
        text += f", {judged.share_with_tractor:.0%} of the combination's"
    return f"{text}; reaches the out-of-service share" if judged.out_of_service else text
