"""The harness as a picture: lanes, stations, loads by place, and the faults marked by their numbers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.profiles.model import ControlUnit, Diode, Joint, Profile, Resistor
from bench.reports import svg
from bench.reports.harness_layout import (
    ROW,
    TOP,
    WIDTH,
    Lane,
    Layout,
    PlacedEnd,
    Point,
    Station,
    lay_out,
    titles,
)
from bench.results import Finding, Where

TEXT, SMALL = 12.5, 10.5
BALLOON = 8.5


@dataclass(frozen=True, slots=True)
class Mark:
    """A fault on the drawing; ``sure`` is false for a place that can't be ruled out."""

    number: int
    words: str
    where: Where | None
    pins: tuple[int, ...]
    sure: bool = True


def marks_of(findings: Sequence[Finding], system: units.System) -> tuple[Mark, ...]:
    """One mark for every finding's place, and one for every other place it may be at."""
    marks = []
    for number, finding in enumerate(findings, 1):
        marks.append(Mark(number, _mark_words(finding, system), finding.where, finding.pins))
        others = {alternative.where for alternative in finding.alternatives if alternative.where} - {finding.where}
        names = {finding.where.name if finding.where else None}
        for where in sorted(others, key=lambda where: where.name):
            if where.name not in names:
                marks.append(Mark(number, "", where, (), sure=False))
                names.add(where.name)
    return tuple(marks)


def draw_harness(profile: Profile, findings: Sequence[Finding], system: units.System) -> Markup:
    """The whole harness with its faults."""
    marks = marks_of(findings, system)
    layout = lay_out(profile, frozenset(mark.where.name for mark in marks if mark.where))
    rubric = titles(profile)
    lanes = (_lane(lane, *rubric.get(lane.node, (lane.node, "not reached from a pin"))) for lane in layout.lanes)
    pinned = _Pinned(layout)
    return svg.drawing(
        f"Drawing of the harness of {profile.title}",
        _described(marks),
        WIDTH,
        layout.height,
        *_stations(layout, system),
        *lanes,
        *(pinned.draw(mark) for mark in marks),
        class_="harness",
    )


def _mark_words(finding: Finding, system: units.System) -> str:
    words = finding.kind.replace("-", " ")
    where = finding.where
    if where is None or where.from_connector_m is None:
        return words
    return f"{words}, {units.spread(where.from_connector_m, where.plus_minus_m, 'm', system)}"


def _described(marks: Iterable[Mark]) -> str:
    said = [f"mark {mark.number}: {mark.words or 'or'} at {_place_name(mark)}" for mark in marks]
    lanes = "One lane for each pin, the connector at the left; distance along the wire grows to the right."
    return f"{lanes} " + ("; ".join(said) if said else "No fault is marked.")


def _place_name(mark: Mark) -> str:
    return mark.where.name if mark.where else f"pin {', '.join(map(str, mark.pins))}"


# --- stations ---


def _stations(layout: Layout, system: units.System) -> list[Markup]:
    drawn = [svg.text(WIDTH, TOP - 17, "distance along the wire →", class_="small", text_anchor="end")]
    last_x = -100.0
    for station in layout.stations:
        drawn.append(svg.line(station.x, TOP - 10, station.x, layout.height - ROW / 2, class_="station"))
        if station.x - last_x >= 58:
            drawn += _station_words(station, system)
            last_x = station.x
    return drawn


def _station_words(station: Station, system: units.System) -> list[Markup]:
    if station.to_m == 0:
        return [svg.text(station.x, TOP - 17, "connector", class_="small", text_anchor="middle")]
    middle_m = (station.from_m + station.to_m) / 2
    other: units.System = "metric" if system == "us" else "us"
    return [
        svg.text(station.x, TOP - 28, _rounded(middle_m, system), class_="small ink", text_anchor="middle"),
        svg.text(station.x, TOP - 16, _rounded(middle_m, other), class_="small", text_anchor="middle"),
    ]


def _rounded(metres: float, system: units.System) -> str:
    into = units.shown_unit("m", system)
    value = units.convert(metres, "m", into)
    return f"{value:.0f} {into}" if value >= 10 else f"{value:.1f} {into}"


# --- lanes ---


def _lane(lane: Lane, title: str, wire: str) -> Markup:
    number = lane.node.removeprefix("pin.") if lane.node.startswith("pin.") else ""
    heading = [
        svg.line(0, lane.y - 12, WIDTH, lane.y - 12, class_="rule"),
        svg.text(0, lane.y + 5, svg.fitted(title, TEXT + 1, WIDTH * 0.6), class_="lane"),
        svg.text(WIDTH, lane.y + 5, wire, class_="small", text_anchor="end"),
    ]
    wires = [svg.line(*edge.start, *edge.end, class_="wire") for edge in lane.edges]
    stubs = [svg.line(end.from_x, end.at[1], *end.at, class_="wire") for end in lane.ends]
    drops = [svg.line(*above, *below, class_="wire") for above, below in lane.drops]
    joints = [_joint(edge.edge, edge.start, edge.end) for edge in lane.edges if isinstance(edge.edge, Joint)]
    dots = [svg.circle(x, y, 2.8, class_="dot") for x, y in lane.splices]
    return svg.group(*heading, *wires, *stubs, *drops, *joints, *dots, *map(_end, lane.ends), *_root(lane, number))


def _root(lane: Lane, number: str) -> list[Markup]:
    x, y = lane.root
    if not number:
        return [svg.circle(x, y, 3.5, class_="dot")]
    return [
        svg.line(x - 22, y, x, y, class_="wire"),
        svg.circle(x - 31, y, 10, class_="pin"),
        svg.text(x - 31, y + 4.3, number, class_="pin-number", text_anchor="middle"),
    ]


def _joint(joint: Joint, start: Point, end: Point) -> Markup:
    return svg.circle((start[0] + end[0]) / 2, end[1], 3.4, svg.tag("title", joint.name), class_="joint")


def _end(end: PlacedEnd) -> Markup:
    x, y = end.at
    room = WIDTH - x - 14
    title = svg.fitted(end.words, TEXT, room)
    left = room - svg.text_width(title, TEXT) - 8
    detail = svg.fitted(end.detail, SMALL, left) if end.detail and left > 30 else ""
    parts = [title, svg.tag("tspan", detail, dx=8, class_="small")] if detail else [title]
    name = "end" if end.kind == "load" else "end quiet"
    words = svg.text(x + (18 if end.kind == "frame" else 13), y + 4.3, *parts, class_=name)
    full = svg.tag("title", f"{end.words}, {end.detail}" if end.detail else end.words)
    return svg.group(full, *_symbol(end), words)


def _symbol(end: PlacedEnd) -> list[Markup]:
    x, y = end.at
    if end.kind == "frame":
        widths = ((5.0, 8.0), (8.0, 5.0), (11.0, 2.0))
        return [svg.line(x + dx, y - half, x + dx, y + half, class_="wire") for dx, half in widths]
    if end.kind == "returns":
        return [svg.path((x + 7, y - 5), (x, y), (x + 7, y + 5), class_="wire")]
    if end.kind != "load" or end.load is None:
        return [svg.circle(x, y, 2.2, class_="joint")]
    return _load_symbol(end.load.type, x, y)


def _load_symbol(load: object, x: float, y: float) -> list[Markup]:
    """Graphic symbols in the manner of IEC 60617 (from memory): lamp, resistor, diode; a box for a unit."""
    if isinstance(load, Resistor):
        return [svg.rect(x - 7, y - 4, 15, 8, class_="part")]
    if isinstance(load, ControlUnit):
        return [svg.rect(x - 7, y - 7, 15, 14, class_="part"), svg.line(x - 3, y, x + 4, y, class_="thin")]
    if isinstance(load, Diode):
        triangle = svg.tag("polygon", points=f"{x - 5},{y - 5} {x - 5},{y + 5} {x + 4},{y}", class_="part")
        return [triangle, svg.line(x + 4, y - 5, x + 4, y + 5, class_="wire")]
    arm = 4.6  # half a diagonal of the cross inside a circle of 6.5
    return [
        svg.circle(x, y, 6.5, class_="part"),
        svg.line(x - arm, y - arm, x + arm, y + arm, class_="thin"),
        svg.line(x - arm, y + arm, x + arm, y - arm, class_="thin"),
    ]


# --- marks ---


class _Pinned:
    """Puts marks on a layout, one after the other, so that words on one row don't cover each other."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._taken: list[tuple[float, float, float]] = []  # row y, from x, to x

    def draw(self, mark: Mark) -> Markup:
        spot = self._find(mark)
        if spot is None:
            return Markup("")
        (x, y), half_width = spot
        words = svg.fitted(mark.words, SMALL + 1, 300)
        width = 2 * BALLOON + 6 + svg.text_width(words, SMALL + 1)
        wanted = min(x - BALLOON, WIDTH - width)
        if self._free(wanted, y, width) != wanted:
            words, width = "", 2 * BALLOON + 2
        left = self._free(x - BALLOON, y, width) if not words else wanted
        self._taken.append((y, left, left + width))
        balloon_x = left + BALLOON
        band = [svg.rect(x - half_width, y - 5, 2 * half_width, 10, class_="band")] if half_width > 3 else []
        return svg.group(
            *band,
            svg.line(balloon_x, y - 19 + BALLOON, x, y - 3, class_="leader"),
            *(_cross(x, y) if mark.sure else []),
            balloon(balloon_x, y - 19, mark.number, sure=mark.sure),
            *([svg.text(balloon_x + BALLOON + 4, y - 15, words, class_="marked")] if words else []),
        )

    def _free(self, left: float, y: float, width: float) -> float:
        """The first place from ``left`` on where nothing stands above the row yet."""
        for row_y, from_x, to_x in sorted(self._taken):
            if row_y == y and from_x < left + width and left < to_x:
                left = to_x + 6
        return left

    def _find(self, mark: Mark) -> tuple[Point, float] | None:
        where = mark.where
        if where is not None and (load := self._layout.find_load(where.name)):
            return load.at, 0.0
        if where is not None and (placed := self._layout.find_edge(where.name)):
            from_x, to_x = placed.start[0], placed.end[0]
            length_m = placed.to_m - placed.from_m
            if where.from_connector_m is None or length_m == 0:
                return ((from_x + to_x) / 2, placed.end[1]), 0.0
            share = min(1.0, max(0.0, (where.from_connector_m - placed.from_m) / length_m))
            half = (where.plus_minus_m or 0.0) / length_m * (to_x - from_x)
            x = from_x + share * (to_x - from_x)
            return (x, placed.end[1]), min(half, x - from_x, to_x - x)
        return next(((at, 0.0) for pin in mark.pins if (at := self._layout.find_pin(pin))), None)


def _cross(x: float, y: float) -> list[Markup]:
    return [
        svg.line(x - 5, y - 5, x + 5, y + 5, class_="cross"),
        svg.line(x - 5, y + 5, x + 5, y - 5, class_="cross"),
    ]


def balloon(x: float, y: float, number: int, *, sure: bool = True) -> Markup:
    """A fault's number in a circle: filled where the fault is, open where it can't be ruled out."""
    name = "balloon" if sure else "balloon open"
    return svg.group(
        svg.circle(x, y, BALLOON, class_=name),
        svg.text(x, y + 4, str(number), class_=f"{name} number", text_anchor="middle"),
    )
