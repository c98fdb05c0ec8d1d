"""One measured value over many runs: distribution, drift, and capability within the limits it was judged by. Pure.

Limits that are computed for each run (from the supply of that day, say) differ a little from run to run. Each value
is then taken by its place between its own limits, -1 to 1, which gives the same indices where the limits are the same.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from bench import units
from bench.records.history import Point
from bench.records.statistics import LEAST, Capability, Index, Spread, capability, spread
from bench.records.trends import Trend, trend_of
from bench.results import Verdict
from bench.units import System


@dataclass(frozen=True, slots=True)
class Figures:
    """What is known of one value of one profile.

    Attributes:
        limits: the newest ones.
        own_limits: whether they differed from run to run.
        failed: how many values did not pass.
    """

    name: str
    profile: str
    unit: str
    spread: Spread
    trend: Trend
    limits: tuple[float | None, float | None]
    own_limits: bool
    capability: Capability | None
    failed: int


def figures_of(points: Sequence[Point], system: System = "us") -> list[Figures]:
    """Figures of each value by itself, in the order in which they first come."""
    series: dict[tuple[str, str, str], list[Point]] = defaultdict(list)
    for point in points:
        series[point.profile, point.name, point.unit].append(point)
    return [_figures(each, system) for each in series.values()]


def _figures(points: list[Point], system: System) -> Figures:
    last = points[-1]
    own_limits = len({(point.low, point.high) for point in points}) > 1
    return Figures(
        last.name,
        last.profile,
        last.unit,
        spread([point.value for point in points]),
        trend_of(points, system),
        (last.low, last.high),
        own_limits,
        _placed(points) if own_limits else capability([point.value for point in points], last.low, last.high),
        sum(point.verdict is not Verdict.PASS for point in points),
    )


def _placed(points: Sequence[Point]) -> Capability | None:
    places = [
        (2 * point.value - point.low - point.high) / (point.high - point.low)
        for point in points
        if point.low is not None and point.high is not None and point.high > point.low
    ]
    return capability(places, -1.0, 1.0)


def document_of(figures: Figures) -> dict[str, Any]:
    """Figures as plain data."""
    return {
        "name": figures.name,
        "profile": figures.profile,
        "unit": figures.unit,
        "distribution": asdict(figures.spread),
        "change": asdict(figures.trend.change) if figures.trend.change else None,
        "words": figures.trend.words,
        "low": figures.limits[0],
        "high": figures.limits[1],
        "limits_differ": figures.own_limits,
        "not_passed": figures.failed,
        "cp": asdict(figures.capability.cp) if figures.capability and figures.capability.cp else None,
        "cpk": asdict(figures.capability.cpk) if figures.capability else None,
    }


def words_of(figures: Figures, system: System = "us") -> dict[str, str]:
    """Figures in plain words, by heading."""

    def text(value: float) -> str:
        return units.text(value, figures.unit, system)

    seen = figures.spread
    quartiles = f"{text(seen.lower_quartile)}, {text(seen.median)}, {text(seen.upper_quartile)}"
    return {
        "measured": f"{seen.count} times, {figures.failed} not passed",
        "mean": f"{text(seen.mean)}, standard deviation {text(seen.deviation)}",
        "quartiles": f"{quartiles}; from {text(seen.least)} to {text(seen.most)}",
        "in time": figures.trend.words,
        "limits": _limits(figures, system),
        "Cp": _index(figures.capability.cp if figures.capability else None, figures),
        "Cpk": _index(figures.capability.cpk if figures.capability else None, figures),
    }


def _limits(figures: Figures, system: System) -> str:
    named = [
        f"{word} {units.text(bound, figures.unit, system)}"
        for word, bound in zip(("at least", "at most"), figures.limits, strict=True)
        if bound is not None
    ]
    differ = "; they differ from run to run, each value is taken within its own" if figures.own_limits else ""
    return (", ".join(named) or "none") + differ


def _index(index: Index | None, figures: Figures) -> str:
    if index is not None:
        return f"{index.value:.2f} (95 % confidence: {index.low:.2f} to {index.high:.2f})"
    if figures.spread.count < LEAST:
        return f"not from fewer than {LEAST} values"
    return "not without spread and limits"
