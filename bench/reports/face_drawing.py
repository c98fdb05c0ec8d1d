"""The connector's face: every pin where it sits, with its number and its state as a symbol."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from bench.profiles.model import Connector, Pin, Profile
from bench.reports import svg
from bench.results import Finding, Run, Verdict

SIZE, RADIUS, PIN = 320.0, 138.0, 19.0

State = Literal["fault", "unsure", "sound", "not-tested", "unused"]

WORD: dict[State, str] = {
    "fault": "fault",
    "unsure": "unsure",
    "sound": "no fault found",
    "not-tested": "not tested",
    "unused": "not wired",
}


@dataclass(frozen=True, slots=True)
class PinState:
    """What the run says of a pin, and the numbers of the findings it is part of."""

    state: State
    findings: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        """``fault 1, 3``."""
        return " ".join([WORD[self.state], ", ".join(map(str, self.findings))]).strip()


def pin_states(run: Run, profile: Profile) -> dict[int, PinState]:
    """State of every pin by its number.

    A pin counts as tested when the run has a step, a value, a trace or a finding that names its circuit, or
    (for the ground pins) the ground.
    """
    tested = _tested_names(run)
    return {pin.number: _state(pin, profile, run.findings, tested) for pin in profile.connector.pins}


def _tested_names(run: Run) -> str:
    names: list[str] = []
    for step in run.steps:
        if step.verdict is not Verdict.NOT_TESTED:
            names += [step.step, *(value.name for value in step.values if value.value is not None)]
            names += [trace.name for trace in step.traces]
    return "\n".join(names).lower()


def _state(pin: Pin, profile: Profile, findings: tuple[Finding, ...], tested: str) -> PinState:
    numbers = {number: each.verdict for number, each in enumerate(findings, 1) if pin.number in each.pins}
    if numbers:
        certain = Verdict.FAIL in numbers.values()
        worrying = certain or Verdict.UNSURE in numbers.values()
        return PinState("fault" if certain else "unsure" if worrying else "sound", tuple(numbers))
    circuits = [circuit for circuit in profile.circuits if circuit.pin == pin.number]
    names = ["ground"] if pin.ground else [name for circuit in circuits for name in (circuit.name, circuit.title)]
    if not names:
        return PinState("unused")
    return PinState("sound" if any(_named(name, tested) for name in names) else "not-tested")


def _named(name: str, words: str) -> bool:
    """Whether a name stands in the words by itself: "tail" is not in "detail"."""
    return re.search(rf"(?<![a-z0-9]){re.escape(name.lower())}(?![a-z0-9])", words) is not None


def draw_face(connector: Connector, states: Mapping[int, PinState]) -> Markup:
    """The face of the socket, seen from the front, its key at the top."""
    said = "; ".join(f"pin {pin.number}, {pin.function}: {states[pin.number].words}" for pin in connector.pins)
    middle = SIZE / 2
    return svg.drawing(
        f"Face of the connector, {connector.title}",
        f"Seen from the front. {said}.",
        SIZE,
        SIZE,
        svg.circle(middle, middle, RADIUS + 14, class_="shell"),
        svg.circle(middle, middle, RADIUS, class_="insert"),
        svg.rect(middle - 11, middle - RADIUS - 14, 22, 10, class_="key"),
        *(_pin(pin, states[pin.number]) for pin in connector.pins),
        class_="face",
    )


def _pin(pin: Pin, state: PinState) -> Markup:
    # Pins of the tables reach to 1; the outermost must still lie inside the insert.
    reach = RADIUS - PIN - 10
    x, y = SIZE / 2 + pin.x * reach, SIZE / 2 - pin.y * reach
    return svg.group(
        svg.tag("title", f"pin {pin.number}, {pin.function}: {state.words}"),
        svg.circle(x, y, PIN, class_=f"contact {state.state}"),
        svg.text(x, y + 6, str(pin.number), class_="contact-number", text_anchor="middle"),
        *symbol(state.state, x + PIN * 0.82, y - PIN * 0.82),
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

STATE_OF: dict[Verdict, State] = {
    Verdict.PASS: "sound",
    Verdict.FAIL: "fault",
    Verdict.UNSURE: "unsure",
    Verdict.NOT_TESTED: "not-tested",
}


def verdict_sign(verdict: Verdict) -> Markup:
    """The verdict as a shape of its own: octagon, circle, triangle or square. The word stands beside it."""
    return svg.tag("svg", *symbol(STATE_OF[verdict], 12, 12), view_box="0 0 24 24", aria_hidden="true", class_="sign")
