"""Measured values over many runs as one HTML page: how they are distributed, and how they went in time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.reports import svg
from bench.reports.plots import BOTTOM, LEFT, RIGHT, TOP, WIDTH, Axis, ticks
from bench.reports.templating import template

HEIGHT = 230.0
MOST_BARS = 40


@dataclass(frozen=True, slots=True)
class Series:
    """One value over runs.

    Attributes:
        name: what is measured, and of which profile.
        unit: of the values and limits.
        values: in order of time.
        low, high: the newest limits.
        figures: in words, by heading.
    """

    name: str
    unit: str
    values: Sequence[float]
    low: float | None
    high: float | None
    figures: Mapping[str, str]


def render_statistics(title: str, every: Sequence[Series], system: units.System) -> str:
    """One self-contained page."""
    drawn = [(each, histogram(each, system), in_time(each, system)) for each in every]
    return template("statistics.html.j2").render(title=title, every=drawn)


def bars(values: Sequence[float]) -> tuple[list[float], list[int]]:
    """Edges and counts of a histogram; as many bars as the square root of the count, within reason."""
    low, high = min(values), max(values)
    count = max(1, min(MOST_BARS, round(len(values) ** 0.5))) if high > low else 1
    width = (high - low) / count or max(abs(low), 1.0) * 0.02
    counts = [0] * count
    for value in values:
        counts[min(count - 1, int((value - low) / width))] += 1
    return [low + number * width for number in range(count + 1)], counts


def histogram(series: Series, system: units.System) -> Markup:
    """How often which value was measured; limits as dashed lines."""
    shown, low, high, sign = _shown(series, system)
    edges, counts = bars(shown)
    across = _axis([*edges, *_known(low, high)], LEFT, WIDTH - RIGHT)
    up = Axis(0.0, max(counts) * 1.1, HEIGHT - BOTTOM, TOP)
    boxes = [
        svg.rect(x := across.at(left), y := up.at(count), across.at(right) - x, up.start - y, class_="bar")
        for left, right, count in zip(edges, edges[1:], counts, strict=False)
        if count
    ]
    limits = [
        part
        for value, words in ((low, "low"), (high, "high"))
        if value is not None
        for part in (
            svg.line(across.at(value), TOP, across.at(value), up.start, class_="limit"),
            svg.text(across.at(value), TOP - 6, f"{words} limit", class_="limit-words", text_anchor="middle"),
        )
    ]
    return svg.drawing(
        f"{series.name}: distribution",
        f"{len(shown)} values from {units.number(min(shown))} to {units.number(max(shown))} {sign}.",
        WIDTH,
        HEIGHT,
        *_frame(across, up, sign, ""),
        *boxes,
        *limits,
        class_="plot",
    )


def in_time(series: Series, system: units.System) -> Markup:
    """The values one after the other; limits as dashed lines."""
    shown, low, high, sign = _shown(series, system)
    up = _axis([*shown, *_known(low, high)], HEIGHT - BOTTOM, TOP)
    across = Axis(0.5, len(shown) + 0.5, LEFT, WIDTH - RIGHT)
    points = [(across.at(number), up.at(value)) for number, value in enumerate(shown, 1)]
    dots = [svg.circle(x, y, 2.2, class_="dot") for x, y in points] if len(points) <= 200 else []
    limits = [svg.line(LEFT, up.at(value), WIDTH - RIGHT, up.at(value), class_="limit") for value in _known(low, high)]
    return svg.drawing(
        f"{series.name}: in time",
        f"First {units.number(shown[0])} {sign}, last {units.number(shown[-1])} {sign}.",
        WIDTH,
        HEIGHT,
        *_frame(across, up, "measurement, oldest first", sign),
        svg.path(*points, class_="trace"),
        *dots,
        *limits,
        class_="plot",
    )


def _shown(series: Series, system: units.System) -> tuple[list[float], float | None, float | None, str]:
    into = units.shown_unit(series.unit, system)

    def converted(value: float) -> float:
        return value if into == series.unit else units.convert(value, series.unit, into)

    low, high = (None if bound is None else converted(bound) for bound in (series.low, series.high))
    return [converted(value) for value in series.values], low, high, units.sign(into)


def _known(*bounds: float | None) -> list[float]:
    return [bound for bound in bounds if bound is not None]


def _axis(values: Sequence[float], start: float, end: float) -> Axis:
    low, high = min(values), max(values)
    room = (high - low) * 0.06 or max(abs(high), 1.0) * 0.05
    return Axis(low - room, high + room, start, end)


def _frame(across: Axis, up: Axis, below: str, beside: str) -> list[Markup]:
    drawn = [svg.path((LEFT, TOP), (LEFT, up.start), (WIDTH - RIGHT, up.start), class_="axis")]
    for tick in ticks(up.low, up.high, 4):
        drawn.append(svg.line(LEFT, up.at(tick), WIDTH - RIGHT, up.at(tick), class_="grid"))
        drawn.append(svg.text(LEFT - 6, up.at(tick) + 4, units.number(tick), class_="tick", text_anchor="end"))
    for tick in ticks(across.low, across.high, 6):
        drawn.append(svg.line(across.at(tick), up.start, across.at(tick), up.start + 4, class_="axis"))
        drawn.append(svg.text(across.at(tick), up.start + 16, units.number(tick), class_="tick", text_anchor="middle"))
    drawn.append(svg.text(6, 13, beside, class_="tick ink"))
    drawn.append(svg.text(WIDTH - RIGHT, up.start + BOTTOM - 4, below, class_="tick ink", text_anchor="end"))
    return drawn
