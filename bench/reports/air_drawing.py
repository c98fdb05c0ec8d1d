"""The air side of a trailer as a picture: couplings, lines, relay emergency valve, reservoir, a chamber a wheel end.

Seen from above, the front at the left: what is above the middle is on the left side of the trailer, what is below
on the right. The supply line is drawn thick, the service line dashed, so that they differ in grey too. A finding is
marked by its number at every place that its words name: a diaphragm that leaks may be any of them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from markupsafe import Markup

from bench import units
from bench.profiles.air_model import M3_PER_IN3, AirSystem, WheelEnd
from bench.reports import svg
from bench.reports.harness_drawing import BALLOON, balloon
from bench.results import Finding, Verdict

HEIGHT = 372.0
SUPPLY_Y, MIDDLE_Y, SERVICE_Y = 112.0, 186.0, 260.0
VALVE_X, VALVE_W, VALVE_H = 470.0, 78.0, 62.0
CHECK_X = 384.0
TANK_X, TANK_Y, TANK_W, TANK_H = 430.0, 28.0, 158.0, 36.0
AXLES_FROM, AXLE_GAP, WORDS_ROOM = 650.0, 195.0, 150.0
LEFT_Y, RIGHT_Y = 84.0, 288.0
CHAMBER_R = 17.0

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class EndNote:
    """What was measured at a wheel end, in words, each with its verdict."""

    lines: tuple[tuple[str, Verdict], ...]


@dataclass(frozen=True, slots=True)
class _Placed:
    end: WheelEnd
    x: float
    y: float

    @property
    def outward(self) -> float:
        """-1 away from the middle at the left side, 1 at the right."""
        return -1.0 if self.end.side == "left" else 1.0

    @property
    def spring(self) -> Point:
        return self.x, self.y + 1.55 * CHAMBER_R * self.outward


def draw_air(
    air: AirSystem, findings: Sequence[Finding], notes: Mapping[str, EndNote], title: str, system: units.System
) -> Markup:
    """The whole air side with its faults.

    Args:
        air: the profile's.
        findings: of the run, in the order of their numbers from 1.
        notes: by the name of the wheel end.
        title: of the trailer.
        system: which units come first.
    """
    ends = _placed(air)
    places = _places(air, ends)
    marks = _marks(findings, places)
    width = _width(ends)
    return svg.drawing(
        f"Drawing of the air side of {title}",
        _described(findings, places),
        width,
        HEIGHT,
        *_lines(air, system, width),
        *_tank(air, system),
        *_valve(air),
        *_delivery(ends),
        *(_chamber(each, notes.get(each.end.name), air) for each in ends),
        *_draw_marks(marks),
        class_="harness air",
    )


def unplaced(air: AirSystem, findings: Sequence[Finding]) -> list[int]:
    """Numbers of the findings about air whose place is not on the drawing."""
    places = _places(air, _placed(air))
    return [
        number
        for number, finding in enumerate(findings, 1)
        if finding.where and finding.where.place == "component" and finding.where.name not in places
    ]


def _placed(air: AirSystem) -> list[_Placed]:
    axles = [list(of) for _, of in groupby(sorted(air.wheel_ends, key=_by_axle), key=lambda end: end.axle)]
    return [
        _Placed(end, AXLES_FROM + number * AXLE_GAP, LEFT_Y if end.side == "left" else RIGHT_Y)
        for number, axle in enumerate(axles)
        for end in axle
    ]


def _width(ends: Sequence[_Placed]) -> float:
    """At least as much as two axles take, so that words have one size on every page."""
    return max([AXLES_FROM + AXLE_GAP, *(each.x for each in ends)]) + WORDS_ROOM + 5


def _by_axle(end: WheelEnd) -> tuple[int, str]:
    return end.axle, end.side


# --- parts ---


def _lines(air: AirSystem, system: units.System, width: float) -> list[Markup]:
    into_x = VALVE_X - VALVE_W / 2
    supply = svg.path((52, SUPPLY_Y), (into_x - 22, SUPPLY_Y), (into_x - 22, MIDDLE_Y - 14), (into_x, MIDDLE_Y - 14),
                      class_="air-supply")  # fmt: skip
    service = svg.path((52, SERVICE_Y), (into_x - 22, SERVICE_Y), (into_x - 22, MIDDLE_Y + 14), (into_x, MIDDLE_Y + 14),
                       class_="air-service")  # fmt: skip
    words = (
        ("supply line", air.supply_line_m, SUPPLY_Y - 12),
        ("service line", air.service_line_m, SERVICE_Y + 22),
    )
    return [
        supply,
        service,
        _glad_hand(SUPPLY_Y),
        _glad_hand(SERVICE_Y),
        *(
            svg.text(64, y, f"{name}, ", svg.tag("tspan", units.both(length_m, "m", system), class_="small"))
            for name, length_m, y in words
        ),
        svg.text(22, MIDDLE_Y + 4, "front", class_="small"),
        svg.text(width, 14, "left side", class_="small", text_anchor="end"),
        svg.text(width, HEIGHT - 6, "right side", class_="small", text_anchor="end"),
    ]


def _glad_hand(y: float) -> Markup:
    return svg.group(
        svg.tag("title", "glad hand"),
        svg.tag("path", d=f"M52,{y:.0f} m0,-11 a11,11 0 1 0 0,22", class_="air-part"),
        svg.line(52, y - 11, 52, y + 11, class_="air-edge"),
    )


def _tank(air: AirSystem, system: units.System) -> list[Markup]:
    middle = TANK_X + TANK_W / 2 - 40
    litres, cubic_inches = f"{air.reservoir_m3 * 1000:.0f} L", f"{air.reservoir_m3 / M3_PER_IN3:.0f} in³"
    first, second = (cubic_inches, litres) if system == "us" else (litres, cubic_inches)
    valve = [_check_valve()] if air.check_valve else []
    return [
        svg.line(middle, TANK_Y + TANK_H, middle, MIDDLE_Y - VALVE_H / 2, class_="air-supply"),
        svg.rect(TANK_X, TANK_Y, TANK_W, TANK_H, rx=TANK_H / 2, class_="air-part"),
        svg.text(TANK_X + TANK_W / 2, TANK_Y + 16, "reservoir", text_anchor="middle"),
        svg.text(TANK_X + TANK_W / 2, TANK_Y + 29, f"{first} ({second})", class_="small", text_anchor="middle"),
        svg.path((TANK_X + TANK_W - 62, TANK_Y + TANK_H), (TANK_X + TANK_W - 62, TANK_Y + TANK_H + 7), class_="wire"),
        svg.text(TANK_X + TANK_W - 54, TANK_Y + TANK_H + 13, "drain", class_="small"),
        *valve,
    ]


def _check_valve() -> Markup:
    y = SUPPLY_Y
    triangle = svg.tag("polygon", points=f"{CHECK_X - 8},{y - 8} {CHECK_X - 8},{y + 8} {CHECK_X + 6},{y}",
                       class_="air-part")  # fmt: skip
    bar = svg.line(CHECK_X + 6, y - 8, CHECK_X + 6, y + 8, class_="air-edge")
    return svg.group(triangle, bar, svg.text(CHECK_X, y - 14, "check valve", class_="small", text_anchor="middle"))


def _valve(air: AirSystem) -> list[Markup]:
    left, top, bottom = VALVE_X - VALVE_W / 2, MIDDLE_Y - VALVE_H / 2, MIDDLE_Y + VALVE_H / 2
    modulators = f"with {air.modulators} ABS modulator{'' if air.modulators == 1 else 's'}" if air.modulators else ""
    return [
        svg.rect(left, top, VALVE_W, VALVE_H, rx=4, class_="air-part"),
        svg.text(VALVE_X, MIDDLE_Y - 9, "relay", text_anchor="middle"),
        svg.text(VALVE_X, MIDDLE_Y + 6, "emergency", text_anchor="middle"),
        svg.text(VALVE_X, MIDDLE_Y + 21, "valve", text_anchor="middle"),
        svg.line(VALVE_X, bottom, VALVE_X, bottom + 9, class_="wire"),
        svg.path((VALVE_X - 7, bottom + 9), (VALVE_X, bottom + 17), (VALVE_X + 7, bottom + 9), class_="wire"),
        svg.text(VALVE_X + 13, bottom + 18, "exhaust", class_="small"),
        *([svg.text(VALVE_X + VALVE_W / 2 + 8, MIDDLE_Y - 8, modulators, class_="small")] if modulators else []),
    ]


def _delivery(ends: Sequence[_Placed]) -> list[Markup]:
    if not ends:
        return []
    last = max(each.x for each in ends)
    trunk = svg.line(VALVE_X + VALVE_W / 2, MIDDLE_Y, last, MIDDLE_Y, class_="air-delivery")
    drops = [
        svg.line(each.x, MIDDLE_Y, each.x, each.y - CHAMBER_R * each.outward, class_="air-delivery") for each in ends
    ]
    dots = [svg.circle(each.x, MIDDLE_Y, 3, class_="dot") for each in ends]
    return [trunk, *drops, *dots]


def _chamber(placed: _Placed, note: EndNote | None, air: AirSystem) -> Markup:
    """A service chamber with its diaphragm; the spring part behind it; the words beside them."""
    end, x, y = placed.end, placed.x, placed.y
    spring_x, spring_y = placed.spring
    spring = [
        svg.rect(x - 13, min(y, spring_y) + (0 if placed.outward > 0 else -9), 26, abs(spring_y - y) + 9, rx=3,
                 class_="air-part"),
        svg.path(*_zigzag(spring_x, spring_y + 4 * placed.outward), class_="thin"),
    ] if end.spring else []  # fmt: skip
    sensed = any(each.quantity == "chamber" and each.wheel_end == end.name for each in air.inputs)
    kind = f"type {end.chamber}{', long stroke' if end.long_stroke else ''}{', sensor' if sensed else ''}"
    said = (
        [(words, "small ink" if verdict is Verdict.PASS else "marked") for words, verdict in note.lines] if note else []
    )
    lines = [(svg.fitted(end.title, 13.5, WORDS_ROOM - 24), "lane"), (svg.fitted(kind, 10.5, WORDS_ROOM - 24), "small")]
    beyond = any(style == "marked" for _, style in said)
    text_y = y - (10 if placed.outward < 0 else 0)
    words = [
        svg.text(x + 24, text_y + 14.5 * row, line, class_=style) for row, (line, style) in enumerate([*lines, *said])
    ]
    return svg.group(
        svg.tag("title", end.title),
        *spring,
        svg.circle(x, y, CHAMBER_R, class_="air-part air-beyond" if beyond else "air-part"),
        svg.line(x - CHAMBER_R, y, x + CHAMBER_R, y, class_="air-edge"),
        *words,
    )


def _zigzag(x: float, y: float) -> list[Point]:
    return [(x - 8 + 4 * step, y + (3 if step % 2 else -3)) for step in range(5)]


# --- marks ---


def _places(air: AirSystem, ends: Sequence[_Placed]) -> dict[str, list[Point]]:
    """Where each place that the air steps name stands on the drawing."""
    valve: Point = (VALVE_X - VALVE_W / 2 + 4, MIDDLE_Y + VALVE_H / 2 - 4)
    tank: Point = (TANK_X + 16, TANK_Y + TANK_H / 2)
    supply: list[Point] = [(200.0, SUPPLY_Y)]
    service: list[Point] = [(200.0, SERVICE_Y)]
    chambers = [(each.x - 6, each.y) for each in ends]
    springs = [each.spring for each in ends if each.end.spring]
    named = {
        "supply line and its glad hand": supply,
        "service line and its glad hand": service,
        "supply line": supply,
        "service line": service,
        "relay valve, control side": [(VALVE_X - VALVE_W / 2, MIDDLE_Y + 14)],
        "relay valve, inlet seat": [(TANK_X + TANK_W / 2 - 40, MIDDLE_Y - VALVE_H / 2)],
        "relay valve, exhaust seat": [(VALVE_X, MIDDLE_Y + VALVE_H / 2 + 6)],
        "relay valve": [valve],
        "relay emergency valve": [valve],
        "brake chamber diaphragm": chambers,
        "spring brake seal": springs,
        "reservoir and its drain": [tank],
        "reservoir or supply line": [tank, *supply],
    }
    for each in ends:
        at = [(each.x - 6, each.y)]
        named[f"brake, {each.end.name}"] = at
        named[f"hose and chamber, {each.end.name}"] = [(each.x, (each.y + MIDDLE_Y) / 2)]
        named[f"axle {each.end.axle}, {each.end.side} brake"] = at
    if air.check_valve:
        named["check valve"] = [(CHECK_X, SUPPLY_Y)]
    return named


_ABOVE: Point = (-20.0, -20.0)
_BELOW: Point = (-26.0, 18.0)


@dataclass(frozen=True, slots=True)
class _Mark:
    number: int
    at: Point
    sure: bool

    @property
    def away(self) -> Point:
        """Where its balloon stands from its place: outside the valve's box."""
        return _BELOW if abs(self.at[0] - VALVE_X) <= VALVE_W / 2 and self.at[1] > MIDDLE_Y else _ABOVE


def _marks(findings: Sequence[Finding], places: Mapping[str, list[Point]]) -> list[_Mark]:
    marks = []
    for number, finding in enumerate(findings, 1):
        own = finding.where.name if finding.where else ""
        marks += [_Mark(number, at, sure=True) for at in places.get(own, ())]
        others = dict.fromkeys(each.where.name for each in finding.alternatives if each.where)
        marks += [_Mark(number, at, sure=False) for name in others if name != own for at in places.get(name, ())]
    return marks


def _draw_marks(marks: Iterable[_Mark]) -> list[Markup]:
    """Balloons beside their places; those at one place stand side by side."""
    taken: dict[Point, int] = {}
    drawn = []
    for mark in marks:
        beside = taken.get(mark.at, 0)
        taken[mark.at] = beside + 1
        x, y = mark.at
        at_x, at_y = x + mark.away[0] - beside * (2 * BALLOON + 3), y + mark.away[1]
        drawn.append(
            svg.group(
                svg.line(at_x, at_y, x, y, class_="leader"),
                *([svg.circle(x, y, 3.4, class_="air-spot")] if mark.sure else []),
                balloon(at_x, at_y, mark.number, sure=mark.sure),
            )
        )
    return drawn


def _described(findings: Sequence[Finding], places: Mapping[str, list[Point]]) -> str:
    said = [
        f"mark {number}: {finding.kind.replace('-', ' ')} at {finding.where.name}"
        for number, finding in enumerate(findings, 1)
        if finding.where and finding.where.name in places
    ]
    parts = "Supply and service line from the front to the relay emergency valve, the reservoir, a chamber a wheel end."
    return f"{parts} {'; '.join(said) if said else 'No fault of the air side is marked'}."
