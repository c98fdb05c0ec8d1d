"""The connector's face: every pin where it sits, with its number and its state as a symbol."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from bench.profiles.model import Connector, Pin, Profile, pin_node
from bench.reports import svg
from bench.results import Finding, Run, Verdict, worst

SIZE, RADIUS, LARGEST_PIN = 320.0, 138.0, 19.0

Point = tuple[float, float]
State = Literal["fault", "unsure", "sound", "not-tested", "unused"]

WORD: dict[State, str] = {
    "fault": "fault",
    "unsure": "unsure",
    "sound": "no fault found",
    "not-tested": "not tested by itself",
    "unused": "not wired",
}


STATE_OF: dict[Verdict, State] = {
    Verdict.PASS: "sound",
    Verdict.FAIL: "fault",
    Verdict.UNSURE: "unsure",
    Verdict.NOT_TESTED: "not-tested",
}


@dataclass(frozen=True, slots=True)
class PinState:
    """What the run says of a pin, and the numbers of the findings it is part of."""

    state: State
    findings: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        """``fault 1, 3``."""
        if self.state == "fault" and not self.findings:
            return "beyond a limit"
        return " ".join([WORD[self.state], ", ".join(map(str, self.findings))]).strip()


def pin_states(run: Run, profile: Profile) -> dict[int, PinState]:
    """State of every pin by its number: of the findings on it, else the worst of what was measured on it.

    A step, a value or a trace belongs to a pin when it names the pin's circuit, or (ground pins) the ground.
    """
    measured = _measured(run)
    return {pin.number: _state(pin, profile, run.findings, measured) for pin in profile.connector.pins}


def _measured(run: Run) -> list[tuple[str, Verdict]]:
    """Names of what was measured, each with its own verdict."""
    named: list[tuple[str, Verdict]] = []
    for step in run.steps:
        if step.verdict is not Verdict.NOT_TESTED:
            named += [(value.name, value.verdict) for value in step.values if value.value is not None]
            named += [(name, Verdict.PASS) for name in (step.step, *(trace.name for trace in step.traces))]
    return named


def _state(
    pin: Pin, profile: Profile, findings: tuple[Finding, ...], measured: Sequence[tuple[str, Verdict]]
) -> PinState:
    numbers = {number: each.verdict for number, each in enumerate(findings, 1) if pin.number in each.pins}
    circuits = [circuit for circuit in profile.circuits if circuit.pin == pin.number]
    names = ["ground"] if pin.ground else [name for circuit in circuits for name in (circuit.name, circuit.title)]
    verdicts = [verdict for words, verdict in measured if any(_named(name, words) for name in names)]
    verdict = worst([*numbers.values(), *verdicts])
    if verdict is not Verdict.NOT_TESTED:
        return PinState(STATE_OF[verdict], tuple(numbers))
    return PinState("not-tested" if pin_node(pin.number) in _wired(profile) else "unused")


def _wired(profile: Profile) -> set[str]:
    wires = [(segment.a, segment.b) for segment in profile.segments] + [(joint.a, joint.b) for joint in profile.joints]
    return {node for ends in (*wires, *((load.a, load.b) for load in profile.loads)) for node in ends}


def _named(name: str, words: str) -> bool:
    """Whether a name stands in the words by itself: "tail" is not in "detail"."""
    return re.search(rf"(?<![a-z0-9]){re.escape(name.lower())}(?![a-z0-9])", words.lower()) is not None


def draw_face(connector: Connector, states: Mapping[int, PinState]) -> Markup:
    """The face of the socket, seen from the front, its key at the top."""
    said = "; ".join(f"pin {pin.number}, {pin.function}: {states[pin.number].words}" for pin in connector.pins)
    places = _places(connector)
    radius = min([LARGEST_PIN, *(0.44 * apart for apart in _gaps(list(places.values())))])
    return svg.drawing(
        f"Face of the connector, {connector.title}",
        f"Seen from the front. {said}.",
        SIZE,
        SIZE,
        *_shell(connector, max(abs(y - SIZE / 2) for _, y in places.values())),
        *(_pin(pin, states[pin.number], places[pin.number], radius) for pin in connector.pins),
        class_="face",
    )


def _places(connector: Connector) -> dict[int, Point]:
    # Pins of the tables reach to 1; the outermost must still lie inside the insert. Wide rows fill the width.
    across = max(abs(pin.x) for pin in connector.pins)
    reach = (RADIUS - LARGEST_PIN - 10) / (across if _in_rows(connector) else 1.0)
    return {pin.number: (SIZE / 2 + pin.x * reach, SIZE / 2 - pin.y * reach) for pin in connector.pins}


def _in_rows(connector: Connector) -> bool:
    return max(abs(pin.x) for pin in connector.pins) > 1.5 * max(abs(pin.y) for pin in connector.pins)


def _gaps(places: Sequence[Point]) -> list[float]:
    return [math.dist(one, other) for number, one in enumerate(places) for other in places[:number]]


def _shell(connector: Connector, up: float) -> list[Markup]:
    """A round shell, or a rectangular one about pins in rows that reach ``up`` from the middle."""
    middle = SIZE / 2
    if _in_rows(connector):
        half = up + LARGEST_PIN + 16
        top = middle - half
        outer = svg.rect(8, top - 14, SIZE - 16, 2 * half + 28, rx=16, class_="shell")
        inner = svg.rect(22, top, SIZE - 44, 2 * half, rx=8, class_="insert")
    else:
        top = middle - RADIUS
        outer = svg.circle(middle, middle, RADIUS + 14, class_="shell")
        inner = svg.circle(middle, middle, RADIUS, class_="insert")
    return [outer, inner, svg.rect(middle - 11, top - 14, 22, 10, class_="key")]


def _pin(pin: Pin, state: PinState, place: Point, radius: float) -> Markup:
    x, y = place
    size = min(17.0, radius * 0.95)
    return svg.group(
        svg.tag("title", f"pin {pin.number}, {pin.function}: {state.words}"),
        svg.circle(x, y, radius, class_=f"contact {state.state}"),
        svg.text(x, y + size * 0.35, str(pin.number), font_size=size, class_="contact-number", text_anchor="middle"),
        *symbol(state.state, x + radius * 0.75, y - radius * 0.95),
    )


def symbol(state: State, x: float, y: float) -> list[Markup]:
    """A badge that says the state by its shape: cross, question mark, tick, bar; nothing for an unused pin."""
    if state == "unused":
        return []
    if state == "fault":
        octagon = " ".join(f"{x + dx * 10:.1f},{y + dy * 10:.1f}" for dx, dy in _OCTAGON)
        shape = svg.tag("polygon", points=octagon, class_="badge fault")
        strokes = [(-4.0, -4.0, 4.0, 4.0), (-4.0, 4.0, 4.0, -4.0)]
    elif state == "sound":
        shape = svg.circle(x, y, 9, class_="badge sound")
        strokes = [(-4.5, 0.5, -1.2, 4.0), (-1.2, 4.0, 4.5, -3.5)]
    elif state == "not-tested":
        shape = svg.rect(x - 8, y - 8, 16, 16, class_="badge not-tested")
        strokes = [(-4.0, 0.0, 4.0, 0.0)]
    else:
        triangle = f"{x:.1f},{y - 11:.1f} {x + 11:.1f},{y + 8:.1f} {x - 11:.1f},{y + 8:.1f}"
        mark = svg.text(x, y + 5.5, "?", class_="badge-mark", text_anchor="middle")
        return [svg.tag("polygon", points=triangle, class_="badge unsure"), mark]
    lines = [svg.line(x + x1, y + y1, x + x2, y + y2, class_="badge-mark") for x1, y1, x2, y2 in strokes]
    return [shape, *lines]


_OCTAGON = ((-0.41, -1), (0.41, -1), (1, -0.41), (1, 0.41), (0.41, 1), (-0.41, 1), (-1, 0.41), (-1, -0.41))


def verdict_sign(verdict: Verdict) -> Markup:
    """The verdict as a shape of its own: octagon, circle, triangle or square. The word stands beside it."""
    return svg.tag("svg", *symbol(STATE_OF[verdict], 12, 12), view_box="0 0 24 24", aria_hidden="true", class_="sign")
