"""The harness as a graph: what is joined to what, and what a drawing got wrong.

*Copper* is wire and joints, passable both ways; loads are passable from their fed side to their
return side. A harness makes sense when every node hangs together with a pin, every load is fed
by its own circuit and has a way back, and no circuit is joined to ground by copper alone.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

from bench.profiles.library import near
from bench.profiles.model import CHASSIS, Circuit, Connector, pin_node
from bench.profiles.problems import Problem
from bench.profiles.source import Loc

PIN_NODE = re.compile(r"pin\.(\d+)")

Graph = Mapping[str, set[str]]


class Element(NamedTuple):
    """A wire, joint or load as it stands in the file; ``circuit`` of loads, where it was given."""

    kind: Literal["copper", "load"]
    name: str
    a: str
    b: str
    loc: Loc
    circuit: str | None = None


@dataclass(frozen=True)
class Network:
    """All elements of one harness on one connector."""

    connector: Connector
    circuits: tuple[Circuit, ...]
    elements: tuple[Element, ...]

    def feeding(self, load: Element) -> list[Circuit]:
        """Circuits whose pin reaches the load's fed side, through copper and, if need be, through other loads."""
        by_copper = [each for each in self.circuits if load.a in self._reached_by_copper[each.name]]
        return by_copper or [each for each in self.circuits if load.a in self._reached[each.name]]

    @cached_property
    def _reached_by_copper(self) -> Mapping[str, set[str]]:
        return {each.name: reach(self.copper, [pin_node(each.pin)]) for each in self.circuits}

    @cached_property
    def _reached(self) -> Mapping[str, set[str]]:
        """Through loads too, but not through ground, which every load reaches."""
        live = {node: neighbours - self.ground_nodes for node, neighbours in self.forward.items()}
        return {each.name: reach(live, [pin_node(each.pin)]) for each in self.circuits}

    @cached_property
    def copper(self) -> Graph:
        """Wire and joints, both ways."""
        return graph((e.a, e.b) for e in self._both_ways("copper"))

    @cached_property
    def forward(self) -> Graph:
        """Copper both ways and loads from fed side to return side."""
        loads = [e for e in self.elements if e.kind == "load"]
        return graph((e.a, e.b) for e in [*self._both_ways("copper"), *loads])

    @cached_property
    def together(self) -> Graph:
        """Everything both ways."""
        return graph((e.a, e.b) for e in [*self._both_ways("copper"), *self._both_ways("load")])

    @cached_property
    def ground_nodes(self) -> set[str]:
        """The returns, and all that copper joins to them."""
        returns = [CHASSIS, *(pin_node(number) for number in self.connector.ground_pins)]
        return reach(self.copper, returns)

    def _both_ways(self, kind: str) -> Iterator[Element]:
        for element in self.elements:
            if element.kind == kind:
                yield element
                yield element._replace(a=element.b, b=element.a)


def graph(edges: Iterable[tuple[str, str]]) -> Graph:
    """Neighbours of every node; an edge goes one way only."""
    neighbours: dict[str, set[str]] = defaultdict(set)
    for a, b in edges:
        neighbours[a].add(b)
    return neighbours


def reach(neighbours: Graph, starts: Iterable[str]) -> set[str]:
    """All nodes that can be reached from ``starts``, themselves included."""
    seen = set(starts)
    todo = list(seen)
    while todo:
        fresh = neighbours.get(todo.pop(), set()) - seen
        seen |= fresh
        todo.extend(fresh)
    return seen


def check(network: Network) -> list[Problem]:
    """All that is wrong with the wiring."""
    problems = [*_twice(network), *_pins(network), *_ends(network)]
    # what follows would only repeat a misspelt name in other words
    return problems or [*_unattached(network), *_grounded(network), *_loads(network)]


def _twice(network: Network) -> Iterator[Problem]:
    seen: set[str] = set()
    for element in network.elements:
        if element.name in seen:
            yield Problem(
                element.loc, f"the name '{element.name}' is used twice; segments, joints and loads share names"
            )
        seen.add(element.name)


def _pins(network: Network) -> Iterator[Problem]:
    connector = network.connector
    there = {pin_node(pin.number) for pin in connector.pins}
    for element in network.elements:
        for key, node in _ends_of(element):
            if PIN_NODE.match(node) and node not in there:
                numbers = ", ".join(str(pin.number) for pin in connector.pins)
                yield Problem((*element.loc, key), f"{connector.name} has no '{node}'; its pins are {numbers}")


def _ends_of(element: Element) -> tuple[tuple[str, str], tuple[str, str]]:
    return ("from", element.a), ("to", element.b)


def _ends(network: Network) -> Iterator[Problem]:
    """Nodes at which only one thing ends: a misspelt name or a wire that leads nowhere."""
    ends = Counter(node for element in network.elements for node in (element.a, element.b))
    known = {node for node, count in ends.items() if count > 1} | {CHASSIS}
    for element in network.elements:
        if element.a == element.b:
            yield Problem(element.loc, f"'{element.name}' has both ends at '{element.a}'")
        for key, node in _ends_of(element):
            if ends[node] == 1 and node != CHASSIS and not PIN_NODE.match(node):
                yield Problem((*element.loc, key), _lonely(node, known))


def _lonely(node: str, known: Iterable[str]) -> str:
    hint = near(node, known)
    if hint.startswith(":"):
        return f"no node '{node}'{hint}"
    return f"nothing else connects to '{node}'; every node but a pin and the chassis joins at least two things"


def _unattached(network: Network) -> Iterator[Problem]:
    everything = network.together
    for circuit in network.circuits:
        if pin_node(circuit.pin) not in everything:
            yield Problem(
                ("circuits", circuit.name), f"nothing is connected to {pin_node(circuit.pin)} of this circuit"
            )
    attached = reach(everything, [CHASSIS, *(pin_node(pin.number) for pin in network.connector.pins)])
    for element in network.elements:
        if element.a not in attached:
            yield Problem(element.loc, f"'{element.name}' is not connected to any pin or to the chassis")


def _grounded(network: Network) -> Iterator[Problem]:
    grounds = network.ground_nodes
    for circuit in network.circuits:
        if pin_node(circuit.pin) in grounds:
            why = f"circuit '{circuit.name}' (pin {circuit.pin}) is joined to ground by wire alone"
            yield Problem(("circuits", circuit.name), f"{why}; that is a short, put a load between")


def _loads(network: Network) -> Iterator[Problem]:
    names = {circuit.name: circuit for circuit in network.circuits}
    for load in network.elements:
        if load.kind != "load":
            continue
        if load.circuit is not None and load.circuit not in names:
            yield Problem((*load.loc, "circuit"), f"no circuit '{load.circuit}'{near(load.circuit, names)}")
            continue
        yield from _fed(network, load)
        yield from _returned(network, load)


def _fed(network: Network, load: Element) -> Iterator[Problem]:
    feeding = network.feeding(load)
    names = [circuit.name for circuit in feeding]
    if not feeding:
        yield Problem((*load.loc, "from"), f"'{load.name}' is fed by no circuit: '{load.a}' leads to no circuit's pin")
    elif load.circuit is None and len(feeding) > 1:
        yield Problem(load.loc, f"'{load.name}' is fed by {' and '.join(names)}: say which with 'circuit'")
    elif load.circuit is not None and load.circuit not in names:
        by = f"'{load.name}' is fed by '{names[0]}' (pin {feeding[0].pin}), not by '{load.circuit}'"
        yield Problem((*load.loc, "circuit"), f"{by}: change 'circuit' or 'from'")


def _returned(network: Network, load: Element) -> Iterator[Problem]:
    reached = reach(network.forward, [load.b])
    if CHASSIS not in reached and not any(PIN_NODE.match(node) for node in reached):
        yield Problem(
            (*load.loc, "to"), f"'{load.name}' has no way back: '{load.b}' leads to no pin and not to the chassis"
        )
