"""Recordings as line plots, and a measured value as a mark on the rail of its limits."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.reports import svg

WIDTH, FIRST_HEIGHT, NEXT_HEIGHT = 460.0, 210.0, 140.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 10.0, 26.0, 34.0
_NOISE = 0.02  # of the highest


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit to draw across a plot, in the unit of its samples."""

    value: float
    words: str


@dataclass(frozen=True, slots=True)
class Axis:
    """Maps ``low``..``high`` onto pixels ``start``..``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Pixel of a value; one outside lands on the edge."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)


def line_plot(
    title: str,
    samples: Sequence[float],
    dt_s: float,
    unit: str,
    system: units.System,
    limits: Sequence[LimitLine] = (),
    buckets: int = 300,
    height: float = FIRST_HEIGHT,
    beside: Mapping[str, Sequence[float]] | None = None,
) -> Markup:
    """One recorded quantity over time from its first sample, ``dt_s`` apart and in ``unit``.

    Samples that are no number break the line. A limit that is far above the samples is named above the
    plot instead of drawn. At most ``buckets`` pairs of lowest and highest are drawn. ``beside`` are curves
    of the same quantity at the same instants, such as a fit, by name.
    """
    into = units.shown_unit(unit, system)
    shown = [_converted(sample, unit, into) for sample in samples]
    finite = [sample for sample in shown if math.isfinite(sample)]
    if not finite:
        return Markup("")
    lines = [LimitLine(_converted(limit.value, unit, into), limit.words) for limit in limits]
    y_axis = _value_axis(finite, lines, height)
    time, time_unit = _time_axis(len(shown) * dt_s)
    scale = dt_s * (1000 if time_unit == "ms" else 1 / 60 if time_unit == "min" else 1)
    return svg.drawing(
        title,
        _described(finite, len(shown) * scale, units.sign(into), time_unit),
        WIDTH,
        height,
        *_grid(time, y_axis, time_unit, units.sign(into)),
        *_limits(lines, y_axis, units.sign(into)),
        *(svg.path(*points, class_="trace") for points in _lines(shown, scale, time, y_axis, buckets)),
        *(
            svg.path(*points, class_=style)
            for style, curve in zip(_BESIDE, (beside or {}).values(), strict=False)
            for points in _lines(_inside(curve, unit, into, y_axis), scale, time, y_axis, buckets)
        ),
        *_named(beside or {}),
        class_="plot",
    )


_BESIDE = {"fit": "dotted", "limit": "dashed"}  # how the first and the second curve beside a recording are drawn


def _inside(curve: Sequence[float], unit: str, into: str, axis: Axis) -> list[float]:
    """A curve in the units shown, with gaps where it is off the scale."""
    shown = [_converted(each, unit, into) for each in curve]
    return [each if axis.low <= each <= axis.high else math.nan for each in shown]


def _named(beside: Mapping[str, Sequence[float]]) -> list[Markup]:
    """What is drawn beside the recording, above the plot."""
    if not beside:
        return []
    words = "; ".join(f"{how}: {name}" for how, name in zip(_BESIDE.values(), beside, strict=False))
    return [svg.text(WIDTH - RIGHT, 13, words, class_="limit-words", text_anchor="end")]


def _converted(value: float, unit: str, into: str) -> float:
    return value if unit == into else units.convert(value, unit, into)


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers (1, 2 or 5 times a power of ten apart) from ``low`` to ``high``."""
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


def thinned(samples: Sequence[float], buckets: int) -> list[tuple[int, float]]:
    """Lowest and highest of each of ``buckets`` stretches, with their indices: peaks survive."""
    if len(samples) <= 2 * buckets:
        return list(enumerate(samples))
    kept: list[tuple[int, float]] = []
    for bucket in range(buckets):
        stretch = range(bucket * len(samples) // buckets, (bucket + 1) * len(samples) // buckets)
        extremes = {min(stretch, key=samples.__getitem__), max(stretch, key=samples.__getitem__)}
        kept += [(index, samples[index]) for index in sorted(extremes)]
    return kept


def _value_axis(samples: Sequence[float], limits: Sequence[LimitLine], height: float) -> Axis:
    low, high = min(samples), max(samples)
    # Zero belongs on the scale unless all samples are far from it, as with a supply voltage.
    if not 0.6 * high < low:
        low, high = min(low, 0.0), max(high, 0.0)
    if -_NOISE * high < low < 0:
        low = 0.0  # noise about zero gets no scale of its own below it
    # A limit far above a small signal would flatten it: then it is named, not drawn.
    high = max([high, *(limit.value for limit in limits if limit.value <= 2.5 * high)])
    high = max(high, low + 0.02 * abs(low), low + 1e-9)
    gap = ticks(low, high, 4)
    step = gap[1] - gap[0] if len(gap) > 1 else high - low
    return Axis(math.floor(low / step) * step, math.ceil(high / step * 1.001) * step, height - BOTTOM, TOP)


def _time_axis(duration_s: float) -> tuple[Axis, str]:
    factor, unit = (1000.0, "ms") if duration_s < 2 else (1.0, "s") if duration_s < 180 else (1 / 60, "min")
    return Axis(0.0, duration_s * factor, LEFT, WIDTH - RIGHT), unit


def _described(samples: Sequence[float], duration: float, unit: str, time_unit: str) -> str:
    low, high, last = (units.number(value) for value in (min(samples), max(samples), samples[-1]))
    over = f"Over {units.number(duration)} {time_unit}"
    return f"{over}: lowest {low} {unit}, highest {high} {unit}, at the end {last} {unit}."


def _grid(time: Axis, value: Axis, time_unit: str, unit: str) -> list[Markup]:
    drawn = []
    for tick in ticks(value.low, value.high, 4):
        y = value.at(tick)
        drawn.append(svg.line(LEFT, y, WIDTH - RIGHT, y, class_="grid"))
        drawn.append(svg.text(LEFT - 6, y + 4, units.number(tick), class_="tick", text_anchor="end"))
    for tick in ticks(time.low, time.high, 6):
        x = time.at(tick)
        drawn.append(svg.line(x, value.start, x, value.start + 4, class_="axis"))
        drawn.append(svg.text(x, value.start + 16, units.number(tick), class_="tick", text_anchor="middle"))
    axes = svg.path((LEFT, TOP), (LEFT, value.start), (WIDTH - RIGHT, value.start), class_="axis")
    names = [
        svg.text(6, 13, unit, class_="tick ink"),
        svg.text(WIDTH - RIGHT, value.start + BOTTOM - 4, f"time, {time_unit}", class_="tick ink", text_anchor="end"),
    ]
    return [*drawn, axes, *names]


def _limits(limits: Sequence[LimitLine], value: Axis, unit: str) -> list[Markup]:
    """Lines for the limits on the scale, and one line of words for those above it."""
    drawn: list[Markup] = []
    above = []
    for limit in limits:
        words = f"{limit.words} {units.number(limit.value)} {unit}"
        if limit.value > value.high:
            above.append(words)
            continue
        y = value.at(limit.value)
        drawn.append(svg.line(LEFT, y, WIDTH - RIGHT, y, class_="limit"))
        drawn.append(svg.text(WIDTH - RIGHT - 3, y - 5, words, class_="limit-words", text_anchor="end"))
    if above:
        words = f"{', '.join(above)}: above this scale ↑"
        drawn.append(svg.text(WIDTH - RIGHT, 13, words, class_="limit-words", text_anchor="end"))
    return drawn


def _lines(
    samples: Sequence[float], scale: float, time: Axis, value: Axis, buckets: int
) -> list[list[tuple[float, float]]]:
    """Unbroken stretches of the curve in pixels."""
    stretches: list[list[tuple[float, float]]] = [[]]
    for index, sample in thinned(samples, buckets):
        if math.isfinite(sample):
            stretches[-1].append((time.at(index * scale), value.at(sample)))
        elif stretches[-1]:
            stretches.append([])
    return [stretch for stretch in stretches if len(stretch) > 1]


RAIL_W, RAIL_H = 132.0, 14.0


def rail(value: float | None, low: float | None, high: float | None) -> Markup:
    """A value on the rail of its limits: the thick part is allowed. Beside it stand the same figures in words."""
    if value is None or not math.isfinite(value) or (low is None and high is None):
        return Markup("")
    axis = _rail_axis(value, low, high)
    from_x = axis.start if low is None else axis.at(low)
    to_x = axis.end if high is None else axis.at(high)
    outside = (low is not None and value < low) or (high is not None and value > high)
    x = axis.at(value)
    return svg.tag(
        "svg",
        svg.line(axis.start, 9, axis.end, 9, class_="rail"),
        svg.line(from_x, 9, to_x, 9, class_="allowed"),
        *(svg.line(edge, 4, edge, 14, class_="edge") for edge, at in ((from_x, low), (to_x, high)) if at is not None),
        svg.tag(
            "polygon", points=f"{x:.1f},9 {x - 4:.1f},1 {x + 4:.1f},1", class_="needle out" if outside else "needle"
        ),
        view_box=f"0 0 {RAIL_W:.0f} {RAIL_H:.0f}",
        aria_hidden="true",
        class_="rail-picture",
    )


def _rail_axis(value: float, low: float | None, high: float | None) -> Axis:
    known = [edge for edge in (low, high) if edge is not None]
    if low is not None and high is not None:
        room = (high - low) * 0.6 or abs(high) or 1.0
        start, end = low - room, high + room
    else:
        start, end = min(0.0, *known, value), max(*known, 0.0) * 1.6 or 1.0
    start, end = min(start, value), max(end, value)
    return Axis(start, end if end > start else start + 1.0, 5.0, RAIL_W - 5.0)
