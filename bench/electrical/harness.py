"""A profile as spans between junctions: what can be told apart from outside.

Segments and joints that follow one another without a branch or a load carry the same current
and can't be told apart: they are one *span*. Spans connect *junctions*: pins, the chassis, load
terminals, and nodes where three or more things meet.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray

from bench.electrical.laws import FloatArray, LoadLaws
from bench.profiles.model import CHASSIS, Joint, Load, Profile, Segment, pin_node

Element = Segment | Joint
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Span:
    """Elements in series between two junctions, listed from ``a`` to ``b``."""

    a: str
    b: str
    elements: tuple[Element, ...]

    @property
    def resistance_ohm(self) -> float:
        """At 20 degC."""
        return sum(element.resistance_ohm for element in self.elements)

    @property
    def wire_ohm(self) -> float:
        """The part that is copper, at 20 degC."""
        return sum(element.resistance_ohm for element in self.elements if isinstance(element, Segment))

    @property
    def length_m(self) -> float:
        """Length of its wires."""
        return sum(element.length_m for element in self.elements if isinstance(element, Segment))

    @property
    def ground(self) -> bool:
        """Whether a joint in it is marked as belonging to a return path."""
        return any(isinstance(element, Joint) and element.ground for element in self.elements)


@dataclass(frozen=True)
class Harness:
    """A profile as spans between junctions; ``nodes`` gives the order of all arrays."""

    profile: Profile
    nodes: tuple[str, ...]
    spans: tuple[Span, ...]
    loads: tuple[Load, ...]
    pins: tuple[int, ...]
    laws: LoadLaws

    @cached_property
    def index(self) -> Mapping[str, int]:
        """Position of each node."""
        return {node: position for position, node in enumerate(self.nodes)}

    @cached_property
    def span_ends(self) -> tuple[IntArray, IntArray]:
        """Node positions of the ends of each span."""
        return self._ends([(span.a, span.b) for span in self.spans])

    @cached_property
    def load_ends(self) -> tuple[IntArray, IntArray]:
        """Node positions of the terminals of each load."""
        return self._ends([(load.a, load.b) for load in self.loads])

    @cached_property
    def pin_nodes(self) -> IntArray:
        """Node positions of ``pins``."""
        return np.array([self.index[pin_node(pin)] for pin in self.pins], dtype=np.int64)

    @cached_property
    def span_ohm(self) -> FloatArray:
        """Resistance of each span at 20 degC."""
        return np.array([span.resistance_ohm for span in self.spans])

    @cached_property
    def wire_ohm(self) -> FloatArray:
        """Copper part of each span at 20 degC."""
        return np.array([span.wire_ohm for span in self.spans])

    @cached_property
    def live_side(self) -> Mapping[str, tuple[str, ...]]:
        """For each node, the circuits whose pins reach it through metal alone; none on the ground side."""
        return _live_side(self)

    @cached_property
    def span_circuits(self) -> tuple[tuple[str, ...], ...]:
        """Circuits each span feeds; empty for spans of the ground side."""
        return tuple(self.live_side[span.a] for span in self.spans)

    @cached_property
    def distance_m(self) -> Mapping[str, float]:
        """Metres of wire from the connector to each node."""
        return _distances(self)

    def _ends(self, pairs: Sequence[tuple[str, str]]) -> tuple[IntArray, IntArray]:
        table = np.array([(self.index[a], self.index[b]) for a, b in pairs], dtype=np.int64).reshape(-1, 2)
        return table[:, 0], table[:, 1]


def build(profile: Profile, keep: Sequence[str] = ()) -> Harness:
    """Merge a profile's segments and joints into spans; nodes in ``keep`` stay junctions."""
    neighbours: dict[str, list[Element]] = defaultdict(list)
    elements: tuple[Element, ...] = (*profile.segments, *profile.joints)
    for element in elements:
        neighbours[element.a].append(element)
        neighbours[element.b].append(element)
    fixed = {pin_node(pin.number) for pin in profile.connector.pins} | {CHASSIS} | (set(keep) & set(neighbours))
    for load in profile.loads:
        fixed |= {load.a, load.b}
    junctions = fixed | {node for node, around in neighbours.items() if len(around) != 2}
    spans = _spans(neighbours, junctions)
    nodes = sorted(fixed | {node for span in spans for node in (span.a, span.b)})
    pins = tuple(sorted(pin.number for pin in profile.connector.pins))
    return Harness(profile, tuple(nodes), spans, profile.loads, pins, LoadLaws.of(profile.loads))


def _spans(neighbours: Mapping[str, list[Element]], junctions: set[str]) -> tuple[Span, ...]:
    spans: list[Span] = []
    used: set[str] = set()
    for start in sorted(junctions):
        for first in neighbours.get(start, []):
            if first.name not in used:
                chain, end = _follow(start, first, neighbours, junctions)
                used |= {element.name for element in chain}
                spans.append(Span(start, end, chain))
    return tuple(spans)


def _follow(
    start: str, first: Element, neighbours: Mapping[str, list[Element]], junctions: set[str]
) -> tuple[tuple[Element, ...], str]:
    chain, node = [first], _far_end(first, start)
    while node not in junctions:
        following = next(element for element in neighbours[node] if element is not chain[-1])
        chain.append(following)
        node = _far_end(following, node)
    return tuple(chain), node


def _far_end(element: Element, near: str) -> str:
    return element.b if element.a == near else element.a


def _live_side(harness: Harness) -> dict[str, tuple[str, ...]]:
    profile = harness.profile
    reached: dict[str, list[str]] = {node: [] for node in harness.nodes}
    around: dict[str, set[str]] = defaultdict(set)
    for span in harness.spans:
        around[span.a].add(span.b)
        around[span.b].add(span.a)
    for circuit in profile.circuits:
        waiting, seen = [pin_node(circuit.pin)], {pin_node(circuit.pin)}
        while waiting:
            node = waiting.pop()
            reached[node].append(circuit.name)
            fresh = around[node] - seen
            seen |= fresh
            waiting.extend(fresh)
    return {node: tuple(names) for node, names in reached.items()}


def _distances(harness: Harness) -> dict[str, float]:
    around: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for span in harness.spans:
        around[span.a].append((span.b, span.length_m))
        around[span.b].append((span.a, span.length_m))
    best = {pin_node(pin): 0.0 for pin in harness.pins}
    waiting = [(0.0, node) for node in sorted(best)]
    while waiting:
        metres, node = heappop(waiting)
        for other, length in around[node] if metres <= best[node] else ():
            if metres + length < best.get(other, np.inf):
                best[other] = metres + length
                heappush(waiting, (metres + length, other))
    return best
